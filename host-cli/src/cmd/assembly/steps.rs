//! `seathold assembly steps`: what is to be done to every valve of a batch.

use seathold_config::step_list;
use seathold_recording::plain::shown;
use seathold_register::assembly::keep::AssemblyBy;
use seathold_register::assembly::progress::{AssemblyProgress, StepState, ValveAssembly};
use seathold_register::{Access, Register};
use seathold_text::messages::counted;

use super::StepsArgs;
use crate::cmd::batch_common::listed;
use crate::console::Console;
use crate::error::Error;
use crate::exit::Exit;

pub(super) fn run(args: &StepsArgs, console: &mut Console<'_>) -> Result<Exit, Error> {
    let steps = step_list::read(&args.file)?;
    let mut register = Register::open(&args.by.register.register, Access::Write)?;
    let batch = args.by.batch.open(&register)?;
    let by = AssemblyBy { batch: &batch.batch, operator: &args.by.operator, now: console.date()? };
    let source = args.file.file_name().map(|name| name.to_string_lossy().into_owned()).unwrap_or_default();
    let before = AssemblyProgress::of(&register, &batch.batch)?;
    let number = register.state_steps(&steps, &source, by)?;
    let now = AssemblyProgress::of(&register, &batch.batch)?;
    let count = counted(steps.len() as u64, "step");
    writeln!(console.out, "batch {}: {count} of assembly (record {number})", batch.name)?;
    for (at, step) in now.steps.iter().enumerate() {
        let was = before.steps.iter().position(|was| was.name == step.name);
        let again = now.valves.iter().zip(&before.valves).filter(|(valve, earlier)| {
            let done = |valve: &ValveAssembly, at| matches!(valve.steps.get(at), Some(StepState::Done(_)));
            was.is_some_and(|was| done(earlier, was)) && !done(valve, at)
        });
        let serials: Vec<&str> = again.map(|(valve, _)| valve.serial.as_str()).collect();
        if !serials.is_empty() {
            let line =
                format!("OPEN AGAIN, noted otherwise than it is asked for now: {} on {}", step.name, listed(&serials));
            writeln!(console.out, "{}", shown(&line))?;
        }
    }
    Ok(Exit::Good)
}
