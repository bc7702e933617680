//! `seathold rejudge`: re-evaluates recorded runs with another recipe.

use std::path::PathBuf;
use std::sync::atomic::Ordering;

use clap::Args;
use rayon::prelude::*;
use seathold_analysis::rejudge::change::{RunComparison, SideComparison, VerdictShift, compare};
use seathold_analysis::rejudge::overlay::{Overlay, OverlayTrace, trace};
use seathold_config::recipe;
use seathold_recording::header::DisplayUnits;
use seathold_recording::plain::shown;
use seathold_recording::timeline::Timeline;
use seathold_recording::{self as recording, Recording};
use seathold_register::word;
use seathold_sequencer::recipe::RawRecipe;
use seathold_sequencer::verdict::{SideResult, Verdict};
use seathold_text::messages::{self, UnitFormat};
use serde_json::{Value, json};

use super::find::{RegisterArg, RunFilterArgs};
use super::progress::Progress;
use super::recordings_arg::{self, RecordingBytes, RecordingsArg};
use crate::console::Console;
use crate::error::Error;
use crate::exit::Exit;
use crate::schema::{self, JsonKind};

/// `seathold rejudge`.
#[derive(Debug, Args)]
pub struct RejudgeArgs {
    /// Recordings, or folders of them; without any, runs are taken from the register
    pub files: Vec<PathBuf>,
    /// Recipe file to judge by [default: each recording's own]
    #[arg(long, value_name = "FILE", help_heading = "Judged by")]
    pub recipe: Option<PathBuf>,
    /// Greatest leak allowed: "7.5 mm3/s", or a class like "ISO 5208 rate B DN 25"
    #[arg(long, value_name = "LEAK|CLASS", help_heading = "Judged by")]
    pub limit: Option<String>,
    /// Nominal size, DN or NPS, for a class that names none
    #[arg(long, value_name = "N|NPS", value_parser = seathold_quantity::pipe_size::dn, requires = "limit", help_heading = "Judged by")]
    pub dn: Option<u32>,
    /// Any field of a recipe, as FIELD=VALUE like "settle=2 s" or "false_accept=0.001"; may be given again
    #[arg(long, value_name = "FIELD=VALUE", help_heading = "Judged by")]
    pub set: Vec<String>,
    #[command(flatten)]
    pub filter: RunFilterArgs,
    #[command(flatten)]
    pub register: RegisterArg,
    /// How many threads [default: one a core]
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u16).range(1..=1_024))]
    pub threads: Option<u16>,
    /// Page to write: traces of many sides over each other, and their residuals
    #[arg(long, value_name = "FILE")]
    pub html: Option<PathBuf>,
    /// A JSON object a run, and one for all
    #[arg(long)]
    pub json: bool,
}

/// Recordings in memory at a time, for each thread: enough to keep all of them busy, few enough to stay small.
const AT_ONCE: usize = 16;

/// Changes to each recording's own recipe.
struct By {
    whole: Option<RawRecipe>,
    limit: Option<(String, Option<u32>)>,
    set: Vec<(String, String)>,
}

impl By {
    fn new(args: &RejudgeArgs) -> Result<Self, Error> {
        let split = |text: &String| {
            let wrong = || Error::usage(format!("--set {text}: give FIELD=VALUE, like \"settle=2 s\""));
            let (name, value) = text.split_once('=').ok_or_else(wrong)?;
            Ok((name.trim().to_owned(), value.trim().to_owned()))
        };
        let set = args.set.iter().map(split).collect::<Result<Vec<_>, Error>>()?;
        let whole = args.recipe.as_deref().map(recipe::without_rig).transpose()?;
        let by = Self { whole, limit: args.limit.clone().map(|limit| (limit, args.dn)), set };
        // A wrong option is wrong for every recording: report it before the first. A limit in standard volumes is right where
        // a recording's own recipe states its reference, as this one does.
        let stated = RawRecipe { reference_pa: 101_325.0, ..RawRecipe::DEMO };
        by.of(&stated).map(|_| by)
    }

    /// The recipe for a recording with this one.
    fn of(&self, own: &RawRecipe) -> Result<RawRecipe, Error> {
        let base = self.whole.as_ref().unwrap_or(own);
        let options = self.set.iter().map(|(name, value)| (name.as_str(), value.as_str()));
        let mut raw = recipe::replaced(base, options)?;
        if let Some((text, dn)) = &self.limit {
            let limit = seathold_quantity::limit::parse(text, *dn, reference(&raw));
            raw.limit_pa_m3_s = limit.map_err(|why| Error::usage(format!("--limit: {why}")))?.leak.pa_m3_s();
        }
        Ok(raw)
    }
}

const fn reference(raw: &RawRecipe) -> seathold_sequencer::units::Reference {
    use seathold_sequencer::units::{AbsolutePressure, Reference, Temperature};
    Reference {
        temperature: Temperature::from_kelvin(raw.reference_k),
        pressure: AbsolutePressure::from_pascals(raw.reference_pa),
    }
}

/// A re-evaluated run, or why its recording could not be read.
type Done = (String, Result<(RunComparison, DisplayUnits, Vec<OverlayTrace>), recording::Damage>);

pub(super) fn run(args: &RejudgeArgs, console: &mut Console<'_>) -> Result<Exit, Error> {
    let by = By::new(args)?;
    let threads = usize::from(args.threads.unwrap_or(0));
    let pool = rayon::ThreadPoolBuilder::new().num_threads(threads).build();
    let pool = pool.map_err(|why| Error::usage(format!("--threads {threads}: {why}")))?;
    let source = RecordingsArg::open(&args.files, &args.filter, &args.register, console)?;
    let mut progress = Progress::new(source.count(), "runs", console.live);
    let mut counts = Counts::default();
    let mut overlay = args.html.as_ref().map(|_| Overlay::default());
    let mut exit = Exit::Good;
    let mut left = source.recordings(&args.filter)?;
    loop {
        let (some, unread) = recordings_arg::next_few(&mut left, AT_ONCE * pool.current_num_threads())?;
        if some.is_empty() && unread.is_empty() {
            break;
        }
        for why in unread {
            exit = Exit::Storage;
            (counts.runs, counts.unread) = (counts.runs + 1, counts.unread + 1);
            writeln!(console.err, "{why}")?;
        }
        // In the order they came, whichever thread was first.
        let interrupts = console.interrupts;
        let one =
            |one: &RecordingBytes| (interrupts.load(Ordering::Relaxed) == 0).then(|| judge(one, &by, overlay.as_ref()));
        let done: Vec<Option<Done>> = pool.install(|| some.par_iter().map(one).collect());
        for (name, judged) in done.into_iter().flatten() {
            counts.runs += 1;
            match judged {
                Ok((compared, display, traces)) => {
                    if args.filter.serial.as_ref().is_some_and(|serial| *serial != compared.serial) {
                        counts.runs -= 1;
                        continue;
                    }
                    counts.see(&compared);
                    if let Some(overlay) = &mut overlay {
                        overlay.see(compared.sides.len());
                        traces.into_iter().for_each(|trace| overlay.push(trace));
                    }
                    tell(args, &name, &compared, &display, console)?;
                }
                Err(why) => {
                    exit = Exit::Storage;
                    counts.unread += 1;
                    writeln!(console.err, "{name}: {why}")?;
                }
            }
        }
        progress.step(counts.runs, console);
        if console.interrupted() > 0 {
            exit = Exit::NoVerdict;
            writeln!(console.err, "stopped: {} runs are done, and reported", counts.runs)?;
            break;
        }
    }
    progress.end();
    if let (Some(path), Some(overlay)) = (&args.html, &overlay) {
        super::page_file::write_page(path, &overlay.page(&counts.text()))?;
    }
    if args.json {
        schema::write(console, JsonKind::Rejudge, json!({ "all": counts.json() }))?;
    } else {
        write!(console.out, "{}", counts.text())?;
    }
    Ok(exit)
}

fn judge(one: &RecordingBytes, by: &By, overlay: Option<&Overlay>) -> Done {
    let judged = recording::read_bytes(&one.bytes).map(|recording| {
        // The options have been parsed once already.
        let compared = compare(&recording, |own, _| by.of(own).unwrap_or(*own));
        let traces = overlay.map_or_else(Vec::new, |overlay| traces(&recording, &compared, overlay));
        (compared, recording.header.display_units, traces)
    });
    (one.name.clone(), judged)
}

/// The sides of a run that may still be drawn.
fn traces(recording: &Recording, compared: &RunComparison, overlay: &Overlay) -> Vec<OverlayTrace> {
    let timeline = Timeline::of(recording);
    let of = |side: &SideComparison| {
        let changed = !matches!(side.way, VerdictShift::Same | VerdictShift::Unjudged);
        let result = side.new.as_ref().ok().or(side.old.as_ref());
        let estimate = result.and_then(|result| result.estimate);
        overlay.wants(changed).then(|| trace(recording, &timeline, side.side, estimate.as_ref(), changed)).flatten()
    };
    compared.sides.iter().filter_map(of).collect()
}

/// Runs and sides by outcome.
#[derive(Debug, Default)]
struct Counts {
    runs: u64,
    unread: u64,
    sides: u64,
    polls: u64,
    same: u64,
    accepted: u64,
    rejected: u64,
    open: u64,
    unjudged: u64,
}

impl Counts {
    fn see(&mut self, compared: &RunComparison) {
        self.polls += compared.polls;
        for side in &compared.sides {
            self.sides += 1;
            *match side.way {
                VerdictShift::Same => &mut self.same,
                VerdictShift::Accepted => &mut self.accepted,
                VerdictShift::Rejected => &mut self.rejected,
                VerdictShift::Open => &mut self.open,
                VerdictShift::Unjudged => &mut self.unjudged,
            } += 1;
        }
    }

    fn json(&self) -> Value {
        json!({
            "runs": self.runs, "unread": self.unread, "sides": self.sides, "polls": self.polls, "same": self.same,
            "accepted": self.accepted, "rejected": self.rejected, "open": self.open, "unjudged": self.unjudged,
        })
    }

    fn text(&self) -> String {
        let mut text = format!(
            "{}, {} re-evaluated\n",
            messages::counted(self.runs, "run"),
            messages::counted(self.sides, "side")
        );
        let rows = [
            (self.same, "verdict as recorded"),
            (self.accepted, "tight now, and not before"),
            (self.rejected, "leaking now, and not before"),
            (self.open, "undecided or void now, and not before"),
            (self.unjudged, "cannot be judged from what was recorded"),
            (self.unread, "recordings could not be read"),
        ];
        for (count, about) in rows.iter().filter(|(count, _)| *count > 0) {
            text += &format!("  {count:>7}  {about}\n");
        }
        text
    }
}

/// A line for each side that changed or cannot be judged; as JSON, each run.
fn tell(
    args: &RejudgeArgs,
    name: &str,
    compared: &RunComparison,
    display: &DisplayUnits,
    console: &mut Console<'_>,
) -> Result<(), Error> {
    if args.json {
        let sides: Vec<Value> = compared.sides.iter().map(side_json).collect();
        let run = json!({
            "run": name, "serial": compared.serial, "started_at": compared.started_at,
            "limit_pa_m3_s": { "recorded": compared.recorded.limit_pa_m3_s, "now": compared.recipe.limit_pa_m3_s },
            "sides": sides,
        });
        schema::write(console, JsonKind::Rejudge, run)?;
        return Ok(());
    }
    let (before, now) = (UnitFormat::new(&compared.recorded, display), UnitFormat::new(&compared.recipe, display));
    for side in compared.sides.iter().filter(|side| side.way != VerdictShift::Same) {
        let old = side.old.as_ref().map_or("not judged", |old| messages::verdict_word(old.verdict));
        let which = messages::side_name(side.side);
        let (new, why) = match &side.new {
            Ok(new) => {
                let mut why = reading(new, &now, compared.recipe.limit_pa_m3_s);
                if let Some(old) = &side.old {
                    why += &format!("; was {}", reading(old, &before, compared.recorded.limit_pa_m3_s));
                }
                (messages::verdict_word(new.verdict), why)
            }
            Err(why) => ("cannot tell", why.to_string()),
        };
        let text = format!("{name}  {}  {which}: {old} → {new}: {why}", compared.serial);
        writeln!(console.out, "{}", shown(&text))?;
    }
    Ok(())
}

/// The basis of a verdict: estimate, limit, window; or the reason.
fn reading(result: &SideResult, units: &UnitFormat, limit: f64) -> String {
    let measured = matches!(result.verdict, Verdict::Tight | Verdict::Leaking | Verdict::Undecided);
    match result.estimate.filter(|_| measured) {
        Some(estimate) => {
            let window = f64::from(estimate.window_ms) / 1e3;
            format!("{} in {window:.1} s, limit {}", units.leak(&estimate), units.limit(limit))
        }
        None => units.reason(result),
    }
}

fn side_json(side: &SideComparison) -> Value {
    let result = |result: &SideResult| {
        json!({
            "verdict": word(&result.verdict), "reason": word(&result.reason),
            "leak_pa_m3_s": result.estimate.map(|f| f.leak.pa_m3_s()),
            "expanded_pa_m3_s": result.estimate.map(|f| f.expanded.pa_m3_s()),
            "window_ms": result.estimate.map(|f| f.window_ms),
        })
    };
    json!({
        "side": word(&side.side), "way": side.way,
        "recorded": side.old.as_ref().map(result),
        "now": side.new.as_ref().ok().map(result),
        "unjudged": side.new.as_ref().err().map(ToString::to_string),
    })
}
