//! `seathold calibrate transducer`: readings against a reference gauge.

use std::path::{Path, PathBuf};

use clap::Args;
use seathold_analysis::calibration::bench::{CalibrationBench, HoldRecorder};
use seathold_analysis::calibration::{CalibrationValues, transducer};
use seathold_config::rig as rigs;
use seathold_sequencer::field::Unit;
use seathold_sequencer::rig::RawRig;
use seathold_text::layout::percent;

use super::common::{CalibrationArgs, CalibrationOutcome, PRESSURE, failed, holds, made_on, pair, scenario, step};
use super::on_rig::RigArgs;
use super::recordings::intact;
use crate::cmd::named_files::{refuse_copies, unfit};
use crate::cmd::stdin_lines::StdinLines;
use crate::console::Console;
use crate::error::Error;
use crate::quantity_args;
use crate::quantity_args::QuantityArgs;
use crate::rig::Address;

/// `seathold calibrate transducer`.
#[derive(Debug, Args)]
pub struct TransducerArgs {
    /// Gauge pressures of reference and transducer, like "6 bar:6.004 bar"; three points or more in all [default: the simulated rig]
    #[arg(long, value_name = "REFERENCE:READING", allow_hyphen_values = true, conflicts_with = "calibrated_rig")]
    pub point: Vec<String>,
    /// A run, and the gauge pressure that the reference read while it was measured, like "6 bar:run.hold"; the run's zero is a point as
    /// well
    #[arg(long, value_name = "REFERENCE:FILE", allow_hyphen_values = true)]
    pub recording: Vec<String>,
    /// On a controller: gauge pressures to test at, one run each [default: a third, two thirds and all of the recipe's]
    #[arg(long, value_name = "PRESSURE", num_args = 1.., conflicts_with_all = ["point", "recording"])]
    pub pressure: Vec<String>,
    /// Standard uncertainty of the reference gauge, as a ratio
    #[arg(long, value_name = "RATIO", default_value = "0.05 %")]
    pub reference_u: String,
    #[command(flatten)]
    pub on: RigArgs,
    #[command(flatten)]
    pub common: CalibrationArgs,
}

/// Measuring time of a run whose gauge is read, in seconds: time to walk there.
const READ_S: u32 = 30;

/// A reference's pressure and the transducer's, gauge, in pascals.
type Point = (f64, f64);

pub(super) fn check(args: &TransducerArgs, console: &mut Console<'_>) -> Result<CalibrationOutcome, Error> {
    // The transducer is the same on every adapter.
    let rig = match &args.common.rig_file {
        Some(file) => *rigs::read(file)?.rig.raw(),
        None => RawRig::DEMO,
    };
    let on_rig = args.on.rig != Address::Sim;
    let mut o = QuantityArgs::default();
    let reference_u = o.quantity("--reference-u", Unit::Ratio, &args.reference_u, 0.0..=0.1);
    let pressures: Vec<f64> =
        args.pressure.iter().map(|p| o.quantity("--pressure", Unit::Pascal, p, 1e4..=1e6)).collect();
    if on_rig && args.on.load {
        o.wrong("--load: a gain is counted from the rig file, so the two are loaded together: seathold rig load");
    }
    if on_rig && args.common.rig_file.is_none() {
        o.wrong("--rig-file: give the bench's. The gain is counted from the scale that is in it");
    }
    if !on_rig && !pressures.is_empty() {
        o.wrong("--pressure: is for runs on a controller, with --rig");
    }
    let mut points: Vec<Point> =
        args.point.iter().map(|text| pair(&mut o, "--point", Unit::PascalRms, text, PRESSURE)).collect();
    let files = args.recording.iter().filter_map(|text| text.split_once(':'));
    refuse_copies(&files.map(|(_, file)| PathBuf::from(file)).collect::<Vec<_>>())?;
    for text in &args.recording {
        let Some((reference, file)) = text.split_once(':') else {
            o.wrong(format!("--recording: \"{text}\" is not a pressure and a file with a colon between them"));
            continue;
        };
        let gauge_pa = o.quantity("--recording", Unit::PascalRms, reference, PRESSURE);
        points.extend(held_readings(Path::new(file), &rig)?.points(gauge_pa));
    }
    o.finish()?;
    if on_rig {
        points = on_controller(args, &rig, &pressures, console)?;
    }
    let simulated = points.is_empty();
    if simulated {
        points = on_simulated(args, &rig, console)?;
    }
    let check = transducer::check(&points, reference_u).map_err(failed)?;
    let values = CalibrationValues {
        gain: check.gain,
        gain_u_rel: check.gain_u_rel,
        zero_pa: check.zero_pa,
        ..CalibrationValues::default()
    };
    Ok(CalibrationOutcome {
        method: format!("against a reference gauge ± {}{}", args.reference_u, made_on(simulated, &args.on)),
        readings: points.iter().map(|(x, y)| format!("reference {x:.1} Pa, reading {y:.1} Pa")).collect(),
        said: vec![
            ("sensor gain", format!("{:.5} ± {} % (standard uncertainty)", check.gain, percent(check.gain_u_rel))),
            ("zero", format!("{:.1} Pa (each run takes zero again)", check.zero_pa)),
            ("off the line", format!("{:.1} Pa at most, of {} points", check.off_line_pa, points.len())),
        ],
        values,
        table: String::new(),
    })
}

fn on_simulated(args: &TransducerArgs, rig: &RawRig, console: &mut Console<'_>) -> Result<Vec<Point>, Error> {
    let scenario = scenario(&args.common)?;
    let mut points = Vec::new();
    step(console, "1. empty, then a quarter, half, three quarters and all of the regulator's pressure")?;
    for quarter in 0..=4u32 {
        let mut at = scenario;
        at.plant.regulator_set_pa = scenario.plant.regulator_set_pa * f64::from(quarter.max(1)) / 4.0;
        let seed = args.common.seed.wrapping_add(u64::from(quarter));
        let mut bench = CalibrationBench::new(&at, rig, seed).map_err(failed)?;
        let (truth, reading) = bench.compare(rig.far.zero_counts, quarter > 0);
        step(console, &format!("   reference {truth:.1} Pa, transducer {reading:.1} Pa"))?;
        points.push((truth, reading));
    }
    Ok(points)
}

/// A run at each pressure, during which somebody reads the gauge: the controller traps pressure in no other way, and what it did not trap
/// it vents.
fn on_controller(
    args: &TransducerArgs,
    rig: &RawRig,
    pressures: &[f64],
    console: &mut Console<'_>,
) -> Result<Vec<Point>, Error> {
    let holds = holds(&args.on, &args.common, "transducer", READ_S, 5, 0);
    let target_pa = f64::from(holds.recipe()?.target_pa);
    let thirds = [target_pa / 3.0, target_pa * 2.0 / 3.0, target_pa];
    let pressures = if pressures.is_empty() { &thirds } else { pressures };
    let unasked = holds.begin(pressures.len(), console)?;
    let mut points: Vec<Point> = Vec::new();
    for (number, pa) in pressures.iter().enumerate() {
        let bar = pa / 1e5;
        let question = format!(
            "a plug or a tight valve on the rig, and the regulator turned to {bar:.2} bar by its own gauge. While the run measures, read the \
             reference gauge on the far side, and note it"
        );
        let path = holds.one((number + 1, pressures.len()), &question, Some(pa.round() as u32), unasked, console)?;
        // Before anybody is asked: whether there is something to compare.
        let held = held_readings(&path, rig)?;
        for (reference, reading) in held.points(read_gauge(&path, console)?) {
            step(console, &format!("   reference {reference:.1} Pa, transducer {reading:.1} Pa"))?;
            points.push((reference, reading));
        }
    }
    Ok(points)
}

fn read_gauge(path: &Path, console: &mut Console<'_>) -> Result<f64, Error> {
    let mut lines = StdinLines::default();
    loop {
        writeln!(console.err, "what did the reference gauge read, with its unit? Like 2.003 bar (q leaves it)")?;
        let line = lines.next(console)?;
        let Some(line) = line.filter(|line| line.trim() != "q") else {
            let kept = format!(
                "left before it was done; the runs are kept, and can be given by --recording, like \"2 bar:{}\"",
                path.display()
            );
            return Err(Error::usage(kept));
        };
        match quantity_args::one(Unit::PascalRms, line.trim(), PRESSURE) {
            Ok(pa) => return Ok(pa),
            Err(why) => writeln!(console.err, "{why}")?,
        }
    }
}

/// What the transducer read, by the scale of a rig, in pascals.
struct HeldReadings {
    /// Of the empty far side, where every gauge reads zero.
    empty_pa: f64,
    /// Over the middle of the window.
    held_pa: f64,
}

impl HeldReadings {
    const fn points(&self, gauge_pa: f64) -> [Point; 2] {
        [(0.0, self.empty_pa), (gauge_pa, self.held_pa)]
    }
}

fn held_readings(path: &Path, rig: &RawRig) -> Result<HeldReadings, Error> {
    let recording = intact(path)?;
    let scale = rig.far.pa_per_count;
    let there = recording.header.rig.far.pa_per_count;
    if !(1.0 - SCALE_WITHIN..=1.0 + SCALE_WITHIN).contains(&(there / scale)) {
        let why = format!("a count is {there:.5} Pa there and {scale:.5} Pa in the rig file: not the same transducer");
        return Err(unfit(path, why));
    }
    let recorder = HoldRecorder::over(&recording);
    let (Some((from_s, to_s)), Some(zero_counts)) =
        (recorder.window_s(), recorder.zero_counts(rig.far.zero_counts, there))
    else {
        return Err(unfit(path, "no side of it ended in an estimate".into()));
    };
    let third = (to_s - from_s) / 3.0;
    let middle = recorder.readings.iter().filter(|r| (from_s + third..=to_s - third).contains(&r.at_s));
    let (sum, count) = middle.fold((0.0, 0.0), |(sum, count), reading| (sum + f64::from(reading.counts), count + 1.0));
    let counts = sum / f64::max(count, 1.0);
    let of = |counts: f64| (counts - f64::from(rig.far.zero_counts)) * scale;
    Ok(HeldReadings { empty_pa: of(zero_counts), held_pa: of(counts) })
}

/// How far the scale that a run was made with may be from the rig file's: a gain that was loaded since (our judgement).
const SCALE_WITHIN: f64 = 0.05;
