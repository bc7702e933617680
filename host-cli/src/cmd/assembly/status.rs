//! `seathold assembly status`: valves and steps as a table.

use seathold_recording::plain::shown;
use seathold_register::assembly::progress::{AssemblyProgress, StepState, ValveAssembly};
use seathold_register::assembly::sealed::mm;
use seathold_register::batch::status::{self, NextAction, StatusCounts, ValveStatus};
use seathold_register::{Access, Register};
use seathold_report::assembly::{length_verdict, off_nominal};
use seathold_text::layout::line;
use seathold_text::messages::counted;
use serde_json::json;

use super::StatusArgs;
use crate::cmd::batch_common::listed;
use crate::cmd::find::date;
use crate::console::Console;
use crate::error::Error;
use crate::exit::Exit;
use crate::schema::{self, JsonKind};

pub(super) fn run(args: &StatusArgs, console: &mut Console<'_>) -> Result<Exit, Error> {
    let register = Register::open(&args.register.register, Access::Read)?;
    let batch = args.batch.of(&register)?;
    let progress = AssemblyProgress::of(&register, &batch.batch)?;
    // The test is one of the operations.
    let tests = status::of_batch(&register, &batch)?;
    let test_of = |serial: &str| tests.iter().find(|test| test.valve.serial == serial).map(|test| test.stand);
    if args.json {
        let verdicts: Vec<_> = progress.valves.iter().map(|valve| length_verdict(&progress, valve)).collect();
        let valves: Vec<_> = progress
            .valves
            .iter()
            .zip(verdicts)
            .map(
                |(valve, verdict)| json!({ "valve": valve, "length_verdict": verdict, "test": test_of(&valve.serial) }),
            )
            .collect();
        let all = json!({
            "batch": batch.name, "steps": progress.steps, "requirement": progress.requirement, "left": progress.left,
            "valves": valves, "damaged": progress.damaged, "conflicts": progress.conflicts(),
        });
        schema::write(console, JsonKind::AssemblyStatus, all)?;
        return Ok(Exit::Good);
    }
    write!(console.out, "{}", text(&batch.name, &progress, &tests))?;
    for conflict in progress.conflicts() {
        writeln!(console.err, "{}: one of them is not so; strike it", shown(&conflict))?;
    }
    for note in &progress.damaged {
        writeln!(console.err, "record {} is damaged, and counts for nothing", register.short(note))?;
    }
    Ok(Exit::Good)
}

fn text(batch: &str, progress: &AssemblyProgress, tests: &[ValveStatus]) -> String {
    let mut out = String::new();
    if progress.is_empty() {
        return format!(
            "batch {batch}: nothing noted of its assembly; `seathold assembly template` is a list of steps to start from\n"
        );
    }
    let total = progress.valves.len();
    let ready = progress.valves.iter().filter(|valve| valve.open_steps().next().is_none()).count();
    if !progress.steps.is_empty() {
        out.push_str(&format!("batch {batch}: all steps done on {ready} of {}\n", counted(total as u64, "valve")));
    } else {
        out.push_str(&format!("batch {batch}: {}, no steps stated\n", counted(total as u64, "valve")));
    }
    for (at, step) in progress.steps.iter().enumerate() {
        line(&mut out, &format!("{:2} {}", at + 1, step.name), &step_line(progress, at));
    }
    line(&mut out, "   test", &StatusCounts::of(tests).to_string());
    out.push_str(&table(progress, tests));
    out
}

/// How far a step is, and how long it took.
fn step_line(progress: &AssemblyProgress, at: usize) -> String {
    let mut times = Vec::new();
    let mut open = Vec::new();
    for valve in &progress.valves {
        match valve.steps.get(at) {
            Some(StepState::Done(done)) => times.push(done.at.as_str()),
            _ => open.push(valve.serial.as_str()),
        }
    }
    let when = match (times.iter().min(), times.iter().max()) {
        (Some(first), Some(last)) if first == last => format!("{} UTC", date(first)),
        (Some(first), Some(last)) => format!("{} to {} UTC", date(first), date(last)),
        _ => String::new(),
    };
    match (open.len(), times.len()) {
        (0, _) => format!("done on all, {when}"),
        (_, 0) => "open".into(),
        (n, done) => format!("done on {done}, {when}; open on {n}: {}", listed(&open)),
    }
}

/// A line a valve: `x` done, `-` open, `r` undone by a rework.
fn table(progress: &AssemblyProgress, tests: &[ValveStatus]) -> String {
    let mark = |state: &StepState| match state {
        StepState::Done(_) => "x",
        StepState::Open => "-",
        StepState::Undone { .. } => "r",
    };
    let wide = progress.valves.iter().map(|valve| valve.serial.chars().count()).max().unwrap_or(0).max(5);
    let heads: String = (1..=progress.steps.len()).map(|n| format!("{n:>3}")).collect();
    let mut out = format!("\n  {:wide$}{heads}  T  fittings          finished, mm  off, mm\n", "valve");
    for valve in &progress.valves {
        let marks: String = valve.steps.iter().map(|state| format!("{:>3}", mark(state))).collect();
        let test = tests.iter().find(|test| test.valve.serial == valve.serial).map_or("-", |test| match test.stand {
            NextAction::Next => "-",
            NextAction::Tight => "x",
            NextAction::Rework => "L",
            NextAction::SetAside => "s",
            NextAction::HalfTested | NextAction::TestAgain | NextAction::Retest => "~",
        });
        let line = format!("  {:wide$}{marks}  {test}  {}", valve.serial, lengths(progress, valve));
        out.push_str(line.trim_end());
        out.push('\n');
    }
    let mut key = vec!["T test: x tight, L leaks, ~ begun or to be done again, s set aside"];
    if !progress.steps.is_empty() {
        key.push("x done, - open, r undone by a rework");
    }
    if progress.requirement.is_some() {
        key.push("lengths in brackets are forecast");
    }
    for words in key {
        out.push_str(&format!("  {words}\n"));
    }
    out
}

fn lengths(progress: &AssemblyProgress, valve: &ValveAssembly) -> String {
    let (fittings, length) = match (&valve.bolted, &valve.pair) {
        (Some(bolted), _) => (bolted.head.fittings.join(" "), bolted.head.finished_mm.map(mm)),
        (None, Some(pair)) => {
            let [a, b] = &pair.fittings;
            (format!("({} {})", a.id, b.id), Some(format!("({})", mm(pair.finished_mm))))
        }
        (None, None) => return String::new(),
    };
    let off = off_nominal(progress, valve).map_or_else(String::new, |off| {
        let off = mm(off);
        if off.starts_with('-') || off == "0.000" { off } else { format!("+{off}") }
    });
    let verdict = length_verdict(progress, valve).map_or("", |verdict| verdict.words());
    let before = if valve.bolted.as_ref().is_some_and(|b| b.before_rework) { " (before a rework)" } else { "" };
    format!("{fittings:16}  {:>12}  {off:>7}  {verdict}{before}", length.unwrap_or_default())
}
