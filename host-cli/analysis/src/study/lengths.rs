//! Finished lengths about their forecast, and the compression of the seals that follows. Lengths are millimetres.
//!
//! The difference `d` of a valve is its measured finished length less its forecast. The forecast took a compression off, so the
//! valve's own is `c = kept − d`, and what is wrong with the other lengths goes into it (`L = body + fitting + fitting − compression`).
//!
//! - Mean of `d`: Student's interval (JCGM 100:2008, G.3).
//! - Its standard deviation `s` beside what was stated, `u² = u²(forecast) + u²(measured)`: the chi-squared interval of a standard deviation,
//!   `s·√(ν/χ²)` (any textbook, from memory), divided by `u`. What is common to all valves is in `u` and shows in the mean, not in the scatter.
//! - Standard uncertainty of the mean compression (JCGM 100:2008, 5.1.2 and 5.2.2): scatter of the mean, `s/√n`, and what gauges leave open,
//!   `(2·g)² + u²(body, its readings taken off) + u²(measured, a reading taken off)`. That is the same for all valves: no number of them averages
//!   it out. A body whose length was stated for all is none of it: where that is wrong, so is the compression by as much the other way, and the
//!   two cancel in the next forecast with such bodies.
//! - From valve to valve a compression scatters by `s² − 3·u²(reading) − u²(body's scatter)`, never below 0: two fittings and the finished
//!   length are read; bodies of one stated length scatter by what was stated, measured ones by a reading.
//! - The next valve: both together, `u² = u²(mean) + s²(from valve to valve)`.

use serde::Serialize;
use statrs::distribution::{ChiSquared, ContinuousCDF, FisherSnedecor, StudentsT};

/// Coverage of the intervals.
pub const COVERAGE: f64 = 0.95;

/// Below so many valves the spread is hardly known: with ten, to a quarter (our judgement).
pub const VALVES_FEW: usize = 10;

/// Batches are one sample only where their means differ by so much by chance in one of four cases or more: the bound that gauge R&R pools by
/// (`anova.rs`). With 0.05, batches that differ by as much as their valves had intervals that cover with 85 % in place of 91 %.
const POOLED_P: f64 = 0.25;

/// A valve of which both lengths are known.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct LengthDifference {
    /// Measured less forecast.
    pub difference_mm: f64,
    /// Compression that the forecast took off.
    pub kept_mm: f64,
    /// Standard uncertainty that the forecast stated.
    pub forecast_u_mm: f64,
    /// Standard uncertainty of the measured length.
    pub measured_u_mm: f64,
    /// What readings and bodies explain of the scatter, as a standard deviation.
    pub explained_mm: f64,
    /// What gauges leave open, the same for all valves, as a standard uncertainty.
    pub systematic_mm: f64,
}

/// The standard uncertainties that a difference is made of.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct LengthBudget {
    /// Of the forecast, everything in it.
    pub forecast_mm: f64,
    /// Of the compression in it.
    pub compression_mm: f64,
    /// Of the gauge.
    pub gauge_mm: f64,
    /// Of a part as it was read, the mean of several readings perhaps.
    pub reading_mm: f64,
    /// Of a single reading, as of a finished length.
    pub once_mm: f64,
    /// Of the measured finished length, where it is known; else as of gauge and reading.
    pub measured_mm: Option<f64>,
    /// Bodies were measured, each with its own length; else one length was stated for all.
    pub bodies_measured: bool,
}

impl LengthDifference {
    /// That of a valve.
    pub fn new(difference_mm: f64, kept_mm: f64, u: &LengthBudget) -> Self {
        let square = |x: f64| x * x;
        let (gauge, reading, once) = (square(u.gauge_mm), square(u.reading_mm), square(u.once_mm));
        let body = (square(u.forecast_mm) - 2.0 * reading - 4.0 * gauge - square(u.compression_mm)).max(0.0);
        let measured = u.measured_mm.map_or(gauge + once, square);
        // Of a measured length its reading scatters; what is left is the gauge's.
        let read = |whole: f64, by: f64| (whole.min(by), whole - whole.min(by));
        let (body_scatter, body_gauge) = if u.bodies_measured { read(body, reading) } else { (body, 0.0) };
        let (measured_scatter, measured_gauge) = read(measured, once);
        Self {
            difference_mm,
            kept_mm,
            forecast_u_mm: u.forecast_mm,
            measured_u_mm: measured.sqrt(),
            explained_mm: (2.0 * reading + measured_scatter + body_scatter).sqrt(),
            systematic_mm: (4.0 * gauge + body_gauge + measured_gauge).sqrt(),
        }
    }
}

/// What the scatter that was found says of the uncertainty that was stated.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum StatedUncertainty {
    /// Valves scatter by more than was stated.
    TooSmall,
    /// As far as these valves show.
    AsStated,
    /// Valves scatter by less.
    TooLarge,
}

/// What valves show of their lengths.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct LengthStudy {
    /// How many valves.
    pub valves: usize,
    /// Mean of measured less forecast.
    pub mean_mm: f64,
    /// Student's interval of that.
    pub mean_low_mm: f64,
    /// Its upper end.
    pub mean_high_mm: f64,
    /// Standard deviation of the differences.
    pub deviation_mm: f64,
    /// Standard uncertainty that was stated of a difference: forecast and measured length, root mean square over the valves.
    pub stated_mm: f64,
    /// Deviation over stated; none where nothing was stated.
    pub ratio: Option<f64>,
    /// Chi-squared interval of that.
    pub ratio_low: Option<f64>,
    /// Its upper end.
    pub ratio_high: Option<f64>,
    /// What that says of the stated one; none without one, or where no two differences differ.
    pub found: Option<StatedUncertainty>,
    /// Mean compression of the seals, both together.
    pub compression_mm: f64,
    /// Its standard uncertainty, both parts together.
    pub compression_u_mm: f64,
    /// The part from the scatter of the mean.
    pub scatter_of_mean_mm: f64,
    /// The part that gauges leave open.
    pub gauges_mm: f64,
    /// Standard deviation of the compression from valve to valve.
    pub valve_to_valve_mm: f64,
    /// Standard uncertainty of the next valve's compression.
    pub next_u_mm: f64,
    /// That batches differ by chance alone (analysis of variance, one way); none of one batch.
    pub batches_alike_p: Option<f64>,
    /// They may differ by more: the batches' means are the sample that mean and compression are from.
    pub batches_apart: bool,
}

/// Mean and variance; of at least two.
fn moments(values: &[f64]) -> (f64, f64) {
    let n = values.len() as f64;
    let mean = values.iter().sum::<f64>() / n;
    (mean, values.iter().map(|x| (x - mean) * (x - mean)).sum::<f64>() / (n - 1.0))
}

/// The quantile of Student's t for a two-sided interval.
fn student(freedom: f64) -> f64 {
    StudentsT::new(0.0, 1.0, freedom).map_or(f64::NAN, |t| t.inverse_cdf(0.5 + COVERAGE / 2.0))
}

/// That the means of groups differ as much by chance alone (analysis of variance, one way; ISO 5725-2 and any textbook, from memory). None
/// without scatter inside them, or of fewer than two groups.
fn alike(groups: &[Vec<f64>]) -> Option<f64> {
    let total: usize = groups.iter().map(Vec::len).sum();
    let (between_freedom, within_freedom) =
        (groups.len().checked_sub(1)? as f64, total.checked_sub(groups.len())? as f64);
    let mean_of = |group: &[f64]| group.iter().sum::<f64>() / group.len() as f64;
    let grand = groups.iter().flatten().sum::<f64>() / total as f64;
    let between: f64 = groups.iter().map(|g| g.len() as f64 * (mean_of(g) - grand).powi(2)).sum();
    let within: f64 = groups
        .iter()
        .map(|g| {
            let mean = mean_of(g);
            g.iter().map(|x| (x - mean).powi(2)).sum::<f64>()
        })
        .sum();
    if between_freedom < 1.0 || within_freedom < 1.0 || within <= 0.0 {
        return None;
    }
    let f = (between / between_freedom) / (within / within_freedom);
    if !f.is_finite() {
        return Some(0.0);
    }
    FisherSnedecor::new(between_freedom, within_freedom).ok().map(|of| of.sf(f).clamp(0.0, 1.0))
}

impl LengthStudy {
    /// Of valves by batch; none of fewer than two altogether.
    pub fn of(batches: &[Vec<LengthDifference>]) -> Option<Self> {
        let all: Vec<LengthDifference> = batches.iter().flatten().copied().collect();
        if all.len() < 2 {
            return None;
        }
        let n = all.len() as f64;
        let column = |of: &dyn Fn(&LengthDifference) -> f64| all.iter().map(of).collect::<Vec<f64>>();
        let (mean_mm, variance) = moments(&column(&|d| d.difference_mm));
        let (compression_mm, compression_variance) = moments(&column(&|d| d.kept_mm - d.difference_mm));
        let of_batches = |of: &dyn Fn(&LengthDifference) -> f64| -> Vec<Vec<f64>> {
            batches.iter().filter(|b| !b.is_empty()).map(|b| b.iter().map(of).collect()).collect()
        };
        let compressions = of_batches(&|d| d.kept_mm - d.difference_mm);
        let batches_alike_p = alike(&compressions);
        let batches_apart = batches_alike_p.is_some_and(|p| p < POOLED_P);
        // Where batches may differ, valves of one are no new evidence on the mean of all: each batch counts once.
        let of_mean = |groups: &[Vec<f64>], whole: (f64, f64)| {
            if !batches_apart {
                return (whole.0, (whole.1 / n).sqrt(), n - 1.0);
            }
            let means: Vec<f64> = groups.iter().map(|g| g.iter().sum::<f64>() / g.len() as f64).collect();
            let (mean, variance) = moments(&means);
            (mean, (variance / means.len() as f64).sqrt(), means.len() as f64 - 1.0)
        };
        let (mean_mm, mean_u, freedom) = of_mean(&of_batches(&|d| d.difference_mm), (mean_mm, variance));
        let (compression_mm, scatter_of_mean_mm, _) = of_mean(&compressions, (compression_mm, compression_variance));
        let half = student(freedom) * mean_u;
        let mean_square = |of: &dyn Fn(&LengthDifference) -> f64| column(of).iter().map(|x| x * x).sum::<f64>() / n;
        let stated_mm = mean_square(&|d| d.forecast_u_mm.hypot(d.measured_u_mm)).sqrt();
        let deviation_mm = variance.sqrt();
        let chi = ChiSquared::new(n - 1.0).ok();
        let bound = |at: f64| chi.map(|chi| ((n - 1.0) / chi.inverse_cdf(at)).sqrt() * deviation_mm / stated_mm);
        let is_stated = stated_mm > 0.0;
        let tail = (1.0 - COVERAGE) / 2.0;
        let (ratio_low, ratio_high) = if is_stated { (bound(1.0 - tail), bound(tail)) } else { (None, None) };
        let found = ratio_low.zip(ratio_high).filter(|_| deviation_mm > 0.0).map(|(low, high)| match () {
            () if low > 1.0 => StatedUncertainty::TooSmall,
            () if high < 1.0 => StatedUncertainty::TooLarge,
            () => StatedUncertainty::AsStated,
        });
        // The same for every valve of a batch, and likely for every batch: it adds up before it is squared.
        let gauges_mm = column(&|d| d.systematic_mm).iter().sum::<f64>() / n;
        let compression_u_mm = scatter_of_mean_mm.hypot(gauges_mm);
        let valve_to_valve_mm = (compression_variance - mean_square(&|d| d.explained_mm)).max(0.0).sqrt();
        Some(Self {
            valves: all.len(),
            mean_mm,
            mean_low_mm: mean_mm - half,
            mean_high_mm: mean_mm + half,
            deviation_mm,
            stated_mm,
            ratio: is_stated.then_some(deviation_mm / stated_mm),
            ratio_low,
            ratio_high,
            found,
            compression_mm,
            compression_u_mm,
            scatter_of_mean_mm,
            gauges_mm,
            valve_to_valve_mm,
            next_u_mm: compression_u_mm.hypot(valve_to_valve_mm),
            batches_alike_p,
            batches_apart,
        })
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;
    use seathold_sim::noise::{Noise, Stream};

    use super::*;

    const U: LengthBudget = LengthBudget {
        forecast_mm: 0.05,
        compression_mm: 0.03,
        gauge_mm: 0.01,
        reading_mm: 0.005,
        once_mm: 0.005,
        measured_mm: None,
        bodies_measured: false,
    };

    fn of(differences: &[f64]) -> Vec<LengthDifference> {
        differences.iter().map(|d| LengthDifference::new(*d, 0.4, &U)).collect()
    }

    fn near(found: f64, expected: f64) {
        assert!((found - expected).abs() < 5e-5 * expected.abs().max(0.01), "{found} for {expected}");
    }

    /// By hand, in µm. Body: 50² − 2·5² − (2·10)² − 30² = 1150. Explained: 3·5² + 1150 = 1225 = 35². Gauges: (2·10)² + 10² = 500.
    #[test]
    fn what_a_difference_is_made_of() {
        let one = LengthDifference::new(0.0, 0.4, &U);
        near(one.explained_mm, 0.035);
        near(one.systematic_mm, 500f64.sqrt() / 1e3);
        near(one.measured_u_mm, 125f64.sqrt() / 1e3);
        // Measured with the same gauge: 5² of the 1150 is a reading, the rest the gauge's.
        let one = LengthDifference::new(0.0, 0.4, &LengthBudget { bodies_measured: true, ..U });
        near(one.explained_mm, 0.010);
        near(one.systematic_mm, (500f64 + 1125.0).sqrt() / 1e3);
        // A length that is said to be known better than it can be read is all reading.
        let one = LengthDifference::new(0.0, 0.4, &LengthBudget { measured_mm: Some(0.003), ..U });
        near(one.systematic_mm, 0.020);
    }

    /// Differences of −30, −10, 0, 20, 70 µm: mean 10, squares 1600+400+100+100+3600 = 5800, variance 1450, s 38.0789. t(4; 97.5 %) =
    /// 2.776445, chi-squared(4) 0.484419 and 11.14329 (tables). Stated 50² + 125 = 2625.
    #[test]
    fn by_hand() {
        let found = LengthStudy::of(&[of(&[-0.03, -0.01, 0.0, 0.02, 0.07])]).unwrap();
        near(found.mean_mm, 0.010);
        near(found.deviation_mm, 1450f64.sqrt() / 1e3);
        near(found.mean_high_mm, 0.010 + 2.776_445 * 290f64.sqrt() / 1e3);
        near(found.mean_low_mm, 0.010 - 2.776_445 * 290f64.sqrt() / 1e3);
        near(found.stated_mm, 2625f64.sqrt() / 1e3);
        let ratio = (1450f64 / 2625.0).sqrt();
        near(found.ratio.unwrap(), ratio);
        near(found.ratio_low.unwrap(), ratio * (4f64 / 11.143_29).sqrt());
        near(found.ratio_high.unwrap(), ratio * (4f64 / 0.484_419).sqrt());
        assert_eq!((found.found, found.batches_alike_p), (Some(StatedUncertainty::AsStated), None));
        near(found.compression_mm, 0.39);
        near(found.compression_u_mm, (290f64 + 500.0).sqrt() / 1e3);
        near(found.valve_to_valve_mm, (1450f64 - 1225.0).sqrt() / 1e3);
        near(found.next_u_mm, (290f64 + 500.0 + 225.0).sqrt() / 1e3);
    }

    #[test]
    fn of_one_valve_nothing_follows_and_two_alike_judge_nothing() {
        assert_eq!(LengthStudy::of(&[]), None);
        assert_eq!(LengthStudy::of(&[of(&[0.01]), Vec::new()]), None);
        let found = LengthStudy::of(&[of(&[0.01, 0.01])]).unwrap();
        assert_eq!((found.deviation_mm, found.valve_to_valve_mm, found.found), (0.0, 0.0, None));
    }

    /// Three batches of 0, 100, 200 µm, each with ±10 µm: F = (2·20000 / 2) / (600 / 3) = 100, far beyond chance, so three means are the sample: t(2) =
    /// 4.302653, s = 100, u = 57.735.
    #[test]
    fn where_batches_apart_each_counts_once() {
        let batch = |mean: f64| of(&[mean - 0.01, mean + 0.01]);
        let found = LengthStudy::of(&[batch(0.0), batch(0.1), batch(0.2)]).unwrap();
        // With 2 and 3 degrees of freedom p = (1 + 2·F/3)^(−3/2).
        near(found.batches_alike_p.unwrap(), (1.0f64 + 200.0 / 3.0).powf(-1.5));
        assert!(found.batches_apart);
        near(found.mean_mm, 0.1);
        near(found.scatter_of_mean_mm, 0.1 / 3f64.sqrt());
        near(found.mean_high_mm, 0.1 + 4.302_653 * 0.1 / 3f64.sqrt());
        let alike = LengthStudy::of(&[batch(0.0), batch(0.001), batch(0.002)]).unwrap();
        assert!(!alike.batches_apart);
        near(alike.scatter_of_mean_mm, alike.deviation_mm / 6f64.sqrt());
    }

    #[test]
    fn what_is_stated_is_too_small_or_too_large_only_beyond_the_interval() {
        let spread = |by: f64| of(&(0..30).map(|n| by * f64::from(n % 3 - 1)).collect::<Vec<_>>());
        let found = |by| LengthStudy::of(&[spread(by)]).unwrap().found;
        assert_eq!(
            [found(0.01), found(0.06), found(0.2)],
            [Some(StatedUncertainty::TooLarge), Some(StatedUncertainty::AsStated), Some(StatedUncertainty::TooSmall)]
        );
    }

    /// How often mean, ratio and compression of three batches are covered, where batches scatter by so much beside their valves.
    fn covered(batch_scatter: f64, valves: usize) -> [f64; 3] {
        const REPEATS: usize = 2_000;
        let (u, mut random) = (U, Noise::new(20_260_302, Stream::Fleet));
        let body = 0.001_150f64.sqrt();
        let scatter = (0.02f64.powi(2) + 3.0 * u.reading_mm.powi(2) + body.powi(2)).sqrt();
        let stated = (u.forecast_mm.powi(2) + u.gauge_mm.powi(2) + u.reading_mm.powi(2)).sqrt();
        let mut covers = [0.0; 3];
        for _ in 0..REPEATS {
            let gauges = u.gauge_mm * (2.0 * random.normal() + random.normal());
            let mut batch = || {
                let off = gauges - 0.02 + batch_scatter * random.normal();
                of(&(0..valves).map(|_| off + scatter * random.normal()).collect::<Vec<f64>>())
            };
            let found = LengthStudy::of(&[batch(), batch(), batch()]).unwrap();
            let ratio = scatter / stated;
            let is_in = [
                (found.mean_low_mm..=found.mean_high_mm).contains(&(gauges - 0.02)),
                (found.ratio_low.unwrap()..=found.ratio_high.unwrap()).contains(&ratio),
                (found.compression_mm - 0.42).abs() <= 1.96 * found.compression_u_mm,
            ];
            covers.iter_mut().zip(is_in).for_each(|(n, is)| *n += f64::from(u8::from(is)) / REPEATS as f64);
        }
        covers
    }

    /// 95 %, give or take 0.5 %: four of those. Batches that truly differ are not always seen to: the less they do, the more of them are pooled,
    /// and the worst is between.
    #[test]
    fn intervals_cover_a_truth_that_was_drawn() {
        let alike = covered(0.0, 4);
        assert!(alike.iter().all(|covers| (0.93..=0.97).contains(covers)), "{alike:?}");
        for (batch_scatter, least) in [(0.02, 0.91), (0.05, 0.89), (0.2, 0.93)] {
            let [mean, ..] = covered(batch_scatter, 4);
            assert!((least..=0.97).contains(&mean), "{batch_scatter}: {mean}");
        }
    }

    proptest! {
        /// Whatever lengths a register holds, figures are figures, and intervals hold their middle.
        #[test]
        fn figures_are_figures(
            batches in prop::collection::vec(prop::collection::vec((-1e4f64..1e4, 0.0f64..1e4, [0.0f64..1e4, 0.0..1e4, 0.0..1e4, 0.0..1e4], any::<bool>()), 0..5), 0..4)
        ) {
            let of = |(d, kept, [forecast_mm, compression_mm, gauge_mm, reading_mm], bodies_measured): (f64, f64, [f64; 4], bool)| {
                LengthDifference::new(d, kept, &LengthBudget { forecast_mm, compression_mm, gauge_mm, reading_mm, once_mm: reading_mm, measured_mm: None, bodies_measured })
            };
            let batches: Vec<Vec<_>> = batches.into_iter().map(|b| b.into_iter().map(of).collect()).collect();
            let valves: usize = batches.iter().map(Vec::len).sum();
            let found = LengthStudy::of(&batches);
            prop_assert_eq!(found.is_some(), valves >= 2);
            if let Some(s) = found {
                let all = [s.mean_mm, s.mean_low_mm, s.mean_high_mm, s.deviation_mm, s.compression_mm, s.compression_u_mm, s.valve_to_valve_mm, s.next_u_mm];
                prop_assert!(all.iter().all(|x| x.is_finite()), "{:?}", s);
                prop_assert!(s.mean_low_mm <= s.mean_mm && s.mean_mm <= s.mean_high_mm);
                prop_assert!(s.valve_to_valve_mm >= 0.0 && s.next_u_mm >= s.compression_u_mm);
            }
        }
    }
}
