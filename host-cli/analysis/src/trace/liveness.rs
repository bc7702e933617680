//! Whether the readings of a window are those of a live channel: one that is frozen, clipped or stuck but for a flicker shows
//! no leak, and proves none absent.
//!
//! Noise says so. Normal noise of standard deviation s steps falls on one value with a chance of at most `q = erf(1/(s√8))`,
//! which is when the pressure lies in the middle of that step, so
//! - so many readings in a row on one value have a chance of at most `n·q^(run − 1)` anywhere among n (a run of successes:
//!   Feller, *An Introduction to Probability Theory and Its Applications* I, XIII.7; the longest is near `ln n/ln(1/q)`: Erdős
//!   and Rényi 1970; both from memory). Readings that hang together do not change that: what is measured is how far one
//!   lies from its neighbours, and of noise that fades like an exponential the next one is then never likelier than q to stay;
//! - a share x of all on one value has a chance of at most `K·exp(−n·D(x‖q))`, D the relative entropy and K the values there
//!   are (Chernoff 1952, Hoeffding 1963; from memory).
//!
//! The share is looked at over the whole window, and over halves, quarters and eighths of it by the noise that shows elsewhere.
//!
//! A pressure that moves makes both less likely still. Where the noise does not reach half a step neither tells anything: a
//! sound channel then stays on one value for as long as the pressure moves less than a step. Whoever states the resolution
//! says that it is so. Without that word a window is void whose noise is less,
//! - where one value has a share that even noise of half a step does not give it; or
//! - where one run is a good part of the window, and the readings outside it move so fast that they may be a leak at the limit
//!   that the run hides. Where they do not, the verdict needs no reading of the run.

use libm::erf;

/// The chance at which a sound channel, with white noise of half a step and more, is taken for one that is not (our choice).
const FALSE_ALARM: f64 = 1e-4;

/// Its normal quantile.
const FALSE_ALARM_Z: f64 = 3.719;

/// Noise from which on a channel shows by itself that it lives, in steps (our judgement; as the sequencer's bound on equal
/// codes in a row).
const SHOWS_FROM: f64 = 0.5;

/// The greatest second differences, so many-th part of them, are left out of the noise: they may be knocks or interference.
const GREATEST: usize = 20;

/// Second differences that noise is estimated from at least.
const SECOND_DIFFERENCES_MIN: usize = 8;

/// A run of so many-th part of the window may hide what the rest shows (our judgement).
const GOOD_PART: usize = 4;

/// What moves so many times slower than a leak at the limit is no such leak (our judgement).
const SLOWER: f64 = 2.0;

/// Stretches that are looked at by themselves: so many-th parts of the window, each half over the one before; and how many that are.
const PARTS: [usize; 3] = [2, 4, 8];
/// See above: 3 + 7 + 15, and one more of each where the parts do not come out even.
const STRETCHES: f64 = 28.0;
/// Readings of a stretch at least.
const STRETCH_MIN: usize = 40;

/// Readings that are left at least where a logger repeats each value.
const LEFT_MIN: usize = 16;

/// Where in the range of the readings the value lies that a channel stays on.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum StuckAt {
    /// It is the least of all: the channel is perhaps clipped there.
    Least,
    /// It is the greatest.
    Greatest,
    /// There are readings on both sides, or it is the only one.
    Between,
}

/// What is wrong.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Lifeless {
    /// From this reading to this one, by their indices, all are equal, and noise elsewhere would have moved them.
    Frozen(usize, usize, StuckAt),
    /// So many of the readings are equal, and the scatter of the others would have moved them.
    Sticks(usize, StuckAt),
    /// So many of the readings are equal, and noise too small to show whether that is right.
    Unmoving(usize),
}

/// Looks for it. `step_pa` is the resolution, and `stated` whether somebody answers for it; where it is not known it is
/// taken from the distances of neighbouring values. `fall_pa` is what a leak at the limit takes from one reading to the next.
pub(super) fn lifeless(readings: &[f64], step_pa: Option<f64>, stated: bool, fall_pa: f64) -> Option<Lifeless> {
    let step = step_pa.or_else(|| usual_gap(readings)).filter(|step| *step > 0.0);
    let first = *readings.first()?;
    let codes: Vec<i64> = readings.iter().map(|p| step.map_or(0, |step| ((p - first) / step).round() as i64)).collect();
    let at = |code: i64| match (codes.iter().min() == Some(&code), codes.iter().max() == Some(&code)) {
        (true, false) => StuckAt::Least,
        (false, true) => StuckAt::Greatest,
        _ => StuckAt::Between,
    };
    let hold = hold(&codes);
    let run = longest_run(&codes)?;
    let alone = noise(&codes, hold, Some(run));
    let length = ((run.1 - run.0 + 1) / hold) as f64;
    let among = (codes.len() / hold) as f64;
    if among.ln() + (length - 1.0) * likeliest(alone).ln() < FALSE_ALARM.ln() {
        return Some(Lifeless::Frozen(run.0, run.1, at(codes[run.0])));
    }
    let drawn: Vec<i64> = codes.iter().copied().step_by(hold).collect();
    let (value, times, values) = most_frequent(&drawn)?;
    let too_often = |chance: f64| is_too_often((times, drawn.len(), values), chance, FALSE_ALARM);
    let in_file = |value: i64| codes.iter().filter(|code| **code == value).count();
    let noise_of_all = noise(&codes, hold, None);
    if too_often(likeliest(noise_of_all)) {
        return Some(Lifeless::Sticks(in_file(value), at(value)));
    }
    if let Some(value) = stuck_for_a_stretch(&codes, hold) {
        return Some(Lifeless::Sticks(in_file(value), at(value)));
    }
    if stated || noise_of_all >= SHOWS_FROM {
        return None;
    }
    if values == 1 || too_often(likeliest(SHOWS_FROM)) {
        return Some(Lifeless::Unmoving(in_file(value)));
    }
    let (length, all) = (run.1 - run.0 + 1, readings.len());
    let (held, last) = (readings[run.0], readings[all - 1]);
    let moved = (first - held).abs() + (last - held).abs();
    let may_hide = length * GOOD_PART >= all && moved * SLOWER >= fall_pa * (all - length) as f64;
    may_hide.then_some(Lifeless::Unmoving(length))
}

/// Whether so many of `n` readings on one of so many values are more than that chance makes of them.
fn is_too_often((times, n, values): (usize, usize, usize), chance: f64, alarm: f64) -> bool {
    let share = times as f64 / n as f64;
    share > chance && n as f64 * relative_entropy(share, chance) > (values as f64 / alarm).ln()
}

/// The value that a channel sticks on for a half, a quarter or an eighth of the window, by the noise of whichever part apart from it
/// shows most: what was alive before must not speak for what came after.
fn stuck_for_a_stretch(codes: &[i64], hold: usize) -> Option<i64> {
    let stretches: Vec<(usize, usize)> = PARTS
        .into_iter()
        .map(|part| codes.len() / part)
        .filter(|length| *length >= STRETCH_MIN * hold)
        .flat_map(|length| {
            (0..=codes.len() - length).step_by((length / 2).max(1)).map(move |from| (from, from + length - 1))
        })
        .collect();
    let shown: Vec<f64> = stretches.iter().map(|(from, to)| noise(&codes[*from..=*to], hold, None)).collect();
    stretches.iter().find_map(|stretch| {
        let apart = |other: &(usize, usize)| other.1 < stretch.0 || stretch.1 < other.0;
        let of_parts = stretches.iter().zip(&shown).filter(|(other, _)| apart(other)).map(|(_, noise)| *noise);
        let elsewhere = likeliest(of_parts.fold(noise(codes, hold, Some(*stretch)), f64::max));
        let drawn: Vec<i64> = codes[stretch.0..=stretch.1].iter().copied().step_by(hold).collect();
        let (value, times, values) = most_frequent(&drawn)?;
        is_too_often((times, drawn.len(), values), elsewhere, FALSE_ALARM / STRETCHES).then_some(value)
    })
}

/// The greatest chance that a reading with normal noise of so many steps falls on one value.
fn likeliest(noise: f64) -> f64 {
    if noise > 0.0 { erf(0.5 / (noise * std::f64::consts::SQRT_2)) } else { 1.0 }
}

/// Of a share `x` against a chance `q`, in nats.
fn relative_entropy(x: f64, q: f64) -> f64 {
    let part = |x: f64, q: f64| if x > 0.0 { x * (x / q).ln() } else { 0.0 };
    part(x, q) + part(1.0 - x, 1.0 - q)
}

/// Standard deviation of the noise in steps, never too much: a lower bound, from second differences, which no slope and
/// hardly any settling changes. Those are taken from the readings that are `hold` apart, and not inside `run`.
fn noise(codes: &[i64], hold: usize, run: Option<(usize, usize)>) -> f64 {
    let outside = |i: usize| run.is_none_or(|(from, to)| i < from || i + 2 * hold > to);
    let second = |i: usize| {
        let at = |i: usize| codes.get(i).map(|code| *code as f64);
        Some((at(i)? - 2.0 * at(i + hold)? + at(i + 2 * hold)?).abs())
    };
    let places = (0..codes.len()).step_by(hold).filter(|i| outside(*i));
    let mut differences: Vec<f64> = places.filter_map(second).collect();
    if differences.len() < SECOND_DIFFERENCES_MIN {
        return 0.0;
    }
    differences.sort_unstable_by(f64::total_cmp);
    differences.truncate(differences.len() - differences.len() / GREATEST);
    let kept = differences.len() as f64;
    // Of white noise the second difference has six times the variance.
    let variance = differences.iter().map(|d| d * d).sum::<f64>() / (6.0 * kept);
    // Neighbouring ones hang together: worth half as many degrees of freedom (1 + 2·(16 + 1)/36 = 1.94; computed). The
    // quantile of chi-squared by Wilson and Hilferty (1931; from memory).
    let of_dof = 2.0 / (9.0 * kept / 2.0);
    let least = (1.0 - of_dof - FALSE_ALARM_Z * of_dof.sqrt()).max(0.0).powi(3);
    // Rounding to whole steps has a variance of its own.
    (variance * least - 1.0 / 12.0).max(0.0).sqrt()
}

/// How often a logger writes each value again before it reads anew: the length that three in four runs of equal values
/// reach.
fn hold(codes: &[i64]) -> usize {
    let mut runs: Vec<usize> = codes.chunk_by(|a, b| a == b).map(<[i64]>::len).collect();
    runs.sort_unstable();
    runs.get(runs.len() / 4).copied().unwrap_or(1).clamp(1, (codes.len() / LEFT_MIN).max(1))
}

/// The first and last index of the longest run of equal values.
fn longest_run(codes: &[i64]) -> Option<(usize, usize)> {
    let mut from = 0;
    let runs = codes.chunk_by(|a, b| a == b).map(|run| {
        from += run.len();
        (from - run.len(), from - 1)
    });
    runs.max_by_key(|(from, to)| to - from)
}

/// The most frequent value, how often it comes, and how many values there are.
fn most_frequent(codes: &[i64]) -> Option<(i64, usize, usize)> {
    let mut sorted = codes.to_vec();
    sorted.sort_unstable();
    let values = sorted.chunk_by(|a, b| a == b);
    let count = values.clone().count();
    values.max_by_key(|run| run.len()).map(|run| (run[0], run.len(), count))
}

/// The usual distance between neighbours among the values that occur.
fn usual_gap(readings: &[f64]) -> Option<f64> {
    let mut values = readings.to_vec();
    values.sort_unstable_by(f64::total_cmp);
    values.dedup();
    let mut gaps: Vec<f64> = values.windows(2).map(|pair| pair[1] - pair[0]).collect();
    gaps.sort_unstable_by(f64::total_cmp);
    gaps.get(gaps.len() / 2).copied()
}

#[cfg(test)]
mod tests {
    use super::super::noise::Noise;
    use super::*;
    use proptest::prelude::*;

    /// A leak at the limit that takes a step and a half from reading to reading: 16.7 Pa/s, read ten times a second in
    /// steps of 1 Pa.
    const FALL_PA: f64 = 1.67;

    /// Alive for a fifth of the window, then stuck but for a flicker of one step in ten readings: a leak of a step and a half a reading.
    #[test]
    fn what_was_alive_does_not_speak_for_what_came_after() {
        let mut noise = Noise(11);
        for (readings, sigma) in [(300, 2.0), (600, 1.5), (1_200, 1.0), (6_000, 3.0)] {
            for _ in 0..20 {
                let mut channel = noise.live(readings, sigma, 0.0, 1.5);
                let held = channel[readings / 5];
                for reading in &mut channel[readings / 5..] {
                    let flicker = noise.uniform();
                    *reading = held
                        + if flicker < 0.05 {
                            1.0
                        } else if flicker < 0.1 {
                            -1.0
                        } else {
                            0.0
                        };
                }
                assert!(lifeless(&channel, Some(1.0), true, FALL_PA).is_some(), "{readings} readings, {sigma} steps");
            }
        }
    }

    /// The rate that is promised, over four noises, wherever the pressure lies in a step: less than one in ten thousand. Those with
    /// the least noise are the likeliest to be taken for lifeless.
    #[test]
    fn sound_channels_are_seldom_taken_for_lifeless() {
        let mut noise = Noise(3);
        let (mut taken, mut all) = (0, 0);
        for sigma in [0.55, 0.8, 2.0, 15.0] {
            for readings in [40, 100, 400] {
                for _ in 0..1_000 {
                    let at = noise.uniform();
                    let live = noise.live(readings, sigma, at, 0.0);
                    taken += usize::from(lifeless(&live, Some(1.0), false, FALL_PA).is_some());
                    all += 1;
                }
            }
        }
        assert!(taken <= all / 10_000 + 3, "{taken} of {all}");
    }

    proptest! {
        /// Frozen from somewhere in the first seven tenths to the end: never taken for sound.
        #[test]
        fn a_frozen_leaker_is_never_sound(
            seed: u64, sigma in 0.8f64..60.0, part in 0.08f64..0.7, slope in 1.67f64..8.0, readings in 300usize..1_000,
        ) {
            let mut readings = Noise(seed).live(readings, sigma, 0.3, slope);
            let from = (part * readings.len() as f64) as usize;
            let held = readings[from];
            readings[from..].fill(held);
            for stated in [true, false] {
                let found = lifeless(&readings, Some(1.0), stated, FALL_PA);
                prop_assert!(matches!(found, Some(Lifeless::Frozen(..) | Lifeless::Sticks(..))), "{found:?}");
            }
        }

        /// Frozen from the beginning, with flickers of any height in up to fourteen of a hundred readings.
        #[test]
        fn a_flicker_is_no_life(seed: u64, share in 0.0f64..0.14, height in 1.0f64..50.0, readings in 300usize..1_000) {
            let mut noise = Noise(seed);
            let flickering: Vec<f64> = (0..readings)
                .map(|_| {
                    let flickers = noise.uniform() < share;
                    600_000.0 + if flickers { (height * (2.0 * noise.uniform() - 1.0)).round() } else { 0.0 }
                })
                .collect();
            prop_assert!(lifeless(&flickering, Some(1.0), false, FALL_PA).is_some());
        }

        /// Clipped where a leaker comes by in the first half.
        #[test]
        fn a_clipped_leaker_is_never_sound(seed: u64, sigma in 0.8f64..30.0, part in 0.1f64..0.5, slope in 1.67f64..8.0) {
            let live = Noise(seed).live(600, sigma, 0.0, slope);
            let at = (600_000.0 - slope * part * 600.0).round();
            let low: Vec<f64> = live.iter().map(|p| p.max(at)).collect();
            let end = (600_000.0 - slope * (1.0 - part) * 600.0).round();
            let high: Vec<f64> = live.iter().map(|p| p.min(end)).collect();
            for (clipped, expected) in [(low, StuckAt::Least), (high, StuckAt::Greatest)] {
                let found = lifeless(&clipped, Some(1.0), true, FALL_PA);
                let at = match found {
                    Some(Lifeless::Frozen(_, _, at) | Lifeless::Sticks(_, at)) => Some(at),
                    _ => None,
                };
                prop_assert_eq!(at, Some(expected), "{:?}", found);
            }
        }

        /// Nothing panics.
        #[test]
        fn any_readings(readings in prop::collection::vec(-1e5f64..1e9, 0..60), step in prop::option::of(0.0f64..1e6), stated: bool) {
            let _ = lifeless(&readings, step, stated, FALL_PA);
        }
    }

    /// Without noise only what the rest of the window shows can tell whether a run hides a leak.
    #[test]
    fn a_run_without_noise_is_asked_about_where_it_may_hide_a_leak() {
        let falls = |slope: f64, until: usize| -> Vec<f64> {
            (0..400).map(|i| ((600_000.0 - slope * i.min(until) as f64) / 17.0).round() * 17.0).collect()
        };
        for (slope, until, expected) in
            [(3.0, 200, true), (1.7, 250, true), (0.5, 400, false), (0.1, 200, false), (3.0, 400, false)]
        {
            let readings = falls(slope, until);
            let found = lifeless(&readings, Some(17.0), false, FALL_PA);
            assert_eq!(matches!(found, Some(Lifeless::Unmoving(_))), expected, "{slope} to {until}: {found:?}");
            assert_eq!(lifeless(&readings, Some(17.0), true, FALL_PA), None, "{slope} to {until}");
        }
    }

    /// A logger that writes each value several times, not quite regularly.
    #[test]
    fn repeated_values_are_one_reading() {
        let live = Noise(5).live(120, 15.0, 0.0, 0.0);
        let repeated: Vec<f64> = live.iter().enumerate().flat_map(|(i, p)| vec![*p; 9 + i % 3]).collect();
        assert_eq!(lifeless(&repeated, Some(1.0), false, FALL_PA), None);
    }
}
