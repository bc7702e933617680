//! A level that changes from one reading to the next, and stays: bits of the converter that do not come through, a loose wire,
//! a knock.
//!
//! Where such jumps come often, means of readings are spread by as much, and the sequencer's detector of steps, which
//! compares means, takes that for noise. Between single readings they show all the same: by how much more one moves than
//! its neighbours do, which neither a leak nor settling nor a slow wave makes; and medians before and after tell one from a
//! spike (running medians keep edges: Tukey, *Exploratory Data Analysis*, 7, 1977; from memory).

/// So many standard deviations of the noise are a jump (our judgement). What is compared has 2.24 of them itself.
const NOISES: f64 = 15.0;

/// So many steps of the logger at least (our judgement): noise under a step is not known.
const STEPS: f64 = 16.0;

/// Readings in a median, on either side.
const ACROSS: usize = 5;

/// The medians differ by so much of the jump. By a spike they do not differ.
const STAYS: f64 = 0.6;

/// Makes a median absolute deviation a standard deviation (of normal noise: 1/Φ⁻¹(3/4)).
const OF_NORMAL: f64 = 1.4826;

/// The index of the first reading after a jump.
pub(super) fn first_jump(readings: &[f64], step_pa: f64) -> Option<usize> {
    // A logger that writes each value several times, or noise under a step: what does not move says nothing of the noise.
    let second = readings.windows(3).map(|w| (w[0] - 2.0 * w[1] + w[2]).abs());
    let mut second: Vec<f64> = second.filter(|change| *change > 0.0).collect();
    // Of white noise the second difference has six times the variance.
    let noise = OF_NORMAL * median(&mut second)? / 6.0_f64.sqrt();
    let least = (NOISES * noise).max(STEPS * step_pa);
    let jump = |around: &[f64]| {
        let (before, after) = around.split_at(ACROSS);
        let step = after[0] - before[ACROSS - 1];
        // How the pressure moves there anyway.
        let usual = (before[ACROSS - 1] - before[ACROSS - 2] + after[1] - after[0]) / 2.0;
        let (abrupt, stays) = (step - usual, level(after) - level(before));
        abrupt.abs() >= least && stays * abrupt.signum() >= STAYS * abrupt.abs()
    };
    Some(readings.windows(2 * ACROSS).position(jump)? + ACROSS)
}

/// The median of a few.
fn level(readings: &[f64]) -> f64 {
    median(&mut readings.to_vec()).unwrap_or_default()
}

fn median(values: &mut [f64]) -> Option<f64> {
    let middle = values.len() / 2;
    (!values.is_empty()).then(|| *values.select_nth_unstable_by(middle, f64::total_cmp).1)
}

#[cfg(test)]
mod tests {
    use super::super::noise::Noise;
    use super::*;
    use proptest::prelude::*;

    proptest! {
        /// High bits that are stuck, whichever: a saw-tooth, with chatter where it wraps. Two wraps at least lie inside.
        #[test]
        fn stuck_bits_are_seen(seed: u64, bits in 6u32..12, noise in 0.005f64..0.04, fall in 0.001f64..0.04) {
            let wrap = f64::from(1 << bits);
            let (sigma, slope) = (noise * wrap, fall * wrap);
            let readings = ((3.0 / fall) as usize).max(300);
            let live = Noise(seed).live(readings, sigma, 0.0, slope);
            let stuck: Vec<f64> = live.iter().map(|p| p.rem_euclid(wrap)).collect();
            prop_assert!(first_jump(&stuck, 1.0).is_some());
        }

        /// Sound channels have none: noise, leaks great and small, settling, waves of interference.
        #[test]
        fn sound_channels_have_no_jump(
            seed: u64, sigma in 0.0f64..30.0, slope in 0.0f64..20.0, settling in 0.0f64..5_000.0, tau in 15.0f64..500.0,
            wave in 0.0f64..200.0, period in 8.0f64..300.0,
        ) {
            let live = Noise(seed).live(800, sigma, 0.0, slope);
            let moved = |(i, p): (usize, &f64)| {
                let (i, turn) = (i as f64, std::f64::consts::TAU);
                (p + settling * (-i / tau).exp() + wave * (turn * i / period).sin()).round()
            };
            let readings: Vec<f64> = live.iter().enumerate().map(moved).collect();
            prop_assert_eq!(first_jump(&readings, 1.0), None);
        }

        /// Nothing panics.
        #[test]
        fn any_readings(readings in prop::collection::vec(-1e9f64..1e9, 0..40), step in 0.0f64..1e6) {
            let _ = first_jump(&readings, step);
        }
    }

    /// A knock is found where it is.
    #[test]
    fn a_knock_is_found_where_it_is() {
        let mut readings = Noise(2).live(400, 3.0, 0.0, 0.5);
        readings[217..].iter_mut().for_each(|p| *p += 100.0);
        assert_eq!(first_jump(&readings, 1.0), Some(217));
    }
}
