//! The recipe: how one valve is tested. Raw as received, validated as a whole before anything moves.

use crate::field::{Bounds, Errors, Field, FieldError, Unit, Validator, bounds, conflict};
use crate::limits;
use crate::measure::{CurvePrior, Schedule, TauRange};
use crate::rig::Rig;
use crate::time::{Duration, millis};
use crate::units::{AbsolutePressure, GaugePressure, LeakRate, Reference, Temperature};

/// How the valve is actuated.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
#[cfg_attr(feature = "serde", serde(rename_all = "kebab-case"))]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum Actuation {
    /// Opened by compressed air, shut by a spring.
    #[default]
    Air,
    /// Turned by hand: the operator is prompted, and the effect is checked in the pressure.
    Hand,
}

/// The shape fitted to the trapped pressure.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
#[cfg_attr(feature = "serde", serde(rename_all = "kebab-case"))]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum Model {
    /// `p0 − s·t`.
    Line,
    /// `p0 − s·t + a·exp(−t/τ)`: τ from the rig's blank run, or where there has been none, any τ between the recipe's
    /// bounds, or no transient at all, weighted by their probability.
    #[default]
    LineAndTransient,
}

/// A recipe as entered, not yet validated. Each member says its range; [`FIELDS`] is the table they come from.
#[derive(Clone, Copy, Debug, PartialEq)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct RawRecipe {
    /// How the valve is actuated.
    pub actuation: Actuation,
    /// The shape fitted to the trapped pressure.
    pub model: Model,
    /// Gauge pressure to test at: 20 000 to 1 000 000 Pa.
    pub target_pa: u32,
    /// How far from the target the far side may read while fed: 100 to 200 000 Pa.
    pub target_tolerance_pa: u32,
    /// Gauge pressure above which supply is shut at once: 20 000 to 1 000 000 Pa.
    pub pressure_max_pa: u32,
    /// How far from zero the empty far side may read: 50 to 10 000 Pa.
    pub zero_band_pa: u32,
    /// How long the empty far side is recorded before filling: 100 to 60 000 ms. In files `zero_time`.
    pub zero_ms: u32,
    /// Greatest peak-to-peak reading of the empty far side: 1 to 20 000 Pa.
    pub zero_peak_to_peak_max_pa: u32,
    /// Fastest change between samples of a healthy transducer: 10 000 to 1e9 Pa/s.
    pub slew_max_pa_s: u32,
    /// Longest time to reach the band: 500 to 600 000 ms. In files `fill_max`.
    pub fill_ms_max: u32,
    /// Filling is over when the pressure rises slower than this: 10 to 10 000 000 Pa/s.
    pub fill_settled_rate_pa_s: u32,
    /// Time fed at pressure, for the gas heated by filling to cool: 0 to 3 600 000 ms.
    pub soak_ms: u32,
    /// Time the actuator needs to open or shut the valve: 50 to 60 000 ms.
    pub stroke_time_ms: u32,
    /// Longest wait for the shut switch: 100 to 120 000 ms. In files `isolate_max`.
    pub isolate_ms_max: u32,
    /// Supply side counts as vented below this gauge pressure: 200 to 50 000 Pa.
    pub vent_below_pa: u32,
    /// Venting time where the supply side has no transducer: 100 to 120 000 ms. In files `vent_time`.
    pub vent_ms: u32,
    /// Longest time to vent the supply side: 200 to 600 000 ms. In files `vent_max`.
    pub vent_ms_max: u32,
    /// Time between venting and measuring: 0 to 3 600 000 ms.
    pub settle_ms: u32,
    /// A rise of the trapped pressure that a leak cannot explain: 20 to 100 000 Pa.
    pub rise_max_pa: u32,
    /// A jump between samples that is a disturbance, not a leak: 5 to 100 000 Pa.
    pub jump_max_pa: u32,
    /// Shortest window for a verdict: 200 to 3 600 000 ms. In files `measure_min`.
    pub measure_ms_min: u32,
    /// Longest time to measure before the result is undecided: 400 to 3 600 000 ms. In files `measure_max`.
    pub measure_ms_max: u32,
    /// Time between samples of the far side: 1 to 1 000 ms.
    pub sample_period_ms: u32,
    /// Shortest settling time constant fitted, where the rig's is not calibrated: 50 to 600 000 ms. In files
    /// `tau_min`.
    pub tau_ms_min: u32,
    /// Longest settling time constant fitted, and shortest window that decides, where the rig's is not calibrated:
    /// 100 to 600 000 ms. In files `tau_max`.
    pub tau_ms_max: u32,
    /// Longest wait for an operator to turn the lever: 1 000 to 3 600 000 ms. In files `answer_max`.
    pub answer_ms_max: u32,
    /// Longest wait for the ends to be swapped: 1 000 to 86 400 000 ms. In files `swap_max`.
    pub swap_ms_max: u32,
    /// After venting, stroke the valve once more to empty its cavity.
    pub cavity_stroke: bool,
    /// Greatest leak a tight valve may have, at the reference temperature: 1e-9 to 100 Pa·m³/s.
    pub limit_pa_m3_s: f64,
    /// Temperature at which leaks are stated: 250 to 350 K. In files `reference_temperature`.
    pub reference_k: f64,
    /// Absolute pressure at which leak volumes are counted: 50 000 to 120 000 Pa. In files `reference_pressure`.
    pub reference_pa: f64,
    /// Temperature of the trapped gas, where no thermometer is fitted: 250 to 350 K. In files `gas_temperature`.
    pub gas_k: f64,
    /// Risk of calling a valve at the limit tight: 1e-6 to 0.25.
    pub false_accept: f64,
    /// Risk of calling a valve at the limit leaking: 1e-6 to 0.25.
    pub false_reject: f64,
    /// Coverage of the stated interval: 0.8 to 0.9999.
    pub coverage: f64,
}

impl RawRecipe {
    /// A DN 25 valve at 6 bar gauge, limit rate B of ISO 5208 for gas (0.3 mm³/s per DN, seen second-hand) counted at
    /// 100 kPa: 7.5e-4 Pa·m³/s. Times are ours, for the demonstration.
    pub const DEMO: Self = Self {
        actuation: Actuation::Air,
        model: Model::LineAndTransient,
        target_pa: 600_000,
        target_tolerance_pa: 20_000,
        pressure_max_pa: 700_000,
        zero_band_pa: 2_000,
        zero_ms: 1_000,
        zero_peak_to_peak_max_pa: 1_000,
        slew_max_pa_s: 50_000_000,
        fill_ms_max: 20_000,
        fill_settled_rate_pa_s: 20_000,
        soak_ms: 10_000,
        stroke_time_ms: 1_000,
        isolate_ms_max: 5_000,
        vent_below_pa: 5_000,
        vent_ms: 3_000,
        vent_ms_max: 15_000,
        settle_ms: 5_000,
        rise_max_pa: 2_000,
        jump_max_pa: 600,
        measure_ms_min: 2_000,
        measure_ms_max: 60_000,
        sample_period_ms: 10,
        tau_ms_min: 500,
        tau_ms_max: 20_000,
        answer_ms_max: 120_000,
        swap_ms_max: 1_800_000,
        cavity_stroke: true,
        limit_pa_m3_s: 7.5e-4,
        reference_k: 293.15,
        reference_pa: 100_000.0,
        gas_k: 293.15,
        false_accept: 0.01,
        false_reject: 0.01,
        coverage: 0.95,
    };
}

/// The recipe's fields in the order they are checked and written.
pub const FIELDS: &[Field<RawRecipe>] = &[
    Field {
        name: "target",
        about: "gauge pressure to test at",
        unit: Unit::Pascal,
        min: 20_000.0,
        max: limits::HARD_MAX_PA as f64,
        get: |r| r.target_pa.into(),
        set: |r, v| r.target_pa = v as u32,
    },
    Field {
        name: "target_tolerance",
        about: "how far from the target the far side may read while fed",
        unit: Unit::Pascal,
        min: 100.0,
        max: 200_000.0,
        get: |r| r.target_tolerance_pa.into(),
        set: |r, v| r.target_tolerance_pa = v as u32,
    },
    Field {
        name: "pressure_max",
        about: "gauge pressure above which supply is shut at once",
        unit: Unit::Pascal,
        min: 20_000.0,
        max: limits::HARD_MAX_PA as f64,
        get: |r| r.pressure_max_pa.into(),
        set: |r, v| r.pressure_max_pa = v as u32,
    },
    Field {
        name: "zero_band",
        about: "how far from zero the empty far side may read",
        unit: Unit::Pascal,
        min: 50.0,
        max: limits::SAFE_PA_MAX as f64,
        get: |r| r.zero_band_pa.into(),
        set: |r, v| r.zero_band_pa = v as u32,
    },
    Field {
        name: "zero_time",
        about: "how long the empty far side is recorded before filling",
        unit: Unit::Millisecond,
        min: 100.0,
        max: 60_000.0,
        get: |r| r.zero_ms.into(),
        set: |r, v| r.zero_ms = v as u32,
    },
    Field {
        name: "zero_peak_to_peak_max",
        about: "greatest peak-to-peak reading of the empty far side",
        unit: Unit::Pascal,
        min: 1.0,
        max: 20_000.0,
        get: |r| r.zero_peak_to_peak_max_pa.into(),
        set: |r, v| r.zero_peak_to_peak_max_pa = v as u32,
    },
    Field {
        name: "slew_max",
        about: "fastest change between samples of a healthy transducer",
        unit: Unit::PascalPerSecond,
        min: 10_000.0,
        max: 1_000_000_000.0,
        get: |r| r.slew_max_pa_s.into(),
        set: |r, v| r.slew_max_pa_s = v as u32,
    },
    Field {
        name: "fill_max",
        about: "longest time to reach the band",
        unit: Unit::Millisecond,
        min: 500.0,
        max: 600_000.0,
        get: |r| r.fill_ms_max.into(),
        set: |r, v| r.fill_ms_max = v as u32,
    },
    Field {
        name: "fill_settled_rate",
        about: "filling is over when the pressure rises slower than this",
        unit: Unit::PascalPerSecond,
        min: 10.0,
        max: 10_000_000.0,
        get: |r| r.fill_settled_rate_pa_s.into(),
        set: |r, v| r.fill_settled_rate_pa_s = v as u32,
    },
    Field {
        name: "soak",
        about: "time fed at pressure, for the gas heated by filling to cool",
        unit: Unit::Millisecond,
        min: 0.0,
        max: 3_600_000.0,
        get: |r| r.soak_ms.into(),
        set: |r, v| r.soak_ms = v as u32,
    },
    Field {
        name: "stroke_time",
        about: "time the actuator needs to open or shut the valve",
        unit: Unit::Millisecond,
        min: 50.0,
        max: limits::STROKE_MS_MAX as f64,
        get: |r| r.stroke_time_ms.into(),
        set: |r, v| r.stroke_time_ms = v as u32,
    },
    Field {
        name: "isolate_max",
        about: "longest wait for the shut switch",
        unit: Unit::Millisecond,
        min: 100.0,
        max: 120_000.0,
        get: |r| r.isolate_ms_max.into(),
        set: |r, v| r.isolate_ms_max = v as u32,
    },
    Field {
        name: "vent_below",
        about: "supply side counts as vented below this gauge pressure",
        unit: Unit::Pascal,
        min: 200.0,
        max: 50_000.0,
        get: |r| r.vent_below_pa.into(),
        set: |r, v| r.vent_below_pa = v as u32,
    },
    Field {
        name: "vent_time",
        about: "venting time where the supply side has no transducer",
        unit: Unit::Millisecond,
        min: 100.0,
        max: 120_000.0,
        get: |r| r.vent_ms.into(),
        set: |r, v| r.vent_ms = v as u32,
    },
    Field {
        name: "vent_max",
        about: "longest time to vent the supply side",
        unit: Unit::Millisecond,
        min: 200.0,
        max: 600_000.0,
        get: |r| r.vent_ms_max.into(),
        set: |r, v| r.vent_ms_max = v as u32,
    },
    Field {
        name: "settle",
        about: "time between venting and measuring",
        unit: Unit::Millisecond,
        min: 0.0,
        max: 3_600_000.0,
        get: |r| r.settle_ms.into(),
        set: |r, v| r.settle_ms = v as u32,
    },
    Field {
        name: "rise_max",
        about: "a rise of the trapped pressure that a leak cannot explain",
        unit: Unit::Pascal,
        min: 20.0,
        max: 100_000.0,
        get: |r| r.rise_max_pa.into(),
        set: |r, v| r.rise_max_pa = v as u32,
    },
    Field {
        name: "jump_max",
        about: "a jump between samples that is a disturbance, not a leak",
        unit: Unit::Pascal,
        min: 5.0,
        max: 100_000.0,
        get: |r| r.jump_max_pa.into(),
        set: |r, v| r.jump_max_pa = v as u32,
    },
    Field {
        name: "measure_min",
        about: "shortest window for a verdict",
        unit: Unit::Millisecond,
        min: 200.0,
        max: limits::MEASURE_MS_MAX as f64,
        get: |r| r.measure_ms_min.into(),
        set: |r, v| r.measure_ms_min = v as u32,
    },
    Field {
        name: "measure_max",
        about: "longest time to measure before the result is undecided",
        unit: Unit::Millisecond,
        min: 400.0,
        max: limits::MEASURE_MS_MAX as f64,
        get: |r| r.measure_ms_max.into(),
        set: |r, v| r.measure_ms_max = v as u32,
    },
    Field {
        name: "sample_period",
        about: "time between samples of the far side",
        unit: Unit::Millisecond,
        min: 1.0,
        max: 1_000.0,
        get: |r| r.sample_period_ms.into(),
        set: |r, v| r.sample_period_ms = v as u32,
    },
    Field {
        name: "tau_min",
        about: "shortest settling time constant fitted, where the rig's is not calibrated",
        unit: Unit::Millisecond,
        min: 50.0,
        max: 600_000.0,
        get: |r| r.tau_ms_min.into(),
        set: |r, v| r.tau_ms_min = v as u32,
    },
    Field {
        name: "tau_max",
        about: "longest settling time constant fitted, and shortest window that decides, where the rig's is not calibrated",
        unit: Unit::Millisecond,
        min: 100.0,
        max: 600_000.0,
        get: |r| r.tau_ms_max.into(),
        set: |r, v| r.tau_ms_max = v as u32,
    },
    Field {
        name: "answer_max",
        about: "longest wait for an operator to turn the lever",
        unit: Unit::Millisecond,
        min: 1_000.0,
        max: 3_600_000.0,
        get: |r| r.answer_ms_max.into(),
        set: |r, v| r.answer_ms_max = v as u32,
    },
    Field {
        name: "swap_max",
        about: "longest wait for the ends to be swapped",
        unit: Unit::Millisecond,
        min: 1_000.0,
        max: 86_400_000.0,
        get: |r| r.swap_ms_max.into(),
        set: |r, v| r.swap_ms_max = v as u32,
    },
    Field {
        name: "cavity_stroke",
        about: "after venting, stroke the valve once more to empty its cavity",
        unit: Unit::Flag,
        min: 0.0,
        max: 1.0,
        get: |r| f64::from(u8::from(r.cavity_stroke)),
        set: |r, v| r.cavity_stroke = v != 0.0,
    },
    Field {
        name: "limit",
        about: "greatest leak a tight valve may have, at the reference temperature",
        unit: Unit::PascalCubicMetrePerSecond,
        min: 1e-9,
        max: 100.0,
        get: |r| r.limit_pa_m3_s,
        set: |r, v| r.limit_pa_m3_s = v,
    },
    Field {
        name: "reference_temperature",
        about: "temperature at which leaks are stated",
        unit: Unit::Kelvin,
        min: 250.0,
        max: 350.0,
        get: |r| r.reference_k,
        set: |r, v| r.reference_k = v,
    },
    Field {
        name: "reference_pressure",
        about: "absolute pressure at which leak volumes are counted",
        unit: Unit::PascalAbsolute,
        min: 50_000.0,
        max: 120_000.0,
        get: |r| r.reference_pa,
        set: |r, v| r.reference_pa = v,
    },
    Field {
        name: "gas_temperature",
        about: "temperature of the trapped gas, where no thermometer is fitted",
        unit: Unit::Kelvin,
        min: 250.0,
        max: 350.0,
        get: |r| r.gas_k,
        set: |r, v| r.gas_k = v,
    },
    Field {
        name: "false_accept",
        about: "risk of calling a valve at the limit tight",
        unit: Unit::Ratio,
        min: 1e-6,
        max: 0.25,
        get: |r| r.false_accept,
        set: |r, v| r.false_accept = v,
    },
    Field {
        name: "false_reject",
        about: "risk of calling a valve at the limit leaking",
        unit: Unit::Ratio,
        min: 1e-6,
        max: 0.25,
        get: |r| r.false_reject,
        set: |r, v| r.false_reject = v,
    },
    Field {
        name: "coverage",
        about: "coverage of the stated interval",
        unit: Unit::Ratio,
        min: 0.8,
        max: 0.9999,
        get: |r| r.coverage,
        set: |r, v| r.coverage = v,
    },
];

static BOUNDS: [Bounds<RawRecipe>; FIELDS.len()] = bounds(FIELDS);

/// A recipe validated as a whole, against the rig it is to run on. Only made by [`RawRecipe::validate`].
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Recipe {
    raw: RawRecipe,
    schedule: Schedule,
    curves: CurvePrior,
}

impl RawRecipe {
    /// Checks every field, every rule between fields, and every rule that ties the recipe to the rig, and reports every
    /// error, one by one.
    pub fn validate_with(&self, rig: &Rig, report: impl FnMut(FieldError)) -> Option<Recipe> {
        let mut validator = Validator::new(report);
        validator.ranges_by(self, &BOUNDS, FIELDS);
        self.check_pressures(rig, &mut validator);
        self.check_times(rig, &mut validator);
        validator.clean().then(|| {
            let curves = curves(self, rig);
            Recipe { raw: *self, schedule: Schedule::new(self, &curves), curves }
        })
    }

    /// As [`RawRecipe::validate_with`], with the errors collected.
    ///
    /// # Errors
    /// All errors, at once.
    #[expect(clippy::result_large_err, reason = "for hosts; a controller calls `validate_with`")]
    pub fn validate(&self, rig: &Rig) -> Result<Recipe, Errors> {
        let mut errors = Errors::new();
        self.validate_with(rig, |error| errors.add(error)).ok_or(errors)
    }

    // Compared as integers, which a core without floating point does in a few instructions.
    fn check_pressures(&self, rig: &Rig, validator: &mut Validator<impl FnMut(FieldError)>) {
        let mut pa = |holds: bool, field, value: u32, rule, bound: f64, with| {
            validator.require(holds, conflict(field, Unit::Pascal, value.into(), rule, bound, with));
        };
        let Self { target_pa: target, target_tolerance_pa: band, pressure_max_pa: max, .. } = *self;
        let (hard_max, safe) = (rig.raw().hard_max_pa, rig.raw().safe_pressure_pa);
        let [wide_target, wide_band] = [target, band].map(u64::from);
        let (least, most) = (i64::from(target) - i64::from(band), wide_target + wide_band);
        let rule = "must lie above target and band together,";
        pa(most < max.into(), "pressure_max", max, rule, most as f64, "target, target_tolerance");
        pa(
            max <= hard_max,
            "pressure_max",
            max,
            "must not exceed the rig's hard maximum,",
            hard_max.into(),
            "hard_max",
        );
        let half_target = f64::from(target) / 2.0;
        pa(
            2 * wide_band < wide_target,
            "target_tolerance",
            band,
            "must stay below half the target,",
            half_target,
            "target",
        );
        let zero_band = self.zero_band_pa;
        pa(
            zero_band <= safe,
            "zero_band",
            zero_band,
            "must not exceed the rig's safe limit,",
            safe.into(),
            "safe_pressure",
        );
        let life = u64::from(limits::LIFE_SAFES) * u64::from(safe) + wide_band;
        let rule = "must lie above twenty of the rig's safe limits and the band together,";
        pa(wide_target > life, "target", target, rule, life as f64, "safe_pressure, target_tolerance");
        let vent_below = self.vent_below_pa;
        let rule = "must stay below half the least test pressure,";
        let half_least = least as f64 / 2.0;
        pa(2 * i64::from(vent_below) < least, "vent_below", vent_below, rule, half_least, "target, target_tolerance");
        // A valve right at the limit must still be in the band when it is measured.
        let waiting_ms = u64::from(self.stroke_time_ms) + u64::from(self.vent_ms_max) + u64::from(self.settle_ms);
        let twice_at_limit = 2.0 * self.limit_pa_m3_s / rig.raw().far_volume_m3 * waiting_ms as f64 / 1e3;
        pa(
            f64::from(band) >= twice_at_limit,
            "target_tolerance",
            band,
            "must be at least twice what a leak at the limit takes before measuring,",
            twice_at_limit,
            "limit, far_volume, vent_max, settle",
        );
        let jump = self.jump_max_pa;
        let two_counts = 2.0 * rig.raw().far.pa_per_count;
        pa(
            f64::from(jump) >= two_counts,
            "jump_max",
            jump,
            "must be at least two counts,",
            two_counts,
            "far_per_count",
        );
    }

    fn check_times(&self, rig: &Rig, validator: &mut Validator<impl FnMut(FieldError)>) {
        let mut ms = |holds: bool, field, value: u32, rule, bound: f64, with| {
            validator.require(holds, conflict(field, Unit::Millisecond, value.into(), rule, bound, with));
        };
        let (sample, least, most) = (self.sample_period_ms, self.measure_ms_min, self.measure_ms_max);
        ms(least <= most, "measure_min", least, "must not exceed measure_max,", most.into(), "measure_max");
        let samples = |n: u32| u64::from(n) * u64::from(sample);
        let (window, zero, zeroing) =
            (samples(rig.window_samples_min()), self.zero_ms, samples(rig.zero_samples_min()));
        let rule = "must hold 64 samples (16 where the reading does not flicker),";
        ms(u64::from(least) >= window, "measure_min", least, rule, window as f64, "sample_period, far_flickers");
        let rule = "must hold 50 samples (10 where the reading does not flicker),";
        ms(u64::from(zero) >= zeroing, "zero_time", zero, rule, zeroing as f64, "sample_period, far_flickers");
        let (vent, vent_max) = (self.vent_ms, self.vent_ms_max);
        ms(vent <= vent_max, "vent_time", vent, "must not exceed vent_max,", vent_max.into(), "vent_max");
        let (stroke, isolate_max) = (self.stroke_time_ms, self.isolate_ms_max);
        ms(
            stroke <= isolate_max,
            "stroke_time",
            stroke,
            "must not exceed isolate_max,",
            isolate_max.into(),
            "isolate_max",
        );
        let stall = rig.raw().poll_gap_ms_max;
        let rule = "must not exceed half the rig's stall limit,";
        ms(
            2 * u64::from(sample) <= stall.into(),
            "sample_period",
            sample,
            rule,
            f64::from(stall) / 2.0,
            "poll_gap_max",
        );
        let (tau_min, tau_max) = (self.tau_ms_min, self.tau_ms_max);
        ms(tau_min < tau_max, "tau_min", tau_min, "must lie below tau_max,", tau_max.into(), "tau_max");
        // A safe vent includes two dwells and up to three strokes.
        let strokes = u64::from(stroke) * if self.cavity_stroke { 3 } else { 1 };
        let needs = strokes + 2 * u64::from(rig.raw().safe_dwell_ms);
        let rule = "makes a safe vent take longer than allowed:";
        let has = rig.raw().safe_vent_ms_max;
        ms(needs <= has.into(), "stroke_time", stroke, rule, needs as f64, "safe_vent_max, safe_dwell");
    }
}

/// The curves that may be fitted, by recipe and calibration.
fn curves(recipe: &RawRecipe, rig: &Rig) -> CurvePrior {
    let range = TauRange { min_s: f64::from(recipe.tau_ms_min) / 1e3, max_s: f64::from(recipe.tau_ms_max) / 1e3 };
    match (recipe.model, rig.raw().tau_s) {
        (Model::Line, _) => CurvePrior::Line,
        (Model::LineAndTransient, Some(tau_s)) => {
            CurvePrior::Calibrated { tau_s, u_rel: rig.raw().tau_u_rel, minor: range }
        }
        (Model::LineAndTransient, None) => CurvePrior::Profiled(range),
    }
}

impl RawRecipe {
    /// The shortest window that decides on this rig, in milliseconds, as [`Schedule::decides_from_ms`] has it once the recipe
    /// is validated.
    pub fn decides_from_ms(&self, rig: &Rig) -> u32 {
        curves(self, rig).decides_from_ms()
    }
}

impl Recipe {
    /// The curves that may be fitted to the trapped pressure.
    pub const fn curves(&self) -> &CurvePrior {
        &self.curves
    }

    /// The raw recipe.
    pub const fn raw(&self) -> &RawRecipe {
        &self.raw
    }

    /// When the growing window is looked at, and the risk of each look.
    pub const fn schedule(&self) -> &Schedule {
        &self.schedule
    }

    /// How the valve is actuated.
    pub const fn actuation(&self) -> Actuation {
        self.raw.actuation
    }

    pub(crate) const fn target(&self) -> GaugePressure {
        GaugePressure::from_pascals(self.raw.target_pa as i32)
    }

    pub(crate) const fn max(&self) -> GaugePressure {
        GaugePressure::from_pascals(self.raw.pressure_max_pa as i32)
    }

    /// Whether a pressure lies in the target band.
    pub(crate) const fn in_band(&self, p: GaugePressure) -> bool {
        let difference = p.above(self.target());
        difference.unsigned_abs() <= self.raw.target_tolerance_pa
    }

    pub(crate) const fn stroke(&self) -> Duration {
        millis(self.raw.stroke_time_ms)
    }

    pub(crate) const fn sample_period(&self) -> Duration {
        millis(self.raw.sample_period_ms)
    }

    /// The greatest leak a tight valve may have, at the reference temperature.
    pub const fn limit(&self) -> LeakRate {
        LeakRate::from_pa_m3_s(self.raw.limit_pa_m3_s)
    }

    /// The conditions leaks are stated at.
    pub const fn reference(&self) -> Reference {
        Reference {
            temperature: Temperature::from_kelvin(self.raw.reference_k),
            pressure: AbsolutePressure::from_pascals(self.raw.reference_pa),
        }
    }

    /// Temperature of the trapped gas where no thermometer measures it.
    pub const fn gas_temperature(&self) -> Temperature {
        Temperature::from_kelvin(self.raw.gas_k)
    }
}
