//! What a controller reads, second by second, as text: gauges with their extremes and a trace. Nothing here moves an output.

use std::collections::VecDeque;

use seathold_sequencer::input::{Inputs, Reading, SensorFault};
use seathold_sequencer::link::message::Snapshot;
use seathold_sequencer::output::{GasValve, Outputs, Pilot};
use seathold_sequencer::rig::{RawRig, Transducer};
use seathold_text::layout::line;
use seathold_text::messages::{self, UnitFormat};

/// Columns of the trace.
const TRACE: usize = 60;

/// The least that the whole height of a trace stands for, in pascals and kelvin.
const LEAST_PA: f64 = 2_000.0;
const LEAST_K: f64 = 0.2;

/// Heights of a column of the trace, in one line of text.
const BARS: [char; 8] = ['▁', '▂', '▃', '▄', '▅', '▆', '▇', '█'];

/// One channel, since the watch began.
#[derive(Clone, Debug, Default)]
pub struct Gauge {
    /// The last conversion's value and number, and when it was first seen.
    last: Option<(f64, u32, u64)>,
    fault: Option<SensorFault>,
    extremes: Option<(f64, f64)>,
    /// Of the present second.
    second: Vec<f64>,
    /// A mean a second.
    trace: VecDeque<f64>,
}

impl Gauge {
    /// Takes in a reading; `value` is what its counts mean.
    pub fn take(&mut self, reading: Reading, at_us: u64, value: impl FnOnce(i32) -> f64) {
        match reading {
            Reading::NoSample => {}
            Reading::SensorFault(fault) => self.fault = Some(fault),
            Reading::Sample(sample) => {
                self.fault = None;
                if self.last.is_some_and(|(_, number, _)| number == sample.number) {
                    return;
                }
                let value = value(sample.counts);
                self.last = Some((value, sample.number, at_us));
                let (least, most) = self.extremes.unwrap_or((value, value));
                self.extremes = Some((least.min(value), most.max(value)));
                self.second.push(value);
            }
        }
    }

    /// Ends a second.
    pub fn second(&mut self) {
        if !self.second.is_empty() {
            let mean = self.second.iter().sum::<f64>() / self.second.len() as f64;
            if self.trace.len() == TRACE {
                let _ = self.trace.pop_front();
            }
            self.trace.push_back(mean);
            self.second.clear();
        }
    }

    /// The last value.
    pub fn value(&self) -> Option<f64> {
        self.last.map(|(value, ..)| value)
    }

    /// How long ago it was first seen, in seconds of the controller's clock.
    pub fn age_s(&self, now_us: u64) -> Option<f64> {
        self.last.map(|(.., at)| now_us.saturating_sub(at) as f64 / 1e6)
    }

    fn words(&self, now_us: u64, show: impl Fn(f64) -> String) -> String {
        if let Some(fault) = self.fault {
            let why = match fault {
                SensorFault::Open => "broken wire",
                SensorFault::Short => "short circuit",
                SensorFault::BrownOut => "its supply is too low",
                SensorFault::Device => "the converter does not answer",
            };
            return format!("FAULT: {why}");
        }
        let (Some((value, ..)), Some((least, most))) = (self.last, self.extremes) else {
            return "nothing read yet".into();
        };
        let old = match self.age_s(now_us) {
            Some(age) if age > 1.0 => format!("  STALE: {age:.0} s old"),
            _ => String::new(),
        };
        format!("{}  (least {}, most {}){old}", show(value), show(least), show(most))
    }

    /// The last minute, a column a second, from the least to the most of it, or over this span where that is less.
    fn bars(&self, least_span: f64) -> Option<String> {
        let (least, most) = self.trace.iter().fold((f64::MAX, f64::MIN), |(a, b), v| (a.min(*v), b.max(*v)));
        // Noise alone is no hill.
        let span = (most - least).max(least_span);
        (self.trace.len() > 1).then(|| {
            let step = |value: f64| ((value - least) / span * 7.0).round() as usize;
            self.trace.iter().map(|value| BARS[step(*value).min(7)]).collect()
        })
    }
}

/// Everything that is watched.
#[derive(Clone, Debug)]
pub struct Watched {
    rig: RawRig,
    units: UnitFormat,
    /// Far side, in pascals.
    pub far: Gauge,
    /// Supply side, in pascals.
    pub supply: Gauge,
    /// In degrees Celsius.
    pub gas: Gauge,
    latest: Option<(u64, Inputs, Outputs)>,
    status: Option<Snapshot>,
}

impl Watched {
    /// Nothing yet, of this rig.
    pub fn new(rig: RawRig, units: UnitFormat) -> Self {
        let gauge = Gauge::default;
        Self { rig, units, far: gauge(), supply: gauge(), gas: gauge(), latest: None, status: None }
    }

    /// Takes in what a poll read and set.
    pub fn poll(&mut self, at_us: u64, inputs: &Inputs, outputs: &Outputs) {
        let pascals = |of: Transducer| move |counts: i32| f64::from(counts - of.zero_counts) * of.pa_per_count;
        self.far.take(inputs.far, at_us, pascals(self.rig.far));
        if let Some(supply) = self.rig.supply {
            self.supply.take(inputs.supply, at_us, pascals(supply));
        }
        if let Some(thermometer) = self.rig.thermometer {
            self.gas.take(inputs.thermometer, at_us, |counts| thermometer.temperature(counts).celsius());
        }
        self.latest = Some((at_us, *inputs, *outputs));
    }

    /// Takes in the controller's state.
    pub fn status(&mut self, status: Snapshot) {
        self.status = Some(status);
    }

    /// Ends a second.
    pub fn second(&mut self) {
        [&mut self.far, &mut self.supply, &mut self.gas].into_iter().for_each(Gauge::second);
    }

    /// As text, a line a subject.
    pub fn text(&self) -> String {
        let Some((now, inputs, outputs)) = &self.latest else { return "nothing read yet\n".into() };
        let mut text = String::new();
        let pressure = |pascals: f64| self.units.pressure(pascals.round() as i32);
        let trace = |text: &mut String, gauge: &Gauge, least_span: f64| {
            if let Some(bars) = gauge.bars(least_span) {
                text.push_str(&format!("  {:12} {bars}\n", ""));
            }
        };
        line(&mut text, "far side", &self.far.words(*now, pressure));
        trace(&mut text, &self.far, LEAST_PA);
        if self.rig.supply.is_some() {
            line(&mut text, "supply side", &self.supply.words(*now, pressure));
            trace(&mut text, &self.supply, LEAST_PA);
        }
        if self.rig.thermometer.is_some() {
            line(&mut text, "gas", &self.gas.words(*now, |celsius| format!("{celsius:.2} °C")));
            trace(&mut text, &self.gas, LEAST_K);
        }
        let contacts = inputs.contacts;
        let mut said = vec![if contacts.stop { "emergency stop PRESSED" } else { "emergency stop released" }];
        if self.rig.guard_fitted {
            said.push(if contacts.guard_closed { "guard closed" } else { "guard OPEN" });
        }
        if self.rig.shut_switch_fitted {
            said.push(if contacts.valve_shut { "valve shut" } else { "valve not shut" });
        }
        line(&mut text, "contacts", &said.join(", "));
        let valve = |valve: GasValve| if valve == GasValve::Open { "open" } else { "shut" };
        let pilot = if outputs.pilot == Pilot::Fed { "fed" } else { "exhausted" };
        let differs = if inputs.readback_mismatch { "; a READ-BACK DIFFERS" } else { "" };
        let set = format!("supply {}, vent {}, pilot {pilot}{differs}", valve(outputs.supply), valve(outputs.vent));
        line(&mut text, "outputs", &set);
        if let Some(status) = &self.status {
            let fault = status.fault.map_or_else(String::new, |fault| format!("; {}", messages::fault(fault).0));
            line(&mut text, "state", &format!("{}{fault}", messages::phase_name(status.phase)));
            line(&mut text, "fittings", &messages::disconnect(status.disconnect));
        }
        text
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_gauge_keeps_extremes_and_tells_of_age_and_faults() {
        let mut gauge = Gauge::default();
        let show = |value: f64| format!("{value}");
        assert_eq!(gauge.words(0, show), "nothing read yet");
        for (number, value) in [(1, 5), (2, 9), (2, 100), (3, 7)] {
            gauge.take(Reading::sample(value, number), u64::from(number) * 10_000, f64::from);
        }
        assert_eq!(gauge.words(40_000, show), "7  (least 5, most 9)");
        assert_eq!(gauge.words(2_030_000, show), "7  (least 5, most 9)  STALE: 2 s old");
        gauge.take(Reading::SensorFault(SensorFault::Open), 0, f64::from);
        assert_eq!(gauge.words(40_000, show), "FAULT: broken wire");
    }

    #[test]
    fn a_trace_is_a_column_a_second_of_the_last_minute() {
        let mut gauge = Gauge::default();
        for second in 0..80_u32 {
            gauge.take(Reading::sample(second as i32, second), 0, f64::from);
            gauge.second();
            // A second without a reading is none.
            gauge.second();
        }
        let bars: Vec<char> = gauge.bars(1.0).unwrap().chars().collect();
        assert_eq!((bars.len(), bars[0], bars[59]), (60, '▁', '█'));
    }
}
