//! Pairings against every way there is, and in any order.

use proptest::prelude::*;
use seathold_assembly::extremes_inward::extremes_inward;
use seathold_assembly::finished_length::{LengthLimits, LengthRequirement, LengthUncertainty, LengthVerdict};
use seathold_assembly::forecast::Pairing;
use seathold_assembly::length::Length;
use seathold_assembly::measured_parts::Part;
use seathold_assembly::pairing::{cuts, most_conforming, most_conforming_around, rescues};

fn um(um: i64) -> Length {
    Length::from_nm(um * 1_000)
}

fn parts(name: &str, lengths: &[i64]) -> Vec<Part> {
    lengths.iter().enumerate().map(|(i, length)| Part { id: format!("{name}{i}"), length: um(*length) }).collect()
}

fn requirement(half_um: i64) -> LengthRequirement {
    let limits = LengthLimits { least: um(120_000 - half_um), most: um(120_000 + half_um), nominal: um(120_000) };
    let uncertainty = LengthUncertainty { fittings_m: 14e-6, ..LengthUncertainty::default() };
    LengthRequirement::new(limits, um(400), uncertainty, 0.01)
}

/// Most conforming valves, of every way to put these parts together, and the least sum of squares of so many.
fn every_way(fittings: &[Part], bodies: &[Part], to: &LengthRequirement) -> (usize, u128) {
    let Some((body, more)) = bodies.split_first() else { return (0, 0) };
    let mut found = every_way(fittings, more, to);
    for a in 0..fittings.len() {
        for b in a + 1..fittings.len() {
            let finished = to.finished(body.length, fittings[a].length + fittings[b].length);
            if to.verdict(finished) != LengthVerdict::Conforms {
                continue;
            }
            let rest: Vec<Part> =
                fittings.iter().enumerate().filter(|(i, _)| *i != a && *i != b).map(|(_, part)| part.clone()).collect();
            let (count, squares) = every_way(&rest, more, to);
            let this = (count + 1, squares + u128::from((finished - to.limits.nominal).nm().unsigned_abs()).pow(2));
            if this.0 > found.0 || this.0 == found.0 && this.1 < found.1 {
                found = this;
            }
        }
    }
    found
}

fn worth(pairing: &Pairing, to: &LengthRequirement) -> (usize, u128) {
    let off = |finished: Length| u128::from((finished - to.limits.nominal).nm().unsigned_abs()).pow(2);
    (pairing.valves.len(), pairing.valves.iter().map(|valve| off(valve.finished)).sum())
}

/// Nothing is used twice, all the rest is left, and the forecast is what its parts make.
fn is_sound(pairing: &Pairing, fittings: &[Part], bodies: &[Part], to: &LengthRequirement) {
    let mut used: Vec<usize> =
        pairing.valves.iter().flat_map(|valve| valve.fittings).chain(pairing.left.clone()).collect();
    used.sort_unstable();
    assert_eq!(used, (0..fittings.len()).collect::<Vec<_>>());
    assert!(pairing.valves.windows(2).all(|two| two[0].body < two[1].body));
    for valve in &pairing.valves {
        let sum = fittings[valve.fittings[0]].length + fittings[valve.fittings[1]].length;
        assert_eq!(valve.finished, to.finished(bodies[valve.body].length, sum));
        assert_eq!(valve.verdict, to.verdict(valve.finished));
    }
}

/// By the parts' names, so that it can be compared with that of another order.
fn named(pairing: &Pairing, fittings: &[Part], bodies: &[Part]) -> Vec<(String, String, String)> {
    let name = |at: usize| fittings[at].id.clone();
    let of = |v: &seathold_assembly::forecast::ForecastValve| {
        (bodies[v.body].id.clone(), name(v.fittings[0]), name(v.fittings[1]))
    };
    let mut all: Vec<_> = pairing.valves.iter().map(of).collect();
    all.sort();
    all
}

proptest! {
    /// Bodies of one length: as many as possible, and none closer; never fewer than extremes inward.
    #[test]
    fn equal_bodies_exactly(
        lengths in prop::collection::vec(29_000..31_000_i64, 0..8),
        bodies in 0..4_usize, half in 20..600_i64,
    ) {
        let (fittings, bodies, to) = (parts("F", &lengths), parts("B", &vec![60_400; bodies]), requirement(half));
        let found = most_conforming(&fittings, &bodies, &to);
        is_sound(&found.pairing, &fittings, &bodies, &to);
        prop_assert!(found.exact && found.at_most == found.pairing.valves.len());
        prop_assert_eq!(worth(&found.pairing, &to), every_way(&fittings, &bodies, &to));
        let shops = extremes_inward(&fittings, &bodies, &to);
        is_sound(&shops, &fittings, &bodies, &to);
        prop_assert!(shops.count(LengthVerdict::Conforms) <= found.pairing.valves.len());
    }

    /// Bodies of their own lengths, of few parts: as exactly.
    #[test]
    fn own_bodies_exactly_of_few_parts(
        lengths in prop::collection::vec(29_000..31_000_i64, 0..8),
        bodies in prop::collection::vec(60_000..60_800_i64, 1..4), half in 20..600_i64,
    ) {
        let (fittings, bodies, to) = (parts("F", &lengths), parts("B", &bodies), requirement(half));
        let found = most_conforming(&fittings, &bodies, &to);
        is_sound(&found.pairing, &fittings, &bodies, &to);
        prop_assert!(found.exact && found.at_most == found.pairing.valves.len());
        prop_assert_eq!(worth(&found.pairing, &to), every_way(&fittings, &bodies, &to));
    }

    /// Of twelve valves, against extremes inward, which is the best where all conform.
    #[test]
    fn never_fewer_than_extremes_inward(
        lengths in prop::collection::vec(29_500..30_500_i64, 24),
        bodies in prop::collection::vec(60_200..60_600_i64, 12), half in 50..900_i64,
    ) {
        let (fittings, bodies, to) = (parts("F", &lengths), parts("B", &bodies), requirement(half));
        let (found, shops) = (most_conforming(&fittings, &bodies, &to), extremes_inward(&fittings, &bodies, &to));
        is_sound(&found.pairing, &fittings, &bodies, &to);
        prop_assert!(found.pairing.valves.len() >= shops.count(LengthVerdict::Conforms));
        prop_assert!(found.pairing.valves.len() <= found.at_most);
    }

    /// The order of the list is none of the answer.
    #[test]
    fn in_any_order(
        lengths in prop::collection::vec(29_800..30_200_i64, 2..14),
        bodies in prop::collection::vec(60_300..60_500_i64, 1..6), turn in 0..14_usize, half in 50..600_i64,
    ) {
        let (fittings, bodies, to) = (parts("F", &lengths), parts("B", &bodies), requirement(half));
        let (mut other, mut others) = (fittings.clone(), bodies.clone());
        other.rotate_left(turn % fittings.len());
        others.reverse();
        for of in [|f: &[Part], b: &[Part], to: &LengthRequirement| most_conforming(f, b, to).pairing, extremes_inward] {
            let (one, two) = (of(&fittings, &bodies, &to), of(&other, &others, &to));
            prop_assert_eq!(named(&one, &fittings, &bodies), named(&two, &other, &others));
        }
    }
}

/// 29.6 + 30.4, 29.9 + 30.1 and 31.5 + 31.6 for bodies of 60.4 less 0.4 of compression: two conform, the last pair is 3.1 mm too long.
#[test]
fn what_would_help_what_is_left() {
    let fittings = parts("F", &[31_600, 29_600, 30_100, 31_500, 30_400, 29_900]);
    let (bodies, to) = (parts("B", &[60_400; 3]), requirement(500));
    let found = most_conforming(&fittings, &bodies, &to).pairing;
    assert_eq!((found.valves.len(), found.left.as_slice(), found.empty(&bodies)), (2, &[3, 0][..], vec![2]));
    let guard = to.guard_band();
    let [one, _] = rescues(&fittings, &bodies, &to, &found).try_into().unwrap();
    assert_eq!((one.fitting, one.body, one.partner), (3, 2, (um(28_000) + guard, um(29_000) - guard)));
    let cut = cuts(&fittings, &bodies, &to, &found, um(5_000));
    assert_eq!((cut.len(), cut[0].fittings, cut[0].off), (1, [3, 0], um(3_100)));
    assert!(cuts(&fittings, &bodies, &to, &found, um(3_000)).is_empty());
}

/// Where every body has its fittings, nothing is to be done with those that are left over.
#[test]
fn no_advice_without_a_body() {
    let fittings = parts("F", &[29_900, 30_100, 31_500, 31_600]);
    let (bodies, to) = (parts("B", &[60_400]), requirement(500));
    let found = most_conforming(&fittings, &bodies, &to).pairing;
    assert_eq!((found.valves.len(), found.left.len(), found.empty(&bodies).len()), (1, 2, 0));
    assert!(rescues(&fittings, &bodies, &to, &found).is_empty());
    assert!(cuts(&fittings, &bodies, &to, &found, um(50_000)).is_empty());
}

/// Of bodies of their own lengths the one that is empty counts: 60.4 and 60.6 have their fittings, 62.4 has not, and a fitting of 29.0
/// needs one of 29.0 there, not of 31.
#[test]
fn advice_is_for_the_body_that_is_empty() {
    let fittings = parts("F", &[30_000, 30_000, 29_900, 29_900, 29_000]);
    let (bodies, to) = (parts("B", &[60_400, 62_400, 60_600]), requirement(300));
    let found = most_conforming(&fittings, &bodies, &to).pairing;
    assert_eq!((found.empty(&bodies), found.left.as_slice()), (vec![1], &[4][..]));
    let [one] = rescues(&fittings, &bodies, &to, &found).try_into().unwrap();
    let guard = to.guard_band();
    assert_eq!((one.fitting, one.body, one.partner), (4, 1, (um(28_700) + guard, um(29_300) - guard)));
}

/// Of a ring of 2 mm nothing is left where 3 mm come off.
#[test]
fn no_part_is_cut_away() {
    let (fittings, bodies, to) = (parts("F", &[2_000, 61_000]), parts("B", &[60_400]), requirement(500));
    let found = most_conforming(&fittings, &bodies, &to).pairing;
    assert_eq!(found.valves.len(), 0);
    assert!(cuts(&fittings, &bodies, &to, &found, um(50_000)).is_empty());
    let thicker = parts("F", &[3_200, 59_800]);
    assert_eq!(cuts(&thicker, &bodies, &to, &found, um(50_000))[0].off, um(3_000));
}

/// What is bolted stays, and the rest is paired around it as if that were all there is.
#[test]
fn around_what_is_bolted() {
    let fittings = parts("F", &[31_600, 29_600, 30_100, 31_500, 30_400, 29_900]);
    let (bodies, to) = (parts("B", &[60_400; 3]), requirement(500));
    let found = most_conforming_around(&fittings, &bodies, &to, &[(1, [2, 5])]);
    let [valve] = found.pairing.valves.as_slice().try_into().unwrap();
    assert_eq!((valve.body, valve.fittings, valve.finished), (0, [1, 4], um(120_000)));
    assert_eq!((found.pairing.left, found.at_most, found.exact), (vec![3, 0], 1, true));
    let none = most_conforming_around(&fittings, &bodies, &to, &[]);
    assert_eq!(none, most_conforming(&fittings, &bodies, &to));
}

/// Bodies of their own lengths that can all have their two, more of them than are matched exactly: hardly one is missed, and the order of
/// the list is none of the answer. Twenty lots of fourteen; by exchanging two at a time alone three are missed.
#[test]
fn hardly_a_valve_is_missed() {
    // Numbers that look random (xorshift64).
    let mut state = 88_172_645_463_325_252_u64;
    let mut draw = |from: i64, upto: i64| {
        state ^= state << 13;
        state ^= state >> 7;
        state ^= state << 17;
        from + (state % (upto - from) as u64) as i64
    };
    // Inside by 33 µm: 37 µm are allowed.
    let (to, mut missed) = (requirement(70), 0);
    for _ in 0..20 {
        let bodies: Vec<i64> = (0..14).map(|_| draw(60_000, 60_800)).collect();
        let firsts: Vec<i64> = (0..14).map(|_| draw(29_500, 30_500)).collect();
        let seconds = firsts.iter().zip(&bodies).map(|(first, body)| 120_400 - body - first + draw(-30, 30));
        let lengths: Vec<i64> = firsts.iter().copied().chain(seconds).collect();
        let (fittings, bodies) = (parts("F", &lengths), parts("B", &bodies));
        let found = most_conforming(&fittings, &bodies, &to);
        is_sound(&found.pairing, &fittings, &bodies, &to);
        missed += 14 - found.pairing.valves.len();
        let mut other = fittings.clone();
        other.rotate_left(9);
        let again = most_conforming(&other, &bodies, &to);
        assert_eq!(named(&found.pairing, &fittings, &bodies), named(&again.pairing, &other, &bodies));
    }
    println!("missed {missed}");
    assert!(missed <= 1, "{missed} are missed");
}
