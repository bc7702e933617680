//! `seathold calibrate rest`: drift of the gas temperature.

use std::path::PathBuf;

use clap::Args;
use seathold_analysis::calibration::bench::HoldRecorder;
use seathold_analysis::calibration::rest::Rest;
use seathold_analysis::calibration::scatter::TrappedReading;
use seathold_analysis::calibration::{CalibrationValues, apply, background_words, bench, blank, rest};
use seathold_sequencer::field::Unit;
use seathold_sequencer::recipe::RawRecipe;
use seathold_sequencer::rig::{BLANK_RUNS_MIN, RawRig};
use seathold_sequencer::verdict::{SideResult, Verdict};
use seathold_text::drift_margin::drift_words;
use seathold_text::messages::counted;

use super::common::{CalibrationArgs, CalibrationOutcome, failed, holds, made_on, rig, scenario, step};
use super::held::of_adapter;
use super::on_rig::RigArgs;
use super::recordings::intact;
use crate::cmd::named_files::{refuse_copies, unfit};
use crate::console::Console;
use crate::error::Error;
use crate::quantity_args;
use crate::rig::Address;

/// `seathold calibrate rest`.
#[derive(Debug, Args)]
pub struct RestArgs {
    /// A recording whose first side was left alone for 5 min to 1 h, with a plug in place of the valve or a valve known to be
    /// tight [default: the simulated rig]. Several, given again each and made at different times of the day, tell how
    /// the drift varies over the hours
    #[arg(long, value_name = "FILE")]
    pub recording: Vec<PathBuf>,
    /// Time at rest, where it is made now
    #[arg(long, value_name = "TIME", default_value = "30 min", conflicts_with = "recording", value_parser = rest_seconds)]
    pub duration: u32,
    /// Calibration files, or folders of them: far volume and background leak are taken from these [default: as in the rig
    /// file, or in the recording]
    #[arg(long, value_name = "FILE|FOLDER", num_args = 1..)]
    pub calibrations: Vec<PathBuf>,
    #[command(flatten)]
    pub on: RigArgs,
    #[command(flatten)]
    pub common: CalibrationArgs,
}

pub(super) fn rest_seconds(text: &str) -> Result<u32, String> {
    let seconds = quantity_args::one(Unit::Second, text, 0.0..=1e9)?;
    if (rest::REST_S_MIN..=rest::REST_S_MAX).contains(&seconds) {
        return Ok(seconds.round() as u32);
    }
    // Not in the unit typed: five minutes are no round number of hours.
    let (least, most) = (rest::REST_S_MIN / 60.0, rest::REST_S_MAX / 60.0);
    Err(format!("{text} is outside {least} min to {most} min"))
}

/// One far side left alone.
pub(super) struct RestRun {
    name: String,
    rest: Rest,
    rig: RawRig,
    /// What is to be minded about it.
    mind: Option<String>,
}

impl RestRun {
    fn new(
        name: String,
        readings: &[TrappedReading],
        (rig, recipe): (&RawRig, &RawRecipe),
        side: Option<SideResult>,
    ) -> Result<Self, String> {
        // Of the rig, or as the first minute shows it, like a blank run's.
        let early = readings.partition_point(|reading| reading.at_s < rest::SETTLE_S_MIN);
        let early = bench::samples(readings.get(..early).unwrap_or_default());
        let tau_s = rig.tau_s.or_else(|| blank::time_constant(&early).map(|tau| tau.tau_s));
        let rest = rest::rest(readings, rig, recipe, rest::settled_s(tau_s))?;
        let mind = side.filter(|side| side.verdict == Verdict::Leaking).map(|_| {
            format!("{name}: its first side was judged leaking. If it leaks, the leak is counted here as drift in full")
        });
        Ok(Self { name, rest, rig: *rig, mind })
    }
}

pub(super) fn rest_runs(args: &RestArgs, console: &mut Console<'_>) -> Result<(Vec<RestRun>, Vec<String>), Error> {
    let calibrations = apply::find(&args.calibrations)?;
    let adapter = args.common.adapter.as_deref().unwrap_or_default();
    let on_rig = args.on.rig != Address::Sim;
    if args.recording.is_empty() && !on_rig {
        let (rig, notes) = calibrations.for_rest(rig(&args.common)?, adapter);
        rig.validate().map_err(|errors| Error::usage(format!("the rig with its calibrations: {errors}")))?;
        let scenario = bench::leak_free(scenario(&args.common)?);
        step(console, "1. a plug in place of the valve, or one known to be tight: nothing leaks but the rig itself")?;
        step(console, &format!("2. fill, isolate, and leave it alone for {} s", args.duration))?;
        let recipe = bench::recipe(600_000, 700_000, args.duration, rest::SETTLE_S_MIN as u32);
        let mut held = bench::hold(&scenario, &rig, &recipe, args.common.seed).map_err(failed)?;
        // A window that was restarted goes on for longer than asked for.
        held.samples.retain(|reading| reading.at_s <= rest::SETTLE_S_MIN + f64::from(args.duration));
        // There is no leak to mind.
        let one = RestRun::new("simulated".into(), &held.samples, (&rig, &recipe), None).map_err(failed)?;
        return Ok((vec![one], notes));
    }
    refuse_copies(&args.recording)?;
    let mut runs: Vec<RestRun> = Vec::new();
    let mut noted = Vec::new();
    let made = if on_rig {
        let question =
            "put a plug in place of the valve, or one known to be tight, and leave the rig alone from here on";
        // Beyond what settles, so that the whole of the time asked for is looked at.
        let seconds = args.duration + rest::SETTLE_S_MIN as u32;
        holds(&args.on, &args.common, "rest", seconds, 0, 0).each(&[question.into()], console)?
    } else {
        Vec::new()
    };
    for path in if on_rig { &made } else { &args.recording } {
        let recording = intact(path)?;
        of_adapter(path, &recording.header, &args.common)?;
        let (rig, notes) = calibrations.for_rest(recording.header.rig, adapter);
        if let Some(first) =
            runs.first().filter(|first| first.rig.far_volume_m3.to_bits() != rig.far_volume_m3.to_bits())
        {
            let (here, there) = (first.rig.far_volume_m3 * 1e6, rig.far_volume_m3 * 1e6);
            let message = format!("far_volume is {there} cm³ and {here} cm³ in {}: not the same rig", first.name);
            return Err(unfit(path, message));
        }
        noted = notes;
        let recorder = HoldRecorder::over(&recording);
        let with = (&rig, &recording.header.recipe);
        let run = RestRun::new(path.display().to_string(), &recorder.readings, with, recorder.side);
        runs.push(run.map_err(|why| unfit(path, why))?);
    }
    Ok((runs, noted))
}

pub(super) fn rest_run(args: &RestArgs, console: &mut Console<'_>) -> Result<CalibrationOutcome, Error> {
    let (runs, notes) = rest_runs(args, console)?;
    let rests: Vec<Rest> = runs.iter().map(|run| run.rest.clone()).collect();
    let found = rest::drift(&rests).ok_or_else(|| failed("no rest".into()))?;
    let simulated = args.recording.is_empty() && args.on.rig == Address::Sim;
    let mut said: Vec<(&'static str, String)> = notes.into_iter().map(|note| ("taken", note)).collect();
    let seen = if found.only_seen { ": no drift was seen, and less could not have been" } else { "" };
    said.push((
        "drift",
        format!(
            "±{} (standard uncertainty), of windows of {:.0} s{seen}",
            drift_words(found.drift_u_k_s),
            found.at_window_s
        ),
    ));
    let mut readings = Vec::new();
    for run in &runs {
        let Rest { from_s, to_s, mean_k_s, .. } = run.rest;
        let text = format!(
            "{}: {from_s:.0} s to {to_s:.0} s after venting, {} on the average",
            run.name,
            drift_words(mean_k_s)
        );
        readings.push(text.clone());
        said.push(("rest", text));
        said.extend(run.mind.clone().map(|mind| ("mind", mind)));
    }
    let first = &runs[0];
    let rig = &first.rig;
    said.push((
        "background",
        match rest::steady_leak(rig) {
            Some(known) => format!(
                "leak {} taken off; its ± is as much as {}, and is counted with the background leak, not here",
                background_words(known),
                drift_words(first.rest.background_u_k_s)
            ),
            None if rig.blank_runs >= BLANK_RUNS_MIN => format!(
                "leak not taken off: the mean of {} leak-free sides has in it what filling does, and that is over in a \
                 rest. A steady leak of the rig is counted as drift in full, unless one blank run after a long rest is \
                 given (--calibrations)",
                rig.blank_runs
            ),
            None => "leak not known (0 in the rig): a steady leak of the rig is counted as drift in full".into(),
        },
    ));
    if found.runs == 1 {
        said.push(("mind", "one rest tells of its own time only: repeat it at other times of the day".into()));
    }
    let mut table = String::from("  window       windows  rms drift, mK/s  least that could be seen, mK/s\n");
    for length in &found.lengths {
        let row = format!(
            "  {:>6.0} s     {:>7}  {:>15.3}  {:>30.3}\n",
            length.window_s,
            length.windows,
            length.rms_k_s * 1e3,
            length.seen_k_s * 1e3
        );
        readings.push(format!(
            "{} windows of {} s: rms {:.4} mK/s, at least {:.4} mK/s could be seen",
            length.windows,
            length.window_s,
            length.rms_k_s * 1e3,
            length.seen_k_s * 1e3
        ));
        table.push_str(&row);
    }
    Ok(CalibrationOutcome {
        method: format!("far side left alone, {}{}", counted(found.runs, "rest"), made_on(simulated, &args.on)),
        readings,
        said,
        values: CalibrationValues { temperature_drift_u_k_s: found.drift_u_k_s, ..CalibrationValues::default() },
        table,
    })
}
