//! `seathold calibrate leak`: far volume and sensor gain together.

use std::path::PathBuf;

use clap::Args;
use seathold_analysis::calibration;
use seathold_analysis::calibration::bench::HoldResult;
use seathold_analysis::calibration::trapped_fall::TrappedFall;
use seathold_analysis::calibration::{ValueWithU, reference_leak};
use seathold_sequencer::field::Unit;
use seathold_sequencer::rig::RawRig;
use seathold_sequencer::units::Reference;

use super::common::{
    CalibrationArgs, CalibrationOutcome, failed, far_volume, holds, made_on, rig, scenario, step, volume_words,
};
use super::held::{HELD_AT_PA, drift_pa_s, held, of_one_bench, trapped_fall};
use super::on_rig::RigArgs;
use super::recordings::intact;
use crate::console::Console;
use crate::error::Error;
use crate::quantity_args::QuantityArgs;
use crate::rig::Address;

/// `seathold calibrate leak`.
#[derive(Debug, Args)]
pub struct ReferenceLeakArgs {
    /// The reference leak at the test pressure, like "20 mm3/s"
    #[arg(long, value_name = "LEAK")]
    pub reference: String,
    /// Its standard uncertainty, as a ratio
    #[arg(long, value_name = "RATIO", default_value = "1 %")]
    pub reference_u: String,
    /// Fall with the leak and its standard uncertainty, like "44.1 Pa/s:0.2 Pa/s" [default: the simulated rig]
    #[arg(long, value_name = "FALL:U", allow_hyphen_values = true, requires = "fall_without")]
    pub fall_with: Option<String>,
    /// The same without the leak
    #[arg(long, value_name = "FALL:U", allow_hyphen_values = true, requires = "fall_with")]
    pub fall_without: Option<String>,
    /// Two recordings of runs, the first without the leak and the second with it [default: the simulated rig]
    #[arg(long, value_name = "FILE", num_args = 2, conflicts_with_all = ["fall_with", "fall_without"])]
    pub recording: Vec<PathBuf>,
    #[command(flatten)]
    pub on: RigArgs,
    #[command(flatten)]
    pub common: CalibrationArgs,
}

pub(super) fn leak(args: &ReferenceLeakArgs, console: &mut Console<'_>) -> Result<CalibrationOutcome, Error> {
    let mut o = QuantityArgs::default();
    let at = Reference::ISO_8778.pressure.pascals();
    let known = o
        .quantity_in("--reference", Unit::PascalCubicMetrePerSecond, &args.reference, &(1e-9..=1.0), at)
        .map_or(0.0, |(v, _)| v);
    let known_u = o.quantity("--reference-u", Unit::Ratio, &args.reference_u, 0.0..=0.2);
    let mut typed_fall = |option, text: &Option<String>| text.as_ref().map(|t| typed_rate(&mut o, option, t));
    let (with, without) =
        (typed_fall("--fall-with", &args.fall_with), typed_fall("--fall-without", &args.fall_without));
    o.finish()?;
    let made = if args.on.rig == Address::Sim {
        Vec::new()
    } else {
        let questions = [
            "put a tight valve on the rig, and shut the reference leak off",
            "open the reference leak on the far side, the same valve in place",
        ];
        // The leak slows as the pressure falls: a short window.
        holds(&args.on, &args.common, "leak", LEAK_WINDOW_S, 20, 1).each(&questions.map(Into::into), console)?
    };
    let recordings = if made.is_empty() { &args.recording } else { &made };
    let simulated = with.is_none() && recordings.is_empty();
    let mut known = ValueWithU { value: known, u: known * known_u };
    let mut of_rig = None;
    let (with, without) = match (with, without) {
        (Some(with), Some(without)) => (with, without),
        _ => {
            let (rig, target_pa, [without, with]) = match recordings.as_slice() {
                [without, with] => {
                    let rig = of_one_bench(&args.common, &[without, with])?;
                    of_rig = Some(rig);
                    (
                        rig,
                        f64::from(intact(with)?.header.recipe.target_pa),
                        [trapped_fall(without, &rig)?, trapped_fall(with, &rig)?],
                    )
                }
                _ => {
                    let rig = rig(&args.common)?;
                    (rig, HELD_AT_PA, on_simulated(args, &rig, known.value, console)?)
                }
            };
            let falls = reference_leak::falls(&with, &without, drift_pa_s(&rig, with.middle_pa()));
            known = reference_leak::at_pressure_unknown_law(known, target_pa, with.middle_pa(), rig.atmosphere_pa);
            falls
        }
    };
    let found = reference_leak::volume(known, with, without).map_err(failed)?;
    if let Some(rig) = of_rig {
        calibration::fits_rig(found, &rig).map_err(failed)?;
    }
    Ok(CalibrationOutcome {
        method: format!("reference leak of {} ± {}{}", args.reference, args.reference_u, made_on(simulated, &args.on)),
        readings: vec![
            format!("fall with the leak {:.4} ± {:.4} Pa/s", with.value, with.u),
            format!("fall without the leak {:.4} ± {:.4} Pa/s", without.value, without.u),
        ],
        said: vec![
            (
                "fall",
                format!(
                    "{:.3} ± {:.3} Pa/s with the leak, {:.3} ± {:.3} Pa/s without",
                    with.value, with.u, without.value, without.u
                ),
            ),
            ("far volume", format!("{}, sensor gain included", volume_words(found))),
        ],
        values: far_volume(found),
        table: String::new(),
    })
}

/// "44.1 Pa/s:0.2 Pa/s"; rates are whole pascals elsewhere, so the number is read here.
pub(super) fn typed_rate(o: &mut QuantityArgs, option: &str, text: &str) -> ValueWithU {
    let one = |part: &str| {
        part.trim().strip_suffix("Pa/s").and_then(|n| n.trim().parse::<f64>().ok()).filter(|v| v.is_finite())
    };
    match text.split_once(':').map(|(a, b)| (one(a), one(b))) {
        Some((Some(value), Some(u))) if u >= 0.0 => ValueWithU { value, u },
        _ => {
            o.wrong(format!("{option}: \"{text}\" is not a fall with its uncertainty, like \"44.1 Pa/s:0.2 Pa/s\""));
            ValueWithU::default()
        }
    }
}

/// Falls without the reference leak and with it.
fn on_simulated(
    args: &ReferenceLeakArgs,
    rig: &RawRig,
    leak_pa_m3_s: f64,
    console: &mut Console<'_>,
) -> Result<[TrappedFall; 2], Error> {
    let scenario = scenario(&args.common)?;
    let mut leaking = scenario;
    leaking.plant.rig_leak.rate += leak_pa_m3_s;
    step(console, "1. a complete first side without the reference leak")?;
    let (_, without) = held(&scenario, rig, LEAK_WINDOW_S, 20, args.common.seed)?;
    step(console, "2. the reference leak on the far side, and the same again")?;
    let (_, with) = held(&leaking, rig, LEAK_WINDOW_S, 20, args.common.seed.wrapping_add(1))?;
    let fall = |held: &HoldResult| {
        let window = held.window_s().ok_or_else(|| failed("the run gave no estimate".into()))?;
        TrappedFall::over(&held.samples, window, f64::from(rig.far.zero_counts), rig.far.pa_per_count).map_err(failed)
    };
    Ok([fall(&without)?, fall(&with)?])
}

/// Measuring time with a reference leak, in seconds: short, because the leak slows as the pressure falls.
pub(super) const LEAK_WINDOW_S: u32 = 30;
