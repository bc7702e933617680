//! `seathold identify`: the simulated bench fitted to recordings, as a valve and a rig file.

use std::path::{Path, PathBuf};

use clap::Args;
use seathold_analysis::calibration::reference_leak;
use seathold_analysis::identify::report::{self, Agreement};
use seathold_analysis::identify::scale::KnownLeak;
use seathold_analysis::identify::trace::RunReadings;
use seathold_analysis::identify::{Task, identify, page};
use seathold_config::{rig as rigs, valve as valves};
use seathold_quantity::{InputError, InputProblem};
use seathold_recording as recording;
use seathold_sequencer::field::Unit;
use seathold_sequencer::units::Reference;
use seathold_sequencer::verdict::Verdict;

use super::named_files::{self, refuse_copies, unfit};
use crate::console::Console;
use crate::error::Error;
use crate::exit::Exit;
use crate::quantity_args::QuantityArgs;
use crate::schema::{self, JsonKind};

/// `seathold identify`.
#[derive(Debug, Args)]
pub struct IdentifyArgs {
    /// Recordings of tight valves, or of a plug, on one rig and adapter; or folders of them
    #[arg(required = true, value_name = "FILE|FOLDER")]
    pub files: Vec<PathBuf>,
    /// A recording with the known leak open on the far side; given again for each
    #[arg(long, value_name = "FILE", requires = "reference")]
    pub with_leak: Vec<PathBuf>,
    /// The known leak at the test pressure, like "20 mm3/s"
    #[arg(long, value_name = "LEAK", requires = "with_leak")]
    pub reference: Option<String>,
    /// Its standard uncertainty, as a ratio
    #[arg(long, value_name = "RATIO", default_value = "1 %")]
    pub reference_u: String,
    /// A recording of a tight valve that takes no part and is predicted as a check; given again for each [default: the
    /// last one, where there are three or more]
    #[arg(long, value_name = "FILE")]
    pub hold_out: Vec<PathBuf>,
    /// The valve and bench as they are thought to be: a name from `seathold valve list`, or a file
    #[arg(long, value_name = "NAME|FILE", default_value = "tight")]
    pub valve: String,
    /// Valve file to write; never written over
    #[arg(long, value_name = "FILE")]
    pub out_valve: Option<PathBuf>,
    /// Rig file to write; never written over
    #[arg(long, value_name = "FILE")]
    pub out_rig: Option<PathBuf>,
    /// Page to write, with charts of where the plant misses
    #[arg(long, value_name = "FILE")]
    pub html: Option<PathBuf>,
    /// Charts in the terminal
    #[arg(long, conflicts_with = "json")]
    pub plot: bool,
    /// The result as a JSON object
    #[arg(long)]
    pub json: bool,
}

/// Recordings with which enough are left when one is held out.
const ENOUGH: usize = 3;
/// Most that are fitted together; each is simulated some hundred times.
const RECORDINGS_MAX: usize = 40;

/// `seathold identify`.
pub(super) fn run(args: &IdentifyArgs, console: &mut Console<'_>) -> Result<Exit, Error> {
    let reference_pa = Reference::ISO_8778.pressure.pascals();
    let mut o = QuantityArgs::default();
    let known = args.reference.as_ref().map(|text| {
        o.quantity_in("--reference", Unit::PascalCubicMetrePerSecond, text, &(1e-9..=1.0), reference_pa)
            .map_or(0.0, |(rate, _)| rate)
    });
    let known_u = o.quantity("--reference-u", Unit::Ratio, &args.reference_u, 1e-4..=0.2);
    o.finish()?;
    let before = valves::find(&args.valve, reference_pa)?.scenario;
    let named = |path: &PathBuf| args.with_leak.contains(path) || args.hold_out.contains(path);
    let mut tight = named_files::recordings(&args.files)?;
    tight.retain(|path| !named(path));
    let all: Vec<PathBuf> = tight.iter().chain(&args.with_leak).chain(&args.hold_out).cloned().collect();
    if all.len() > RECORDINGS_MAX {
        return Err(Error::usage(format!("{} recordings: at most {RECORDINGS_MAX} are fitted together", all.len())));
    }
    refuse_copies(&all)?;
    let mut held_out = args.hold_out.clone();
    if held_out.is_empty() && tight.len() >= ENOUGH {
        held_out.extend(tight.pop());
    }
    if tight.is_empty() {
        return Err(Error::usage("no recording of a tight valve is left to be fitted"));
    }
    let (tight, with_leak, held_out) =
        (traces(&tight, true)?, traces(&args.with_leak, false)?, traces(&held_out, true)?);
    let known_leak = known.zip(with_leak.first()).map(|(rate, trace)| KnownLeak {
        // The plant states a leak from 6 bar.
        rate: reference_leak::at_pressure(rate, trace.target_pa, STATED_PA, trace.rig.atmosphere_pa),
        u_rel: known_u,
    });
    let task = Task { tight: &tight, with_leak: &with_leak, known_leak, held_out: &held_out, before };
    let found = identify(&task).map_err(|why| {
        let problems = vec![InputProblem { line: None, message: why }];
        Error::Input(InputError { origin: "recordings".into(), problems })
    })?;
    let text = report::text(&found);
    if let Some(path) = &args.html {
        super::page_file::write_page(path, &page::page(&found))?;
    }
    if args.json {
        schema::write(console, JsonKind::Identify, report::json(&found))?;
    } else {
        write!(console.out, "{text}")?;
        if args.plot
            && let Some(held) = found.held_out.first()
        {
            for chart in
                [page::over_noise("Held out", &held.shown), page::while_held("Held out, while held", &held.shown)]
            {
                write!(console.out, "\n{}", chart.text())?;
            }
        }
    }
    let evidence: String = text.lines().map(|line| format!("# {}\n", line.trim())).collect();
    let agreement = Agreement::of(&found);
    let head = |what: &str| format!("# {what}, fitted to recordings by seathold identify. The evidence:\n{evidence}");
    if let Some(path) = &args.out_valve {
        let about = format!("a bench as identified: {}", agreement.words());
        let text = valves::file_of(&found.scenario, &about, "SIM-001", &head("A simulated bench"));
        written(path, "valve", &text, console)?;
    }
    if let Some(path) = &args.out_rig {
        written(path, "rig", &rigs::file_of(&found.rig, &head("A rig with the far volume")), console)?;
    }
    // Whoever tries recipes on a plant that does not describe the bench must notice, in a script too. The files are written all
    // the same: they may still be the best there is, and say so at their top.
    Ok(if matches!(agreement, Agreement::Missed | Agreement::Conflict) { Exit::NoVerdict } else { Exit::Good })
}

/// Gauge pressure from which a plant states leaks, Pa.
const STATED_PA: f64 = 600_000.0;

fn written(path: &Path, what: &str, text: &str, console: &mut Console<'_>) -> Result<(), Error> {
    recording::file::write(path, text.as_bytes(), recording::file::Replace::Never)?;
    writeln!(console.err, "{what} written to {}", path.display())?;
    Ok(())
}

fn traces(paths: &[PathBuf], tight: bool) -> Result<Vec<RunReadings>, Error> {
    let one = |path: &PathBuf| {
        let read = recording::read(path)?;
        if let Some(why) = &read.damage {
            return Err(recording::Error::damaged(path, why.clone()).into());
        }
        if tight && read.summary().sides.iter().any(|side| side.verdict == Verdict::Leaking) {
            let why = "a side of it was judged leaking, and the fit takes its valve for a tight one: leave it out";
            return Err(unfit(path, why.into()));
        }
        RunReadings::new(&path.display().to_string(), &read).map_err(|why| unfit(path, why))
    };
    paths.iter().map(one).collect()
}
