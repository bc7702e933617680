//! Whether docs/rig-and-safety.md is complete: every test of a rule, every field, every fault that ends a phase.

use seathold_sequencer::recipe;
use seathold_sequencer::rig;

const DOC: &str = include_str!("../../../docs/rig-and-safety.md");
const TESTS: &str = concat!(
    include_str!("../../machine/tests/safety_rules.rs"),
    include_str!("../../machine/tests/safety_motion.rs"),
    include_str!("../../machine/tests/safety_empty.rs"),
    include_str!("../../machine/tests/safety_verdicts.rs"),
);

/// Words set as code.
fn code_words() -> Vec<&'static str> {
    // Fences first: they contain drawings or commands.
    let prose = DOC.split("```").step_by(2);
    prose.flat_map(|text| text.split('`').skip(1).step_by(2)).collect()
}

#[test]
fn every_test_of_a_rule_is_named_and_every_name_is_a_test() {
    let told: Vec<_> = code_words().into_iter().filter(|w| w.starts_with("rule_")).collect();
    let there: Vec<_> = TESTS
        .lines()
        .filter_map(|line| line.strip_prefix("fn "))
        .filter_map(|line| line.split('(').next())
        .filter(|name| name.starts_with("rule_"))
        .collect();
    assert!(there.len() > 20, "only {} tests found", there.len());
    for name in &there {
        assert!(told.contains(name), "the page does not name {name}");
    }
    for name in &told {
        assert!(there.contains(name), "the page names {name}, which is no test");
    }
    for rule in 1..=10 {
        assert!(there.iter().any(|n| n.starts_with(&format!("rule_{rule}_"))), "rule {rule} has no test");
    }
}

#[test]
fn every_field_named_is_a_field() {
    let fields: Vec<_> = recipe::FIELDS.iter().map(|f| f.name).chain(rig::FIELDS.iter().map(|f| f.name)).collect();
    let looks_like_a_field =
        |w: &&str| w.bytes().all(|b| b.is_ascii_lowercase() || b == b'_') && !TESTS.contains(&format!("fn {w}("));
    let named: Vec<_> = code_words().into_iter().filter(looks_like_a_field).collect();
    assert!(named.len() > 15, "only {} fields found", named.len());
    for name in named {
        assert!(fields.contains(&name), "the page names {name}, which is no field of a recipe or rig");
    }
}

/// The faults that are time-outs, spelt as in the code: renaming one breaks this test before it breaks the page.
#[test]
fn every_time_out_is_told() {
    use seathold_sequencer::event::Fault;
    use seathold_sequencer::event::Phase;
    use seathold_sequencer::input::Prompt;
    let outcomes = [
        Fault::FarSensor,
        Fault::SupplySensor,
        Fault::FillTimeout,
        Fault::NotShut,
        Fault::VentTimeout,
        Fault::NoAnswer(Prompt::OpenValve),
        Fault::Trapped,
        Fault::Stalled,
        Fault::Overrun(Phase::Fill),
    ];
    let words = code_words();
    for fault in outcomes {
        let name = format!("{fault:?}");
        let name = name.split('(').next().expect("a name");
        assert!(words.contains(&name), "the page does not tell of {name}");
    }
}
