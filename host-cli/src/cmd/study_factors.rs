//! What a valve had at its first proof, as factors and levels that leaks may go with.

use std::collections::BTreeSet;

use seathold_assembly::length::Length;
use seathold_assembly::length_class::USUAL_WIDTH;
use seathold_register::assembly::first_proof::FirstProof;
use seathold_register::assembly::progress::StepState;

/// The factors of a valve of a batch, each with its level, or with several.
pub(super) fn factors(batch: &str, proof: &FirstProof) -> BTreeSet<(String, String)> {
    let mut found = BTreeSet::new();
    let mut has = |factor: String, level: &str| {
        if !level.trim().is_empty() {
            found.insert((factor, level.trim().to_owned()));
        }
    };
    has("batch".into(), batch);
    let mut open = false;
    for (step, state) in &proof.steps {
        let StepState::Done(done) = state else {
            has(step.name.clone(), "open");
            open = true;
            continue;
        };
        has(step.name.clone(), "done");
        let what = step.value.as_ref().map_or("value", |value| value.what.as_str());
        has(format!("{}, {what}", step.name), done.head.value.as_deref().unwrap_or_default());
        has(format!("{}, tool", step.name), done.head.tool.as_deref().unwrap_or_default());
        has(format!("{}, person", step.name), &done.operator);
    }
    if !proof.steps.is_empty() {
        has("open steps".into(), if open { "some" } else { "none" });
    }
    if let Some(bolted) = &proof.bolted {
        has("bolted up, person".into(), &bolted.operator);
    }
    for length in &proof.fittings_mm {
        has("fitting length".into(), &class(*length));
    }
    found
}

/// "29.8 to 29.9 mm": from the first, inclusive.
fn class(length_mm: f64) -> String {
    let width = USUAL_WIDTH.nm();
    let from = Length::from_m(length_mm / 1e3).nm().div_euclid(width);
    let mm = |classes: i64| Length::from_nm(classes * width).mm();
    format!("{:.1} to {:.1} mm", mm(from), mm(from + 1))
}

#[cfg(test)]
mod tests {
    use seathold_assembly::steps::{Step, StepValue};
    use seathold_register::assembly::progress::{BoltedValve, StepDone};
    use seathold_register::assembly::sealed::DoneHead;

    use super::*;

    #[test]
    fn what_was_noted_is_a_factor_and_what_was_not_is_none() {
        let step = |name: &str| Step { name: name.into(), ..Step::default() };
        let seals = Step { value: Some(StepValue { what: "kit lot".into(), ..StepValue::default() }), ..step("seals") };
        let head = DoneHead { value: Some("K-1".into()), ..DoneHead::default() };
        let done = StepState::Done(StepDone { operator: "Ada".into(), head, ..StepDone::default() });
        let proof = FirstProof {
            serial: "HM-001".into(),
            verdict: None,
            steps: vec![(seals, done), (step("bolts"), StepState::Open)],
            bolted: Some(BoltedValve::default()),
            fittings_mm: vec![29.8, 29.9, 29.85],
        };
        let found = factors("spring", &proof);
        let found: Vec<String> = found.iter().map(|(factor, level)| format!("{factor}: {level}")).collect();
        assert_eq!(
            found,
            [
                "batch: spring",
                "bolts: open",
                "fitting length: 29.8 to 29.9 mm",
                "fitting length: 29.9 to 30.0 mm",
                "open steps: some",
                "seals: done",
                "seals, kit lot: K-1",
                "seals, person: Ada",
            ]
        );
    }

    #[test]
    fn any_length_has_a_class() {
        for length in [0.0, -3.0, 1e300, f64::MAX, f64::MIN, 29.999_999_9] {
            assert!(class(length).ends_with(" mm"));
        }
    }
}
