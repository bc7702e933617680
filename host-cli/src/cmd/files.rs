//! `seathold recipe`, `rig` and `valve`: templates, checks, and the built-in ones.

use seathold_analysis::calibration::apply;
use seathold_config::{recipe as recipes, rig as rigs, valve as valves};
use seathold_sequencer::rig::{RawRig, Rig};
use seathold_sequencer::units::Reference;
use seathold_text::layout::wrapped;

use crate::args::{RecipeCommand, RigCommand, ValveCommand};
use crate::console::Console;
use crate::error::Error;
use crate::exit::Exit;

/// `seathold recipe …`.
pub(super) fn recipe(command: &RecipeCommand, console: &mut Console<'_>) -> Result<Exit, Error> {
    match command {
        RecipeCommand::Template => write!(console.out, "{}", recipes::template_file())?,
        RecipeCommand::Check { file, rig_file, calibrations } => {
            let (rig, _) = apply::to_run(&load_rig(rig_file.as_deref())?, calibrations, console.clock.now())?;
            let read = recipes::read(file, &rig, None)?;
            writeln!(console.out, "{}: good", read.name)?;
        }
    }
    Ok(Exit::Good)
}

/// `seathold rig …`.
pub(super) fn rig(command: &RigCommand, console: &mut Console<'_>) -> Result<Exit, Error> {
    match command {
        RigCommand::Template => write!(console.out, "{}", rigs::template_file())?,
        RigCommand::Check { file } => {
            rigs::read(file)?;
            writeln!(console.out, "{}: good", file.display())?;
        }
    }
    Ok(Exit::Good)
}

/// `seathold valve …`.
pub(super) fn valve(command: &ValveCommand, console: &mut Console<'_>) -> Result<Exit, Error> {
    let reference = Reference::ISO_8778.pressure.pascals();
    match command {
        ValveCommand::Template => write!(console.out, "{}", valves::template_file())?,
        ValveCommand::List => {
            let mut list = String::new();
            for name in valves::names() {
                let valve = valves::find(name, reference)?;
                let serial = valve.serial.unwrap_or_default();
                wrapped(&mut list, &format!("{name:17} {serial:7}"), 26, &valve.about);
            }
            write!(console.out, "{list}")?;
        }
        ValveCommand::Check { file } => {
            let name = file.display().to_string();
            valves::find(&name, reference)?;
            writeln!(console.out, "{name}: good")?;
        }
    }
    Ok(Exit::Good)
}

/// The rig of a file, or the built-in one.
pub(super) fn load_rig(file: Option<&std::path::Path>) -> Result<Rig, Error> {
    match file {
        Some(file) => Ok(rigs::read(file)?),
        None => RawRig::DEMO.validate().map_err(|errors| Error::usage(format!("the built-in rig: {errors}"))),
    }
}
