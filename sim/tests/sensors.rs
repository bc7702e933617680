//! Sensors and noise: the output has the specified properties.

use seathold_sequencer::rig::{RawRig, Thermometer, Transducer};
use seathold_sim::noise::{Noise, Stream};
use seathold_sim::sensor::{Channel, RawSensor, RawThermometer};

const FINE: Transducer =
    Transducer { zero_counts: 0, pa_per_count: 0.001, counts_min: -2_000_000_000, counts_max: 2_000_000_000 };

const QUIET: RawSensor = RawSensor { noise_pa: 0.0, ..RawSensor::DEMO };

/// Readings in Pa, through a converter too fine to matter.
fn read(raw: RawSensor, seed: u64, pressures: impl IntoIterator<Item = f64>) -> Vec<f64> {
    let mut channel = Channel::new(&raw.validate().expect("valid"), FINE, seed, Stream::Far);
    pressures
        .into_iter()
        .map(|p| {
            channel.convert(p);
            f64::from(channel.take().expect("a conversion").counts) * 0.001
        })
        .collect()
}

fn mean_and_sd(x: &[f64]) -> (f64, f64) {
    let mean = x.iter().sum::<f64>() / x.len() as f64;
    let variance = x.iter().map(|v| (v - mean).powi(2)).sum::<f64>() / (x.len() - 1) as f64;
    (mean, variance.sqrt())
}

#[test]
fn white_noise_has_its_size_its_shape_and_no_memory() {
    let x = read(RawSensor { noise_pa: 20.0, ..RawSensor::DEMO }, 1, std::iter::repeat_n(1_000.0, 100_000));
    let (mean, sd) = mean_and_sd(&x);
    // Four standard errors each: 20/√100000, and 20/√200000.
    assert!((mean - 1_000.0).abs() < 0.26, "mean {mean}");
    assert!((sd - 20.0).abs() < 0.18, "sd {sd}");
    let beyond = |k: f64| x.iter().filter(|v| (*v - 1_000.0).abs() > k * 20.0).count() as f64 / 1e5;
    // Normal tails: 31.73 %, 4.55 %, 0.27 %; four binomial standard errors.
    assert!((beyond(1.0) - 0.3173).abs() < 0.006);
    assert!((beyond(2.0) - 0.0455).abs() < 0.0027);
    assert!((beyond(3.0) - 0.0027).abs() < 0.0007);
    let lag_one = x.windows(2).map(|w| (w[0] - mean) * (w[1] - mean)).sum::<f64>() / (1e5 * sd * sd);
    assert!(lag_one.abs() < 0.013, "lag-one correlation {lag_one}");
}

#[test]
fn pink_noise_loses_little_by_averaging() {
    // 1/f noise has the same power in every octave: the mean of 2ᵏ neighbours keeps a share that falls linearly with
    // k, where white noise keeps 2^(−k/2). Voss's sum of 16 rows: of a mean over 256, rows from the eighth up survive.
    let x = read(RawSensor { pink_pa: 20.0, ..QUIET }, 3, std::iter::repeat_n(0.0, 1 << 18));
    let means: Vec<f64> = x.chunks(256).map(|c| c.iter().sum::<f64>() / 256.0).collect();
    let (_, sd) = mean_and_sd(&x);
    let (_, slow) = mean_and_sd(&means);
    assert!((sd / 20.0 - 1.0).abs() < 0.25, "sd {sd}");
    assert!(slow / sd > 0.6, "averaging left {slow} of {sd}; white noise would leave 1/16");
}

#[test]
fn gain_offset_and_drift_are_as_specified() {
    let x = read(RawSensor { gain_error: 0.01, offset_pa: 50.0, drift_pa_s: 2.0, ..QUIET }, 1, [0.0, 100_000.0]);
    assert!((x[0] - 50.02).abs() < 1e-3 && (x[1] - 101_050.04).abs() < 1e-3, "{x:?}");
}

#[test]
fn lag_is_a_first_order_one() {
    let step = (0..100).map(|i| if i == 0 { 0.0 } else { 1_000.0 });
    let x = read(RawSensor { lag_s: 0.1, ..QUIET }, 1, step);
    for (i, v) in x.iter().enumerate() {
        let expected = 1_000.0 * (1.0 - (-0.01 * i as f64 / 0.1).exp());
        assert!((v - expected).abs() < 0.01, "{v} after {i} periods, expected {expected}");
    }
}

#[test]
fn hysteresis_is_a_loop_of_its_width() {
    let up = (0..=100).map(|i| f64::from(i) * 100.0);
    let down = (0..=100).rev().map(|i| f64::from(i) * 100.0);
    let x = read(RawSensor { hysteresis_pa: 150.0, ..QUIET }, 1, up.chain(down));
    assert!((x[50] - (5_000.0 - 150.0)).abs() < 0.01);
    assert!((x[151] - (5_000.0 + 150.0)).abs() < 0.01);
}

#[test]
fn the_converter_rounds_to_the_nearest_count_and_numbers_its_conversions() {
    let mut channel = Channel::new(&QUIET.validate().expect("valid"), RawRig::DEMO.far, 0, Stream::Far);
    channel.convert(0.0);
    channel.convert(600_000.0);
    let sample = channel.take().expect("a conversion");
    assert_eq!((sample.number, channel.take()), (2, None));
    let off = f64::from(RawRig::DEMO.far.pressure(sample.counts).pascals()) - 600_000.0;
    assert!(off.abs() <= RawRig::DEMO.far.pa_per_count / 2.0 + 0.5, "{off} Pa");
}

#[test]
fn the_thermometer_reads_kelvin_through_its_calibration() {
    let calibration = Thermometer { kelvin_at_zero: 273.15, kelvin_per_count: 0.001 };
    let raw = RawThermometer { noise_k: 0.0, lag_s: 0.0, offset_k: 0.02, ..RawThermometer::DEMO };
    let mut channel = Channel::thermometer(&raw.validate().expect("valid"), calibration, 0);
    channel.convert(293.15);
    assert_eq!(channel.take().map(|s| s.counts), Some(20_020));
}

#[test]
fn streams_of_one_seed_and_seeds_of_one_stream_are_independent() {
    let first = |seed, stream| Noise::new(seed, stream).uniform().to_bits();
    let mut all = Vec::new();
    for seed in 0..500 {
        for stream in [Stream::Far, Stream::Supply, Stream::Thermometer, Stream::Operator, Stream::Grit] {
            all.push(first(seed, stream));
        }
    }
    let drawn = all.len();
    all.sort_unstable();
    all.dedup();
    assert_eq!(all.len(), drawn);
}

#[test]
fn one_seed_gives_the_same_bits_for_ever() {
    // Recorded once: a change here breaks every recording's repeatability from its seed.
    let mut noise = Noise::new(7, Stream::Far);
    let drawn: Vec<u64> = (0..4).map(|_| noise.normal().to_bits()).collect();
    assert_eq!(drawn, GOLDEN, "{drawn:#x?}");
}

const GOLDEN: [u64; 4] = [0x3fb6_7371_6eb6_72fd, 0x3f96_0d38_77fd_fbbf, 0xbff6_6f44_e03d_d982, 0x3ffc_1e70_9139_98fa];

#[test]
fn beyond_its_range_a_transducer_reads_the_end_of_it() {
    let ramp = (0..15).map(|i| f64::from(i) * 1e5);
    let x = read(RawSensor { range_pa: 1e6, noise_pa: 20.0, ..RawSensor::DEMO }, 1, ramp);
    assert!(x[11..].iter().all(|p| *p == 1e6), "{x:?}");
    assert!(x[..10].iter().zip(0..).all(|(p, i)| (p - f64::from(i) * 1e5).abs() < 120.0), "{x:?}");
}
