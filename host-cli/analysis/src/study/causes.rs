//! Whether leaks go with how valves were put together: each level of each factor (a lot of seals, a tool, a person) against the other valves
//! of which the factor is known. Fisher's exact test, Holm's adjustment over all comparisons, and for each share the exact interval
//! (Clopper & Pearson, Biometrika 26, 1934, from memory). A valve counts once in a comparison, whatever it has twice.
//!
//! Two levels that cover all valves are one comparison, told by the level that leaks more. Comparisons that have the same valves on
//! either side cannot be told apart by these valves; they are named beside each other, and counted as several all the same.

use std::collections::{BTreeMap, BTreeSet, HashMap};

use serde::Serialize;

use super::exact_test::{LeakCount, fisher_two_sided, holm};
use crate::tune::rates::Rate;

/// Coverage of the intervals.
pub const COVERAGE: f64 = 0.95;

/// So many valves on each side are compared, and no fewer (our judgement).
pub const VALVES_MIN: usize = 3;

/// A valve with what it has.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct ObservedValve {
    /// It leaked; else it was tight.
    pub leaking: bool,
    /// Factors and their levels: "seals, kit lot" and "K-0815". A factor may come with several levels, as of two fittings.
    pub levels: BTreeSet<(String, String)>,
}

/// A share with its interval.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct LeakShare {
    /// The counts.
    #[serde(flatten)]
    pub counted: LeakCount,
    /// How many of them leaked, as a ratio.
    pub share: f64,
    /// The interval of that.
    pub low: f64,
    /// Its upper end.
    pub high: f64,
}

impl LeakShare {
    fn of(counted: LeakCount) -> Self {
        let interval = Rate::of(counted.leaking, counted.of).interval(COVERAGE);
        Self { counted, share: counted.share(), low: *interval.start(), high: *interval.end() }
    }
}

/// One level against the rest.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct LeakComparison {
    /// The factor.
    pub factor: String,
    /// The level.
    pub level: String,
    /// Valves that have it.
    pub with: LeakShare,
    /// The other valves of which the factor is known.
    pub without: LeakShare,
    /// Fisher's exact two-sided p.
    pub p: f64,
    /// Holm's, over all comparisons.
    pub adjusted_p: f64,
    /// Other comparisons with the same valves on either side, as factor and level.
    pub same_valves: Vec<(String, String)>,
}

/// A level that too few valves have, or too few have not.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct TooFewValves {
    /// The factor.
    pub factor: String,
    /// The level.
    pub level: String,
    /// How many have it.
    pub with: usize,
    /// Of how many others the factor is known.
    pub without: usize,
}

/// Everything that was compared.
#[derive(Clone, Debug, Default, PartialEq, Serialize)]
pub struct LeakCauses {
    /// The comparisons, the smallest p first.
    pub comparisons: Vec<LeakComparison>,
    /// What was not compared.
    pub too_few: Vec<TooFewValves>,
}

/// Which valves are compared: those of which the factor is known, and of them one side, the one without the first of them.
type Sides = (usize, Vec<usize>);

/// Compares every level of every factor.
pub fn causes(valves: &[ObservedValve]) -> LeakCauses {
    let mut factors: BTreeMap<&str, BTreeMap<&str, Vec<usize>>> = BTreeMap::new();
    for (at, valve) in valves.iter().enumerate() {
        for (factor, level) in &valve.levels {
            factors.entry(factor).or_default().entry(level).or_default().push(at);
        }
    }
    let counted = |of: &[usize]| LeakCount {
        leaking: of.iter().filter(|at| valves[**at].leaking).count() as u32,
        of: of.len() as u32,
    };
    let mut found = LeakCauses::default();
    let mut known_sets: HashMap<Vec<usize>, usize> = HashMap::new();
    let mut compared: HashMap<Sides, Vec<usize>> = HashMap::new();
    // Of each comparison, whether its level has the first of the known valves.
    let mut has_first: Vec<bool> = Vec::new();
    for (factor, levels) in factors {
        let known: BTreeSet<usize> = levels.values().flatten().copied().collect();
        let known: Vec<usize> = known.into_iter().collect();
        let all = counted(&known);
        let sets = known_sets.len();
        let set = *known_sets.entry(known.clone()).or_insert(sets);
        for (level, with) in levels {
            let without = known.len() - with.len();
            if with.len() < VALVES_MIN || without < VALVES_MIN {
                let (factor, level) = (factor.to_owned(), level.to_owned());
                found.too_few.push(TooFewValves { factor, level, with: with.len(), without });
                continue;
            }
            let having = counted(&with);
            let rest = LeakCount { leaking: all.leaking - having.leaking, of: all.of - having.of };
            let first = with.first() == known.first();
            let side =
                if first { known.iter().copied().filter(|at| with.binary_search(at).is_err()).collect() } else { with };
            let comparison = LeakComparison {
                factor: factor.to_owned(),
                level: level.to_owned(),
                with: LeakShare::of(having),
                without: LeakShare::of(rest),
                p: fisher_two_sided(having, rest),
                adjusted_p: 1.0,
                same_valves: Vec::new(),
            };
            let same = compared.entry((set, side)).or_default();
            let other_way = |at: &usize| found.comparisons[*at].factor == factor && has_first[*at] != first;
            match same.iter().copied().find(other_way) {
                Some(at) if comparison.with.share > found.comparisons[at].with.share => {
                    (found.comparisons[at], has_first[at]) = (comparison, first);
                }
                Some(_) => {}
                None => {
                    same.push(found.comparisons.len());
                    has_first.push(first);
                    found.comparisons.push(comparison);
                }
            }
        }
    }
    for same in compared.values().filter(|same| same.len() > 1) {
        for at in same {
            let others = same.iter().filter(|other| *other != at);
            let named = others.map(|other| (&found.comparisons[*other].factor, &found.comparisons[*other].level));
            found.comparisons[*at].same_valves = named.map(|(factor, level)| (factor.clone(), level.clone())).collect();
        }
    }
    let adjusted = holm(&found.comparisons.iter().map(|one| one.p).collect::<Vec<_>>());
    found.comparisons.iter_mut().zip(adjusted).for_each(|(one, adjusted)| one.adjusted_p = adjusted);
    // By name where p is the same: the order of a list of valves is none of the answer.
    let name = |one: &LeakComparison| (one.factor.clone(), one.level.clone());
    found.comparisons.sort_by(|a, b| a.p.total_cmp(&b.p).then_with(|| name(a).cmp(&name(b))));
    found
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    type Levels<'a> = &'a [(&'a str, &'a str)];

    fn valve(leaking: bool, levels: Levels<'_>) -> ObservedValve {
        let levels = levels.iter().map(|(factor, level)| ((*factor).into(), (*level).into())).collect();
        ObservedValve { leaking, levels }
    }

    fn valves(of: &[(u32, bool, Levels<'_>)]) -> Vec<ObservedValve> {
        of.iter().flat_map(|(n, leaking, levels)| (0..*n).map(move |_| valve(*leaking, levels))).collect()
    }

    /// The tea: 3 of 4 with lot A leak, 1 of 4 with B. One comparison, told by the lot that leaks more. Clopper and Pearson's interval of
    /// 3 of 4 is 0.19412 to 0.99369 (R's `binom.test`, from memory).
    #[test]
    fn two_lots_are_one_comparison() {
        let (a, b): (&[_], &[_]) = (&[("lot", "A")], &[("lot", "B")]);
        let found = causes(&valves(&[(1, true, a), (3, false, a), (3, true, b), (1, false, b), (2, true, &[])]));
        assert_eq!((found.comparisons.len(), found.too_few.len()), (1, 0));
        let one = &found.comparisons[0];
        assert_eq!((one.level.as_str(), one.with.counted), ("B", LeakCount { leaking: 3, of: 4 }));
        assert!((one.p - 34.0 / 70.0).abs() < 1e-12 && (one.adjusted_p - one.p).abs() < 1e-12);
        assert!((one.with.low - 0.194_12).abs() < 5e-6 && (one.with.high - 0.993_69).abs() < 5e-6, "{one:?}");
    }

    /// What has the same valves on either side is counted, and named.
    #[test]
    fn what_cannot_be_told_apart_is_named() {
        let (a, b, c): (&[_], &[_], &[_]) = (
            &[("lot", "A"), ("who", "Ada"), ("tool", "1")],
            &[("lot", "B"), ("who", "Bo"), ("tool", "2")],
            &[("lot", "C"), ("who", "Bo"), ("tool", "3")],
        );
        let found = causes(&valves(&[(4, true, a), (5, false, b), (2, false, c)]));
        let named: Vec<_> = found
            .comparisons
            .iter()
            .map(|one| (one.factor.as_str(), one.level.as_str(), one.same_valves.len()))
            .collect();
        // B of lot and of tool leave A and C on the other side; both were compared too.
        assert_eq!(named, [("lot", "A", 2), ("tool", "1", 2), ("who", "Ada", 2), ("lot", "B", 1), ("tool", "2", 1)]);
        // 4 of 4 against 0 of 7: one table of 330.
        assert!((found.comparisons[0].p - 1.0 / 330.0).abs() < 1e-12);
        assert!((found.comparisons[0].adjusted_p - 5.0 / 330.0).abs() < 1e-12);
        assert_eq!(
            found.too_few.iter().map(|few| (few.level.as_str(), few.with, few.without)).collect::<Vec<_>>(),
            [("C", 2, 9), ("3", 2, 9)]
        );
    }

    #[test]
    fn nothing_follows_from_nothing() {
        assert_eq!(causes(&[]), LeakCauses::default());
        assert_eq!(causes(&[valve(true, &[])]), LeakCauses::default());
        let all: Vec<_> = (0..9).map(|n| valve(true, &[("lot", ["A", "B", "C"][n % 3])])).collect();
        let found = causes(&all);
        assert!(
            found.comparisons.len() == 3 && found.comparisons.iter().all(|one| (one.p, one.adjusted_p) == (1.0, 1.0))
        );
    }

    proptest! {
        /// Whatever valves have, each figure is one, and the order of the list is none of the answer.
        #[test]
        fn any_valves(
            all in prop::collection::vec((any::<bool>(), prop::collection::btree_set((0u8..3, 0u8..4), 0..5)), 0..40),
        ) {
            let of = |(leaking, levels): (bool, BTreeSet<(u8, u8)>)| ObservedValve {
                leaking,
                levels: levels.into_iter().map(|(f, l)| (format!("f{f}"), format!("l{l}"))).collect(),
            };
            let mut all: Vec<_> = all.into_iter().map(of).collect();
            let found = causes(&all);
            for one in &found.comparisons {
                let (a, b) = (one.with, one.without);
                prop_assert!(a.counted.of as usize >= VALVES_MIN && b.counted.of as usize >= VALVES_MIN);
                prop_assert!((0.0..=1.0).contains(&one.p) && one.adjusted_p >= one.p && one.adjusted_p <= 1.0);
                for side in [a, b] {
                    prop_assert!(0.0 <= side.low && side.low <= side.share && side.share <= side.high && side.high <= 1.0);
                }
            }
            prop_assert!(found.comparisons.is_sorted_by(|a, b| a.p <= b.p && a.adjusted_p <= b.adjusted_p));
            all.reverse();
            let mut again = causes(&all);
            for one in &mut again.comparisons {
                one.same_valves.sort();
            }
            let mut found = found;
            for one in &mut found.comparisons {
                one.same_valves.sort();
            }
            prop_assert_eq!(again, found);
        }
    }
}
