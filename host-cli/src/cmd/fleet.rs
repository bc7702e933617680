//! `seathold fleet`: many simulated valves, on all cores.

use std::path::PathBuf;
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, AtomicUsize, Ordering};
use std::sync::mpsc::{Receiver, RecvTimeoutError, SyncSender, sync_channel};
use std::time::Duration;

use clap::Args;
use jiff::Timestamp;
use seathold_sequencer::input::Sides;
use seathold_sequencer::units::Reference;
use serde_json::json;

use super::files::load_rig;
use super::progress::Progress;
use super::run::find_recipe;
use crate::calibration::apply;
use crate::console::Console;
use crate::error::Error;
use crate::exit::Exit;
use crate::fleet::rows::Rows;
use crate::fleet::spec::{Fleet as Spec, HATCHERY};
use crate::fleet::tally::{Tally, labelled};
use crate::fleet::test::{Common, Tested};
use crate::recording::Header;
use crate::recording::header::Source;
use crate::summary::line;
use crate::words::Speaker;

/// `seathold fleet`.
#[derive(Debug, Args)]
pub struct Fleet {
    /// How many valves
    #[arg(long, short = 'n', value_name = "N", default_value_t = 100, value_parser = clap::value_parser!(u64).range(1..=1_000_000), help_heading = "The fleet")]
    pub valves: u64,
    /// Fleet file [default: the built-in fleet of the hatchery]
    #[arg(long, value_name = "FILE", help_heading = "The fleet")]
    pub fleet: Option<PathBuf>,
    /// Any field of a fleet file, as FIELD=VALUE like "stem.share=20 %"; may be given again
    #[arg(long, value_name = "FIELD=VALUE", help_heading = "The fleet")]
    pub set: Vec<String>,
    /// Seed of all chance
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
    /// Greatest leak allowed, instead of the recipe's: "7.5 mm3/s", or a class like "ISO 5208 rate B DN 25"
    #[arg(long, value_name = "LEAK|CLASS", help_heading = "What and how")]
    pub limit: Option<String>,
    /// Nominal size, for a class that names none
    #[arg(long, value_name = "N", requires = "limit", help_heading = "What and how")]
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
    pub at: Option<Timestamp>,
    /// The result as a JSON object
    #[arg(long, help_heading = "Output")]
    pub json: bool,
}

/// How often Ctrl-C is looked for while no valve is done.
const TICK: Duration = Duration::from_millis(50);

/// Valves done that the table has not taken in yet; threads wait for it beyond these.
const AHEAD: usize = 256;

/// What a thread hands over.
type Done = Result<Tested, Error>;

/// `seathold fleet`.
pub(super) fn run(typed: &Fleet, console: &mut Console<'_>) -> Result<Exit, Error> {
    if typed.template {
        write!(console.out, "{HATCHERY}")?;
        return Ok(Exit::Good);
    }
    let now = console.clock.now();
    let started = typed.at.unwrap_or(now);
    let started = Timestamp::from_second(started.as_second()).unwrap_or(started);
    let folder = typed
        .out
        .clone()
        .unwrap_or_else(|| PathBuf::from("recordings").join(format!("fleet_{}", started.strftime("%Y%m%dT%H%M%SZ"))));
    let common = Arc::new(work_out(typed, started, &folder)?);
    let speaker = Speaker::new(common.recipe.recipe.raw(), &common.recipe.shown);
    let rows = Rows::create(&folder, common.target_pa())?;
    // Whoever reads the talk may have gone; the fleet goes on.
    let _ = write!(console.err, "{}", opening(typed, &common, &speaker));

    let ended = all(typed, &common, rows, console);
    let kept = if typed.no_recordings { "" } else { ", with the recordings beside it" };
    let shown = folder.join(crate::fleet::rows::NAME).display().to_string();
    let (tally, stopped) = match ended {
        Ok(ended) => ended,
        Err(why) => {
            let _ = writeln!(console.err, "what was done before is kept: {shown}");
            return Err(why);
        }
    };
    if typed.json {
        let result = json!({ "fleet": {
            "name": common.fleet.name,
            "seed": typed.seed,
            "asked": typed.valves,
            "stopped": stopped,
            "table": shown,
            "result": tally.json(common.limit()),
        }});
        writeln!(console.out, "{result}")?;
    } else {
        let mut text = tally.text(&speaker.limit(common.limit()));
        labelled(&mut text, "table", &format!("{shown}{kept}"));
        write!(console.out, "{text}")?;
    }
    if stopped {
        writeln!(console.err, "stopped: {} of {} valves are done and kept", tally.done(), typed.valves)?;
        return Ok(Exit::NoVerdict);
    }
    Ok(Exit::Good)
}

fn work_out(typed: &Fleet, started: Timestamp, folder: &std::path::Path) -> Result<Common, Error> {
    let as_built = load_rig(typed.rig_file.as_deref())?;
    let (rig, calibrations) = apply::to_run(&as_built, &typed.calibrations, started)?;
    let options: Result<Vec<(&str, &str)>, Error> = typed
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
    let load = |reference_pa| Spec::load(typed.fleet.as_deref(), options.iter().copied(), reference_pa);
    let first_look = load(Reference::ISO_8778.pressure.pascals())?;
    let kind = typed.recipe.is_none().then_some(first_look.base.scenario.plant.actuation);
    let recipe = find_recipe(typed.recipe.as_deref(), &rig, kind)?;
    let recipe = match &typed.limit {
        Some(text) => recipe.with_limit(text, typed.dn, &rig)?,
        None => recipe,
    };
    let fleet = load(recipe.recipe.raw().reference_pa)?;
    let header = Header {
        program: concat!("seathold ", env!("CARGO_PKG_VERSION")).into(),
        started_at: started.to_string(),
        serial: String::new(),
        operator: String::new(),
        sides: Sides::Both,
        recipe_name: recipe.name.clone(),
        recipe: *recipe.recipe.raw(),
        rig_name: typed.rig_file.as_ref().map_or_else(|| "built-in".into(), |f| f.display().to_string()),
        rig: *rig.raw(),
        calibrations,
        source: Source::Simulated { valve: String::new(), seed: 0, settings: Vec::new() },
        shown: recipe.shown.clone(),
    };
    let folder = (!typed.no_recordings).then(|| folder.to_owned());
    Ok(Common { fleet, seed: typed.seed, rig, as_built, recipe, header, folder })
}

fn opening(typed: &Fleet, common: &Common, speaker: &Speaker) -> String {
    let mut out = format!("{} simulated valves, seed {}\n", typed.valves, typed.seed);
    line(&mut out, "fleet", &format!("{}: {}", common.fleet.name, common.fleet.about));
    let limit = speaker.limit(common.limit());
    line(&mut out, "test", &format!("both sides, limit {limit} (recipe {})", common.recipe.name));
    for note in &common.header.calibrations {
        line(&mut out, "calibrated", note);
    }
    out
}

/// Tests all valves, and counts them as they come. The flag says whether Ctrl-C ended it early.
fn all(typed: &Fleet, common: &Arc<Common>, mut rows: Rows, console: &mut Console<'_>) -> Result<(Tally, bool), Error> {
    let threads = usize::from(typed.threads.unwrap_or(0));
    let pool = rayon::ThreadPoolBuilder::new().num_threads(threads).build();
    let pool = pool.map_err(|why| Error::usage(format!("--threads {threads}: {why}")))?;
    let presses = Arc::new(AtomicUsize::new(0));
    let (to, from) = sync_channel(AHEAD);
    let (worker, valves, next) = (Arc::clone(common), typed.valves, AtomicU64::new(1));
    let seen = Arc::clone(&presses);
    // Each thread takes the next number, so that what is done is done without gaps when it is stopped.
    pool.spawn_broadcast(move |_| work(&worker, &next, valves, &seen, &to));

    let mut progress = Progress::new(typed.valves, "valves", console.live);
    let mut tally = Tally::default();
    let mut failed = None;
    take_in(&from, &presses, console, |done, console| {
        let pushed = done.and_then(|tested| {
            tally.see(&tested, common.limit(), common.target_pa());
            rows.push(tested)
        });
        match pushed {
            Ok(()) => progress.step(tally.done(), console),
            Err(why) => {
                // Valves under way end whole; no new one begins.
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
            let stopped = tally.done() < typed.valves;
            Ok((tally, stopped))
        }
    }
}

/// One thread's work: valve after valve, until there are none or Ctrl-C was pressed.
fn work(common: &Common, next: &AtomicU64, valves: u64, presses: &AtomicUsize, to: &SyncSender<Done>) {
    while presses.load(Ordering::Relaxed) == 0 {
        let number = next.fetch_add(1, Ordering::Relaxed);
        if number > valves {
            return;
        }
        let Some(done) = common.test(number, presses).transpose() else { return };
        if to.send(done).is_err() {
            return;
        }
    }
}

/// Hands on what the threads have done until the last of them has gone, and tells them of Ctrl-C.
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
