//! `seathold calibrate blank`: background leak, scatter of leak-free sides, settling time constant.

use std::path::PathBuf;

use clap::Args;
use seathold_analysis::calibration::scatter::BlankLook;
use seathold_analysis::calibration::{
    CalibrationValues, TimeConstant, ValueWithU, background_words, bench, blank, scatter,
};
use seathold_sequencer::field::Unit;
use seathold_sequencer::measure::LeakEstimate;
use seathold_sequencer::recipe::RawRecipe;
use seathold_sequencer::rig::{BLANK_RUNS_MIN, RawRig};
use seathold_text::layout::percent;

use super::common::{CalibrationArgs, CalibrationOutcome, failed, holds, made_on, rig, scenario, step};
use super::held::{BlankedBy, held, looks_of, recorded};
use super::on_rig::RigArgs;
use crate::cmd::named_files::{refuse_copies, unfit};
use crate::console::Console;
use crate::error::Error;
use crate::quantity_args;
use crate::rig::Address;

/// `seathold calibrate blank`.
#[derive(Debug, Args)]
pub struct BlankArgs {
    /// What held the pressure: a plug in place of the valve, or valves known to be tight. Four or more runs with valves of
    /// one type tell also how leak-free sides vary; a plug has no cavity and no seats, and tells of the rig alone [default: valves
    /// on the simulated rig, plug for up to three recordings; for more it must be said]
    #[arg(long, value_name = "WHAT")]
    pub with: Option<BlankedBy>,
    /// A recording of such a run; given again for each [default: the simulated rig]
    #[arg(long, value_name = "FILE")]
    pub recording: Vec<PathBuf>,
    /// Runs, where they are made now
    #[arg(long, value_name = "N", default_value_t = 1, conflicts_with = "recording", value_parser = clap::value_parser!(u32).range(1..=100))]
    pub repeats: u32,
    /// Measuring time, where they are made now
    #[arg(long, value_name = "TIME", default_value = "60 s", value_parser = whole_seconds)]
    pub duration: u32,
    #[command(flatten)]
    pub on: RigArgs,
    #[command(flatten)]
    pub common: CalibrationArgs,
}

pub(super) fn whole_seconds(text: &str) -> Result<u32, String> {
    quantity_args::one(Unit::Second, text, 30.0..=3_000.0).map(|seconds| seconds.round() as u32)
}

/// Leak-free sides, from recordings or the simulated rig.
pub(super) struct BlankRuns {
    rig: RawRig,
    /// The first one's estimate, and what its time constant is found in.
    estimate: LeakEstimate,
    settling: Vec<(f64, f64)>,
    /// What the windows of each show.
    looks: Vec<Vec<BlankLook>>,
    /// The limit they were judged by.
    limit_pa_m3_s: f64,
    simulated: bool,
}

/// What held the pressure. With as many recordings as tell how leak-free sides vary it must have been said.
pub(super) fn blanked_by(args: &BlankArgs) -> Result<BlankedBy, Error> {
    let made = if args.on.rig == Address::Sim { 0 } else { args.repeats as usize };
    let runs = args.recording.len().max(made);
    match args.with {
        Some(with) => Ok(with),
        None if runs == 0 => Ok(BlankedBy::Valves),
        None if runs < BLANK_RUNS_MIN as usize => Ok(BlankedBy::Plug),
        None => Err(Error::usage(format!(
            "--with: say what held the pressure in these {runs} runs, `plug` or `valves`. Runs with valves of one type tell how \
             leak-free sides vary. A plug has no cavity and no seats: taken for valves, runs with one hide leaks"
        ))),
    }
}

pub(super) fn blank_runs(args: &BlankArgs, with: BlankedBy, console: &mut Console<'_>) -> Result<BlankRuns, Error> {
    refuse_copies(&args.recording)?;
    let made = if args.on.rig == Address::Sim {
        Vec::new()
    } else {
        let question = |number: u32| match with {
            BlankedBy::Plug if number == 1 => "put a plug in place of the valve".to_owned(),
            BlankedBy::Plug => "leave the plug in".to_owned(),
            BlankedBy::Valves if number == 1 => "put a valve on the rig that is known to be tight".to_owned(),
            BlankedBy::Valves => {
                "put another of the same type on the rig, known to be tight, or the same again".to_owned()
            }
        };
        let questions: Vec<String> = (1..=args.repeats).map(question).collect();
        holds(&args.on, &args.common, "blank", args.duration, 0, usize::MAX).each(&questions, console)?
    };
    let recordings = if made.is_empty() { &args.recording } else { &made };
    if let Some((first, others)) = recordings.split_first() {
        let (rig, estimate, settling, looks, limit_pa_m3_s) = recorded(first, with, &args.common)?;
        let mut all = vec![looks];
        for path in others {
            let (theirs, _, _, looks, _) = recorded(path, with, &args.common)?;
            if theirs.far_volume_m3.to_bits() != rig.far_volume_m3.to_bits() {
                let (here, there) = (rig.far_volume_m3 * 1e6, theirs.far_volume_m3 * 1e6);
                let message =
                    format!("far_volume is {there} cm³ and {here} cm³ in {}: not the same rig", first.display());
                return Err(unfit(path, message));
            }
            all.push(looks);
        }
        return Ok(BlankRuns { rig, estimate, settling, looks: all, limit_pa_m3_s, simulated: false });
    }
    let rig = rig(&args.common)?;
    let scenario = scenario(&args.common)?;
    let (scenario, first) = match with {
        BlankedBy::Plug => {
            (bench::plugged(scenario), "1. a plug in place of the valve: whatever leaks now is the rig itself")
        }
        BlankedBy::Valves => {
            (bench::leak_free(scenario), "1. a valve known to be tight: whatever leaks now is the rig itself")
        }
    };
    step(console, first)?;
    step(console, "2. fill, isolate and watch at once, while the gas still settles: its time constant")?;
    let recipe = bench::recipe(600_000, 700_000, 60, 0);
    let early = bench::hold(&scenario, &rig, &recipe, args.common.seed).map_err(failed)?;
    step(console, "3. the same again with a long rest before: the background leak")?;
    let (estimate, _) = held(&scenario, &rig, args.duration, 60, args.common.seed.wrapping_add(1))?;
    let mut looks = Vec::new();
    if args.repeats > 1 {
        step(console, &format!("4. {} runs as in a test: how leak-free sides vary", args.repeats))?;
        for run in 0..args.repeats {
            let recipe = bench::recipe(600_000, 700_000, args.duration, RawRecipe::DEMO.settle_ms / 1_000);
            let seed = args.common.seed.wrapping_add(2 + u64::from(run));
            let held = bench::hold(&scenario, &rig, &recipe, seed).map_err(failed)?;
            looks.push(looks_of(&held.samples, &rig, &recipe, with).map_err(failed)?);
        }
    }
    let limit_pa_m3_s = recipe.limit_pa_m3_s;
    Ok(BlankRuns { rig, estimate, settling: bench::samples(&early.samples), looks, limit_pa_m3_s, simulated: true })
}

pub(super) fn blank_run(args: &BlankArgs, console: &mut Console<'_>) -> Result<CalibrationOutcome, Error> {
    let with = blanked_by(args)?;
    let BlankRuns { rig, estimate, settling, looks, limit_pa_m3_s, simulated } = blank_runs(args, with, console)?;
    let tau = blank::time_constant(&settling);
    let tau_words = match tau {
        Some(tau) => format!("{:.2} s ± {} % (standard uncertainty)", tau.tau_s, percent(tau.u_rel)),
        None => "no transient above the noise, so none was found".into(),
    };
    let TimeConstant { tau_s, u_rel: tau_u_rel } = tau.unwrap_or_default();
    let window = f64::from(estimate.window_ms) / 1e3;
    let mut readings = vec![format!("window {window:.1} s, slope {:.5} Pa/s", estimate.slope.pascals_per_second())];
    let long: Vec<f64> = looks.iter().filter_map(|side| Some(side.last()?.leak * 1e4)).collect();
    readings.extend(
        long.iter().enumerate().map(|(i, leak)| format!("run {}: {leak:.4} mm3/s in its longest window", i + 1)),
    );
    let mut values = CalibrationValues { tau_s, tau_u_rel, ..CalibrationValues::default() };
    let mut said = Vec::new();
    match scatter::scatter(&looks) {
        Some(found) => {
            values.background_pa_m3_s = found.background;
            values.background_u_pa_m3_s = match with {
                BlankedBy::Valves => found.background_u,
                // What heat in a wall does is the same in each run, so their scatter does not show it.
                BlankedBy::Plug => found.background_u.max(blank::background(&estimate, &rig).u),
            };
            let words = |value, u| background_words(ValueWithU { value, u });
            said.push((
                "background",
                format!(
                    "{} in a long window, of {} leak-free sides (mean, and standard uncertainty of the next)",
                    words(found.background, values.background_u_pa_m3_s),
                    found.runs
                ),
            ));
            match with {
                BlankedBy::Valves => {
                    values.background_early_pa_m3_s = found.early;
                    values.background_early_u_pa_m3_s = found.early_u;
                    values.blank_runs = f64::from(found.runs);
                    let early = words(found.early, found.early_u);
                    said.push(("early", format!("{early} more in a window of 10 s, in a longer one the less")));
                    said.push(("holds for", "valves of the type these runs were made with, on this adapter".into()));
                }
                BlankedBy::Plug => said.push((
                    "holds for",
                    "the rig alone: how leak-free sides vary from valve to valve is assumed, since a plug has no cavity and no seats. \
                     --with valves measures it"
                        .into(),
                )),
            }
        }
        None => {
            let background = blank::background(&estimate, &rig);
            values.background_pa_m3_s = background.value;
            values.background_u_pa_m3_s = background.u;
            said.push(("background", format!("leak {} (standard uncertainty)", background_words(background))));
            if looks.len() > 1 {
                said.push((
                    "scatter",
                    format!(
                        "not told: of {} runs fewer than {} have windows of {} s and more",
                        looks.len(),
                        BLANK_RUNS_MIN,
                        scatter::TRACE_S_MIN
                    ),
                ));
            }
        }
    }
    said.push(("settling", format!("time constant {tau_words}")));
    let shown = values.background_pa_m3_s;
    if shown.abs() > LEAK_FREE * limit_pa_m3_s {
        let percents = percent((100.0 * shown / limit_pa_m3_s).round() / 100.0);
        said.push((
            "CAUTION",
            format!(
                "that is {percents} % of the limit. With a plug that leaks, or a valve that is not tight, this calibration hides \
                 as much in every valve after it: find out why before it is used"
            ),
        ));
    }
    Ok(CalibrationOutcome {
        method: match with {
            BlankedBy::Plug => format!("plug in place of the valve{}", made_on(simulated, &args.on)),
            BlankedBy::Valves => format!("valves known to be tight{}", made_on(simulated, &args.on)),
        },
        readings,
        said,
        values,
        table: String::new(),
    })
}

/// Most of the limit that leak-free sides show without a word of caution (our judgement).
pub(super) const LEAK_FREE: f64 = 0.25;
