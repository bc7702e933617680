//! Valves as they would be put together of measured parts.

use serde::Serialize;

use crate::finished_length::{LengthRequirement, LengthVerdict};
use crate::length::Length;
use crate::measured_parts::Part;

/// A valve as it would be put together.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
pub struct ForecastValve {
    /// Its body, by place in the list.
    pub body: usize,
    /// Its fittings, by place in the list, the shorter first.
    pub fittings: [usize; 2],
    /// How long it would be.
    pub finished: Length,
    /// Whether that conforms.
    pub verdict: LengthVerdict,
}

/// A way to put parts together.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Pairing {
    /// The valves, in the order of their bodies.
    pub valves: Vec<ForecastValve>,
    /// Fittings that are in none, by place in the list, the shortest first.
    pub left: Vec<usize>,
}

impl Pairing {
    /// How many valves have this verdict.
    pub fn count(&self, verdict: LengthVerdict) -> usize {
        self.valves.iter().filter(|valve| valve.verdict == verdict).count()
    }

    /// The bodies that are in none, by place in the list, the shortest first.
    pub fn empty(&self, bodies: &[Part]) -> Vec<usize> {
        let mut used = vec![false; bodies.len()];
        self.valves.iter().for_each(|valve| used[valve.body] = true);
        by_length(bodies).into_iter().filter(|at| !used[*at]).collect()
    }

    /// The root mean square distance of the conforming valves from nominal, in metres.
    pub fn rms_off_m(&self, nominal: Length) -> f64 {
        let off = self.valves.iter().filter(|valve| valve.verdict == LengthVerdict::Conforms);
        let squares: Vec<f64> = off.map(|valve| ((valve.finished - nominal).mm() / 1e3).powi(2)).collect();
        if squares.is_empty() { 0.0 } else { (squares.iter().sum::<f64>() / squares.len() as f64).sqrt() }
    }
}

/// The places of these parts, the shortest first; parts of one length by their names, so that the order of the list is none of the
/// answer.
pub(crate) fn by_length(parts: &[Part]) -> Vec<usize> {
    let mut places: Vec<usize> = (0..parts.len()).collect();
    places.sort_by(|a, b| (parts[*a].length, &parts[*a].id).cmp(&(parts[*b].length, &parts[*b].id)));
    places
}

pub(crate) fn forecast(
    fittings: &[Part],
    bodies: &[Part],
    to: &LengthRequirement,
    body: usize,
    pair: [usize; 2],
) -> ForecastValve {
    let [a, b] = pair;
    let finished = to.finished(bodies[body].length, fittings[a].length + fittings[b].length);
    ForecastValve { body, fittings: pair, finished, verdict: to.verdict(finished) }
}

pub(crate) fn finish(fittings: &[Part], mut valves: Vec<ForecastValve>) -> Pairing {
    valves.sort_by_key(|valve| valve.body);
    let mut used = vec![false; fittings.len()];
    valves.iter().flat_map(|valve| valve.fittings).for_each(|at| used[at] = true);
    let left = by_length(fittings).into_iter().filter(|at| !used[*at]).collect();
    Pairing { valves, left }
}

/// The body in the middle.
pub(crate) fn usual_body(bodies: &[Part]) -> Length {
    by_length(bodies).get(bodies.len() / 2).map_or(Length::ZERO, |at| bodies[*at].length)
}
