//! `seathold fleet`: many simulated valves, on all cores.

use std::path::PathBuf;
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, AtomicUsize, Ordering};
use std::sync::mpsc::{Receiver, RecvTimeoutError, SyncSender, sync_channel};
use std::time::Duration;

use clap::Args;
use jiff::Timestamp;
use seathold_analysis::calibration::apply;
use seathold_analysis::fleet::counts::{FleetCounts, labelled};
use seathold_analysis::fleet::rows::FleetTable;
use seathold_analysis::fleet::spec::{FleetSpec as Spec, HATCHERY};
use seathold_analysis::fleet::test::{FleetSetup, TestedValve};
use seathold_recording::Header;
use seathold_recording::header::ReadingSource;
use seathold_sequencer::input::Sides;
use seathold_sequencer::units::Reference;
use seathold_text::layout::line;
use seathold_text::messages::UnitFormat;
use serde_json::json;

use super::files::load_rig;
use super::progress::Progress;
use super::run_common::{adapter_choice, find_recipe};
use crate::console::Console;
use crate::error::Error;
use crate::exit::Exit;
use crate::schema::{self, JsonKind};

/// `seathold fleet`.
#[derive(Debug, Args)]
pub struct FleetArgs {
    /// How many valves
    #[arg(long, short = 'n', value_name = "N", default_value_t = 100, value_parser = clap::value_parser!(u64).range(1..=1_000_000), help_heading = "The fleet")]
    pub count: u64,
    /// Fleet file [default: the built-in fleet of the hatchery]
    #[arg(long, value_name = "FILE", help_heading = "The fleet")]
    pub fleet: Option<PathBuf>,
    /// Bench on which the fleet is tested: a valve file, as `seathold identify` writes one. Only leaks are sampled then, and what
    /// the fleet file or --set says [default: benches are sampled too]
    #[arg(long, value_name = "NAME|FILE", help_heading = "The fleet")]
    pub valve: Option<String>,
    /// Any field of a fleet file, as FIELD=VALUE like "stem.share=20 %"; may be given again
    #[arg(long, value_name = "FIELD=VALUE", help_heading = "The fleet")]
    pub set: Vec<String>,
    /// Seed of all random numbers
    #[arg(long, value_name = "N", default_value_t = 1, help_heading = "The fleet")]
    pub seed: u64,
    /// Print a fleet file with every field and its meaning, and do nothing else
    #[arg(long, help_heading = "The fleet")]
    pub template: bool,

    /// Recipe file, or a built-in one: "dn25-air", "dn25-hand"
    #[arg(long, value_name = "FILE", help_heading = "What and how")]
    pub recipe: Option<PathBuf>,
    /// Rig file [default: the built-in rig]
    #[arg(long, value_name = "FILE", help_heading = "What and how")]
    pub rig_file: Option<PathBuf>,
    /// The rig's adapter that the valve is on [default: the one that takes its DN]
    #[arg(long, value_name = "NAME", help_heading = "What and how")]
    pub adapter: Option<String>,
    /// Greatest leak allowed, instead of the recipe's: "7.5 mm3/s", or a class like "ISO 5208 rate B DN 25"
    #[arg(long, value_name = "LEAK|CLASS", help_heading = "What and how")]
    pub limit: Option<String>,
    /// Nominal size, DN or NPS, for a class that names none, and for the rig's adapter
    #[arg(long, value_name = "N|NPS", value_parser = seathold_quantity::pipe_size::dn, help_heading = "What and how")]
    pub dn: Option<u32>,
    /// Calibration files, or folders of them [default: none]
    #[arg(long, value_name = "FILE|FOLDER", num_args = 1.., help_heading = "What and how")]
    pub calibrations: Vec<PathBuf>,
    /// How many threads [default: one a core]
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u16).range(1..=1_024), help_heading = "What and how")]
    pub threads: Option<u16>,

    /// Folder for fleet.csv and the recordings [default: recordings/fleet_STAMP]
    #[arg(long, value_name = "FOLDER", help_heading = "Output")]
    pub out: Option<PathBuf>,
    /// Keep no recordings, only fleet.csv
    #[arg(long, help_heading = "Output")]
    pub no_recordings: bool,
    /// When the fleet began, instead of now: an RFC 3339 time like 2026-03-02T09:30:00Z
    #[arg(long, value_name = "TIME", help_heading = "Output")]
    pub started_at: Option<Timestamp>,
    /// The result as a JSON object
    #[arg(long, help_heading = "Output")]
    pub json: bool,
}

/// How often Ctrl-C is looked for while no valve is done.
const TICK: Duration = Duration::from_millis(50);

/// Valves done but not in the table yet; threads wait beyond these.
const AHEAD: usize = 256;

/// The result of a thread.
type Done = Result<TestedValve, Error>;

/// `seathold fleet`.
pub(super) fn run(args: &FleetArgs, console: &mut Console<'_>) -> Result<Exit, Error> {
    if args.template {
        write!(console.out, "{HATCHERY}")?;
        return Ok(Exit::Good);
    }
    let started = console.date_or(args.started_at)?;
    let started = Timestamp::from_second(started.as_second()).unwrap_or(started);
    let folder = args
        .out
        .clone()
        .unwrap_or_else(|| PathBuf::from("recordings").join(format!("fleet_{}", started.strftime("%Y%m%dT%H%M%SZ"))));
    let common = Arc::new(work_out(args, started, &folder)?);
    let units = UnitFormat::new(common.recipe.recipe.raw(), &common.recipe.display_units);
    let rows = FleetTable::create(&folder, common.target_pa())?;
    // The reader of the messages may have gone; the fleet continues.
    let _ = write!(console.err, "{}", opening(args, &common, &units));

    let ended = all(args, &common, rows, console);
    let kept = if args.no_recordings { "" } else { ", with the recordings beside it" };
    let shown = folder.join(seathold_analysis::fleet::rows::NAME).display().to_string();
    let (counts, stopped) = match ended {
        Ok(ended) => ended,
        Err(why) => {
            let _ = writeln!(console.err, "what was done before is kept: {shown}");
            return Err(why);
        }
    };
    if args.json {
        let result = json!({ "fleet": {
            "name": common.fleet.name,
            "seed": args.seed,
            "requested": args.count,
            "stopped": stopped,
            "table": shown,
            "result": counts.json(common.limit()),
        }});
        schema::write(console, JsonKind::Fleet, result)?;
    } else {
        let mut text = counts.text(&units.limit(common.limit()));
        labelled(&mut text, "table", &format!("{shown}{kept}"));
        write!(console.out, "{text}")?;
    }
    if stopped {
        writeln!(console.err, "stopped: {} of {} valves are done and kept", counts.done(), args.count)?;
        return Ok(Exit::NoVerdict);
    }
    Ok(Exit::Good)
}

fn work_out(args: &FleetArgs, started: Timestamp, folder: &std::path::Path) -> Result<FleetSetup, Error> {
    let choice = adapter_choice(args.adapter.as_deref(), args.dn, args.limit.as_deref());
    let loaded = load_rig(args.rig_file.as_deref(), choice)?;
    let (rig, calibrations) = apply::to_run(&loaded.rig, &loaded.adapter, &args.calibrations, started)?;
    let options: Result<Vec<(&str, &str)>, Error> = args
        .set
        .iter()
        .map(|text| {
            let wrong = || Error::usage(format!("--set {text}: give FIELD=VALUE, like \"stem.share=20 %\""));
            text.split_once('=').ok_or_else(wrong)
        })
        .collect();
    let options = options?;
    // Volumes of leaked gas are counted at the recipe's reference pressure, so the recipe comes first; but how the
    // valves are worked chooses the recipe where none is typed.
    let load =
        |reference_pa| Spec::load(args.fleet.as_deref(), args.valve.as_deref(), options.iter().copied(), reference_pa);
    let first_look = load(Reference::ISO_8778.pressure.pascals())?;
    let kind = args.recipe.is_none().then_some(first_look.base.scenario.plant.actuation);
    let recipe = find_recipe(args.recipe.as_deref(), &rig, kind)?;
    let recipe = match &args.limit {
        Some(text) => recipe.with_limit(text, args.dn, &rig)?,
        None => recipe,
    };
    let fleet = load(recipe.recipe.raw().reference_pa)?;
    let header = Header {
        program: concat!("seathold ", env!("CARGO_PKG_VERSION")).into(),
        started_at: started.to_string(),
        serial: String::new(),
        operator: String::new(),
        sides: Sides::Both,
        end_tags: false,
        recipe_name: recipe.name.clone(),
        recipe: *recipe.recipe.raw(),
        rig_name: loaded.name,
        rig: *rig.raw(),
        calibrations,
        source: ReadingSource::Simulated { valve: String::new(), seed: 0, settings: Vec::new() },
        display_units: recipe.display_units.clone(),
    };
    let folder = (!args.no_recordings).then(|| folder.to_owned());
    Ok(FleetSetup { fleet, seed: args.seed, rig, as_built: loaded.rig, recipe, header, folder })
}

fn opening(args: &FleetArgs, common: &FleetSetup, units: &UnitFormat) -> String {
    let mut out = format!("{} simulated valves, seed {}\n", args.count, args.seed);
    line(&mut out, "fleet", &format!("{}: {}", common.fleet.name, common.fleet.about));
    let limit = units.limit(common.limit());
    line(&mut out, "test", &format!("both sides, limit {limit} (recipe {})", common.recipe.name));
    for note in &common.header.calibrations {
        line(&mut out, "calibrated", note);
    }
    out
}

/// Tests all valves, and counts them as they come. The flag says whether Ctrl-C ended it early.
fn all(
    args: &FleetArgs,
    common: &Arc<FleetSetup>,
    mut rows: FleetTable,
    console: &mut Console<'_>,
) -> Result<(FleetCounts, bool), Error> {
    let threads = usize::from(args.threads.unwrap_or(0));
    let pool = rayon::ThreadPoolBuilder::new().num_threads(threads).build();
    let pool = pool.map_err(|why| Error::usage(format!("--threads {threads}: {why}")))?;
    let presses = Arc::new(AtomicUsize::new(0));
    let (to, from) = sync_channel(AHEAD);
    let (worker, valves, next) = (Arc::clone(common), args.count, AtomicU64::new(1));
    let seen = Arc::clone(&presses);
    // Each thread takes the next number, so that what is done is done without gaps when it is stopped.
    pool.spawn_broadcast(move |_| work(&worker, &next, valves, &seen, &to));

    let mut progress = Progress::new(args.count, "valves", console.live);
    let mut counts = FleetCounts::default();
    let mut failed = None;
    take_in(&from, &presses, console, |done, console| {
        let pushed = done.and_then(|tested| {
            counts.see(&tested, common.limit(), common.target_pa());
            Ok(rows.push(tested)?)
        });
        match pushed {
            Ok(()) => progress.step(counts.done(), console),
            Err(why) => {
                // Valves in progress are completed; no new one begins.
                presses.fetch_max(1, Ordering::Relaxed);
                failed.get_or_insert(why);
            }
        }
    });
    progress.end();
    let written = rows.finish();
    match failed {
        Some(why) => Err(why),
        None => {
            written?;
            let stopped = counts.done() < args.count;
            Ok((counts, stopped))
        }
    }
}

/// One thread's work: valve after valve, until there are none or Ctrl-C was pressed.
fn work(common: &FleetSetup, next: &AtomicU64, valves: u64, presses: &AtomicUsize, to: &SyncSender<Done>) {
    while presses.load(Ordering::Relaxed) == 0 {
        let number = next.fetch_add(1, Ordering::Relaxed);
        if number > valves {
            return;
        }
        let Some(done) = common.test(number, presses).transpose() else { return };
        if to.send(done.map_err(Error::from)).is_err() {
            return;
        }
    }
}

/// Collects the threads' results until the last has ended, and passes Ctrl-C on to them.
fn take_in(
    from: &Receiver<Done>,
    presses: &AtomicUsize,
    console: &mut Console<'_>,
    mut each: impl FnMut(Done, &mut Console<'_>),
) {
    loop {
        match from.recv_timeout(TICK) {
            Ok(done) => each(done, console),
            Err(RecvTimeoutError::Timeout) => {}
            Err(RecvTimeoutError::Disconnected) => return,
        }
        presses.fetch_max(console.interrupted(), Ordering::Relaxed);
    }
}
