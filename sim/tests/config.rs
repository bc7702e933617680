//! Configuration: clear errors, all at once; the tables cover what they should.

use seathold_sequencer::field::Field;
use seathold_sim::config::{LeakSpec, PLANT_FIELDS, RawPlant};
use seathold_sim::leak_path::LeakPath;
use seathold_sim::operator::{OPERATOR_FIELDS, RawOperator};
use seathold_sim::scenario::{SCENARIOS, Scenario};
use seathold_sim::sensor::{RawSensor, RawThermometer, SENSOR_FIELDS, THERMOMETER_FIELDS};

#[test]
fn every_error_is_reported_at_once_with_section_field_value_and_range() {
    let mut scenario = Scenario::TIGHT;
    scenario.plant.far_volume_m3 = -1.0;
    scenario.plant.seat_a = LeakSpec::viscous(f64::NAN);
    scenario.plant.piston_start_pa = 500_000.0;
    scenario.far.noise_pa = 1e9;
    scenario.operator.reaction_ms = u32::MAX;
    let text = scenario.validate().expect_err("all wrong").to_string();
    let lines: Vec<&str> = text.lines().collect();
    for expected in [
        "plant.far_volume: -1 m³ is outside 0.0000001 to 0.1 m³",
        "plant.seat_a: NaN Pa·m³/s is outside 0 to 1000 Pa·m³/s",
        "plant.piston_start: 500000 Pa must stay below 350000 Pa (from piston_end)",
        "far.noise: 1000000000 Pa is outside 0 to 20000 Pa",
        "operator.reaction: 4294967295 ms is outside 0 to 3600000 ms",
    ] {
        assert!(lines.contains(&expected), "missing: {expected}\nin:\n{text}");
    }
}

fn each_field_writes_what_it_reads_and_nothing_else<T: Copy + PartialEq + std::fmt::Debug>(
    raw: T,
    fields: &[Field<T>],
) {
    let mut names = Vec::new();
    for field in fields {
        assert!(!field.about.is_empty() && field.min < field.max, "{}", field.name);
        assert!(!names.contains(&field.name), "{} occurs twice", field.name);
        names.push(field.name);
        let value = (field.get)(&raw);
        assert!(value >= field.min && value <= field.max, "{}: {value} outside its own range", field.name);
        let other = if value == field.max { field.min } else { field.max };
        let mut changed = raw;
        (field.set)(&mut changed, other);
        assert_eq!((field.get)(&changed), other, "{}", field.name);
        for unchanged in fields.iter().filter(|f| f.name != field.name) {
            assert_eq!((unchanged.get)(&changed), (unchanged.get)(&raw), "{} moved {}", field.name, unchanged.name);
        }
        (field.set)(&mut changed, value);
        assert_eq!(changed, raw, "{}", field.name);
    }
}

#[test]
fn tables_agree_with_the_structs() {
    each_field_writes_what_it_reads_and_nothing_else(RawPlant::DEMO, PLANT_FIELDS);
    each_field_writes_what_it_reads_and_nothing_else(RawSensor::DEMO, SENSOR_FIELDS);
    each_field_writes_what_it_reads_and_nothing_else(RawThermometer::DEMO, THERMOMETER_FIELDS);
    each_field_writes_what_it_reads_and_nothing_else(RawOperator::DEMO, OPERATOR_FIELDS);
}

#[test]
fn ready_made_scenarios_are_valid_and_described() {
    for scenario in SCENARIOS {
        assert!(scenario.validate().is_ok(), "{}: {:?}", scenario.name, scenario.validate());
        assert!(scenario.by_hand().validate().is_ok(), "{}", scenario.name);
        assert!(scenario.about.len() > 20, "{}", scenario.name);
    }
}

#[test]
fn a_leak_path_is_its_field() {
    let mut raw = RawPlant::DEMO;
    for (i, path) in LeakPath::ALL.into_iter().enumerate() {
        let rate = (i + 1) as f64 * 1e-5;
        path.of_mut(&mut raw).rate = rate;
        let field = PLANT_FIELDS.iter().find(|f| f.name == path.name()).expect("a field of that name");
        assert_eq!(((field.get)(&raw), path.of(&raw).rate), (rate, rate), "{}", field.name);
    }
}
