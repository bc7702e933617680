//! Makes the noise of a channel white, reading by reading, so that plain least squares weighs it rightly.
//!
//! 1/f noise is written as a sum of eight processes with exponential correlation, their times an octave or two apart; a Kalman
//! filter over them turns readings into innovations, which are independent and of unit variance (A. C. Harvey, *Forecasting,
//! Structural Time Series Models and the Kalman Filter*, 1989, ch. 3; from memory). Its gains do not depend on the readings, so
//! they are computed once and serve residuals and each column of the Jacobian alike, in time proportional to their number.

use super::noise::{ROWS, SensorNoise};
use super::trace::Stretch;

/// Processes that stand for the rows of 1/f noise, two rows each.
const PARTS: usize = 8;

/// What whitens a channel.
#[derive(Clone, Debug, Default)]
pub struct Whitener {
    steps: Vec<Step>,
}

#[derive(Clone, Debug)]
struct Step {
    decay: [f64; PARTS],
    gain: [f64; PARTS],
    /// Whether a part is seen in the mean, or has averaged out.
    seen: [f64; PARTS],
    per_sd: f64,
}

impl Whitener {
    /// For these stretches, each with a further variance of its own (what is uncertain about its time, say), Pa².
    pub fn new(
        stretches: &[Stretch],
        noise: &SensorNoise,
        per_count: f64,
        period_s: f64,
        further: impl Fn(usize) -> f64,
    ) -> Self {
        let each = noise.pink * noise.pink / PARTS as f64;
        let times: [f64; PARTS] = std::array::from_fn(|part| {
            // Between the two rows it stands for.
            let rows = f64::from(ROWS) / PARTS as f64;
            period_s * libm::exp2(rows * part as f64 + 0.5 * (rows - 1.0) + 1.0)
        });
        let white = noise.white * noise.white + per_count * per_count / 12.0;
        let mut p = [[0.0; PARTS]; PARTS];
        (0..PARTS).for_each(|i| p[i][i] = each);
        let mut last = None;
        let mut steps = Vec::with_capacity(stretches.len());
        for (place, stretch) in stretches.iter().enumerate() {
            let at = stretch.at_s();
            let lasts = (stretch.to - stretch.from) as f64 * 1e-6;
            // Of a correlation that falls in a straight line to zero the integral is half the time, and so it is here.
            let decay = times.map(|time| last.map_or(0.0, |last: f64| libm::exp(-2.0 * (at - last).max(0.0) / time)));
            for (i, row) in p.iter_mut().enumerate() {
                for (j, value) in row.iter_mut().enumerate() {
                    *value *= decay[i] * decay[j];
                    if i == j {
                        *value += each * (1.0 - decay[i] * decay[i]);
                    }
                }
            }
            let mut seen = [0.0; PARTS];
            let mut variance = white / f64::from(stretch.count.max(1)) + further(place);
            for (part, time) in times.iter().enumerate() {
                let left = left_by_averaging(2.0 * lasts / time);
                if *time >= lasts {
                    seen[part] = left.sqrt();
                } else {
                    variance += each * left;
                }
            }
            let ph: [f64; PARTS] = std::array::from_fn(|i| (0..PARTS).map(|j| p[i][j] * seen[j]).sum());
            let total = (0..PARTS).map(|i| seen[i] * ph[i]).sum::<f64>() + variance.max(1e-12);
            let gain = ph.map(|value| value / total);
            for (i, row) in p.iter_mut().enumerate() {
                for (j, value) in row.iter_mut().enumerate() {
                    *value -= gain[i] * ph[j];
                }
            }
            steps.push(Step { decay, gain, seen, per_sd: 1.0 / total.sqrt() });
            last = Some(at);
        }
        Self { steps }
    }

    /// Whitens a column in its place; it is as long as there are stretches.
    pub fn apply(&self, column: &mut [f64]) {
        let mut state = [0.0; PARTS];
        for (value, step) in column.iter_mut().zip(&self.steps) {
            let mut expected = 0.0;
            for ((state, decay), seen) in state.iter_mut().zip(&step.decay).zip(&step.seen) {
                *state *= decay;
                expected += seen * *state;
            }
            let new = *value - expected;
            state.iter_mut().zip(&step.gain).for_each(|(state, gain)| *state += gain * new);
            *value = new * step.per_sd;
        }
    }
}

/// What is left of the variance of a process with exponential correlation in its mean over so many correlation times (A. Papoulis,
/// *Probability, Random Variables, and Stochastic Processes*; from memory, derivable).
fn left_by_averaging(times: f64) -> f64 {
    // Below, the difference would be lost in rounding.
    if times < 1e-3 { 1.0 - times / 3.0 } else { 2.0 * (times - 1.0 + libm::exp(-times)) / (times * times) }
}

#[cfg(test)]
mod tests {
    use super::*;
    use seathold_sequencer::event::Phase;
    use seathold_sequencer::rig::Transducer;
    use seathold_sim::noise::Stream;
    use seathold_sim::sensor::{Channel, RawSensor};

    /// Means of stretches of very different lengths come out independent and nearly of unit variance: eight parts for sixteen rows
    /// expect a little more noise than comes, here 4 % (0.924 of the variance), which is on the safe side.
    #[test]
    fn noise_of_the_plant_comes_out_white() {
        let noise = SensorNoise { white: 20.0, pink: 15.0, ..SensorNoise::default() };
        let spec = RawSensor { noise_pa: 20.0, pink_pa: 15.0, ..RawSensor::DEMO }.validate().unwrap();
        let transducer = Transducer { pa_per_count: 0.01, zero_counts: 0, ..Transducer::DEMO };
        let (mut sum, mut lagged, mut count) = (0.0, 0.0, 0);
        for seed in 0..20 {
            let mut channel = Channel::new(&spec, transducer, seed, Stream::Far);
            let (mut stretches, mut column) = (Vec::new(), Vec::new());
            let mut at = 0;
            for place in 0..200_u64 {
                let of = [1, 1, 1, 5, 20, 100][place as usize % 6];
                let mut mean = 0.0;
                let from = at + 10_000;
                for _ in 0..of {
                    at += 10_000;
                    channel.convert(0.0);
                    mean += f64::from(channel.take().unwrap().counts) * 0.01 / f64::from(of);
                }
                column.push(mean);
                stretches.push(Stretch { from, to: at, count: of as u32, mean, phase: Phase::Measure, second: false });
            }
            Whitener::new(&stretches, &noise, 0.01, 0.01, |_| 0.0).apply(&mut column);
            sum += column.iter().map(|value| value * value).sum::<f64>();
            lagged += column.windows(2).map(|two| two[0] * two[1]).sum::<f64>();
            count += column.len();
        }
        let (variance, lagged) = (sum / f64::from(count as u32), lagged / f64::from(count as u32));
        assert!((0.9..1.05).contains(&variance) && lagged.abs() < 0.05, "{variance} {lagged}");
    }
}
