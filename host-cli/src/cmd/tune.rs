//! `seathold tune`: the shortest test that keeps the risks, from recorded runs whose truth is known.

use std::fmt::Write as _;
use std::path::PathBuf;

use clap::Args;
use rayon::prelude::*;
use seathold_sequencer::recipe::RawRecipe;
use serde_json::json;

use super::find::{In, Wanted};
use super::progress::Progress;
use super::source::{Bytes, Source};
use crate::console::Console;
use crate::error::Error;
use crate::exit::Exit;
use crate::files::recipe;
use crate::recording;
use crate::tune::choice::{Choice, Risks, Score, choose, fewest};
use crate::tune::page;
use crate::tune::sweep::{Grid, Sided, sides};
use crate::tune::truth::Truth;

/// `seathold tune`.
#[derive(Debug, Args)]
pub struct Tune {
    /// Recordings, or folders of them; without any, runs are taken from the register
    pub files: Vec<PathBuf>,
    /// What is known of the valves: fleet.csv, or a table with columns serial, side and truth ("good" or "leaking")
    #[arg(long, value_name = "FILE")]
    pub truth: PathBuf,
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

/// Risks of the decision rule that are tried.
const RISKS: [f64; 5] = [0.1, 0.03, 0.01, 0.003, 0.001];
/// Parts of the limit on the operating curve.
const LIMITS: [f64; 9] = [0.25, 0.5, 0.7, 0.85, 1.0, 1.2, 1.5, 2.0, 4.0];
/// Recordings in memory at a time, for each thread.
const AT_ONCE: usize = 8;

pub(super) fn run(typed: &Tune, console: &mut Console<'_>) -> Result<Exit, Error> {
    let truth = Truth::read(&typed.truth)?;
    let base = typed.with.as_deref().map_or(Ok(RawRecipe::DEMO), recipe::without_rig)?;
    let grid = Grid {
        settle_ms: typed.settle.clone(),
        measure_ms: typed.measure.clone(),
        risks: RISKS.into(),
        limits: LIMITS.into(),
    };
    let pool = rayon::ThreadPoolBuilder::new().num_threads(usize::from(typed.threads.unwrap_or(0))).build();
    let pool = pool.map_err(|why| Error::usage(format!("--threads: {why}")))?;
    let source = Source::open(&typed.files, &typed.wanted, &typed.place)?;
    let mut progress = Progress::new(source.count(), "runs", console.live);
    let mut left = source.recordings(&typed.wanted)?;
    let mut all: Vec<Sided> = Vec::new();
    let (mut runs, mut stopped) = (0, false);
    loop {
        let some = left.by_ref().take(AT_ONCE * pool.current_num_threads()).collect::<Result<Vec<Bytes>, Error>>()?;
        if some.is_empty() {
            break;
        }
        let done: Vec<_> = pool.install(|| {
            let each = |one: &Bytes| {
                recording::read_bytes(&one.bytes)
                    .map(|recording| sides(&recording, &truth, &base, &grid))
                    .map_err(|why| format!("{}: {why}", one.name))
            };
            some.par_iter().map(each).collect()
        });
        for found in done {
            runs += 1;
            match found {
                Ok(found) => all.extend(found),
                Err(why) => writeln!(console.err, "{why}; left out")?,
            }
        }
        progress.step(runs, console);
        if console.interrupted() > 0 {
            stopped = true;
            writeln!(console.err, "stopped: what follows rests on {runs} runs")?;
            break;
        }
    }
    progress.end();
    if all.is_empty() {
        return Err(Error::usage("nothing is known of any side in these runs: do the serials in --truth fit them?"));
    }
    let risks = Risks { false_accept: typed.false_accept, false_reject: typed.false_reject };
    let candidates = grid.candidates().count();
    let choice = choose(&all, candidates, risks);
    let chosen = choice.candidate.and_then(|place| grid.candidates().nth(place)).map(|c| grid.recipe(&base, c));
    let text = told(&all, &grid, &choice, chosen.as_ref(), risks);
    if let Some(path) = &typed.html {
        super::report::write_file(path, page::page(&all, &grid, &choice, risks, &text).as_bytes())?;
    }
    if typed.json {
        let score = |s: &Score| {
            json!({
                "false_accept": [s.false_accept.wrong, s.false_accept.of],
                "false_reject": [s.false_reject.wrong, s.false_reject.of],
                "unjudged": s.unjudged, "mean_s": s.mean_s(),
            })
        };
        let result = json!({ "tune": {
            "runs": runs, "sides": all.len(), "candidates": candidates,
            "recipe": chosen.map(|r| json!({ "settle_ms": r.settle_ms, "measure_ms_max": r.measure_ms_max,
                "risk": r.false_accept })),
            "chosen_on": score(&choice.chosen_on), "held_out": score(&choice.held_out),
            "crossed": choice.crossed.as_ref().map(score), "recorded": score(&choice.recorded),
            "all": score(&choice.all),
        }});
        writeln!(console.out, "{result}")?;
    } else {
        write!(console.out, "{text}")?;
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
    Ok(if stopped { Exit::NoVerdict } else { Exit::Good })
}

fn told(all: &[Sided], grid: &Grid, choice: &Choice, chosen: Option<&RawRecipe>, risks: Risks) -> String {
    let mut out = String::new();
    let good = all.iter().filter(|side| side.good).count();
    let percent = |p: f64| format!("{} %", crate::summary::percent(p));
    let candidates = grid.candidates().count();
    let _ = writeln!(out, "{good} good and {} leaking sides, {candidates} candidates", all.len() - good);
    let asked = (percent(risks.false_accept), percent(risks.false_reject));
    let _ = writeln!(out, "to keep: at most {} of leaking sides accepted, {} of good ones not", asked.0, asked.1);
    let few = [(all.len() - good, risks.false_accept, "leaking"), (good, risks.false_reject, "good")];
    for (count, risk, name) in few {
        let fewest = fewest(risk);
        // Three quarters of the sides are chosen from.
        if (count as f64) * 0.75 < fewest as f64 {
            let _ = writeln!(
                out,
                "a small sample: {count} {name} sides; to show {} takes about {} without one mistake",
                percent(risk),
                (fewest as f64 / 0.75).ceil()
            );
        }
    }
    let row = |out: &mut String, name: &str, score: &Score| {
        let _ = writeln!(
            out,
            "  {name:16} accepted in error {:24} not accepted {:26} {:5.1} s a side",
            score.false_accept.to_string(),
            score.false_reject.to_string(),
            score.mean_s()
        );
    };
    let Some(chosen) = chosen else {
        out += "no candidate keeps both risks on these runs\n";
        row(&mut out, "as recorded", &choice.recorded);
        return out;
    };
    let _ = writeln!(
        out,
        "chosen: settle {} s, measure at most {} s, risks {}",
        f64::from(chosen.settle_ms) / 1e3,
        f64::from(chosen.measure_ms_max) / 1e3,
        chosen.false_accept
    );
    row(&mut out, "as recorded", &choice.recorded);
    row(&mut out, "chosen on", &choice.chosen_on);
    row(&mut out, "held out", &choice.held_out);
    match &choice.crossed {
        Some(crossed) => row(&mut out, "cross-validated", crossed),
        None => out += "  cross-validated  not possible: on three quarters of these runs nothing keeps the risks\n",
    }
    if choice.all.unjudged > 0 {
        let _ = writeln!(out, "  {} sides were not recorded long enough, and count as wrong", choice.all.unjudged);
    }
    let saved = (choice.recorded.mean_s() - choice.all.mean_s()) * all.len() as f64;
    let _ = writeln!(
        out,
        "on all {} sides it would have saved {:.1} min of settling and measuring",
        all.len(),
        saved / 60.0
    );
    out += "intervals cover with 90 % (Clopper-Pearson); held-out valves took no part in the choice\n";
    if let Some(place) = choice.candidate {
        out += "operating curve: limit as part of the recipe's, leaking accepted, good accepted\n";
        for (at, part) in grid.limits.iter().enumerate() {
            let accepted = |good: bool| page::accepted(all, place, at, good);
            let _ = writeln!(out, "  {part:5} {:>26} {:>26}", accepted(false).to_string(), accepted(true).to_string());
        }
    }
    out
}
