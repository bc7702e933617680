//! Measuring channels of the plant: hysteresis, lag, gain, offset, drift, noise, quantisation, and conversions with
//! running numbers.
//!
//! In the order of a real channel: the diaphragm has hysteresis and lag; bridge and amplifier have gain, offset and
//! drift; then noise; the amplifier saturates; the converter rounds to counts. Gain, offset and drift are errors
//! *against the calibration in the rig's file*, the only one the sequencer knows.

use crate::config::{check_fields, real, whole};
use crate::noise::{Noise, Stream};
use seathold_sequencer::field::{Errors, Field, Unit};
use seathold_sequencer::input::Sample;
use seathold_sequencer::rig::{Thermometer, Transducer};

/// A pressure channel as entered, not yet validated. Each member says its range; [`SENSOR_FIELDS`] is the table they come from.
#[derive(Clone, Copy, Debug, PartialEq)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
pub struct RawSensor {
    /// White noise, standard deviation: 0 to 20 000 Pa.
    pub noise_pa: f64,
    /// 1/f noise, standard deviation over a run: 0 to 20 000 Pa.
    pub pink_pa: f64,
    /// Gain against the calibration, less one: −0.5 to 0.5.
    pub gain_error: f64,
    /// Zero against the calibration: −50 000 to 50 000 Pa.
    pub offset_pa: f64,
    /// Zero drift in a second: −100 to 100 Pa.
    pub drift_pa_s: f64,
    /// Half the width of the hysteresis loop: 0 to 10 000 Pa.
    pub hysteresis_pa: f64,
    /// Time constant of the transducer: 0 to 60 s.
    pub lag_s: f64,
    /// Gauge pressure beyond which the signal saturates: 10 000 to 2 000 000 Pa.
    pub range_pa: f64,
    /// Time between conversions: 1 to 10 000 ms.
    pub period_ms: u32,
}

impl RawSensor {
    /// A 10 bar transducer on a quiet bench, 100 conversions a second. Ours, for the demonstration.
    pub const DEMO: Self = Self {
        noise_pa: 20.0,
        pink_pa: 0.0,
        gain_error: 0.0,
        offset_pa: 0.0,
        drift_pa_s: 0.0,
        hysteresis_pa: 0.0,
        lag_s: 0.0,
        range_pa: 2_000_000.0,
        period_ms: 10,
    };
}

impl Default for RawSensor {
    fn default() -> Self {
        Self::DEMO
    }
}

/// The channel's fields in the order they are checked and written.
pub const SENSOR_FIELDS: &[Field<RawSensor>] = &[
    real!("noise", "white noise, standard deviation", PascalRms, 0.0, 20_000.0, noise_pa),
    real!("pink", "1/f noise, standard deviation over a run", PascalRms, 0.0, 20_000.0, pink_pa),
    real!("gain_error", "gain against the calibration, less one", Ratio, -0.5, 0.5, gain_error),
    real!("offset", "zero against the calibration", PascalRms, -50_000.0, 50_000.0, offset_pa),
    real!("drift", "zero drift in a second", PascalRms, -100.0, 100.0, drift_pa_s),
    real!("hysteresis", "half the width of the hysteresis loop", PascalRms, 0.0, 10_000.0, hysteresis_pa),
    real!("lag", "time constant of the transducer", Second, 0.0, 60.0, lag_s),
    real!("range", "gauge pressure beyond which the signal saturates", PascalRms, 10_000.0, 2_000_000.0, range_pa),
    whole!("period", "time between conversions", Millisecond, 1.0, 10_000.0, period_ms),
];

impl RawSensor {
    /// Checks every field.
    ///
    /// # Errors
    /// All errors, at once.
    pub fn validate(&self) -> Result<SensorSpec, Errors> {
        check_fields(self, SENSOR_FIELDS, |_, _| {}).map(|()| SensorSpec { raw: *self })
    }
}

/// A validated pressure channel. Only made by [`RawSensor::validate`].
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct SensorSpec {
    raw: RawSensor,
}

/// A thermometer as entered, not yet validated. Each member says its range; [`THERMOMETER_FIELDS`] is the table they come from.
#[derive(Clone, Copy, Debug, PartialEq)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
pub struct RawThermometer {
    /// Reads the wall instead of the gas.
    pub of_wall: bool,
    /// White noise, standard deviation: 0 to 10 K.
    pub noise_k: f64,
    /// Error of the calibration: −10 to 10 K.
    pub offset_k: f64,
    /// Time constant of the probe: 0 to 600 s.
    pub lag_s: f64,
    /// Time between conversions: 1 to 60 000 ms.
    pub period_ms: u32,
}

impl RawThermometer {
    /// A thin probe in the far side's gas. Ours, for the demonstration.
    pub const DEMO: Self = Self { of_wall: false, noise_k: 0.002, offset_k: 0.0, lag_s: 0.5, period_ms: 100 };
}

impl Default for RawThermometer {
    fn default() -> Self {
        Self::DEMO
    }
}

/// The thermometer's fields in the order they are checked and written.
pub const THERMOMETER_FIELDS: &[Field<RawThermometer>] = &[
    Field {
        name: "of_wall",
        about: "reads the wall instead of the gas",
        unit: Unit::Flag,
        min: 0.0,
        max: 1.0,
        get: |t| f64::from(u8::from(t.of_wall)),
        set: |t, v| t.of_wall = v != 0.0,
    },
    real!("noise", "white noise, standard deviation", Kelvin, 0.0, 10.0, noise_k),
    real!("offset", "error of the calibration", Kelvin, -10.0, 10.0, offset_k),
    real!("lag", "time constant of the probe", Second, 0.0, 600.0, lag_s),
    whole!("period", "time between conversions", Millisecond, 1.0, 60_000.0, period_ms),
];

impl RawThermometer {
    /// Checks every field.
    ///
    /// # Errors
    /// All errors, at once.
    pub fn validate(&self) -> Result<ThermometerSpec, Errors> {
        check_fields(self, THERMOMETER_FIELDS, |_, _| {}).map(|()| ThermometerSpec { raw: *self })
    }
}

/// A validated thermometer. Only made by [`RawThermometer::validate`].
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct ThermometerSpec {
    raw: RawThermometer,
}

impl ThermometerSpec {
    /// Whether it reads the wall instead of the gas.
    pub(crate) const fn of_wall(&self) -> bool {
        self.raw.of_wall
    }
}

/// Value of a count.
#[derive(Clone, Copy, Debug)]
enum Scale {
    Pressure(Transducer),
    Temperature(Thermometer),
}

/// A channel in use.
#[derive(Clone, Debug)]
pub struct Channel {
    scale: Scale,
    noise_sd: f64,
    pink: Option<Pink>,
    gain: f64,
    offset: f64,
    /// Drift a conversion.
    drift: f64,
    hysteresis: f64,
    /// Saturation of the signal; infinite for a thermometer.
    range: f64,
    /// Share of a step that the lag passes in one period; 1 without lag.
    follows: f64,
    /// State of hysteresis and lag of the diaphragm; `None` before the first conversion.
    diaphragm: Option<(f64, f64)>,
    period: u64,
    /// When the next conversion is due, µs.
    next: u64,
    number: u32,
    waiting: Option<Sample>,
    noise: Noise,
}

/// Share of a step that a first-order lag follows in one period.
fn follows(period_ms: u32, lag_s: f64) -> f64 {
    if lag_s > 0.0 { 1.0 - libm::exp(-f64::from(period_ms) * 1e-3 / lag_s) } else { 1.0 }
}

impl Channel {
    /// A pressure channel read through `transducer`; its first conversion comes after one period.
    pub fn new(spec: &SensorSpec, transducer: Transducer, seed: u64, stream: Stream) -> Self {
        let raw = &spec.raw;
        let mut noise = Noise::new(seed, stream);
        let pink = (raw.pink_pa > 0.0).then(|| Pink::new(raw.pink_pa, &mut noise));
        Self {
            scale: Scale::Pressure(transducer),
            noise_sd: raw.noise_pa,
            pink,
            gain: 1.0 + raw.gain_error,
            offset: raw.offset_pa,
            drift: raw.drift_pa_s * f64::from(raw.period_ms) * 1e-3,
            hysteresis: raw.hysteresis_pa,
            range: raw.range_pa,
            follows: follows(raw.period_ms, raw.lag_s),
            diaphragm: None,
            period: u64::from(raw.period_ms) * 1_000,
            next: u64::from(raw.period_ms) * 1_000,
            number: 0,
            waiting: None,
            noise,
        }
    }

    /// A thermometer read through its calibration.
    pub fn thermometer(spec: &ThermometerSpec, thermometer: Thermometer, seed: u64) -> Self {
        let raw = &spec.raw;
        Self {
            scale: Scale::Temperature(thermometer),
            noise_sd: raw.noise_k,
            pink: None,
            gain: 1.0,
            offset: raw.offset_k,
            drift: 0.0,
            hysteresis: 0.0,
            range: f64::INFINITY,
            follows: follows(raw.period_ms, raw.lag_s),
            diaphragm: None,
            period: u64::from(raw.period_ms) * 1_000,
            next: u64::from(raw.period_ms) * 1_000,
            number: 0,
            waiting: None,
            noise: Noise::new(seed, Stream::Thermometer),
        }
    }

    /// When the next conversion is due, µs.
    pub const fn due(&self) -> u64 {
        self.next
    }

    /// The conversion due now, of a gauge pressure in Pa, or a temperature in K.
    #[inline]
    pub fn convert(&mut self, value: f64) {
        self.next += self.period;
        self.number = self.number.wrapping_add(1);
        self.offset += self.drift;
        let sensed = self.diaphragm(value);
        let mut seen = self.gain * sensed + self.offset + self.noise_sd * self.noise.normal();
        if let Some(pink) = &mut self.pink {
            seen += pink.next(&mut self.noise);
        }
        let seen = seen.min(self.range);
        let counts = match &self.scale {
            Scale::Pressure(transducer) => transducer.counts(seen),
            Scale::Temperature(t) => libm::round((seen - t.kelvin_at_zero) / t.kelvin_per_count) as i32,
        };
        self.waiting = Some(Sample { counts, number: self.number });
    }

    /// Response of the diaphragm: hysteresis, then lag.
    #[inline]
    fn diaphragm(&mut self, value: f64) -> f64 {
        let (held, lagged) = self.diaphragm.unwrap_or((value, value));
        let held = held.clamp(value - self.hysteresis, value + self.hysteresis);
        let lagged = lagged + self.follows * (held - lagged);
        self.diaphragm = Some((held, lagged));
        lagged
    }

    /// The last conversion, once.
    #[inline]
    pub fn take(&mut self) -> Option<Sample> {
        self.waiting.take()
    }

    /// A missed conversion: its number is used up.
    pub(crate) fn miss_sample(&mut self) {
        self.number = self.number.wrapping_add(1);
    }
}

/// Rows of the 1/f generator: its slowest row lasts 2¹⁵ conversions, five minutes at 100 a second.
const ROWS: usize = 16;

/// 1/f noise by Voss's algorithm (in M. Gardner, *Scientific American*, April 1978): a sum of random numbers of which
/// the k-th is redrawn every 2ᵏ conversions. One new number a conversion, whatever the depth.
#[derive(Clone, Debug)]
struct Pink {
    rows: [f64; ROWS],
    count: u32,
    row_sd: f64,
}

impl Pink {
    fn new(sd: f64, noise: &mut Noise) -> Self {
        let row_sd = sd / crate::gas::sqrt(ROWS as f64);
        let rows = [0; ROWS].map(|_| row_sd * noise.normal());
        Self { rows, count: 0, row_sd }
    }

    fn next(&mut self, noise: &mut Noise) -> f64 {
        self.count = self.count.wrapping_add(1);
        let row = (self.count.trailing_zeros() as usize).min(ROWS - 1);
        self.rows[row] = self.row_sd * noise.normal();
        // Summed from scratch, so that rounding cannot accumulate over days.
        self.rows.iter().sum()
    }
}
