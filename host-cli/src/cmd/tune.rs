//! `seathold tune`: the shortest test that keeps the risks, from recorded runs.

use std::collections::HashMap;
use std::path::PathBuf;
use std::sync::atomic::Ordering;

use clap::Args;
use rayon::prelude::*;
use seathold_analysis::study::linearity::ValueWithInterval;
use seathold_analysis::tune::backtest::backtests;
use seathold_analysis::tune::ground_truth::GroundTruth;
use seathold_analysis::tune::labelling::weigh;
use seathold_analysis::tune::rework_labels::{Labels, ReworkHistory, SideTest};
use seathold_analysis::tune::selection::{TargetRisks, choose};
use seathold_analysis::tune::sweep::{self, CandidateGrid, DecisionRisks, SideOutcome, SweptSide};
use seathold_analysis::tune::{TuningResult, page, report};
use seathold_config::recipe;
use seathold_recording::{self as recording, Recording};
use seathold_sequencer::field::Unit;
use seathold_sequencer::input::Side;
use seathold_sequencer::recipe::RawRecipe;

use super::find::{RegisterArg, RunFilterArgs};
use super::progress::Progress;
use super::recordings_arg::{self, RecordingBytes, RecordingsArg};
use crate::console::Console;
use crate::error::Error;
use crate::exit::Exit;
use crate::quantity_args;
use crate::schema::{self, JsonKind};

/// `seathold tune`.
#[derive(Debug, Args)]
pub struct TuneArgs {
    /// Recordings, or folders of them; without any, runs are taken from the register
    pub files: Vec<PathBuf>,
    /// Labels of the valves: fleet.csv, or a table with columns serial, side and truth ("good", "leaking", or
    /// the leak with its unit) [default: labels from rework and retests in the register, and for the rest an estimate
    /// from groups of leaks]
    #[arg(long, value_name = "FILE")]
    pub labels: Option<PathBuf>,
    /// Recipe file to start from [default: the built-in one]
    #[arg(long, value_name = "FILE")]
    pub recipe: Option<PathBuf>,
    /// Settle times to try, with commas between them
    #[arg(long, value_name = "TIME,…", value_delimiter = ',', default_value = "1 s,2 s,3 s,5 s", value_parser = duration_ms)]
    pub settle: Vec<u32>,
    /// Maximum measuring times to try, with commas between them
    #[arg(long, value_name = "TIME,…", value_delimiter = ',', default_value = "5 s,10 s,20 s,40 s", value_parser = duration_ms)]
    pub measure: Vec<u32>,
    /// Greatest share of leaking sides that may be accepted
    #[arg(long, value_name = "RATIO", default_value = "5 %", value_parser = risk)]
    pub false_accept: f64,
    /// Greatest share of good sides that may not be accepted
    #[arg(long, value_name = "RATIO", default_value = "10 %", value_parser = risk)]
    pub false_reject: f64,
    /// Recipe file to write, with its evidence; never written over
    #[arg(long, short, value_name = "FILE")]
    pub out: Option<PathBuf>,
    /// Page to write, with charts
    #[arg(long, value_name = "FILE")]
    pub html: Option<PathBuf>,
    /// Valves in a batch, for the time that one saves
    #[arg(long, value_name = "N", default_value_t = 40, value_parser = clap::value_parser!(u32).range(1..=100_000))]
    pub batch_size: u32,
    /// Charts in the terminal
    #[arg(long, conflicts_with = "json")]
    pub plot: bool,
    #[command(flatten)]
    pub filter: RunFilterArgs,
    #[command(flatten)]
    pub register: RegisterArg,
    /// How many threads [default: one a core]
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u16).range(1..=1_024))]
    pub threads: Option<u16>,
    /// The result as a JSON object
    #[arg(long)]
    pub json: bool,
}

fn duration_ms(text: &str) -> Result<u32, String> {
    quantity_args::one(Unit::Millisecond, text.trim(), 0.0..=3_600_000.0).map(|ms| ms.round() as u32)
}

fn risk(text: &str) -> Result<f64, String> {
    quantity_args::one(Unit::Ratio, text, 1e-4..=0.5)
}

/// Risks of the decision rule that are tried, each to accept with each to reject.
const RISKS: [f64; 5] = [0.1, 0.03, 0.01, 0.003, 0.001];
/// Recordings in memory at a time, for each thread.
const AT_ONCE: usize = 8;
/// Coverage of the intervals that have to lie under the risks. High, because the recipe chosen is the best of hundreds,
/// and the best of many is partly the luckiest (our judgement; held against fresh valves by `tests/outside/tuning.py`).
const COVERAGE: f64 = 0.99;

pub(super) fn run(args: &TuneArgs, console: &mut Console<'_>) -> Result<Exit, Error> {
    let truth = args.labels.as_deref().map(GroundTruth::read).transpose()?;
    let base = args.recipe.as_deref().map_or(Ok(RawRecipe::DEMO), recipe::without_rig)?;
    let pair = |false_accept| RISKS.map(|false_reject| DecisionRisks { false_accept, false_reject });
    let risks = RISKS.into_iter().flat_map(pair).collect();
    let grid = CandidateGrid { settle_ms: args.settle.clone(), measure_ms: args.measure.clone(), risks };
    let source = RecordingsArg::open(&args.files, &args.filter, &args.register, console)?;
    let known = match (&source, &truth) {
        (RecordingsArg::Register(register, _), None) => {
            let mut history = ReworkHistory::default();
            for run in register.runs(args.filter.filter(register)?) {
                let run = run?;
                // Outside of batches no rework is noted, and there are no labels.
                let Some(batch) = &run.batch else { continue };
                for side in [Side::First, Side::Second] {
                    let Some(found) = run.side(side) else { continue };
                    let test = SideTest {
                        run: run.name(),
                        rework: run.after_rework.clone(),
                        verdict: found.verdict,
                        leak: found
                            .leak_pa_m3_s
                            .zip(found.expanded_pa_m3_s)
                            .map(|(value, half)| ValueWithInterval { value, half }),
                    };
                    history.add(batch, &run.serial, side, test);
                }
            }
            history.labels()
        }
        _ => Labels::new(),
    };
    let each = |one: &RecordingBytes, recording: &Recording| {
        let mut found = sweep::sides(recording, &base, &grid);
        for side in &mut found {
            side.run = if one.run.is_empty() { one.name.clone() } else { one.run.clone() };
            side.batch = one.batch.clone();
        }
        found
    };
    let swept = through(args, &source, u64::MAX, &each, console)?;
    let mut sides: Vec<SweptSide> = swept.found.into_iter().flatten().collect();
    sides.sort_by(|a, b| (&a.serial, &a.run, a.side as u8).cmp(&(&b.serial, &b.run, b.side as u8)));
    let label = |side: &SweptSide| match &truth {
        Some(truth) => truth.of(&side.serial, side.side).map(|known| known.is_good(base.limit_pa_m3_s)),
        None => known.get(&(side.run.clone(), side.side)).copied(),
    };
    let label_sources = weigh(&mut sides, label, truth.is_none(), base.limit_pa_m3_s);
    if sides.is_empty() {
        return Err(Error::usage(match label_sources.groups {
            Some(Err(why)) => format!("no side of these runs has a label, and none can be estimated: {why}"),
            _ => "no side of these runs has a label: do the serials in --labels match them?".into(),
        }));
    }
    let risks = TargetRisks { false_accept: args.false_accept, false_reject: args.false_reject };
    let coverage = COVERAGE;
    let selection = choose(&sides, grid.candidates().count(), risks, coverage);
    let chosen =
        selection.candidate.and_then(|register| grid.candidates().nth(register)).map(|c| grid.recipe(&base, c));
    let curve = match &chosen {
        Some(chosen) => curve(args, &source, swept.runs, chosen, &sides, console)?,
        None => Vec::new(),
    };
    let backtests = selection.candidate.map_or_else(Vec::new, |candidate| backtests(&sides, candidate));
    let batches: HashMap<String, String> = match &source {
        RecordingsArg::Register(register, _) => register.batches()?.into_iter().map(|b| (b.batch, b.name)).collect(),
        RecordingsArg::Files(_) => HashMap::new(),
    };
    let tuning = TuningResult {
        base: &base,
        grid: &grid,
        sides: &sides,
        label_sources: &label_sources,
        risks,
        coverage,
        selection: &selection,
        chosen,
        curve: &curve,
        backtests: &backtests,
        batches: &batches,
        valves: args.batch_size,
    };
    let text = report::text(&tuning);
    if let Some(path) = &args.html {
        super::page_file::write_page(path, &page::page(&tuning, &text))?;
    }
    if args.json {
        schema::write(console, JsonKind::Tune, report::json(&tuning, swept.runs))?;
    } else {
        write!(console.out, "{text}")?;
        if args.plot {
            let curve = tuning.chosen.is_some().then(|| page::curve(&tuning));
            for chart in curve.into_iter().chain([page::leaks(&tuning), page::times(&tuning)]) {
                write!(console.out, "\n{}", chart.text())?;
            }
        }
    }
    let Some(chosen) = chosen else { return Ok(Exit::NoVerdict) };
    if let Some(path) = &args.out {
        let evidence: String = text.lines().map(|line| format!("# {line}\n")).collect();
        let head = format!("# A recipe chosen from recorded runs by seathold tune. The evidence:\n{evidence}");
        let text = recipe::file_of(&chosen, &head.replace(" \n", "\n"));
        recording::file::write(path, text.as_bytes(), recording::file::Replace::Never)?;
        writeln!(console.err, "recipe written to {}", path.display())?;
    }
    Ok(match (swept.stopped, swept.unread) {
        (true, _) => Exit::NoVerdict,
        (false, true) => Exit::Storage,
        (false, false) => Exit::Good,
    })
}

/// Results of some runs, in their order.
struct Swept<T> {
    found: Vec<T>,
    runs: u64,
    stopped: bool,
    /// Whether one could not be read, and was left out.
    unread: bool,
}

/// Processes each run, a few at a time on all threads, until they are over, or so many are done.
fn through<T: Send>(
    args: &TuneArgs,
    source: &RecordingsArg,
    most: u64,
    each: &(dyn Fn(&RecordingBytes, &Recording) -> T + Sync),
    console: &mut Console<'_>,
) -> Result<Swept<T>, Error> {
    let pool = rayon::ThreadPoolBuilder::new().num_threads(usize::from(args.threads.unwrap_or(0))).build();
    let pool = pool.map_err(|why| Error::usage(format!("--threads: {why}")))?;
    let mut progress = Progress::new(source.count().min(most), "runs", console.live);
    let mut left = source.recordings(&args.filter)?.take(usize::try_from(most).unwrap_or(usize::MAX));
    let mut swept = Swept { found: Vec::new(), runs: 0, stopped: false, unread: false };
    // A Ctrl-C in the first pass must not stop the second.
    let before = console.interrupted();
    loop {
        let (some, unread) = recordings_arg::next_few(&mut left, AT_ONCE * pool.current_num_threads())?;
        if some.is_empty() && unread.is_empty() {
            break;
        }
        for why in unread {
            swept.runs += 1;
            swept.unread = true;
            writeln!(console.err, "{why}; left out")?;
        }
        let interrupts = console.interrupts;
        let done: Vec<Option<Result<T, String>>> = pool.install(|| {
            let one = |one: &RecordingBytes| {
                if interrupts.load(Ordering::Relaxed) > before {
                    return None;
                }
                let read = recording::read_bytes(&one.bytes);
                Some(read.map(|recording| each(one, &recording)).map_err(|why| format!("{}: {why}", one.name)))
            };
            some.par_iter().map(one).collect()
        });
        for found in done.into_iter().flatten() {
            swept.runs += 1;
            match found {
                Ok(found) => swept.found.push(found),
                Err(why) => {
                    swept.unread = true;
                    writeln!(console.err, "{why}; left out")?;
                }
            }
        }
        progress.step(swept.runs, console);
        if console.interrupted() > before {
            swept.stopped = true;
            writeln!(console.err, "stopped: what follows rests on {} runs", swept.runs)?;
            break;
        }
    }
    progress.end();
    Ok(swept)
}

/// Outcomes of the chosen recipe on each side at each part of the limit, in the order of `sides`.
fn curve(
    args: &TuneArgs,
    source: &RecordingsArg,
    runs: u64,
    chosen: &RawRecipe,
    sides: &[SweptSide],
    console: &mut Console<'_>,
) -> Result<Vec<Vec<SideOutcome>>, Error> {
    let limits: Vec<f64> = TuningResult::LIMITS.iter().map(|part| part * chosen.limit_pa_m3_s).collect();
    let each = |one: &RecordingBytes, recording: &Recording| {
        let name = if one.run.is_empty() { &one.name } else { &one.run };
        (name.clone(), sweep::curve(recording, chosen, &limits))
    };
    let swept = through(args, source, runs, &each, console)?;
    let mut found: HashMap<(String, Side), Vec<SideOutcome>> = HashMap::new();
    for (name, of_sides) in swept.found {
        for (side, outcomes) in of_sides {
            found.insert((name.clone(), side), outcomes);
        }
    }
    let of = |side: &SweptSide| found.remove(&(side.run.clone(), side.side)).unwrap_or_default();
    Ok(sides.iter().map(of).collect())
}
