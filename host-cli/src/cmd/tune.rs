//! `seathold tune`: the shortest test that keeps the risks, from recorded runs.

use std::collections::HashMap;
use std::path::PathBuf;

use clap::Args;
use rayon::prelude::*;
use seathold_sequencer::input::Side;
use seathold_sequencer::recipe::RawRecipe;

use super::find::{In, Wanted};
use super::progress::Progress;
use super::source::{Bytes, Source};
use crate::console::Console;
use crate::error::Error;
use crate::exit::Exit;
use crate::files::recipe;
use crate::recording::{self, Recording};
use crate::tune::choice::{Risks, choose};
use crate::tune::past::past;
use crate::tune::rework::{History, Labels};
use crate::tune::sweep::{self, Grid, Outcome, Sided};
use crate::tune::truth::Truth;
use crate::tune::weigh::weigh;
use crate::tune::{Tuned, page, told};

/// `seathold tune`.
#[derive(Debug, Args)]
pub struct Tune {
    /// Recordings, or folders of them; without any, runs are taken from the register
    pub files: Vec<PathBuf>,
    /// What is known of the valves: fleet.csv, or a table with columns serial, side and truth ("good", "leaking", or the
    /// leak with its unit) [default: what the register knows by rework and retests, and for the rest a mixture estimate]
    #[arg(long, value_name = "FILE")]
    pub truth: Option<PathBuf>,
    /// Recipe file to start from [default: the built-in one]
    #[arg(long, value_name = "FILE")]
    pub with: Option<PathBuf>,
    /// Settle times to try, in seconds
    #[arg(long, value_name = "S", value_delimiter = ',', default_value = "1,2,3,5", value_parser = seconds)]
    pub settle: Vec<u32>,
    /// Maximum measuring times to try, in seconds
    #[arg(long, value_name = "S", value_delimiter = ',', default_value = "5,10,20,40", value_parser = seconds)]
    pub measure: Vec<u32>,
    /// Greatest share of leaking sides that may be accepted
    #[arg(long, value_name = "P", default_value_t = 0.05, value_parser = share)]
    pub false_accept: f64,
    /// Greatest share of good sides that may not be accepted
    #[arg(long, value_name = "P", default_value_t = 0.1, value_parser = share)]
    pub false_reject: f64,
    /// Recipe file to write, with its evidence; never written over
    #[arg(long, short, value_name = "FILE")]
    pub out: Option<PathBuf>,
    /// Page to write, with pictures
    #[arg(long, value_name = "FILE")]
    pub html: Option<PathBuf>,
    /// Valves in a batch, for the time that one saves
    #[arg(long, value_name = "N", default_value_t = 40, value_parser = clap::value_parser!(u32).range(1..=100_000))]
    pub valves: u32,
    /// Charts in the terminal
    #[arg(long, conflicts_with = "json")]
    pub plot: bool,
    #[command(flatten)]
    pub wanted: Wanted,
    #[command(flatten)]
    pub place: In,
    /// How many threads [default: one a core]
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u16).range(1..=1_024))]
    pub threads: Option<u16>,
    /// The result as a JSON object
    #[arg(long)]
    pub json: bool,
}

fn seconds(text: &str) -> Result<u32, String> {
    match text.trim().parse::<f64>() {
        Ok(s) if (0.0..=3_600.0).contains(&s) => Ok((s * 1e3).round() as u32),
        _ => Err("give seconds from 0 to 3600, with commas between them".into()),
    }
}

fn share(text: &str) -> Result<f64, String> {
    match text.parse::<f64>() {
        Ok(p) if (1e-4..=0.5).contains(&p) => Ok(p),
        _ => Err("give a share from 0.0001 to 0.5".into()),
    }
}

/// Risks of the decision rule that are tried, each to accept with each to reject.
const RISKS: [f64; 5] = [0.1, 0.03, 0.01, 0.003, 0.001];
/// Recordings in memory at a time, for each thread.
const AT_ONCE: usize = 8;
/// Coverage of the intervals that have to lie under the risks: where truth is known, and where it rests on a mixture.
const COVERAGE: [f64; 2] = [0.9, 0.95];

pub(super) fn run(typed: &Tune, console: &mut Console<'_>) -> Result<Exit, Error> {
    let truth = typed.truth.as_deref().map(Truth::read).transpose()?;
    let base = typed.with.as_deref().map_or(Ok(RawRecipe::DEMO), recipe::without_rig)?;
    let risks: Vec<(f64, f64)> = RISKS.iter().flat_map(|accept| RISKS.map(|reject| (*accept, reject))).collect();
    let grid = Grid { settle_ms: typed.settle.clone(), measure_ms: typed.measure.clone(), risks };
    let source = Source::open(&typed.files, &typed.wanted, &typed.place)?;
    let known = match (&source, &truth) {
        (Source::Register(register, _), None) => {
            let mut history = History::default();
            for run in register.runs(typed.wanted.filter(register)?) {
                history.see(&run?);
            }
            history.labels()
        }
        _ => Labels::new(),
    };
    let each = |one: &Bytes, recording: &Recording| {
        let mut found = sweep::sides(recording, &base, &grid);
        for side in &mut found {
            side.run = if one.run.is_empty() { one.name.clone() } else { one.run.clone() };
            side.batch = one.batch.clone();
        }
        found
    };
    let swept = through(typed, &source, u64::MAX, &each, console)?;
    let mut sides: Vec<Sided> = swept.found.into_iter().flatten().collect();
    sides.sort_by(|a, b| (&a.serial, &a.run, a.side as u8).cmp(&(&b.serial, &b.run, b.side as u8)));
    let label = |side: &Sided| match &truth {
        Some(truth) => truth.of(&side.serial, side.side).map(|known| known.is_good(base.limit_pa_m3_s)),
        None => known.get(&(side.run.clone(), side.side == Side::First)).copied(),
    };
    let grounds = weigh(&mut sides, label, truth.is_none(), base.limit_pa_m3_s);
    if sides.is_empty() {
        return Err(Error::usage(match grounds.groups {
            Some(Err(why)) => format!("nothing is known of any side in these runs, and there is no telling: {why}"),
            _ => "nothing is known of any side in these runs: do the serials in --truth fit them?".into(),
        }));
    }
    let risks = Risks { false_accept: typed.false_accept, false_reject: typed.false_reject };
    let coverage = COVERAGE[usize::from(grounds.is_weighed())];
    let choice = choose(&sides, grid.candidates().count(), risks, coverage);
    let chosen = choice.candidate.and_then(|place| grid.candidates().nth(place)).map(|c| grid.recipe(&base, c));
    let curve = match &chosen {
        Some(chosen) => curve(typed, &source, swept.runs, chosen, &sides, console)?,
        None => Vec::new(),
    };
    let past = choice.candidate.map_or_else(Vec::new, |candidate| past(&sides, candidate));
    let batches: HashMap<String, String> = match &source {
        Source::Register(register, _) => register.batches()?.into_iter().map(|b| (b.batch, b.name)).collect(),
        Source::Files(_) => HashMap::new(),
    };
    let tuned = Tuned {
        base: &base,
        grid: &grid,
        sides: &sides,
        grounds: &grounds,
        risks,
        coverage,
        choice: &choice,
        chosen,
        curve: &curve,
        past: &past,
        batches: &batches,
        valves: typed.valves,
    };
    let text = told::text(&tuned);
    if let Some(path) = &typed.html {
        super::report::write_file(path, page::page(&tuned, &text).as_bytes())?;
    }
    if typed.json {
        writeln!(console.out, "{}", told::json(&tuned, swept.runs))?;
    } else {
        write!(console.out, "{text}")?;
        if typed.plot {
            let curve = tuned.chosen.is_some().then(|| page::curve(&tuned));
            for chart in curve.into_iter().chain([page::leaks(&tuned), page::times(&tuned)]) {
                write!(console.out, "\n{}", chart.text())?;
            }
        }
    }
    let Some(chosen) = chosen else { return Ok(Exit::NoVerdict) };
    if let Some(path) = &typed.out {
        let evidence: String = text.lines().map(|line| format!("# {line}\n")).collect();
        let head = format!("# A recipe chosen from recorded runs by seathold tune. What it rests on:\n{evidence}");
        let new = std::fs::OpenOptions::new().write(true).create_new(true).open(path);
        let written = new.and_then(|mut file| {
            std::io::Write::write_all(&mut file, recipe::file_of(&chosen, &head.replace(" \n", "\n")).as_bytes())
        });
        written.map_err(|why| Error::file("write", path, why))?;
        writeln!(console.err, "recipe written to {}", path.display())?;
    }
    Ok(if swept.stopped { Exit::NoVerdict } else { Exit::Good })
}

/// What was made of some runs, in their order.
struct Swept<T> {
    found: Vec<T>,
    runs: u64,
    stopped: bool,
}

/// Makes something of each run, a few at a time on all threads, until they are over, or so many are done.
fn through<T: Send>(
    typed: &Tune,
    source: &Source,
    most: u64,
    each: &(dyn Fn(&Bytes, &Recording) -> T + Sync),
    console: &mut Console<'_>,
) -> Result<Swept<T>, Error> {
    let pool = rayon::ThreadPoolBuilder::new().num_threads(usize::from(typed.threads.unwrap_or(0))).build();
    let pool = pool.map_err(|why| Error::usage(format!("--threads: {why}")))?;
    let mut progress = Progress::new(source.count().min(most), "runs", console.live);
    let mut left = source.recordings(&typed.wanted)?.take(usize::try_from(most).unwrap_or(usize::MAX));
    let mut swept = Swept { found: Vec::new(), runs: 0, stopped: false };
    // What stopped the first time through is not to stop the second.
    let before = console.interrupted();
    loop {
        let some = left.by_ref().take(AT_ONCE * pool.current_num_threads()).collect::<Result<Vec<Bytes>, Error>>()?;
        if some.is_empty() {
            break;
        }
        let done: Vec<Result<T, String>> = pool.install(|| {
            let one = |one: &Bytes| {
                let read = recording::read_bytes(&one.bytes);
                read.map(|recording| each(one, &recording)).map_err(|why| format!("{}: {why}", one.name))
            };
            some.par_iter().map(one).collect()
        });
        for found in done {
            swept.runs += 1;
            match found {
                Ok(found) => swept.found.push(found),
                Err(why) => writeln!(console.err, "{why}; left out")?,
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

/// What the chosen recipe makes of each side at each part of the limit, in the order of `sides`.
fn curve(
    typed: &Tune,
    source: &Source,
    runs: u64,
    chosen: &RawRecipe,
    sides: &[Sided],
    console: &mut Console<'_>,
) -> Result<Vec<Vec<Outcome>>, Error> {
    let limits: Vec<f64> = Tuned::LIMITS.iter().map(|part| part * chosen.limit_pa_m3_s).collect();
    let each = |one: &Bytes, recording: &Recording| {
        let name = if one.run.is_empty() { &one.name } else { &one.run };
        (name.clone(), sweep::curve(recording, chosen, &limits))
    };
    let swept = through(typed, source, runs, &each, console)?;
    let mut found: HashMap<(String, bool), Vec<Outcome>> = HashMap::new();
    for (name, of_sides) in swept.found {
        for (side, outcomes) in of_sides {
            found.insert((name.clone(), side == Side::First), outcomes);
        }
    }
    let of = |side: &Sided| found.remove(&(side.run.clone(), side.side == Side::First)).unwrap_or_default();
    Ok(sides.iter().map(of).collect())
}
