//! What every calibration has: its options, its result, and a rig to be made on.

use std::ops::RangeInclusive;
use std::path::PathBuf;

use clap::Args;
use jiff::Timestamp;
use seathold_analysis::calibration::{CalibrationValues, ValueWithU};
use seathold_config::rig::AdapterChoice;
use seathold_config::valve;
use seathold_quantity::{InputError, InputProblem};
use seathold_sequencer::field::Unit;
use seathold_sequencer::rig::RawRig;
use seathold_sequencer::units::Reference;
use seathold_sim::scenario::Scenario;
use seathold_text::layout::percent;

use super::on_rig::{RigArgs, RigHolds};
use crate::cmd::files::load_rig;
use crate::console::Console;
use crate::error::Error;
use crate::quantity_args::QuantityArgs;
use crate::rig::Address;

/// Options of every calibration.
#[derive(Debug, Args)]
pub struct CalibrationArgs {
    /// Rig file [default: the built-in rig]
    #[arg(long, value_name = "FILE", help_heading = "Record")]
    pub rig_file: Option<PathBuf>,
    /// The rig's adapter , where it has several: the calibration is of it alone
    #[arg(long, value_name = "NAME", help_heading = "Record")]
    pub adapter: Option<String>,
    /// File to write, or a folder for it
    #[arg(long, value_name = "FILE|FOLDER", default_value = "calibrations/", help_heading = "Record")]
    pub out: PathBuf,
    /// Days it is valid
    #[arg(long, value_name = "DAYS", default_value_t = 365, value_parser = clap::value_parser!(u16).range(1..=3_650), help_heading = "Record")]
    pub valid_days: u16,
    /// Who calibrated
    #[arg(long, value_parser = crate::args::name, default_value = "", hide_default_value = true, help_heading = "Record")]
    pub operator: String,
    /// Instrument that it rests on, with its number and certificate, like "gauge G-17, certificate 2231 of 2026-01-12"; given again for
    /// each
    #[arg(long, value_name = "TEXT", value_parser = crate::args::note, help_heading = "Record")]
    pub instrument: Vec<String>,
    /// When it was done, instead of now: an RFC 3339 time like 2026-03-02T09:30:00Z
    #[arg(long, value_name = "TIME", help_heading = "Record")]
    pub started_at: Option<Timestamp>,
    /// Simulated valve and rig: a name from `seathold valve list`, or a file
    #[arg(long, value_name = "NAME|FILE", default_value = "tight", help_heading = "The simulated rig")]
    pub valve: String,
    /// Seed of all random numbers
    #[arg(long, value_name = "N", default_value_t = 1, help_heading = "The simulated rig")]
    pub seed: u64,
}

/// The result of a calibration, and what to keep with it.
pub(super) struct CalibrationOutcome {
    pub(super) method: String,
    pub(super) values: CalibrationValues,
    pub(super) readings: Vec<String>,
    pub(super) said: Vec<(&'static str, String)>,
    /// Below that.
    pub(super) table: String,
}

pub(super) fn scenario(common: &CalibrationArgs) -> Result<Scenario, Error> {
    let found = valve::find(&common.valve, Reference::ISO_8778.pressure.pascals())?;
    Ok(Scenario {
        plant: seathold_sim::config::RawPlant { actuation: Default::default(), ..found.scenario.plant },
        ..found.scenario
    })
}

pub(super) fn rig(common: &CalibrationArgs) -> Result<RawRig, Error> {
    let choice = AdapterChoice { name: common.adapter.as_deref(), dn: None };
    Ok(*load_rig(common.rig_file.as_deref(), choice)?.rig.raw())
}

/// "A:B", both quantities of one kind.
pub(super) fn pair(
    o: &mut QuantityArgs,
    option: &str,
    unit: Unit,
    text: &str,
    range: RangeInclusive<f64>,
) -> (f64, f64) {
    match text.split_once(':') {
        Some((a, b)) => (o.quantity(option, unit, a, range.clone()), o.quantity(option, unit, b, range)),
        None => {
            o.wrong(format!("{option}: \"{text}\" is not two values with a colon between them"));
            (*range.start(), *range.start())
        }
    }
}

/// A step of the procedure on the simulated rig.
pub(super) fn step(console: &mut Console<'_>, text: &str) -> Result<(), Error> {
    writeln!(console.err, "  {text}")?;
    Ok(())
}

pub(super) fn failed(why: String) -> Error {
    Error::Input(InputError { origin: "calibration".into(), problems: vec![InputProblem { line: None, message: why }] })
}

pub(super) const PRESSURE: RangeInclusive<f64> = -50_000.0..=1e6;

pub(super) fn volume_words(found: ValueWithU) -> String {
    format!("{:.3} ± {:.3} cm³ (standard uncertainty, {} %)", found.value * 1e6, found.u * 1e6, percent(found.u_rel()))
}

/// Of a calibration of the far volume.
pub(super) fn far_volume(found: ValueWithU) -> CalibrationValues {
    CalibrationValues { far_volume_m3: found.value, far_volume_u_rel: found.u_rel(), ..CalibrationValues::default() }
}

/// Where it was made, for the line on its method.
pub(super) fn made_on(simulated: bool, on: &RigArgs) -> String {
    if on.rig == Address::Sim { source(simulated).to_owned() } else { format!(", on {}", on.rig) }
}

pub(super) const fn source(simulated: bool) -> &'static str {
    if simulated { ", on the simulated rig" } else { "" }
}

/// Runs for a calibration, on the controller that is named.
pub(super) fn holds<'a>(
    on: &'a RigArgs,
    common: &'a CalibrationArgs,
    name: &'static str,
    measure_s: u32,
    settle_s: u32,
    tight: usize,
) -> RigHolds<'a> {
    RigHolds {
        args: on,
        adapter: common.adapter.as_deref(),
        operator: &common.operator,
        name,
        measure_s,
        settle_s,
        tight,
    }
}
