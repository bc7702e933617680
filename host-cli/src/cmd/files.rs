//! `seathold recipe`, `rig` and `valve`: templates, checks, and the built-in ones.

use std::path::Path;

use seathold_analysis::calibration::apply;
use seathold_config::rig::{AdapterChoice, RigFile};
use seathold_config::{recipe as recipes, rig as rigs, valve as valves};
use seathold_sequencer::rig::Rig;
use seathold_sequencer::units::Reference;
use seathold_text::layout::wrapped;

use crate::args::{RecipeCommand, ValveCommand};
use crate::console::Console;
use crate::error::Error;
use crate::exit::Exit;

/// `seathold recipe …`.
pub(super) fn recipe(command: &RecipeCommand, console: &mut Console<'_>) -> Result<Exit, Error> {
    match command {
        RecipeCommand::Template => write!(console.out, "{}", recipes::template_file())?,
        RecipeCommand::Check { file, rig_file, adapter, calibrations } => {
            let choice = AdapterChoice { name: adapter.as_deref(), dn: None };
            let loaded = load_rig(rig_file.as_deref(), choice)?;
            let (rig, _) = apply::to_run(&loaded.rig, &loaded.adapter, calibrations, console.clock.now())?;
            let read = recipes::read(file, &rig, None)?;
            writeln!(console.out, "{}: good", read.name)?;
        }
    }
    Ok(Exit::Good)
}

/// `seathold rig template`.
pub(super) fn rig_template(console: &mut Console<'_>) -> Result<Exit, Error> {
    write!(console.out, "{}", rigs::template_file())?;
    Ok(Exit::Good)
}

/// `seathold rig check`.
pub(super) fn check_rig(file: &Path, console: &mut Console<'_>) -> Result<Exit, Error> {
    rigs::read(file)?;
    writeln!(console.out, "{}: good", file.display())?;
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

/// The rig of a file, or the built-in one, with its adapters.
pub(super) fn whole_rig(file: Option<&Path>) -> Result<RigFile, Error> {
    Ok(file.map_or_else(RigFile::built_in, rigs::read)?)
}

/// A rig with the adapter that was chosen.
pub(super) struct LoadedRig {
    pub(super) rig: Rig,
    /// What it is called in a recording.
    pub(super) name: String,
    /// The adapter's name; empty where it has none.
    pub(super) adapter: String,
}

/// The rig of a file, or the built-in one, with the adapter that is chosen.
pub(super) fn load_rig(file: Option<&Path>, choice: AdapterChoice<'_>) -> Result<LoadedRig, Error> {
    let whole = whole_rig(file)?;
    let (rig, number) = whole.with(choice)?;
    let adapter = number.and_then(|number| whole.adapters.get(number)).map_or("", |adapter| &adapter.name).to_owned();
    let name = if adapter.is_empty() { whole.origin } else { format!("{}, adapter {adapter}", whole.origin) };
    Ok(LoadedRig { rig, name, adapter })
}
