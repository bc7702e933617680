//! A far side held, on the simulated rig or in a recording, and what its windows show.

use std::path::Path;

use clap::ValueEnum;
use seathold_analysis::calibration::bench::HoldRecorder;
use seathold_analysis::calibration::scatter::{BlankLook, TrappedReading};
use seathold_analysis::calibration::trapped_fall::TrappedFall;
use seathold_analysis::calibration::{bench, scatter};
use seathold_recording::Header;
use seathold_recording::header::DisplayUnits;
use seathold_sequencer::measure::LeakEstimate;
use seathold_sequencer::recipe::RawRecipe;
use seathold_sequencer::rig::RawRig;
use seathold_sim::scenario::Scenario;
use seathold_text::messages::UnitFormat;

use super::common::{CalibrationArgs, failed, rig};
use super::recordings::{intact, not_leaking};
use crate::cmd::named_files::{refuse_copies, unfit};
use crate::error::Error;

/// What holds the pressure in a blank run.
#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
pub enum BlankedBy {
    /// A plug in place of the valve
    Plug,
    /// Valves of one type known to be tight
    Valves,
}

/// Gauge pressure of the simulated holds, in pascals.
pub(super) const HELD_AT_PA: f64 = 600_000.0;

/// A hold on the simulated rig that must end in an estimate.
pub(super) fn held(
    scenario: &Scenario,
    rig: &RawRig,
    seconds: u32,
    settle_s: u32,
    seed: u64,
) -> Result<(LeakEstimate, bench::HoldResult), Error> {
    let recipe = bench::recipe(HELD_AT_PA as u32, 700_000, seconds, settle_s);
    let held = bench::hold(scenario, rig, &recipe, seed).map_err(failed)?;
    let estimate = held.side.estimate.ok_or_else(|| {
        let units = UnitFormat::new(&recipe, &DisplayUnits::default());
        failed(format!("the run gave no estimate: {}", units.reason(&held.side)))
    })?;
    Ok((estimate, held))
}

/// What the windows of a held side show, each as its recipe would judge it.
pub(super) fn looks_of(
    samples: &[TrappedReading],
    rig: &RawRig,
    recipe: &RawRecipe,
    with: BlankedBy,
) -> Result<Vec<BlankLook>, String> {
    let rig = rig.validate().map_err(|errors| errors.to_string())?;
    let recipe = recipe.validate(&rig).map_err(|errors| errors.to_string())?;
    Ok(scatter::looks(samples, &rig, &recipe, f64::from(recipe.raw().settle_ms) / 1e3, with == BlankedBy::Valves))
}

/// Rig, estimate, settling samples and looks of a recording's first side, and its limit.
pub(super) type Recorded = (RawRig, LeakEstimate, Vec<(f64, f64)>, Vec<BlankLook>, f64);

pub(super) fn recorded(path: &Path, with: BlankedBy, common: &CalibrationArgs) -> Result<Recorded, Error> {
    let recording = intact(path)?;
    of_adapter(path, &recording.header, common)?;
    // Taken for leak-free it would be taken off every valve after it.
    not_leaking(path, &recording)?;
    let recorder = HoldRecorder::over(&recording);
    let estimate = recorder
        .side
        .and_then(|side| side.estimate)
        .ok_or_else(|| unfit(path, "no side of it ended in an estimate".into()))?;
    let (rig, recipe) = (recording.header.rig, recording.header.recipe);
    let looks = looks_of(&recorder.readings, &rig, &recipe, with).map_err(|why| unfit(path, why))?;
    Ok((rig, estimate, recorder.samples(), looks, recipe.limit_pa_m3_s))
}

/// Whether a recording was made on the adapter that the calibration is to be of, where it says which.
pub(super) fn of_adapter(path: &Path, header: &Header, common: &CalibrationArgs) -> Result<(), Error> {
    let Some((_, made_on)) = header.rig_name.rsplit_once(", adapter ") else { return Ok(()) };
    if common.adapter.as_deref() == Some(made_on) {
        return Ok(());
    }
    let asked = common.adapter.as_deref().map_or_else(|| "none is named".into(), |name| format!("{name} is named"));
    Err(unfit(path, format!("it was made on adapter {made_on}, and {asked}: give --adapter \"{made_on}\"")))
}

/// How the pressure of a recording's first side fell while it was measured.
pub(super) fn trapped_fall(path: &Path, rig: &RawRig) -> Result<TrappedFall, Error> {
    let recorder = HoldRecorder::over(&intact(path)?);
    let window = recorder.window_s().ok_or_else(|| unfit(path, "no side of it ended in an estimate".into()))?;
    TrappedFall::over(&recorder.readings, window, f64::from(rig.far.zero_counts), rig.far.pa_per_count)
        .map_err(|why| unfit(path, why))
}

/// What the drift of the gas temperature may do to a fall at this gauge pressure, in Pa/s, as a standard uncertainty (ideal gas law at
/// constant volume). The gas is about at room temperature: 10 K more or less do not matter to that.
pub(super) fn drift_pa_s(rig: &RawRig, gauge_pa: f64) -> f64 {
    rig.temperature_drift_u_k_s * (gauge_pa + rig.atmosphere_pa) / 293.15
}

/// The rig of these different recordings, of which the first is of a tight side.
pub(super) fn of_one_bench(common: &CalibrationArgs, paths: &[&Path]) -> Result<RawRig, Error> {
    refuse_copies(&paths.iter().map(|path| path.to_path_buf()).collect::<Vec<_>>())?;
    let recordings = paths.iter().map(|path| intact(path)).collect::<Result<Vec<_>, Error>>()?;
    let Some((tight, others)) = recordings.split_first() else { return Err(Error::usage("no recordings")) };
    for (path, one) in paths.iter().zip(&recordings) {
        of_adapter(path, &one.header, common)?;
    }
    not_leaking(paths[0], tight)?;
    let (raw, recipe) = (tight.header.rig, tight.header.recipe);
    for (path, other) in paths.iter().skip(1).zip(others) {
        let (there, how) = (&other.header.rig, &other.header.recipe);
        if *there != raw || how.actuation != recipe.actuation || how.target_pa != recipe.target_pa {
            let first = paths[0].display();
            let why =
                format!("it is of another rig, adapter, kind of valve or pressure than {first}: they belong together");
            return Err(unfit(path, why));
        }
    }
    if common.rig_file.is_some() && rig(common)?.far_volume_m3 != raw.far_volume_m3 {
        let why = format!(
            "its far_volume is {:.2} cm³, which is not that of the rig file and adapter named here",
            raw.far_volume_m3 * 1e6
        );
        return Err(unfit(paths[0], why));
    }
    Ok(raw)
}
