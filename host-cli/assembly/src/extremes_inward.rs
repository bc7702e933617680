//! Fittings to bodies as shops do it.

use crate::finished_length::LengthRequirement;
use crate::forecast::{Pairing, by_length, finish, forecast, usual_body};
use crate::measured_parts::Part;

/// Extremes inward: the longest fitting with the shortest, the next longest with the next shortest, and so on; where there are more
/// pairs than bodies, those closest to nominal. The longest body takes the shortest pair. Common practice, no source.
pub fn extremes_inward(fittings: &[Part], bodies: &[Part], to: &LengthRequirement) -> Pairing {
    let order = by_length(fittings);
    let mut pairs: Vec<[usize; 2]> =
        order.iter().zip(order.iter().rev()).take(order.len() / 2).map(|(a, b)| [*a, *b]).collect();
    let sum = |pair: &[usize; 2]| fittings[pair[0]].length + fittings[pair[1]].length;
    let usual = usual_body(bodies);
    pairs.sort_by_key(|pair| (to.finished(usual, sum(pair)) - to.limits.nominal).abs());
    pairs.truncate(bodies.len());
    pairs.sort_by_key(sum);
    let longest_first = by_length(bodies).into_iter().rev();
    let valves = longest_first.zip(pairs).map(|(body, pair)| forecast(fittings, bodies, to, body, pair)).collect();
    finish(fittings, valves)
}
