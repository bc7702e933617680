//! One distribution: its fields, rules and sampling.

use seathold_config::config_file::ConfigFile;
use seathold_sequencer::field::{Errors, Field, Unit, conflict};
use seathold_sequencer::measure::{normal_cdf, normal_quantile};
use seathold_sim::noise::Noise;

/// The shape of a distribution between its ends.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Shape {
    /// Its logarithm is uniform: as likely from 1 to 10 as from 10 to 100.
    LogUniform,
    /// Uniform.
    Uniform,
    /// Normal, cut off at both ends.
    Normal,
}

impl Shape {
    /// As written.
    pub const NAMES: &'static [(&'static str, Self)] =
        &[("log-uniform", Self::LogUniform), ("uniform", Self::Uniform), ("normal", Self::Normal)];
}

/// A distribution, in the base unit of its quantity.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Distribution {
    /// Its shape.
    pub shape: Shape,
    /// Least.
    pub from: f64,
    /// Greatest.
    pub to: f64,
    /// Mean of a normal one before it is cut off; not a number where none was given.
    pub mean: f64,
    /// Standard deviation of a normal one before it is cut off; not a number where none was given.
    pub deviation: f64,
}

impl Distribution {
    /// Nothing given yet.
    pub(crate) const UNSTATED: Self =
        Self { shape: Shape::LogUniform, from: f64::NAN, to: f64::NAN, mean: f64::NAN, deviation: f64::NAN };

    /// Samples one value, by inverting the distribution: exactly one random number each time, so that the next sample
    /// does not depend on the value.
    pub fn draw(&self, chance: &mut Noise) -> f64 {
        let share = chance.uniform();
        let Self { shape, from, to, mean, deviation } = *self;
        let value = match shape {
            Shape::LogUniform => from * libm::exp(share * libm::log(to / from)),
            Shape::Uniform => from + share * (to - from),
            Shape::Normal if deviation > 0.0 => {
                let below = normal_cdf((from - mean) / deviation);
                let above = normal_cdf((to - mean) / deviation);
                mean + deviation * normal_quantile(below + share * (above - below))
            }
            Shape::Normal => mean,
        };
        // Rounding may carry a value over an end, and an end may be the last that the plant allows.
        value.clamp(from, to)
    }

    /// Applies the file's current section to this, and checks it.
    pub fn read(&mut self, config: &mut ConfigFile, fields: &'static [Field<Self>], reference_pa: f64) {
        if let Some(shape) = config.choice("spread", Shape::NAMES)
            && shape != self.shape
        {
            // Another shape: the fields of the old one no longer count.
            *self = Self { shape, mean: f64::NAN, deviation: f64::NAN, ..*self };
        }
        for field in fields {
            config.field(self, field, reference_pa);
        }
        for (name, value) in [("mean", self.mean), ("deviation", self.deviation)] {
            match self.shape {
                Shape::Normal if value.is_nan() => {
                    config.wrong(name, "spread", "must be given where the spread is \"normal\"")
                }
                Shape::LogUniform | Shape::Uniform if config.has(name) => {
                    config.wrong(name, "spread", "only a \"normal\" spread has one");
                }
                _ => {}
            }
        }
        if self.shape == Shape::LogUniform && self.from <= 0.0 {
            config.wrong("from", "spread", "must be more than zero where the spread is \"log-uniform\"");
        }
        let unit = fields.first().map_or(Unit::Ratio, |field| field.unit);
        let mut errors = Errors::default();
        let (Self { from, to, mean, .. }, normal) = (*self, self.shape == Shape::Normal);
        if from > to {
            errors.add(conflict("from", unit, from, "must not exceed", to, "to"));
        } else if normal && mean < from {
            errors.add(conflict("mean", unit, mean, "must not be less than", from, "from"));
        } else if normal && mean > to {
            errors.add(conflict("mean", unit, mean, "must not exceed", to, "to"));
        }
        config.add(&errors, reference_pa);
    }
}

/// The fields of a distribution of something measured in `$unit` that lies from `$min` to `$max`.
macro_rules! fields {
    ($unit:ident, $min:expr, $max:expr) => {
        &[
            fields!(@ "from", "least", $unit, $min, $max, from),
            fields!(@ "to", "greatest", $unit, $min, $max, to),
            fields!(@ "mean", "mean of a normal spread", $unit, $min, $max, mean),
            fields!(@ "deviation", "standard deviation of a normal spread", $unit, 0.0, $max - $min, deviation),
        ]
    };
    (@ $name:literal, $about:literal, $unit:ident, $min:expr, $max:expr, $field:ident) => {
        Field {
            name: $name,
            about: $about,
            unit: Unit::$unit,
            min: $min,
            max: $max,
            get: |s| s.$field,
            set: |s, v| s.$field = v,
        }
    };
}

/// Of leaks.
pub const LEAK: &[Field<Distribution>] = fields!(PascalCubicMetrePerSecond, 0.0, 1e3);
/// Of the far transducer's noise.
pub(crate) const NOISE: &[Field<Distribution>] = fields!(PascalRms, 0.0, 20_000.0);
/// Of the far volume.
pub const VOLUME: &[Field<Distribution>] = fields!(CubicMetre, 1e-7, 0.1);
/// Of time constants.
pub const TAU: &[Field<Distribution>] = fields!(Second, 1e-4, 1e9);
/// Of the room's temperature.
pub const ROOM: &[Field<Distribution>] = fields!(Kelvin, 250.0, 330.0);

#[cfg(test)]
mod tests {
    use proptest::prelude::*;
    use seathold_sim::config::PLANT_FIELDS;
    use seathold_sim::noise::Stream;
    use seathold_sim::sensor::SENSOR_FIELDS;

    use super::*;

    /// Whatever may be written may be drawn, and whatever is drawn the plant takes.
    #[test]
    fn ranges_are_the_plants() {
        let plant = |name: &str| PLANT_FIELDS.iter().find(|f| f.name == name).map(|f| (f.min, f.max)).unwrap();
        let noise = SENSOR_FIELDS.iter().find(|f| f.name == "noise").map(|f| (f.min, f.max)).unwrap();
        for (fields, range) in [
            (LEAK, plant("seat_a")),
            (NOISE, noise),
            (VOLUME, plant("far_volume")),
            (TAU, plant("far_tau")),
            (ROOM, plant("room")),
        ] {
            assert_eq!((fields[0].min, fields[0].max), range);
        }
    }

    fn drawn(spread: Distribution) -> Vec<f64> {
        let mut chance = Noise::new(5, Stream::Fleet);
        let mut values: Vec<f64> = (0..20_000).map(|_| spread.draw(&mut chance)).collect();
        values.sort_by(f64::total_cmp);
        values
    }

    /// Quartiles of 20 000 draws against closed forms. The standard error of a quartile is √(p(1−p)/n)/f: half a
    /// percent of the range here; three times that is allowed.
    #[test]
    fn draws_follow_the_shape() {
        let quartiles = |spread| {
            let values = drawn(spread);
            [values[5_000], values[10_000], values[15_000]]
        };
        let near = |found: [f64; 3], wanted: [f64; 3], off: f64| {
            for (found, wanted) in found.into_iter().zip(wanted) {
                assert!((found - wanted).abs() < off, "{found} for {wanted}");
            }
        };
        let log = Distribution { from: 1.0, to: 10_000.0, ..Distribution::UNSTATED };
        near(quartiles(log).map(f64::log10), [1.0, 2.0, 3.0], 0.05);
        let even = Distribution { shape: Shape::Uniform, from: 2.0, to: 6.0, ..Distribution::UNSTATED };
        near(quartiles(even), [3.0, 4.0, 5.0], 0.05);
        // Quartiles of the normal distribution: 0.674 49 standard deviations.
        let wide = Distribution { shape: Shape::Normal, from: -90.0, to: 110.0, mean: 10.0, deviation: 2.0 };
        near(quartiles(wide), [10.0 - 1.348_98, 10.0, 10.0 + 1.348_98], 0.07);
        // Cut off at the mean, it is a half-normal: its median is the whole one's upper quartile.
        let half = Distribution { from: 10.0, ..wide };
        let median = drawn(half)[10_000];
        assert!((median - 11.348_98).abs() < 0.07, "{median}");
    }

    proptest! {
        #[test]
        fn draws_stay_inside(seed: u64, from in 1e-9..1e3f64, ratio in 1.0..1e6f64, at in 0.0..=1.0f64, dev in 0.0..1e6f64) {
            let to = from * ratio;
            for shape in [Shape::LogUniform, Shape::Uniform, Shape::Normal] {
                let mean = (from + at * (to - from)).clamp(from, to);
                let spread = Distribution { shape, from, to, mean, deviation: dev };
                let value = spread.draw(&mut Noise::new(seed, Stream::Fleet));
                prop_assert!(value >= from && value <= to, "{value} of {spread:?}");
            }
        }
    }
}
