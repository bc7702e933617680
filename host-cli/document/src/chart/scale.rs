//! Axes and their round ticks.

/// An axis: its name, its ends, and its ticks.
#[derive(Clone, Debug, PartialEq)]
pub struct Scale {
    name: String,
    from: f64,
    to: f64,
    log: bool,
    /// Asked of round ticks: about so many.
    wanted: usize,
}

impl Scale {
    /// From one value to another, exactly. The name ends with the unit in brackets.
    pub fn new(name: impl Into<String>, from: f64, to: f64) -> Self {
        let (from, to) = if from.is_finite() && to.is_finite() { (from, to) } else { (0.0, 1.0) };
        // A scale of no length would divide by zero.
        let to = if to > from { to } else { from + from.abs().max(1.0) * 1e-3 };
        Self { name: name.into(), from, to, log: false, wanted: 6 }
    }

    /// Wide enough for all values, widened to round ends. Values that are no numbers are left out.
    pub fn fit(name: impl Into<String>, values: impl IntoIterator<Item = f64>) -> Self {
        let (low, high) = values
            .into_iter()
            .filter(|v| v.is_finite())
            .fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), v| (low.min(v), high.max(v)));
        let mut scale = Self::new(name, low, high);
        let step = scale.step();
        scale.from = (scale.from / step + 1e-9).floor() * step;
        scale.to = (scale.to / step - 1e-9).ceil() * step;
        scale
    }

    /// The same on a logarithmic scale with a tick at each power of ten. Both ends must be above 0; if not, it stays
    /// linear.
    #[must_use]
    pub fn logarithmic(mut self) -> Self {
        self.log = self.from > 0.0;
        self
    }

    /// About so many ticks instead of six.
    #[must_use]
    pub fn ticks_about(mut self, wanted: usize) -> Self {
        self.wanted = wanted.max(1);
        self
    }

    /// The name.
    pub fn name(&self) -> &str {
        &self.name
    }

    /// Both ends.
    pub fn ends(&self) -> (f64, f64) {
        (self.from, self.to)
    }

    /// Position of a value: 0 at the low end, 1 at the high one, never beyond.
    pub fn place(&self, value: f64) -> f64 {
        let share = if self.log {
            (libm::log10(value.max(self.from)) - libm::log10(self.from))
                / (libm::log10(self.to) - libm::log10(self.from))
        } else {
            (value - self.from) / (self.to - self.from)
        };
        if share.is_nan() { 0.0 } else { share.clamp(0.0, 1.0) }
    }

    /// Distance of round ticks: 1, 2 or 5 times a power of ten.
    fn step(&self) -> f64 {
        let rough = (self.to - self.from) / self.wanted as f64;
        let power = power_of_ten(libm::floor(libm::log10(rough)) as i32);
        let lead = rough / power;
        let lead = [1.0, 2.0, 5.0].into_iter().find(|l| lead <= l * 1.001).unwrap_or(10.0);
        lead * power
    }

    /// Ticks and their labels.
    pub fn ticks(&self) -> Vec<(f64, String)> {
        if self.log {
            let (low, high) = (libm::log10(self.from), libm::log10(self.to));
            let powers = libm::ceil(low - 1e-9) as i32..=libm::floor(high + 1e-9) as i32;
            return powers.map(|n| (power_of_ten(n), power_words(n))).collect();
        }
        let step = self.step();
        let places = (-libm::floor(libm::log10(step) + 1e-9)).clamp(0.0, 9.0) as usize;
        let first = libm::ceil(self.from / step - 1e-6) as i64;
        let last = libm::floor(self.to / step + 1e-6) as i64;
        (first..=last)
            .map(|n| {
                let value = n as f64 * step;
                (value, format!("{:.places$}", value + 0.0).replace('-', "−"))
            })
            .collect()
    }
}

/// By the decimal parser, which rounds correctly everywhere.
fn power_of_ten(n: i32) -> f64 {
    format!("1e{n}").parse().unwrap_or(1.0)
}

/// Plain where that is short: "0.01", "100"; "1e−7" beyond.
fn power_words(n: i32) -> String {
    match n {
        0..=4 => format!("1{}", "0".repeat(n.unsigned_abs() as usize)),
        -4..=-1 => format!("0.{}1", "0".repeat(n.unsigned_abs() as usize - 1)),
        _ => format!("1e{n}").replace('-', "−"),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn labels(scale: &Scale) -> Vec<String> {
        scale.ticks().into_iter().map(|t| t.1).collect()
    }

    #[test]
    fn ticks_are_round() {
        assert_eq!(labels(&Scale::new("", 0.0, 60.0)), ["0", "10", "20", "30", "40", "50", "60"]);
        assert_eq!(labels(&Scale::new("", -0.31, 0.52)), ["−0.2", "0.0", "0.2", "0.4"]);
        assert_eq!(labels(&Scale::new("", 6.0012, 6.0019))[0], "6.0012");
        assert_eq!(labels(&Scale::new("", 0.01, 1000.0).logarithmic()), ["0.01", "0.1", "1", "10", "100", "1000"]);
        assert_eq!(Scale::fit("", [0.3, 58.0]).ends(), (0.0, 60.0));
    }

    proptest! {
        /// Whatever it is to hold, a scale has ends, few ticks inside them, and places nothing off the paper.
        #[test]
        fn any_scale_is_drawable(a in any::<f64>(), b in any::<f64>(), v in any::<f64>()) {
            let scale = Scale::fit("", [a, b].map(|x| x.clamp(-1e12, 1e12)));
            prop_assert!(scale.from < scale.to);
            prop_assert!(scale.ticks().len() <= 20, "{:?}", scale.ticks().len());
            for (tick, _) in scale.ticks() {
                prop_assert!((0.0..=1.0).contains(&scale.place(tick)));
            }
            prop_assert!((0.0..=1.0).contains(&scale.place(v)));
        }
    }
}
