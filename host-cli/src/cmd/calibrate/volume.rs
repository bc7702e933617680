//! `seathold calibrate volume`: by expansion, or by a leak with a reference volume and without.

use std::path::{Path, PathBuf};

use clap::Args;
use seathold_analysis::calibration;
use seathold_analysis::calibration::bench::CalibrationBench;
use seathold_analysis::calibration::{ValueWithU, added_volume, expansion};
use seathold_sequencer::field::Unit;

use super::common::{
    CalibrationArgs, CalibrationOutcome, PRESSURE, failed, far_volume, holds, made_on, pair, rig, scenario, source,
    step, volume_words,
};
use super::held::{drift_pa_s, of_one_bench, trapped_fall};
use super::leak::LEAK_WINDOW_S;
use super::on_rig::RigArgs;
use crate::console::Console;
use crate::error::Error;
use crate::quantity_args::QuantityArgs;
use crate::rig::Address;

/// `seathold calibrate volume`.
#[derive(Debug, Args)]
pub struct VolumeArgs {
    /// The reference volume, with everything between it and the ball
    #[arg(long, value_name = "VOLUME")]
    pub reference: String,
    /// Its standard uncertainty, as a ratio
    #[arg(long, value_name = "RATIO", default_value = "0.3 %")]
    pub reference_u: String,
    /// Gauge pressures before and after opening, like "6.01 bar:3.61 bar"; may be given again [default: the simulated
    /// rig]
    #[arg(long, value_name = "BEFORE:AFTER", allow_hyphen_values = true)]
    pub reading: Vec<String>,
    /// The reference volume held the gas, and the far side was empty
    #[arg(long, requires = "reading")]
    pub from_reference: bool,
    /// Standard uncertainty of one reading, without the gain
    #[arg(long, value_name = "PRESSURE", default_value = "10 Pa")]
    pub reading_u: String,
    /// Standard uncertainty of the gas temperature's change from before to after
    #[arg(long, value_name = "K", default_value = "0.05 K")]
    pub temperature_u: String,
    /// Expansions on the simulated rig
    #[arg(long, value_name = "N", default_value_t = 5, value_parser = clap::value_parser!(u8).range(1..=50))]
    pub repeats: u8,
    /// Three recordings: of a tight side; with a leak on the far side, which nobody has to know; and with the same leak and
    /// the reference volume open to the far side. So it is done on a controller
    #[arg(long, value_name = "FILE", num_args = 3, conflicts_with_all = ["reading", "from_reference"])]
    pub recording: Vec<PathBuf>,
    #[command(flatten)]
    pub on: RigArgs,
    #[command(flatten)]
    pub common: CalibrationArgs,
}

pub(super) fn volume(args: &VolumeArgs, console: &mut Console<'_>) -> Result<CalibrationOutcome, Error> {
    let mut o = QuantityArgs::default();
    let volume_m3 = o.quantity("--reference", Unit::CubicMetre, &args.reference, 1e-7..=0.1);
    let volume_u_rel = o.quantity("--reference-u", Unit::Ratio, &args.reference_u, 0.0..=0.1);
    let reading_u_pa = o.quantity("--reading-u", Unit::PascalRms, &args.reading_u, 0.0..=20_000.0);
    let temperature_u_k = o.quantity("--temperature-u", Unit::Kelvin, &args.temperature_u, 0.0..=10.0);
    let mut pairs: Vec<(f64, f64)> =
        args.reading.iter().map(|text| pair(&mut o, "--reading", Unit::PascalRms, text, PRESSURE)).collect();
    o.finish()?;
    let made = if args.on.rig == Address::Sim {
        Vec::new()
    } else {
        if !pairs.is_empty() {
            return Err(Error::usage("--reading: typed readings are of no controller; leave out --rig or --reading"));
        }
        let questions = [
            "put a tight valve on the rig; a leak on the far side that stays as it is, of some twenty times the limit, is shut off, and so \
             is the reference volume",
            "open the leak; the reference volume stays shut off",
            "open the reference volume to the far side as well; valve and leak as they are",
        ];
        holds(&args.on, &args.common, "volume", LEAK_WINDOW_S, 20, 1).each(&questions.map(Into::into), console)?
    };
    if let [tight, alone, with] = (if made.is_empty() { &args.recording } else { &made }).as_slice() {
        let reference = ValueWithU { value: volume_m3, u: volume_m3 * volume_u_rel };
        return volume_by_leak(args, reference, [tight, alone, with]);
    }
    let rig = rig(&args.common)?;
    let known = expansion::ReferenceVolume {
        volume_m3,
        volume_u_rel,
        reading_u_pa,
        temperature_u_k,
        gas_k: 293.15,
        atmosphere_pa: rig.atmosphere_pa,
    };
    let direction = if args.from_reference { expansion::Direction::FromKnown } else { expansion::Direction::IntoKnown };
    let simulated = pairs.is_empty();
    if simulated {
        let mut scenario = scenario(&args.common)?;
        scenario.plant.line_volume_m3 = known.volume_m3;
        let mut bench = CalibrationBench::new(&scenario, &rig, args.common.seed).map_err(failed)?;
        step(console, "1. the reference volume is on the supply side; everything is empty and zero is taken")?;
        step(
            console,
            "2. fill both sides, shut the ball, vent the supply side, shut the vent; wait: the pressure before",
        )?;
        step(
            console,
            "3. open the ball, work it to empty its cavity too, and wait until the gas is at room temperature: the \
             pressure after",
        )?;
        for n in 1..=args.repeats {
            let (before, after) = bench.expand();
            step(console, &format!("   {n}: {before:.1} Pa before, {after:.1} Pa after"))?;
            pairs.push((before, after));
        }
    }
    let found = expansion::volume(&known, direction, &pairs).map_err(failed)?;
    if args.common.rig_file.is_some() {
        calibration::fits_rig(found, &rig).map_err(failed)?;
    }
    let way = if args.from_reference { "out of" } else { "into" };
    Ok(CalibrationOutcome {
        method: format!(
            "expansion {way} a reference volume of {} ± {}{}",
            args.reference,
            args.reference_u,
            source(simulated)
        ),
        readings: pairs.iter().map(|(a, b)| format!("gauge pressure {a:.1} Pa before, {b:.1} Pa after")).collect(),
        said: vec![("far volume", volume_words(found))],
        values: far_volume(found),
        table: String::new(),
    })
}

/// From runs without a leak, with one, and with the same and the reference volume.
pub(super) fn volume_by_leak(
    args: &VolumeArgs,
    reference: ValueWithU,
    paths: [&Path; 3],
) -> Result<CalibrationOutcome, Error> {
    let rig = of_one_bench(&args.common, &paths)?;
    let [tight, alone, with] = paths.map(|path| trapped_fall(path, &rig));
    let (tight, alone, with) = (tight?, alone?, with?);
    let falls = added_volume::Falls::at_one_pressure(&tight, &alone, &with, drift_pa_s(&rig, alone.middle_pa()))
        .map_err(failed)?;
    let found = added_volume::volume(reference, &falls).map_err(failed)?;
    calibration::fits_rig(found, &rig).map_err(failed)?;
    let without = ValueWithU { value: falls.tight, u: falls.tight_u };
    let each = [
        ("without the leak", without),
        ("more with it", falls.alone),
        ("more with leak and reference volume", falls.with),
    ];
    let bar = falls.at_pa / 1e5;
    Ok(CalibrationOutcome {
        method: format!(
            "no leak, one leak, and the same with a reference volume of {} ± {}{}",
            args.reference,
            args.reference_u,
            made_on(false, &args.on)
        ),
        readings: each
            .map(|(what, fall)| format!("fall {what} {:.4} ± {:.4} Pa/s, at {bar:.3} bar", fall.value, fall.u))
            .into(),
        said: vec![
            (
                "fall",
                format!(
                    "{:.3} ± {:.3} Pa/s without the leak; at {bar:.3} bar {:.3} ± {:.3} more with it, {:.3} ± {:.3} with the reference \
                     volume too",
                    without.value, without.u, falls.alone.value, falls.alone.u, falls.with.value, falls.with.u
                ),
            ),
            ("far volume", volume_words(found)),
        ],
        values: far_volume(found),
        table: String::new(),
    })
}
