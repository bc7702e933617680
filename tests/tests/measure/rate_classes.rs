//! Seat rate classes against the table of the standard. Source: ISO 5208:2015 table 4, seen quoted *second-hand*;
//! that EN 12266-1:2012 table A.5 lacks the double letters is from *memory*.

use seathold_sequencer::rate_class::{DN_MAX, DN_MIN, RateClass, RateClassError, Standard, closure_test_s};
use seathold_sequencer::units::{AbsolutePressure, Reference};
use seathold_tests::reference::cells;

const AT_100_KPA: Reference = Reference::ISO_8778;

#[test]
fn every_class_is_the_tables_and_the_table_has_no_other() {
    let rows = cells("seat_leak_rates.csv");
    assert_eq!(rows.len(), RateClass::ALL.len());
    for (row, class) in rows.iter().zip(RateClass::ALL) {
        assert_eq!(row[0], class.name());
        assert_eq!(RateClass::find(&row[0]), Some(class));
        match class.gas_limit(Standard::Iso5208, 25, AT_100_KPA) {
            Ok(limit) => {
                let theirs: f64 = row[2].parse().unwrap();
                let ours = limit.mm3_s(AT_100_KPA) / 25.0;
                assert!((ours / theirs - 1.0).abs() < 1e-14, "{}: {ours} against {theirs}", row[0]);
            }
            Err(why) => {
                assert_eq!((why, row[2].as_str()), (RateClassError::NoFigure, ""), "{}", row[0]);
            }
        }
    }
}

/// DN 25, rate B: 7.5 mm³/s; 7.5e-4 Pa·m³/s at 100 kPa, 7.599375e-4 at 101.325 kPa (computed).
#[test]
fn the_reference_pressure_moves_the_limit() {
    for (pascals, expected) in [(100_000.0, 7.5e-4), (101_325.0, 7.599_375e-4)] {
        let reference = Reference { pressure: AbsolutePressure::from_pascals(pascals), ..AT_100_KPA };
        let limit = RateClass::B.gas_limit(Standard::En12266, 25, reference).unwrap().pa_m3_s();
        assert!((limit / expected - 1.0).abs() < 1e-14, "{limit}");
    }
}

#[test]
fn rate_a_is_refused_with_the_reason() {
    for standard in [Standard::Iso5208, Standard::En12266] {
        let why = RateClass::A.gas_limit(standard, 25, AT_100_KPA).unwrap_err();
        assert_eq!(why, RateClassError::NoFigure);
        assert!(why.to_string().contains("no visually detectable leakage"), "{why}");
    }
}

#[test]
fn only_iso_5208_has_the_double_letters() {
    for class in [RateClass::AA, RateClass::CC, RateClass::EE] {
        assert!(class.gas_limit(Standard::Iso5208, 50, AT_100_KPA).is_ok());
        let why = class.gas_limit(Standard::En12266, 50, AT_100_KPA).unwrap_err();
        assert_eq!(why, RateClassError::NotInStandard(class, Standard::En12266));
    }
}

#[test]
fn sizes_outside_the_range_are_refused() {
    for dn in [0, DN_MIN - 1, DN_MAX + 1, u32::MAX] {
        assert_eq!(RateClass::B.gas_limit(Standard::Iso5208, dn, AT_100_KPA), Err(RateClassError::Dn(dn)));
    }
}

/// Closure test, at least: DN ≤ 50: 15 s, 65 to 150: 60 s, from 200: 120 s (ISO 5208 table 2, *memory*).
#[test]
fn closure_test_times() {
    let expected = [(15, 15), (50, 15), (65, 60), (150, 60), (200, 120), (300, 120), (350, 120)];
    for (dn, seconds) in expected {
        assert_eq!(closure_test_s(dn), seconds, "DN {dn}");
    }
}
