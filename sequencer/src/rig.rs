//! The rig: what is fitted, what a count is worth, and the limits that belong to the hardware, not to a recipe.

use crate::field::{Bounds, Errors, Field, FieldError, Unit, Validator, bounds, conflict};
use crate::limits;
use crate::sqrt::sqrt;
use crate::time::{Duration, millis};
use crate::units::{AbsolutePressure, GaugePressure, Temperature, Volume};

/// A pressure transducer behind its converter: `pressure = (counts − zero_counts) × pa_per_count`.
#[derive(Clone, Copy, Debug, PartialEq)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Transducer {
    /// Counts at atmospheric pressure, from the last zero check.
    pub zero_counts: i32,
    /// Pascals per count.
    pub pa_per_count: f64,
    /// Least counts a healthy transducer gives.
    pub counts_min: i32,
    /// Most counts a healthy transducer gives.
    pub counts_max: i32,
}

impl Transducer {
    /// 0 to 10 bar gauge over 16 bits with live zero, the rig of the examples.
    pub const DEMO: Self =
        Self { zero_counts: 3_277, pa_per_count: 1_000_000.0 / 58_982.0, counts_min: 1_000, counts_max: 65_000 };

    /// The gauge pressure of a reading, to the nearest pascal, saturating.
    pub fn pressure(&self, counts: i32) -> GaugePressure {
        let pascals = f64::from(counts.saturating_sub(self.zero_counts)) * self.pa_per_count;
        // `as` saturates; half a pascal either way is far below any quantisation step, so plain truncation after the
        // offset is enough, and avoids a call to `round`.
        GaugePressure::from_pascals((pascals + 0.5_f64.copysign(pascals)) as i32)
    }

    /// The reading a gauge pressure gives, to the nearest count: what a simulated converter needs.
    pub fn counts(&self, pascals: f64) -> i32 {
        libm::round(pascals / self.pa_per_count) as i32 + self.zero_counts
    }

    /// Whether a healthy transducer can give this reading.
    pub const fn plausible(&self, counts: i32) -> bool {
        self.counts_min <= counts && counts <= self.counts_max
    }
}

/// A thermometer behind its converter: `kelvin = kelvin_at_zero + counts × kelvin_per_count`.
#[derive(Clone, Copy, Debug, PartialEq)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Thermometer {
    /// Kelvin at a reading of zero.
    pub kelvin_at_zero: f64,
    /// Kelvin a count.
    pub kelvin_per_count: f64,
}

impl Thermometer {
    /// The temperature of a reading.
    pub fn temperature(&self, counts: i32) -> Temperature {
        Temperature::from_kelvin(self.kelvin_at_zero + f64::from(counts) * self.kelvin_per_count)
    }
}

/// A rig as entered, not yet validated. Each member says its range; [`FIELDS`] is the table they come from.
#[derive(Clone, Copy, Debug, PartialEq)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct RawRig {
    /// Gauge pressure above which supply is shut, whatever the recipe: 20 000 to 1 000 000 Pa.
    pub hard_max_pa: u32,
    /// How far from zero, above or below, a side may read and count as empty: 200 to 10 000 Pa.
    pub safe_pressure_pa: u32,
    /// How long both sides must read empty: 200 to 60 000 ms.
    pub safe_dwell_ms: u32,
    /// Longest a safe vent may take before pressure counts as trapped: 1 000 to 600 000 ms. In files `safe_vent_max`.
    pub safe_vent_ms_max: u32,
    /// Longest gap between polls before a run is aborted: 10 to 2 000 ms. In files `poll_gap_max`.
    pub poll_gap_ms_max: u32,
    /// Time between shutting supply and opening vent, and the other way round: 10 to 2 000 ms.
    pub changeover_ms: u32,
    /// A guard contact is wired.
    pub guard_fitted: bool,
    /// A switch on the valve closes when it is shut.
    pub shut_switch_fitted: bool,
    /// The last digits of the far transducer move by themselves at rest, so that a frozen one is detected.
    pub far_flickers: bool,
    /// The far-side transducer. In files its members are `far_zero`, `far_per_count`, `far_counts_min` and
    /// `far_counts_max`.
    pub far: Transducer,
    /// The supply-side transducer, in files `supply_…`; `None` where none is fitted.
    pub supply: Option<Transducer>,
    /// The thermometer on the far side's gas or wall; `None` where none is fitted.
    pub thermometer: Option<Thermometer>,
    /// Absolute pressure of the surroundings: 50 000 to 110 000 Pa.
    pub atmosphere_pa: f64,
    /// Gas trapped between ball and transducer, with the adapter: 1e-7 to 0.1 m³.
    pub far_volume_m3: f64,
    /// Standard uncertainty of the far volume, as a ratio: 0 to 0.5.
    pub far_volume_u_rel: f64,
    /// Standard uncertainty of the far transducer's gain, as a ratio: 0 to 0.1.
    pub gain_u_rel: f64,
    /// Background leak, from a blank run: −0.1 to 0.1 Pa·m³/s.
    pub background_pa_m3_s: f64,
    /// Standard uncertainty of the background leak: 0 to 0.1 Pa·m³/s.
    pub background_u_pa_m3_s: f64,
    /// What a leak-free side shows beyond it in a window of ten seconds, in a longer one the less: −0.1 to 0.1
    /// Pa·m³/s.
    pub background_early_pa_m3_s: f64,
    /// Its standard uncertainty: 0 to 0.1 Pa·m³/s.
    pub background_early_u_pa_m3_s: f64,
    /// Leak-free sides that these are the mean and scatter of; fewer than four are none: 0 to 10 000.
    pub blank_runs: u32,
    /// Standard uncertainty of how fast the gas temperature drifts: 0 to 1 K/s.
    pub temperature_drift_u_k_s: f64,
    /// Time constant of the gas settling in the far side: 0.1 to 600 s; `None` until determined by a blank run.
    pub tau_s: Option<f64>,
    /// Standard uncertainty of the settling time constant, as a ratio: 0 to 0.5.
    pub tau_u_rel: f64,
}

/// What only the builder of a rig knows: no value of another rig is safe in its place, so there is no default.
///
/// Each member is that of [`RawRig`] with the same name, where its range is.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct RigFacts {
    /// The least of what the parts on the far side are rated for, and what the relief valve is set below.
    pub hard_max_pa: u32,
    /// The far-side transducer, as its adapter works it out or a calibration gives it.
    pub far: Transducer,
    /// Absolute pressure where the rig stands: a kilometre of height is 11 % of it.
    pub atmosphere_pa: f64,
    /// Gas trapped between ball and transducer. A leak is stated in proportion to it.
    pub far_volume_m3: f64,
    /// Its standard uncertainty, as a ratio.
    pub far_volume_u_rel: f64,
    /// Standard uncertainty of the far transducer's gain, as a ratio: of its calibration, or of its data sheet.
    pub gain_u_rel: f64,
    /// Standard uncertainty of what a leak-free side shows as a leak: of blank runs, or an estimate until there are some.
    pub background_u_pa_m3_s: f64,
    /// Standard uncertainty of how fast the gas temperature drifts where the rig stands.
    pub temperature_drift_u_k_s: f64,
}

impl RawRig {
    /// A rig by what only its builder knows; the rest is set so that it errs towards refusing, venting and waiting.
    ///
    /// No supply-side transducer and no thermometer; a guard, without whose contact no test begins; no switch on the valve;
    /// a far transducer that counts as frozen when its last digits stand still; no background, since none was measured.
    /// A side counts as empty below 30 mbar for a second; venting may take 30 s; polls may be 250 ms apart; 50 ms pass
    /// between supply and vent: ours, and to be set for the rig where they do not suit it. What is fitted follows from the
    /// parts, where they are [`Parts`](crate::adapters::Parts): see `Parts::describe`.
    ///
    /// ```
    /// use seathold_sequencer::rig::{RawRig, RigFacts, Transducer};
    ///
    /// const RIG: RawRig = RawRig {
    ///     guard_fitted: false,
    ///     ..RawRig::new(RigFacts {
    ///         hard_max_pa: 800_000,
    ///         far: Transducer { zero_counts: 3_277, pa_per_count: 16.95, counts_min: 1_000, counts_max: 65_000 },
    ///         atmosphere_pa: 95_000.0,
    ///         far_volume_m3: 62e-6,
    ///         far_volume_u_rel: 0.03,
    ///         gain_u_rel: 0.005,
    ///         background_u_pa_m3_s: 2e-5,
    ///         temperature_drift_u_k_s: 5e-4,
    ///     })
    /// };
    /// assert!(RIG.validate().is_ok());
    /// ```
    pub const fn new(facts: RigFacts) -> Self {
        Self {
            hard_max_pa: facts.hard_max_pa,
            safe_pressure_pa: 3_000,
            safe_dwell_ms: 1_000,
            safe_vent_ms_max: 30_000,
            poll_gap_ms_max: 250,
            changeover_ms: 50,
            guard_fitted: true,
            shut_switch_fitted: false,
            far_flickers: true,
            far: facts.far,
            supply: None,
            thermometer: None,
            atmosphere_pa: facts.atmosphere_pa,
            far_volume_m3: facts.far_volume_m3,
            far_volume_u_rel: facts.far_volume_u_rel,
            gain_u_rel: facts.gain_u_rel,
            background_pa_m3_s: 0.0,
            background_u_pa_m3_s: facts.background_u_pa_m3_s,
            background_early_pa_m3_s: 0.0,
            background_early_u_pa_m3_s: 0.0,
            blank_runs: 0,
            temperature_drift_u_k_s: facts.temperature_drift_u_k_s,
            tau_s: None,
            tau_u_rel: 0.1,
        }
    }

    /// The rig of the examples, and of no other rig. Every value is ours, for the demonstration only.
    pub const DEMO: Self = Self {
        hard_max_pa: 900_000,
        safe_pressure_pa: 3_000,
        safe_dwell_ms: 1_000,
        safe_vent_ms_max: 30_000,
        poll_gap_ms_max: 250,
        changeover_ms: 50,
        guard_fitted: true,
        shut_switch_fitted: false,
        far_flickers: true,
        far: Transducer::DEMO,
        supply: Some(Transducer::DEMO),
        thermometer: None,
        atmosphere_pa: 101_325.0,
        far_volume_m3: 45e-6,
        far_volume_u_rel: 0.02,
        gain_u_rel: 0.002,
        background_pa_m3_s: 0.0,
        background_u_pa_m3_s: 5e-6,
        background_early_pa_m3_s: 0.0,
        background_early_u_pa_m3_s: 0.0,
        blank_runs: 0,
        temperature_drift_u_k_s: 2e-4,
        tau_s: None,
        tau_u_rel: 0.1,
    };
}

/// What a leak-free side shows as a leak.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Background {
    /// In Pa·m³/s.
    pub pa_m3_s: f64,
    /// Its standard uncertainty.
    pub u_pa_m3_s: f64,
    /// How many leak-free sides that is the scatter of; `None` where there were too few, and the variation from valve to
    /// valve is not in it.
    pub runs: Option<u32>,
}

impl RawRig {
    /// What a leak-free side shows in a window of so many seconds.
    ///
    /// The rig's own leak, and what warms, cools and creeps from valve to valve, which no single window tells from a leak.
    /// In so far as it goes on for ever it is one rate; in so far as it ends early (creep in logarithmic time falls as `1/t`;
    /// heat that the first minute takes from a wall) its share in a window is the smaller the longer the window: as `1/T`,
    /// which is our judgement, and measured in docs/figures.md.
    pub fn background(&self, span_s: f64) -> Background {
        let early = if span_s > 0.0 { EARLY_S / span_s } else { 0.0 };
        let early_u = early * self.background_early_u_pa_m3_s;
        Background {
            pa_m3_s: self.background_pa_m3_s + early * self.background_early_pa_m3_s,
            u_pa_m3_s: sqrt(self.background_u_pa_m3_s * self.background_u_pa_m3_s + early_u * early_u),
            runs: if self.blank_runs >= BLANK_RUNS_MIN { Some(self.blank_runs) } else { None },
        }
    }
}

/// Window that `background_early` is stated for, in seconds.
pub const EARLY_S: f64 = 10.0;

/// Fewest leak-free sides whose scatter says anything: with fewer, Student's factors are so large that it would be no help
/// (our judgement).
pub const BLANK_RUNS_MIN: u32 = 4;

/// The rig's fields in the order they are checked and written.
pub const FIELDS: &[Field<RawRig>] = &[
    Field {
        name: "hard_max",
        about: "gauge pressure above which supply is shut, whatever the recipe",
        unit: Unit::Pascal,
        min: 20_000.0,
        max: limits::HARD_MAX_PA as f64,
        get: |r| r.hard_max_pa.into(),
        set: |r, v| r.hard_max_pa = v as u32,
    },
    Field {
        name: "safe_pressure",
        about: "how far from zero, above or below, a side may read and count as empty",
        unit: Unit::Pascal,
        min: limits::SAFE_PA_MIN as f64,
        max: limits::SAFE_PA_MAX as f64,
        get: |r| r.safe_pressure_pa.into(),
        set: |r, v| r.safe_pressure_pa = v as u32,
    },
    Field {
        name: "safe_dwell",
        about: "how long both sides must read empty",
        unit: Unit::Millisecond,
        min: 200.0,
        max: 60_000.0,
        get: |r| r.safe_dwell_ms.into(),
        set: |r, v| r.safe_dwell_ms = v as u32,
    },
    Field {
        name: "safe_vent_max",
        about: "longest a safe vent may take before pressure counts as trapped",
        unit: Unit::Millisecond,
        min: 1_000.0,
        max: 600_000.0,
        get: |r| r.safe_vent_ms_max.into(),
        set: |r, v| r.safe_vent_ms_max = v as u32,
    },
    Field {
        name: "poll_gap_max",
        about: "longest gap between polls before a run is aborted",
        unit: Unit::Millisecond,
        min: 10.0,
        max: 2_000.0,
        get: |r| r.poll_gap_ms_max.into(),
        set: |r, v| r.poll_gap_ms_max = v as u32,
    },
    Field {
        name: "changeover",
        about: "time between shutting supply and opening vent, and the other way round",
        unit: Unit::Millisecond,
        min: 10.0,
        max: 2_000.0,
        get: |r| r.changeover_ms.into(),
        set: |r, v| r.changeover_ms = v as u32,
    },
    Field {
        name: "guard_fitted",
        about: "a guard contact is wired",
        unit: Unit::Flag,
        min: 0.0,
        max: 1.0,
        get: |r| f64::from(u8::from(r.guard_fitted)),
        set: |r, v| r.guard_fitted = v != 0.0,
    },
    Field {
        name: "shut_switch_fitted",
        about: "a switch on the valve closes when it is shut",
        unit: Unit::Flag,
        min: 0.0,
        max: 1.0,
        get: |r| f64::from(u8::from(r.shut_switch_fitted)),
        set: |r, v| r.shut_switch_fitted = v != 0.0,
    },
    Field {
        name: "far_flickers",
        about: "the last digits of the far transducer move by themselves at rest, so that a frozen one is detected",
        unit: Unit::Flag,
        min: 0.0,
        max: 1.0,
        get: |r| f64::from(u8::from(r.far_flickers)),
        set: |r, v| r.far_flickers = v != 0.0,
    },
    Field {
        name: "far_zero",
        about: "far-side transducer: counts at atmospheric pressure",
        unit: Unit::Count,
        min: -16_777_216.0,
        max: 16_777_216.0,
        get: |r| r.far.zero_counts.into(),
        set: |r, v| r.far.zero_counts = v as i32,
    },
    Field {
        name: "far_per_count",
        about: "far-side transducer: pascals a count",
        unit: Unit::PascalPerCount,
        min: 0.001,
        max: 1_000.0,
        get: |r| r.far.pa_per_count,
        set: |r, v| r.far.pa_per_count = v,
    },
    Field {
        name: "far_counts_min",
        about: "far-side transducer: least counts when healthy",
        unit: Unit::Count,
        min: -16_777_216.0,
        max: 16_777_216.0,
        get: |r| r.far.counts_min.into(),
        set: |r, v| r.far.counts_min = v as i32,
    },
    Field {
        name: "far_counts_max",
        about: "far-side transducer: most counts when healthy",
        unit: Unit::Count,
        min: -16_777_216.0,
        max: 16_777_216.0,
        get: |r| r.far.counts_max.into(),
        set: |r, v| r.far.counts_max = v as i32,
    },
    Field {
        name: "atmosphere",
        about: "absolute pressure of the surroundings",
        unit: Unit::PascalAbsolute,
        min: 50_000.0,
        max: 110_000.0,
        get: |r| r.atmosphere_pa,
        set: |r, v| r.atmosphere_pa = v,
    },
    Field {
        name: "far_volume",
        about: "gas trapped between ball and transducer, with the adapter",
        unit: Unit::CubicMetre,
        min: 1e-7,
        max: 0.1,
        get: |r| r.far_volume_m3,
        set: |r, v| r.far_volume_m3 = v,
    },
    Field {
        name: "far_volume_u",
        about: "standard uncertainty of the far volume, as a ratio",
        unit: Unit::Ratio,
        min: 0.0,
        max: 0.5,
        get: |r| r.far_volume_u_rel,
        set: |r, v| r.far_volume_u_rel = v,
    },
    Field {
        name: "gain_u",
        about: "standard uncertainty of the far transducer's gain, as a ratio",
        unit: Unit::Ratio,
        min: 0.0,
        max: 0.1,
        get: |r| r.gain_u_rel,
        set: |r, v| r.gain_u_rel = v,
    },
    Field {
        name: "background",
        about: "background leak, from a blank run",
        unit: Unit::PascalCubicMetrePerSecond,
        min: -0.1,
        max: 0.1,
        get: |r| r.background_pa_m3_s,
        set: |r, v| r.background_pa_m3_s = v,
    },
    Field {
        name: "background_u",
        about: "standard uncertainty of the background leak",
        unit: Unit::PascalCubicMetrePerSecond,
        min: 0.0,
        max: 0.1,
        get: |r| r.background_u_pa_m3_s,
        set: |r, v| r.background_u_pa_m3_s = v,
    },
    Field {
        name: "background_early",
        about: "what a leak-free side shows beyond it in a window of ten seconds, in a longer one the less",
        unit: Unit::PascalCubicMetrePerSecond,
        min: -0.1,
        max: 0.1,
        get: |r| r.background_early_pa_m3_s,
        set: |r, v| r.background_early_pa_m3_s = v,
    },
    Field {
        name: "background_early_u",
        about: "its standard uncertainty",
        unit: Unit::PascalCubicMetrePerSecond,
        min: 0.0,
        max: 0.1,
        get: |r| r.background_early_u_pa_m3_s,
        set: |r, v| r.background_early_u_pa_m3_s = v,
    },
    Field {
        name: "blank_runs",
        about: "leak-free sides that these are the mean and scatter of; fewer than four are none",
        unit: Unit::Count,
        min: 0.0,
        max: 10_000.0,
        get: |r| r.blank_runs.into(),
        set: |r, v| r.blank_runs = v as u32,
    },
    Field {
        name: "temperature_drift_u",
        about: "standard uncertainty of how fast the gas temperature drifts",
        unit: Unit::KelvinPerSecond,
        min: 0.0,
        max: 1.0,
        get: |r| r.temperature_drift_u_k_s,
        set: |r, v| r.temperature_drift_u_k_s = v,
    },
    Field {
        name: "tau_u",
        about: "standard uncertainty of the settling time constant, as a ratio",
        unit: Unit::Ratio,
        min: 0.0,
        max: 0.5,
        get: |r| r.tau_u_rel,
        set: |r, v| r.tau_u_rel = v,
    },
];

static BOUNDS: [Bounds<RawRig>; FIELDS.len()] = bounds(FIELDS);

/// A rig validated as a whole. Only made by [`RawRig::validate`].
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Rig {
    raw: RawRig,
}

impl RawRig {
    /// Checks every field and every rule between fields, and reports every error, one by one.
    pub fn validate_with(&self, report: impl FnMut(FieldError)) -> Option<Rig> {
        let mut validator = Validator::new(report);
        validator.ranges_by(self, &BOUNDS, FIELDS);
        let names = Names { min: "far_counts_min", max: "far_counts_max", step: "far_per_count" };
        check_transducer(&mut validator, &self.far, self, names);
        if let Some(supply) = &self.supply {
            validator.range("supply_per_count", Unit::PascalPerCount, supply.pa_per_count, 0.001, 1_000.0);
            let names = Names { min: "supply_counts_min", max: "supply_counts_max", step: "supply_per_count" };
            check_transducer(&mut validator, supply, self, names);
        }
        if let Some(tau) = self.tau_s {
            validator.range("tau", Unit::Second, tau, 0.1, 600.0);
        }
        if let Some(t) = &self.thermometer {
            validator.range("thermometer_zero", Unit::Kelvin, t.kelvin_at_zero, -1e4, 1e4);
            validator.range("thermometer_per_count", Unit::KelvinPerCount, t.kelvin_per_count, 1e-6, 10.0);
        }
        let mut ms = |holds: bool, field, value: u32, rule, bound: f64| {
            validator.require(holds, conflict(field, Unit::Millisecond, value.into(), rule, bound, "safe_dwell"));
        };
        let (vent_max, stall, dwell) = (self.safe_vent_ms_max, self.poll_gap_ms_max, self.safe_dwell_ms);
        let twice = |ms: u32| 2 * u64::from(ms);
        let rule = "must be at least twice the dwell,";
        ms(u64::from(vent_max) >= twice(dwell), "safe_vent_max", vent_max, rule, twice(dwell) as f64);
        // A stall must not hide more than half of a dwell.
        let half_dwell = f64::from(dwell) / 2.0;
        ms(twice(stall) <= dwell.into(), "poll_gap_max", stall, "must not exceed half the dwell,", half_dwell);
        validator.clean().then_some(Rig { raw: *self })
    }

    /// As [`RawRig::validate_with`], with the errors collected.
    ///
    /// # Errors
    /// All errors, at once.
    #[expect(clippy::result_large_err, reason = "for hosts; a controller calls `validate_with`")]
    pub fn validate(&self) -> Result<Rig, Errors> {
        let mut errors = Errors::new();
        self.validate_with(|error| errors.add(error)).ok_or(errors)
    }
}

/// Field names of a transducer.
#[derive(Clone, Copy)]
struct Names {
    min: &'static str,
    max: &'static str,
    step: &'static str,
}

/// The hard maximum and atmospheric pressure must lie in a transducer's healthy range; that range must not reach below
/// vacuum; and its resolution must be finer than the safe limit.
fn check_transducer(
    validator: &mut Validator<impl FnMut(FieldError)>,
    t: &Transducer,
    rig: &RawRig,
    Names { min, max, step }: Names,
) {
    let (step_pa, zero) = (t.pa_per_count, f64::from(t.zero_counts));
    let (below_pa, above_pa) = ((zero - f64::from(t.counts_min)) * step_pa, (f64::from(t.counts_max) - zero) * step_pa);
    let (safe, hard_max, most) =
        (f64::from(rig.safe_pressure_pa), f64::from(rig.hard_max_pa), f64::from(limits::TRANSDUCER_PA_MAX));
    let counts = f64::from(limits::SAFE_COUNTS_MIN);
    let rule = "must not exceed a quarter of the safe limit,";
    validator.require(
        step_pa * counts <= safe,
        conflict(step, Unit::PascalPerCount, step_pa, rule, safe / counts, "safe_pressure"),
    );
    let counts = |field, value: i32, rule, bound, with| conflict(field, Unit::Count, value.into(), rule, bound, with);
    validator.require(below_pa > 0.0, counts(min, t.counts_min, "must lie below the zero,", zero, "zero"));
    let vacuum = zero - rig.atmosphere_pa / step_pa;
    validator.require(
        below_pa <= rig.atmosphere_pa,
        counts(min, t.counts_min, "must not reach below a vacuum, at", vacuum, "zero, step"),
    );
    let top = zero + hard_max / step_pa;
    validator
        .require(above_pa >= hard_max, counts(max, t.counts_max, "must reach the hard maximum, at", top, "hard_max"));
    validator.require(
        above_pa <= most,
        counts(max, t.counts_max, "must not reach above 10 MPa, at", zero + most / step_pa, "zero, step"),
    );
}

impl Rig {
    /// The raw rig.
    pub const fn raw(&self) -> &RawRig {
        &self.raw
    }

    pub(crate) const fn hard_max(&self) -> GaugePressure {
        GaugePressure::from_pascals(self.raw.hard_max_pa as i32)
    }

    /// Nearer to zero than this, above or below, a side counts as empty.
    pub const fn safe_limit(&self) -> GaugePressure {
        GaugePressure::from_pascals(self.raw.safe_pressure_pa as i32)
    }

    /// Samples that the shortest window must hold: where a frozen reading is detectable, no verdict may come before its
    /// detection.
    pub fn window_samples_min(&self) -> u32 {
        if self.raw.far_flickers { limits::FROZEN_CODES.into() } else { 2 * limits::BLOCKS_MIN as u32 }
    }

    /// Samples that the zero must be taken over, for the same reason.
    pub(crate) fn zero_samples_min(&self) -> u32 {
        if self.raw.far_flickers { limits::FROZEN_PRECHECK } else { limits::ZERO_SAMPLES_MIN }
    }

    pub(crate) const fn safe_dwell(&self) -> Duration {
        millis(self.raw.safe_dwell_ms)
    }

    pub(crate) const fn stall_max(&self) -> Duration {
        millis(self.raw.poll_gap_ms_max)
    }

    pub(crate) const fn changeover(&self) -> Duration {
        millis(self.raw.changeover_ms)
    }

    /// Gas trapped between ball and transducer.
    pub const fn far_volume(&self) -> Volume {
        Volume::from_cubic_metres(self.raw.far_volume_m3)
    }

    /// Absolute pressure of the surroundings.
    pub const fn atmosphere(&self) -> AbsolutePressure {
        AbsolutePressure::from_pascals(self.raw.atmosphere_pa)
    }

    /// What a leak-free side shows in a window of so many seconds, and how much it varies.
    pub fn background(&self, span_s: f64) -> Background {
        self.raw.background(span_s)
    }
}
