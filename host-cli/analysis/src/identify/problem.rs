//! The sum of squares over several recordings: readings less the plant, whitened, with its slopes by central differences.
//!
//! Beside the plant's parameters, which are the same in all recordings, each recording has its own zeros of the transducers and
//! its own loss from the far side. The losses scatter about a mean; a leak that is known elsewhere adds to it. Volume is kept, since
//! pressures do not tell it: see [`mod@super::scale`].

use rayon::prelude::*;

use super::noise::SensorNoise;
use super::parameter::{Guess, PARAMETERS};
use super::predict::{Shown, shown};
use super::solve::{Normal, Problem};
use super::trace::{RunReadings, Stretch};
use super::whiten::Whitener;

/// One of a leak's `z`, Pa·m³/s: far beyond what counts as tight.
pub const LEAK_UNIT: f64 = 1e-3;
/// The same of the leak that is known elsewhere: it may be of any size.
pub const KNOWN_UNIT: f64 = 1e-2;
/// How firmly the volume is kept, as a ratio.
const KEPT: f64 = 1e-4;
/// One of a zero's, Pa.
const ZERO_UNIT: f64 = 500.0;
/// How far a leak is varied for a slope, Pa·m³/s.
const LEAK_VARIED: f64 = 1e-5;
/// Relative tolerance of the integrator: a fiftieth of the usual, since the integrator's own noise in a difference would pass for
/// something told; coarser while a search begins.
const TOLERANCE: f64 = 2e-8;
const TOLERANCE_COARSE: f64 = 2e-7;
/// Parameters that a recording has of its own: two zeros, two leaks.
const OWN: usize = 4;

/// A recording with what is known of it.
#[derive(Clone, Debug)]
pub struct Fitted<'a> {
    /// It.
    pub trace: &'a RunReadings,
    /// The known leak was open in it.
    pub with_leak: bool,
}

/// The problem.
#[derive(Clone, Debug)]
pub struct BenchProblem<'a> {
    /// Its recordings.
    pub recordings: Vec<Fitted<'a>>,
    /// The plant before the fit.
    pub before: Guess,
    /// Far side and cavity together, m³: they are kept at the rig's figure, and all else is fitted beside it.
    pub volume: f64,
    /// How far the losses of sides scatter about their mean, Pa·m³/s.
    pub scatter: f64,
    /// Which of `z` move; the slopes of others are not asked for.
    pub free: Vec<bool>,
    /// The integrator is coarser, which will do while a search begins.
    pub coarse: bool,
    whiteners: Vec<[Whitener; 2]>,
}

/// Place of the leak that is known elsewhere, and of the mean loss, in `z`.
pub const KNOWN: usize = PARAMETERS.len();
/// See above.
pub const MEAN: usize = KNOWN + 1;

impl<'a> BenchProblem<'a> {
    /// With nothing whitened yet.
    pub fn new(recordings: Vec<Fitted<'a>>, before: Guess, volume: f64, scatter: f64) -> Self {
        let free = vec![true; MEAN + 1 + OWN * recordings.len()];
        let whiteners = vec![[Whitener::default(), Whitener::default()]; recordings.len()];
        Self { recordings, before, volume, scatter, free, coarse: false, whiteners }
    }

    /// How many parameters there are.
    pub const fn parameters(&self) -> usize {
        self.free.len()
    }

    /// The plant at `z`.
    pub fn guess(&self, z: &[f64]) -> Guess {
        let mut guess = self.before;
        guess.plant.tolerance = if self.coarse { TOLERANCE_COARSE } else { TOLERANCE };
        PARAMETERS.iter().zip(z).for_each(|(parameter, z)| parameter.set(&mut guess, &self.before, *z));
        guess
    }

    /// Where a recording's own parameters begin.
    const fn own(place: usize) -> usize {
        MEAN + 1 + OWN * place
    }

    /// What a recording loses with each side, Pa·m³/s.
    pub fn leaks(&self, z: &[f64], place: usize) -> [f64; 2] {
        [2, 3].map(|i| z.get(Self::own(place) + i).copied().unwrap_or(0.0) * LEAK_UNIT)
    }

    /// Places of those in `z`.
    pub const fn leak_places(place: usize) -> [usize; 2] {
        [Self::own(place) + 2, Self::own(place) + 3]
    }

    fn zeros(z: &[f64], place: usize) -> [f64; 2] {
        [0, 1].map(|i| z.get(Self::own(place) + i).copied().unwrap_or(0.0) * ZERO_UNIT)
    }

    /// Weighs the readings for the plant at `z`: by the noise, by what the integrator may be off, and where pressure is steep by
    /// when in its poll a reading was taken, which is not recorded. A search begins with more of both.
    pub fn weigh(&mut self, z: &[f64], noise: &[SensorNoise; 2], doubt: Doubt) -> Option<()> {
        let guess = self.guess(z);
        let weighed: Option<Vec<[Whitener; 2]>> = (0..self.recordings.len())
            .into_par_iter()
            .map(|place| {
                let trace = self.recordings.get(place)?.trace;
                let shown = shown(&guess, self.leaks(z, place), trace)?;
                let timing = doubt.timing_s.max(trace.poll_s / 12.0_f64.sqrt());
                let atmosphere = guess.plant.atmosphere_pa;
                Some(std::array::from_fn(|channel| {
                    let (stretches, shown) = (trace.channels()[channel], &shown[channel]);
                    let rough = noise[channel].white.hypot(noise[channel].pink).hypot(trace.per_count[channel]);
                    let further = |i: usize| {
                        let off = INTEGRATOR * (shown[i] + atmosphere);
                        steep(stretches, shown, i, timing, rough).powi(2) + off * off + doubt.pascals.powi(2)
                    };
                    let per_count = trace.per_count[channel];
                    Whitener::new(stretches, &noise[channel], per_count, trace.period_s, further)
                }))
            })
            .collect();
        self.whiteners = weighed?;
        Some(())
    }

    /// Readings less the plant at `z`, in Pa.
    pub fn residuals(&self, z: &[f64], place: usize) -> Option<Shown> {
        self.off(&shown(&self.guess(z), self.leaks(z, place), self.recordings.get(place)?.trace)?, z, place)
    }

    fn off(&self, shown: &Shown, z: &[f64], place: usize) -> Option<Shown> {
        let trace = self.recordings.get(place)?.trace;
        let zeros = Self::zeros(z, place);
        Some(std::array::from_fn(|channel| {
            let shown = &shown[channel];
            trace.channels()[channel].iter().zip(shown).map(|(it, p)| it.mean - p - zeros[channel]).collect()
        }))
    }

    /// The same, whitened: each of unit variance where the plant is right.
    pub fn standardised(&self, z: &[f64], place: usize) -> Option<Shown> {
        let mut residuals = self.residuals(z, place)?;
        self.whiten(place, &mut residuals);
        Some(residuals)
    }

    fn whiten(&self, place: usize, columns: &mut Shown) {
        if let Some(whiteners) = self.whiteners.get(place) {
            whiteners.iter().zip(columns).for_each(|(whitener, column)| whitener.apply(column));
        }
    }

    /// Whitened slopes of what a recording shows, each with its place in `z`; those that are not free are left out, unless `all`.
    pub fn columns(&self, z: &[f64], place: usize, all: bool) -> Option<Vec<(usize, Shown)>> {
        let trace = self.recordings.get(place)?.trace;
        let wanted = |i: &usize| all || self.free.get(*i).copied().unwrap_or(false);
        let difference = |up: Shown, down: Shown, by: f64| -> Shown {
            std::array::from_fn(|channel| up[channel].iter().zip(&down[channel]).map(|(u, d)| (u - d) / by).collect())
        };
        let leaks = self.leaks(z, place);
        let slope = |at: &dyn Fn(f64) -> Option<Shown>, by: f64| Some(difference(at(by)?, at(-by)?, 2.0 * by));
        let shared: Option<Vec<(usize, Shown)>> = (0..PARAMETERS.len())
            .into_par_iter()
            .filter(wanted)
            .map(|i| {
                let at = |by: f64| {
                    let mut z = z.to_vec();
                    z[i] += by;
                    shown(&self.guess(&z), leaks, trace)
                };
                Some((i, slope(&at, PARAMETERS.get(i)?.varied())?))
            })
            .collect();
        let mut columns = shared?;
        let own = Self::own(place);
        for channel in [0, 1].into_iter().filter(|channel| wanted(&(own + channel))) {
            let mut column = [vec![0.0; trace.far.len()], vec![0.0; trace.supply.len()]];
            column[channel].fill(ZERO_UNIT);
            columns.push((own + channel, column));
        }
        if wanted(&(own + 2)) {
            let at = |by: f64| shown(&self.guess(z), leaks.map(|leak| leak + by * LEAK_UNIT), trace);
            let both = slope(&at, LEAK_VARIED / LEAK_UNIT)?;
            // The sides are tested one after the other: what one loses is seen only there.
            for (i, second) in [(own + 2, false), (own + 3, true)] {
                let mut column = both.clone();
                for (channel, column) in column.iter_mut().enumerate() {
                    let stretches = trace.channels()[channel];
                    column.iter_mut().zip(stretches).filter(|(_, it)| it.second != second).for_each(|(v, _)| *v = 0.0);
                }
                columns.push((i, column));
            }
        }
        columns.iter_mut().for_each(|(_, column)| self.whiten(place, column));
        Some(columns)
    }

    /// What is known beside the readings: residuals with the places and slopes of each.
    fn beside(&self, z: &[f64]) -> Vec<(f64, Vec<(usize, f64)>)> {
        let guess = self.guess(z);
        let sd = |parameter: usize| match PARAMETERS.get(parameter).map(|parameter| parameter.before) {
            Some(super::parameter::Before::Factor(sd)) => sd,
            _ => 0.0,
        };
        let (far, cavity) = (guess.plant.far_volume_m3, guess.plant.cavity_volume_m3);
        let kept = self.volume * KEPT;
        let mut all =
            vec![((self.volume - far - cavity) / kept, vec![(0, far * sd(0) / kept), (1, cavity * sd(1) / kept)])];
        let at = |i: usize| z.get(i).copied().unwrap_or(0.0);
        let mean = at(MEAN) * LEAK_UNIT;
        for (place, recording) in self.recordings.iter().enumerate() {
            let unit = if recording.with_leak { KNOWN_UNIT } else { 0.0 };
            let known = at(KNOWN) * unit;
            let sides = recording.trace.sides();
            for (leak, i) in self.leaks(z, place).into_iter().zip(Self::leak_places(place)).take(sides) {
                let slope = LEAK_UNIT / self.scatter;
                all.push((
                    (mean + known - leak) / self.scatter,
                    vec![(i, slope), (MEAN, -slope), (KNOWN, -unit / self.scatter)],
                ));
            }
        }
        all
    }
}

/// What is doubted of a plant beside the noise while a search begins: steep flanks that do not yet lie over each other must not
/// decide.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Doubt {
    /// When something happens, s.
    pub timing_s: f64,
    /// The pressure, Pa.
    pub pascals: f64,
}

/// Stretches looked at on each side: more lie within no doubt of a recording that a rig could make.
const NEIGHBOURS_MAX: u64 = 500;

/// How much the pressure changes within `timing` about a stretch, by the readings or by the plant, whichever is more, Pa.
fn steep(stretches: &[Stretch], shown: &[f64], i: usize, timing: f64, noise_pa: f64) -> f64 {
    let Some(here) = stretches.get(i) else { return 0.0 };
    let mut most = 0.0_f64;
    for step in [-1_i64, 1] {
        let mut next = i as i64 + step;
        while let Some((other, p)) =
            usize::try_from(next).ok().and_then(|next| stretches.get(next).zip(shown.get(next)))
        {
            let apart = (other.at_s() - here.at_s()).abs().max(1e-6);
            // What lies farther away counts in the proportion of its distance: that is the slope.
            let share = (timing / apart).min(1.0);
            let change = (p - shown.get(i).copied().unwrap_or(0.0)).abs();
            // What noise alone may do is no steepness.
            let read = ((other.mean - here.mean).abs() - 6.0 * noise_pa).max(0.0);
            most = most.max(share * change.max(read));
            if apart >= timing || next.abs_diff(i as i64) >= NEIGHBOURS_MAX {
                break;
            }
            next += step;
        }
    }
    most
}

/// What the integrator is off at most, relative, at a fit's tolerance (docs/physics.md, "The solver").
const INTEGRATOR: f64 = 5e-6;

fn joined(shown: &Shown) -> Vec<f64> {
    shown.iter().flatten().copied().collect()
}

impl Problem for BenchProblem<'_> {
    fn square(&self, z: &[f64]) -> Option<f64> {
        let each: Option<Vec<f64>> = (0..self.recordings.len())
            .into_par_iter()
            .map(|place| Some(self.standardised(z, place)?.iter().flatten().map(|r| r * r).sum()))
            .collect();
        Some(each?.iter().sum::<f64>() + self.beside(z).iter().map(|(r, _)| r * r).sum::<f64>())
    }

    fn normal(&self, z: &[f64]) -> Option<Normal> {
        // Summed in their order, so that the last digit does not depend on which was ready first.
        let each: Option<Vec<Normal>> = (0..self.recordings.len())
            .into_par_iter()
            .map(|place| {
                let residuals = joined(&self.standardised(z, place)?);
                let columns = self.columns(z, place, false)?;
                let columns: Vec<_> = columns.iter().map(|(i, column)| (*i, joined(column))).collect();
                let mut normal = Normal::new(self.parameters());
                normal.add(&residuals, &columns);
                Some(normal)
            })
            .collect();
        let mut normal = Normal::new(self.parameters());
        each?.iter().for_each(|one| normal.merge(one));
        for (residual, slopes) in self.beside(z) {
            let columns: Vec<_> = slopes.into_iter().map(|(i, slope)| (i, vec![slope])).collect();
            normal.add(&[residual], &columns);
        }
        Some(normal)
    }
}
