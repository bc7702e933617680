//! The simulated rig as calibrations use it: outputs set by hand for as long as each takes, or a complete run for its
//! estimate.

use seathold_recording::Recording;
use seathold_sequencer::event::{Event, Phase};
use seathold_sequencer::input::{Inputs, Reading, Sides};
use seathold_sequencer::io::Hardware;
use seathold_sequencer::limits::MEASURE_MS_MAX;
use seathold_sequencer::output::{GasValve, Outputs, Pilot};
use seathold_sequencer::recipe::{Model, RawRecipe};
use seathold_sequencer::rig::RawRig;
use seathold_sequencer::step::Sequencer;
use seathold_sequencer::time::millis;
use seathold_sequencer::verdict::SideResult;
use seathold_sim::bench::SimBench;
use seathold_sim::config::LeakSpec;
use seathold_sim::rig::SimRig;
use seathold_sim::scenario::Scenario;

use super::scatter::TrappedReading;

/// Readings a mean is taken over, in seconds.
const MEAN_S: f64 = 5.0;

/// Strokes of the valve to empty its cavity into the rest.
const STROKES: u32 = 4;

/// Time between readings.
const PERIOD_MS: u32 = 10;

/// A bench whose outputs are set by hand.
#[derive(Debug)]
pub struct CalibrationBench {
    rig: SimRig,
    step: f64,
    zero: f64,
}

/// Ball open or shut, supply open or shut, vent open or shut.
const fn outputs(ball_open: bool, supply_open: bool, vent_open: bool) -> Outputs {
    Outputs {
        supply: if supply_open { GasValve::Open } else { GasValve::Shut },
        vent: if vent_open { GasValve::Open } else { GasValve::Shut },
        pilot: if ball_open { Pilot::Fed } else { Pilot::Exhausted },
    }
}

impl CalibrationBench {
    /// A bench at rest, emptied, with its zero taken.
    ///
    /// # Errors
    /// What is wrong with the scenario.
    pub fn new(scenario: &Scenario, rig: &RawRig, seed: u64) -> Result<Self, String> {
        let mut scenario = *scenario;
        scenario.far.period_ms = PERIOD_MS;
        let checked = scenario.validate().map_err(|errors| errors.to_string())?;
        let mut bench = Self { rig: SimRig::new(&checked, rig, seed), step: rig.far.pa_per_count, zero: 0.0 };
        bench.zero = bench.hold(outputs(true, false, true), 10.0);
        Ok(bench)
    }

    /// Holds outputs for a time; the mean reading at the end, in counts.
    fn hold(&mut self, outputs: Outputs, seconds: f64) -> f64 {
        let polls = (seconds * 1e3 / f64::from(PERIOD_MS)) as u32;
        let from = polls.saturating_sub((MEAN_S * 1e3 / f64::from(PERIOD_MS)) as u32);
        let (mut sum, mut count) = (0.0, 0.0);
        for poll in 0..polls {
            let Ok(()) = self.rig.apply(outputs);
            self.rig.advance(millis(PERIOD_MS));
            if let Ok(sample) = self.rig.far()
                && poll >= from
            {
                sum += f64::from(sample.counts);
                count += 1.0;
            }
        }
        sum / count
    }

    fn gauge(&mut self, outputs: Outputs, seconds: f64) -> f64 {
        (self.hold(outputs, seconds) - self.zero) * self.step
    }

    /// One expansion of the far side's gas into the shut supply side: gauge pressure before and after. Long rests keep
    /// it isothermal; and the valve is worked a few times, because a ball that is wide open shuts its cavity off, with
    /// whatever was in it on the way.
    pub fn expand(&mut self) -> (f64, f64) {
        let _ = self.hold(outputs(true, false, false), 0.5);
        let _ = self.hold(outputs(true, true, false), 30.0);
        let _ = self.hold(outputs(false, true, false), 2.0);
        let _ = self.hold(outputs(false, false, false), 0.5);
        let _ = self.hold(outputs(false, false, true), 20.0);
        let before = self.gauge(outputs(false, false, false), 30.0);
        for _ in 0..STROKES {
            let _ = self.hold(outputs(true, false, false), 2.0);
            let _ = self.hold(outputs(false, false, false), 2.0);
        }
        let after = self.gauge(outputs(true, false, false), 60.0);
        let _ = self.hold(outputs(true, false, true), 20.0);
        (before, after)
    }

    /// Fills and rests: true gauge pressure, as a perfect reference gauge would show it, and the reading without any
    /// zero taken off.
    pub fn compare(&mut self, zero_counts: i32, fill: bool) -> (f64, f64) {
        if fill {
            let _ = self.hold(outputs(true, false, false), 0.5);
        }
        let held = self.hold(outputs(true, fill, !fill), 60.0);
        (self.rig.truth().far_gauge(), (held - f64::from(zero_counts)) * self.step)
    }
}

/// The result of one run of the sequencer over the first side.
#[derive(Clone, Debug)]
pub struct HoldResult {
    /// The side.
    pub side: SideResult,
    /// From the end of venting to the verdict.
    pub samples: Vec<TrappedReading>,
}

impl HoldResult {
    /// From when to when the side was measured, in seconds, where it ended in an estimate.
    pub fn window_s(&self) -> Option<(f64, f64)> {
        window_s(&self.samples, Some(self.side))
    }
}

fn window_s(readings: &[TrappedReading], side: Option<SideResult>) -> Option<(f64, f64)> {
    let (last, estimate) = (readings.last()?, side?.estimate?);
    Some((last.at_s - f64::from(estimate.window_ms) / 1e3, last.at_s))
}

/// A recipe for calibrating: no verdict before a long window is full.
pub fn recipe(target_pa: u32, pressure_max_pa: u32, measure_s: u32, settle_s: u32) -> RawRecipe {
    RawRecipe {
        target_pa,
        pressure_max_pa,
        model: Model::LineAndTransient,
        soak_ms: 20_000,
        settle_ms: settle_s * 1_000,
        measure_ms_min: measure_s * 1_000,
        // Time to restart a disturbed window, where there is any.
        measure_ms_max: (3 * measure_s * 1_000).min(MEASURE_MS_MAX),
        sample_period_ms: PERIOD_MS,
        ..RawRecipe::DEMO
    }
}

/// Runs the sequencer over the first side of a simulated valve.
///
/// # Errors
/// What is wrong with rig, recipe or scenario; or that the run gave no estimate.
pub fn hold(scenario: &Scenario, rig: &RawRig, recipe: &RawRecipe, seed: u64) -> Result<HoldResult, String> {
    let mut scenario = *scenario;
    scenario.far.period_ms = recipe.sample_period_ms;
    let checked = rig.validate().map_err(|e| e.to_string())?;
    let recipe = recipe.validate(&checked).map_err(|e| e.to_string())?;
    let period = millis(recipe.raw().sample_period_ms);
    let mut bench = SimBench::with(&scenario, rig, seed, Sides::First, period).map_err(|e| e.to_string())?;
    let mut sequencer = Sequencer::new(checked, Some(recipe));
    let mut recorder = HoldRecorder::default();
    // A quarter of an hour more of simulated time ends whatever goes wrong.
    let raw = recipe.raw();
    let longest_ms = raw.soak_ms + raw.settle_ms + raw.measure_ms_max + 900_000;
    for _ in 0..longest_ms / raw.sample_period_ms {
        let record = bench.poll(&mut sequencer);
        for event in &record.events {
            recorder.see(event);
        }
        recorder.take(record.at.as_ticks(), &record.inputs);
        if let Some(side) = recorder.side {
            return Ok(HoldResult { side, samples: recorder.readings });
        }
    }
    Err("the run came to no result".into())
}

/// Records what a calibration needs of a run, from its events and readings.
#[derive(Debug, Default)]
pub struct HoldRecorder {
    on: bool,
    began_us: u64,
    thermometer: i32,
    /// By the time since venting ended.
    pub readings: Vec<TrappedReading>,
    /// The first side judged.
    pub side: Option<SideResult>,
    /// Zero of the empty far side before it, from the transducer's own, in pascals.
    zero_pa: Option<f64>,
}

impl HoldRecorder {
    /// Over a recording, as far as it is intact.
    pub fn over(recording: &Recording) -> Self {
        let mut recorder = Self::default();
        let mut event_log = recording.event_log.follow();
        for (number, poll) in recording.polls.iter().take(recording.whole()).enumerate() {
            while let Some(event) = event_log(number) {
                if let Some(event) = recording.names.typed(&event.node()) {
                    recorder.see(&event);
                }
            }
            recorder.take(poll.at.as_ticks(), &poll.inputs);
        }
        recorder
    }

    /// Adds an event.
    pub fn see(&mut self, event: &Event) {
        match event {
            Event::Entered { phase: Phase::Settle, .. } if self.side.is_none() => {
                self.on = true;
                self.readings.clear();
            }
            Event::Entered { phase: Phase::Measure, .. } => {}
            Event::Entered { .. } => self.on = false,
            Event::Zeroed { offset, .. } if self.side.is_none() => self.zero_pa = Some(f64::from(offset.pascals())),
            Event::SideFinished(side) if self.side.is_none() => self.side = Some(*side),
            _ => {}
        }
    }

    /// Adds a reading.
    pub fn take(&mut self, at_us: u64, inputs: &Inputs) {
        if let Reading::Sample(sample) = inputs.thermometer {
            self.thermometer = sample.counts;
        }
        if !self.on {
            self.began_us = at_us;
        } else if let Reading::Sample(sample) = inputs.far {
            let at_s = at_us.saturating_sub(self.began_us) as f64 / 1e6;
            self.readings.push(TrappedReading { at_s, counts: sample.counts, thermometer: self.thermometer });
        }
    }

    /// What the empty far side read before it, in counts, by the zero and the scale of the rig it was recorded with.
    pub fn zero_counts(&self, zero_counts: i32, pa_per_count: f64) -> Option<f64> {
        self.zero_pa.map(|pa| f64::from(zero_counts) + pa / pa_per_count)
    }

    /// From when to when the side was measured, in seconds, where it ended in an estimate.
    pub fn window_s(&self) -> Option<(f64, f64)> {
        window_s(&self.readings, self.side)
    }

    /// Time in seconds and counts.
    pub fn samples(&self) -> Vec<(f64, f64)> {
        samples(&self.readings)
    }
}

/// Time in seconds and counts.
pub fn samples(readings: &[TrappedReading]) -> Vec<(f64, f64)> {
    readings.iter().map(|reading| (reading.at_s, f64::from(reading.counts))).collect()
}

/// The scenario with a plug in place of the valve: no leak but the rig's, no seats that creep, and no gas around a ball.
pub fn plugged(scenario: Scenario) -> Scenario {
    let mut scenario = leak_free(scenario);
    let p = &mut scenario.plant;
    p.creep_m3 = 0.0;
    // The plug fills what the cavity did not hold.
    let cavity = p.cavity_volume_m3 - NO_CAVITY_M3;
    (p.cavity_volume_m3, p.far_volume_m3) = (NO_CAVITY_M3, p.far_volume_m3 + cavity);
    scenario
}

/// As good as none: the least the plant can have.
const NO_CAVITY_M3: f64 = 1e-9;

/// The scenario with a valve that does not leak: no leak but the rig's.
pub fn leak_free(mut scenario: Scenario) -> Scenario {
    let p = &mut scenario.plant;
    for path in [&mut p.seat_a, &mut p.seat_b, &mut p.stem, &mut p.body_joint, &mut p.joint_a, &mut p.joint_b] {
        *path = LeakSpec::NONE;
    }
    scenario
}
