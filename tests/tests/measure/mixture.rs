//! Groups of leaks found without labels, held against another program's and against the truth they were drawn from.

use std::collections::HashMap;

use proptest::prelude::*;
use seathold_analysis::tune::mixture::{Mixture, MixtureComponent, ModelDistance, Observation, fit, fit_groups};

fn table(name: &str) -> Vec<Vec<String>> {
    let path = format!("{}/reference/{name}", env!("CARGO_MANIFEST_DIR"));
    let text = std::fs::read_to_string(path).unwrap();
    text.lines().skip(1).map(|line| line.split(',').map(str::to_owned).collect()).collect()
}

fn figures(case: &str) -> Vec<Observation> {
    let number = |text: &String| text.parse::<f64>().unwrap();
    let rows = table("mixture_figures.csv").into_iter().filter(|row| row[0] == case);
    rows.map(|row| Observation { leak: number(&row[1]), u: number(&row[2]) }).collect()
}

/// SciPy's direct maximum of the likelihood, integrated in another way (tests/reference/mixture.py): shares and spreads
/// to 0.003, medians to 0.5 %, the likelihood's logarithm to 0.01, chances of lying within a limit to 0.005.
#[test]
fn groups_are_those_of_another_program() {
    for (case, none, others) in [("two", false, 2), ("none-and-one", true, 1), ("one", false, 1)] {
        let seen = figures(case);
        let found = fit_groups(&seen, none, others);
        let leaking: Vec<&MixtureComponent> = found.groups.iter().filter(|g| g.median.is_some()).collect();
        let mut checked = 0;
        for row in table("mixture_answers.csv").iter().filter(|row| row[0] == case) {
            let (place, value): (usize, f64) = (row[2].parse().unwrap(), row[3].parse().unwrap());
            let (ours, allowed) = match row[1].as_str() {
                "log_likelihood" => (found.log_likelihood, 0.01),
                "share_none" => (found.groups[0].share, 0.003),
                "share" => (leaking[place].share, 0.003),
                "median" => (leaking[place].median.unwrap(), 0.005 * value),
                "spread" => (leaking[place].spread, 0.003),
                "within" => (found.within(seen[place], 7.5e-4), 0.005),
                other => panic!("{other}"),
            };
            assert!((ours - value).abs() <= allowed, "{case} {row:?}: {ours}");
            checked += 1;
        }
        assert!(checked > 15);
    }
}

/// As many groups as were drawn, and no more.
#[test]
fn the_number_of_groups_is_found() {
    for (case, shape) in
        [("two", vec![(false, 2), (true, 1)]), ("none-and-one", vec![(true, 1)]), ("one", vec![(false, 1)])]
    {
        let found = fit(&figures(case)).unwrap();
        assert!(shape.contains(&found.shape()), "{case}: {:?}", found.groups);
        let ModelDistance { found: off, allowed } = found.distance(&figures(case));
        assert!(off < allowed, "{case}: {off} {allowed}");
    }
    // Leaks at two sharp heights are no two broad groups in one.
    let sharp: Vec<Observation> =
        (0..60).map(|i| Observation { leak: if i % 2 == 0 { 1e-5 } else { 1e-2 }, u: 1e-6 }).collect();
    let forced = fit_groups(&sharp, false, 1);
    let ModelDistance { found: off, allowed } = forced.distance(&sharp);
    assert!(off > allowed, "one group for two heights is blamed: {off} {allowed}");
    assert_eq!(fit(&sharp).unwrap().groups.len(), 2);
    assert!(fit(&sharp[..10]).unwrap_err().contains("10 leaks"));
}

/// Numbers that look like chance, the same each time.
struct Chance(u64);

impl Chance {
    fn unit(&mut self) -> f64 {
        self.0 = self.0.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        ((self.0 >> 11) as f64 + 0.5) / (1u64 << 53) as f64
    }

    fn normal(&mut self) -> f64 {
        (-2.0 * self.unit().ln()).sqrt() * (std::f64::consts::TAU * self.unit()).cos()
    }
}

/// Of the sides that are said to lie within the limit with such a chance, so many do: summed over tenths, within four
/// standard deviations of what chance allows.
#[test]
fn chances_come_true() {
    let mut chance = Chance(5);
    let limit = 7.5e-4;
    let drawn: Vec<(f64, Observation)> = (0..500)
        .map(|_| {
            let (median, spread): (f64, f64) = if chance.unit() < 0.65 { (2e-4, 0.5) } else { (1.5e-3, 0.7) };
            let truth = median * (spread * chance.normal()).exp();
            let u = 1e-4 * (0.5 * chance.normal()).exp();
            (truth, Observation { leak: truth + u * chance.normal(), u })
        })
        .collect();
    let seen: Vec<Observation> = drawn.iter().map(|d| d.1).collect();
    let found = fit(&seen).unwrap();
    let mut tenths: HashMap<usize, (f64, f64, f64)> = HashMap::new();
    for (truth, seen) in &drawn {
        let within = found.within(*seen, limit);
        let sums = tenths.entry((within * 9.999) as usize).or_default();
        sums.0 += within;
        sums.1 += f64::from(u8::from(*truth <= limit));
        sums.2 += within * (1.0 - within);
    }
    for (tenth, (expected, came, variance)) in &tenths {
        let off = (expected - came).abs();
        println!("{tenth}: {expected:.1} expected, {came} came");
        assert!(off <= 4.0 * variance.sqrt() + 1.0, "tenth {tenth}: {expected} expected, {came} came");
    }
    assert!(tenths.len() > 4, "the chances say something: {tenths:?}");
}

fn some() -> impl Strategy<Value = Vec<Observation>> {
    let one = (-1e-4f64..5e-3, 1e-5f64..2e-4).prop_map(|(leak, u)| Observation { leak, u });
    prop::collection::vec(one, 20..30)
}

fn alike(one: &Mixture, two: &Mixture, scale: f64) -> Result<(), TestCaseError> {
    prop_assert_eq!(one.shape(), two.shape());
    for (a, b) in one.groups.iter().zip(&two.groups) {
        prop_assert!((a.share - b.share).abs() < 1e-3, "{:?} {:?}", one.groups, two.groups);
        if let (Some(a), Some(b)) = (a.median, b.median) {
            prop_assert!((a * scale / b - 1.0).abs() < 0.01, "{:?} {:?}", one.groups, two.groups);
        }
    }
    Ok(())
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(5))]

    /// Neither the order of figures nor their unit matters, and chances are chances, the less the higher the leak.
    #[test]
    fn order_and_unit_do_not_matter(seen in some(), scale in 0.01f64..100.0) {
        let one = fit_groups(&seen, true, 1);
        let turned: Vec<Observation> = seen.iter().rev().copied().collect();
        alike(&one, &fit_groups(&turned, true, 1), 1.0)?;
        let scaled: Vec<Observation> = seen.iter().map(|s| Observation { leak: s.leak * scale, u: s.u * scale }).collect();
        alike(&one, &fit_groups(&scaled, true, 1), scale)?;
        let shares: f64 = one.groups.iter().map(|g| g.share).sum();
        prop_assert!((shares - 1.0).abs() < 1e-9);
        let mut before = 1.0;
        for step in 0..30 {
            let within = one.within(Observation { leak: f64::from(step) * 2e-4, u: 1e-4 }, 1e-3);
            prop_assert!((0.0..=1.0).contains(&within) && within <= before + 1e-9, "{within} after {before}");
            before = within;
        }
    }
}
