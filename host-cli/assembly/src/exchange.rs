//! Bodies of different lengths: fittings and bodies are exchanged, two at a time and many at once, as long as that makes more valves
//! conform, or brings them closer.

use crate::extremes_inward::extremes_inward;
use crate::finished_length::{LengthRequirement, LengthVerdict};
use crate::forecast::{Pairing, by_length, finish, forecast, usual_body};
use crate::length::Length;
use crate::measured_parts::Part;
use crate::nested_pairs;
use crate::rematch::{Turns, matched};

/// The most exchanges that are tried, so that it ends.
const TRIALS_MAX: u64 = 100_000_000;
/// The most parts that are reassigned, all rounds together, and the most rounds.
const DEALT_MAX: usize = 8_000_000;
const ROUNDS_MAX: usize = 1_000;

/// Where every part is: the fittings of a valve, then those of the next, then what is left over.
struct Places<'p> {
    fittings: &'p [Part],
    bodies: &'p [Part],
    to: &'p LengthRequirement,
    /// The lengths that conform.
    accepted: (Length, Length),
    /// How many valves there are.
    valves: usize,
    /// The body of each, then those that are in none.
    body: Vec<usize>,
    /// Two fittings a valve, then those that are in none.
    fitting: Vec<usize>,
    /// Whether a valve that does not conform is to be closer too: on the way to one that does.
    all: bool,
}

impl Places<'_> {
    /// Whether a valve conforms, and the square of its distance from nominal, in nm².
    fn worth(&self, valve: usize) -> (u32, u128) {
        let pair = [self.fitting[2 * valve], self.fitting[2 * valve + 1]];
        let [a, b] = pair.map(|at| self.fittings[at].length);
        let finished = self.to.finished(self.bodies[self.body[valve]].length, a + b);
        let off = u128::from((finished - self.to.limits.nominal).nm().unsigned_abs());
        let conforms = finished >= self.accepted.0 && finished <= self.accepted.1;
        (u32::from(conforms), if conforms || self.all { off * off } else { 0 })
    }

    fn length(&self, fitting: usize) -> i64 {
        self.fittings[fitting].length.nm()
    }

    fn body_length(&self, body: usize) -> i64 {
        self.bodies[body].length.nm()
    }

    /// Fittings are reassigned: of every valve one is kept.
    fn deal_fittings(&mut self, turns: &mut Turns) {
        let left = self.fitting.len() - 2 * self.valves;
        for valve in 0..self.valves {
            if turns.below(2) == 1 {
                self.fitting.swap(2 * valve, 2 * valve + 1);
            }
            // A valve that does not conform may as well keep another.
            if left > 0 && self.worth(valve).0 == 0 {
                let other = 2 * self.valves + turns.below(left);
                self.fitting.swap(2 * valve, other);
            }
        }
        let kept = |valve: &usize| self.body_length(self.body[*valve]) + self.length(self.fitting[2 * valve]);
        let mut seats: Vec<usize> = (0..self.valves).collect();
        seats.sort_by_key(|valve| (kept(valve), *valve));
        let mut reassigned: Vec<usize> =
            (0..self.valves).map(|valve| 2 * valve + 1).chain(2 * self.valves..self.fitting.len()).collect();
        reassigned.sort_by_key(|place| (self.length(self.fitting[*place]), *place));
        let first: Vec<i64> = seats.iter().map(kept).collect();
        let second: Vec<i64> = reassigned.iter().map(|place| self.length(self.fitting[*place])).collect();
        let within = (self.accepted.0 + self.to.compression, self.accepted.1 + self.to.compression);
        let to = matched(&first, &second, (within.0.nm(), within.1.nm()), turns.below(2) == 1);
        let parts: Vec<usize> = reassigned.iter().map(|place| self.fitting[*place]).collect();
        let mut rest = unused(&to, parts.len()).into_iter();
        for (seat, given) in seats.iter().zip(&to) {
            if let Some(given) = given.or_else(|| rest.next()) {
                self.fitting[2 * seat + 1] = parts[given];
            }
        }
        let places = 2 * self.valves..self.fitting.len();
        places.zip(rest).for_each(|(place, given)| self.fitting[place] = parts[given]);
    }

    /// Bodies are reassigned to pairs of fittings.
    fn deal_bodies(&mut self, turns: &mut Turns) {
        let pair = |valve: &usize| self.length(self.fitting[2 * valve]) + self.length(self.fitting[2 * valve + 1]);
        let mut seats: Vec<usize> = (0..self.valves).collect();
        seats.sort_by_key(|valve| (pair(valve), *valve));
        let mut reassigned: Vec<usize> = (0..self.body.len()).collect();
        reassigned.sort_by_key(|place| (self.body_length(self.body[*place]), *place));
        let first: Vec<i64> = seats.iter().map(pair).collect();
        let second: Vec<i64> = reassigned.iter().map(|place| self.body_length(self.body[*place])).collect();
        let within = (self.accepted.0 + self.to.compression, self.accepted.1 + self.to.compression);
        let to = matched(&first, &second, (within.0.nm(), within.1.nm()), turns.below(2) == 1);
        let parts: Vec<usize> = reassigned.iter().map(|place| self.body[*place]).collect();
        let mut rest = unused(&to, parts.len()).into_iter();
        for (seat, given) in seats.iter().zip(&to) {
            if let Some(given) = given.or_else(|| rest.next()) {
                self.body[*seat] = parts[given];
            }
        }
        (self.valves..self.body.len()).zip(rest).for_each(|(place, given)| self.body[place] = parts[given]);
    }

    /// Many parts at once, until as many conform as can, or long enough.
    fn deal(&mut self, at_most: usize) {
        let mut turns = Turns::new();
        let rounds = (DEALT_MAX / (self.fitting.len() + self.body.len()).max(1)).min(ROUNDS_MAX);
        for _ in 0..rounds {
            if self.conforming().0 >= at_most {
                break;
            }
            self.deal_fittings(&mut turns);
            self.deal_bodies(&mut turns);
        }
    }

    /// Of two valves, or of one where the other place is with what is left over.
    fn worth_of(&self, one: usize, other: usize) -> (u32, u128) {
        let (mut conform, mut squares) = (0, 0);
        for valve in [one, other].into_iter().filter(|valve| *valve < self.valves) {
            let (yes, square) = self.worth(valve);
            (conform, squares) = (conform + yes, squares + square);
        }
        (conform, squares)
    }

    /// Exchanges two, and puts them back where that helps nothing. Whether it helped.
    fn try_exchange(
        &mut self,
        a: usize,
        b: usize,
        swap: impl Fn(&mut Self),
        valve_of: impl Fn(usize) -> usize,
    ) -> bool {
        let (one, other) = (valve_of(a), valve_of(b));
        if one == other || one.min(other) >= self.valves {
            return false;
        }
        let before = self.worth_of(one, other);
        swap(self);
        let after = self.worth_of(one, other);
        let better = after.0 > before.0 || after.0 == before.0 && after.1 < before.1;
        if !better {
            swap(self);
        }
        better
    }

    /// Until nothing helps any more.
    fn improve(&mut self, trials: &mut u64) {
        let mut helped = true;
        while helped && *trials < TRIALS_MAX {
            helped = false;
            for a in 0..self.fitting.len() {
                for b in a + 1..self.fitting.len() {
                    helped |= self.try_exchange(a, b, |places| places.fitting.swap(a, b), |place| place / 2);
                }
                *trials += (self.fitting.len() - a) as u64;
                if *trials >= TRIALS_MAX {
                    return;
                }
            }
            for a in 0..self.body.len() {
                for b in a + 1..self.body.len() {
                    helped |= self.try_exchange(a, b, |places| places.body.swap(a, b), |valve| valve);
                }
                *trials += (self.body.len() - a) as u64;
                if *trials >= TRIALS_MAX {
                    return;
                }
            }
        }
    }

    fn conforming(&self) -> (usize, u128) {
        let worth = (0..self.valves).map(|valve| self.worth(valve)).filter(|(conforms, _)| *conforms == 1);
        worth.fold((0, 0), |(count, squares), (_, square)| (count + 1, squares + square))
    }
}

/// What was given to nobody.
fn unused(to: &[Option<usize>], parts: usize) -> Vec<usize> {
    let mut used = vec![false; parts];
    to.iter().flatten().for_each(|given| used[*given] = true);
    (0..parts).filter(|given| !used[*given]).collect()
}

/// The best that exchanges find, from extremes inward and from the exact pairing for the usual body; no more than `at_most` can be.
pub(crate) fn exchanged(fittings: &[Part], bodies: &[Part], to: &LengthRequirement, at_most: usize) -> Pairing {
    let Some(accepted) = to.accepted() else { return finish(fittings, Vec::new()) };
    let mut trials = 0;
    let mut best: Option<((usize, u128), Places<'_>)> = None;
    for start in [extremes_inward(fittings, bodies, to), by_usual_body(fittings, bodies, to)] {
        // What is exchanged first is not to follow from the order of a list.
        let mut valves = start.valves;
        valves.sort_by_key(|valve| (bodies[valve.body].length, &bodies[valve.body].id));
        let pairs = valves.iter().flat_map(|valve| valve.fittings);
        let mut body: Vec<usize> = valves.iter().map(|valve| valve.body).collect();
        let mut used = vec![false; bodies.len()];
        body.iter().for_each(|at| used[*at] = true);
        body.extend(by_length(bodies).into_iter().filter(|at| !used[*at]));
        let mut places = Places {
            fittings,
            bodies,
            to,
            accepted,
            valves: valves.len(),
            body,
            fitting: pairs.chain(start.left.iter().copied()).collect(),
            all: true,
        };
        places.improve(&mut trials);
        places.deal(at_most);
        places.all = false;
        places.improve(&mut trials);
        let found = places.conforming();
        let better = best
            .as_ref()
            .is_none_or(|((count, squares), _)| found.0 > *count || found.0 == *count && found.1 < *squares);
        if better {
            best = Some((found, places));
        }
        if best.as_ref().is_some_and(|((count, _), _)| *count >= at_most) {
            break;
        }
    }
    let valves = best.map_or_else(Vec::new, |(_, places)| {
        let of = |valve: usize| {
            let mut pair = [places.fitting[2 * valve], places.fitting[2 * valve + 1]];
            pair.sort_by_key(|at| (fittings[*at].length, &fittings[*at].id));
            forecast(fittings, bodies, to, places.body[valve], pair)
        };
        (0..places.valves).map(of).filter(|valve| valve.verdict == LengthVerdict::Conforms).collect()
    });
    finish(fittings, valves)
}

/// The exact pairing as if every body were the usual one; the longest body takes the shortest pair.
fn by_usual_body(fittings: &[Part], bodies: &[Part], to: &LengthRequirement) -> Pairing {
    let order = by_length(fittings);
    let sorted: Vec<i64> = order.iter().map(|at| fittings[*at].length.nm()).collect();
    let rest = to.compression - usual_body(bodies);
    let Some((least, most)) = to.accepted() else { return finish(fittings, Vec::new()) };
    let mut pairs =
        nested_pairs::best(&sorted, ((least + rest).nm(), (most + rest).nm()), (to.limits.nominal + rest).nm());
    pairs.truncate(bodies.len());
    pairs.sort_by_key(|(a, b)| sorted[*a] + sorted[*b]);
    // What is left makes valves too, for exchanges to mend.
    let mut used = vec![false; order.len()];
    pairs.iter().for_each(|(a, b)| (used[*a], used[*b]) = (true, true));
    let left: Vec<usize> = (0..order.len()).filter(|at| !used[*at]).collect();
    let more = left.iter().zip(left.iter().rev()).take(left.len() / 2).map(|(a, b)| (*a, *b));
    let longest_first = by_length(bodies).into_iter().rev();
    let valve = |(body, (a, b)): (usize, (usize, usize))| forecast(fittings, bodies, to, body, [order[a], order[b]]);
    finish(fittings, longest_first.zip(pairs.into_iter().chain(more)).map(valve).collect())
}
