//! Fittings to bodies, so that as many valves as possible conform; and what would help those that are left over.

use serde::Serialize;

use crate::closest_pairs;
use crate::exchange;
use crate::few_parts;
use crate::finished_length::{LengthRequirement, LengthVerdict};
use crate::forecast::{Pairing, by_length, finish, forecast, usual_body};
use crate::length::Length;
use crate::measured_parts::Part;
use crate::nested_pairs;
use crate::reading::PART_M;

/// The pairing that makes most valves conform, and how sure it is that none makes more.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct MostConforming {
    /// Only valves that conform.
    pub pairing: Pairing,
    /// No way makes more.
    pub at_most: usize,
    /// And none that makes as many is closer to nominal.
    pub exact: bool,
}

/// As many conforming valves as there can be, and those as close to nominal as possible, by the sum of squares.
///
/// Exact where all bodies are of one length ([`nested_pairs`]); where they are not, three lists are to be matched, for which no
/// fast exact way is known (numerical 3-dimensional matching: Garey & Johnson, *Computers and Intractability*, SP16, *memory*), and
/// parts are [exchanged](exchange) as long as that helps, with a bound on what is possible.
pub fn most_conforming(fittings: &[Part], bodies: &[Part], to: &LengthRequirement) -> MostConforming {
    let none = || finish(fittings, Vec::new());
    let Some((least, most)) = to.accepted() else {
        return MostConforming { pairing: none(), at_most: 0, exact: true };
    };
    let order = by_length(fittings);
    let sorted: Vec<i64> = order.iter().map(|at| fittings[*at].length.nm()).collect();
    let sums = |body: Length| {
        let rest = to.compression - body;
        ((least + rest).nm(), (most + rest).nm(), (to.limits.nominal + rest).nm())
    };
    let by_body = by_length(bodies);
    let (Some(shortest), Some(longest)) = (by_body.first(), by_body.last()) else {
        return MostConforming { pairing: none(), at_most: 0, exact: true };
    };
    let (shortest, longest) = (bodies[*shortest].length, bodies[*longest].length);
    if shortest < longest {
        let widest = (sums(longest).0, sums(shortest).1);
        let at_most = nested_pairs::best(&sorted, widest, widest.0 + (widest.1 - widest.0) / 2).len().min(bodies.len());
        let lengths: Vec<i64> = by_body.iter().map(|at| bodies[*at].length.nm()).collect();
        let whole = |finished: Length| (finished + to.compression).nm();
        let few = few_parts::best(&lengths, &sorted, (whole(least), whole(most)), whole(to.limits.nominal));
        if let Some(triples) = few {
            let valve = |(body, [a, b]): (usize, [usize; 2])| {
                forecast(fittings, bodies, to, by_body[body], [order[a], order[b]])
            };
            let pairing = finish(fittings, triples.into_iter().map(valve).collect());
            return MostConforming { at_most: pairing.valves.len(), pairing, exact: true };
        }
        let pairing = exchange::exchanged(fittings, bodies, to, at_most);
        return MostConforming { pairing, at_most, exact: false };
    }
    let (low, high, wanted) = sums(shortest);
    let mut pairs = nested_pairs::best(&sorted, (low, high), wanted);
    let mut exact = true;
    if pairs.len() > bodies.len() {
        match closest_pairs::closest(&sorted, (low, high), wanted, bodies.len()) {
            Some(closest) => pairs = closest,
            None => {
                exact = false;
                pairs.sort_by_key(|(a, b)| ((sorted[*a] + sorted[*b]).abs_diff(wanted), *a));
                pairs.truncate(bodies.len());
            }
        }
    }
    let at_most = pairs.len();
    let valve = |(body, (a, b)): (&usize, (usize, usize))| forecast(fittings, bodies, to, *body, [order[a], order[b]]);
    let valves = by_body.iter().zip(pairs).map(valve).collect();
    MostConforming { pairing: finish(fittings, valves), at_most, exact }
}

/// The same around valves that are put together already, each a body and two fittings by their places: of all the other parts. What it
/// gives, the bound too, is without those valves.
pub fn most_conforming_around(
    fittings: &[Part],
    bodies: &[Part],
    to: &LengthRequirement,
    fixed: &[(usize, [usize; 2])],
) -> MostConforming {
    let free = |parts: &[Part], taken: Vec<usize>| {
        let mut is_taken = vec![false; parts.len()];
        for at in taken.into_iter().filter(|at| *at < parts.len()) {
            is_taken[at] = true;
        }
        (0..parts.len()).filter(|at| !is_taken[*at]).collect::<Vec<usize>>()
    };
    let free_fittings = free(fittings, fixed.iter().flat_map(|(_, pair)| *pair).collect());
    let free_bodies = free(bodies, fixed.iter().map(|(body, _)| *body).collect());
    let picked = |parts: &[Part], places: &[usize]| places.iter().map(|at| parts[*at].clone()).collect::<Vec<Part>>();
    let mut found = most_conforming(&picked(fittings, &free_fittings), &picked(bodies, &free_bodies), to);
    for valve in &mut found.pairing.valves {
        valve.body = free_bodies[valve.body];
        valve.fittings = valve.fittings.map(|at| free_fittings[at]);
    }
    found.pairing.left.iter_mut().for_each(|at| *at = free_fittings[*at]);
    found
}

/// What would make a valve of a fitting that is left over.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
pub struct Rescue {
    /// The fitting, by place in the list.
    pub fitting: usize,
    /// The body, by place in its list: one that is in no valve.
    pub body: usize,
    /// Shortest and longest partner that make a conforming valve with both.
    pub partner: (Length, Length),
}

/// What partner each fitting that is left over would need, with that of the bodies without fittings for which it would be most like the other
/// fittings.
pub fn rescues(fittings: &[Part], bodies: &[Part], to: &LengthRequirement, pairing: &Pairing) -> Vec<Rescue> {
    let empty = pairing.empty(bodies);
    let (Some((least, most)), Some(usual)) = (to.accepted(), by_length(fittings).get(fittings.len() / 2).copied())
    else {
        return Vec::new();
    };
    let of = |fitting: &usize| {
        let own = fittings[*fitting].length;
        let wanted = to.limits.nominal + to.compression - own - fittings[usual].length;
        let above = empty.partition_point(|at| bodies[*at].length < wanted);
        let beside = [above.checked_sub(1), Some(above)].into_iter().flatten().filter_map(|at| empty.get(at));
        let body = *beside.min_by_key(|at| (bodies[**at].length - wanted).abs())?;
        let rest = to.compression - bodies[body].length - own;
        Some(Rescue { fitting: *fitting, body, partner: (least + rest, most + rest) })
    };
    // One that no part can be partner of is of another type.
    pairing.left.iter().filter_map(of).filter(|rescue| rescue.partner.0 > Length::ZERO).collect()
}

/// Two fittings that are left over and make a valve once something is cut off.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
pub struct Cut {
    /// The fittings, by place in the list.
    pub fittings: [usize; 2],
    /// How much is to come off, of both together, to be at nominal.
    pub off: Length,
}

/// What one more cut would make of the fittings that are left over: extremes inward, for as many bodies as are left, those that are
/// too long for nominal by no more than `most`, the least cut first. Whichever of the two is cut, a part is left of it.
pub fn cuts(fittings: &[Part], bodies: &[Part], to: &LengthRequirement, pairing: &Pairing, most: Length) -> Vec<Cut> {
    let usual = usual_body(bodies);
    // A cut cannot be undone: none is proposed that makes no valve for certain, or only one for a body that may be used.
    let one_length = bodies.iter().all(|body| body.length == usual);
    if to.verdict(to.limits.nominal) != LengthVerdict::Conforms || !one_length {
        return Vec::new();
    }
    let left = &pairing.left;
    let least = Length::from_m(*PART_M.start());
    let pairs = left.iter().zip(left.iter().rev()).take(left.len() / 2);
    let mut cuts: Vec<Cut> = pairs
        .map(|(a, b)| {
            let finished = to.finished(usual, fittings[*a].length + fittings[*b].length);
            Cut { fittings: [*a, *b], off: finished - to.limits.nominal }
        })
        .filter(|cut| cut.off > Length::ZERO && cut.off <= most)
        .filter(|cut| cut.fittings.iter().all(|at| fittings[*at].length - cut.off >= least))
        .collect();
    cuts.sort_by_key(|cut| cut.off);
    cuts.truncate(bodies.len() - pairing.valves.len());
    cuts
}
