//! `seathold assembly steps`: what is to be done to every valve of a batch.

use seathold_config::step_list;
use seathold_register::assembly::keep::AssemblyBy;
use seathold_register::{Access, Register};
use seathold_text::messages::counted;

use super::StepsArgs;
use crate::console::Console;
use crate::error::Error;
use crate::exit::Exit;

pub(super) fn run(args: &StepsArgs, console: &mut Console<'_>) -> Result<Exit, Error> {
    let steps = step_list::read(&args.file)?;
    let mut register = Register::open(&args.by.register.register, Access::Write)?;
    let batch = args.by.batch.open(&register)?;
    let by = AssemblyBy { batch: &batch.batch, operator: &args.by.operator, now: console.date()? };
    let source = args.file.file_name().map(|name| name.to_string_lossy().into_owned()).unwrap_or_default();
    let number = register.state_steps(&steps, &source, by)?;
    let count = counted(steps.len() as u64, "step");
    writeln!(console.out, "batch {}: {count} of assembly (record {number})", batch.name)?;
    Ok(Exit::Good)
}
