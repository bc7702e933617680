//! A pressure that no valve is tested at is most likely in another unit than the file says, and every leak computed from
//! it would be wrong by the same factor.

use std::ops::RangeInclusive;

use seathold_quantity::{Dimension, UnitDef};
use seathold_sequencer::field::Unit;

/// Refuses a window that begins at such a pressure. `read_pa` is in pascals as the file's unit has them, and so much
/// above the gauge pressure as `to_gauge_pa` says.
///
/// # Errors
/// Says the pressure, what is allowed, and the units in which the same figure would be a test pressure.
pub(super) fn refuse(
    read_pa: f64,
    to_gauge_pa: f64,
    unit: UnitDef,
    allowed: RangeInclusive<f64>,
) -> Result<(), String> {
    let gauge_pa = read_pa - to_gauge_pa;
    if allowed.contains(&gauge_pa) {
        return Ok(());
    }
    let figure = unit.from_base(read_pa, 1.0);
    let others = Dimension(Unit::Pascal).symbols().iter();
    let likely: Vec<&str> = others
        .filter(|other| other.text != unit.text && allowed.contains(&(other.to_base(figure) - to_gauge_pa)))
        .map(|other| other.text)
        .collect();
    let likely = match likely.as_slice() {
        [] => String::new(),
        [one] => format!("; if the figures are in {one}, say --pressure-unit {one}"),
        several => format!("; if the figures are in {}, say so with --pressure-unit", several.join(" or ")),
    };
    let (least, most) = allowed.into_inner();
    Err(format!(
        "the window begins at {} gauge, and a test pressure is to be within {} to {} (--pressure-min, \
         --pressure-max){likely}",
        shown(gauge_pa),
        shown(least),
        shown(most)
    ))
}

/// A pressure in words, in bar unless it is very small.
fn shown(pa: f64) -> String {
    let (figure, unit) = if pa.abs() < 1_000.0 { (pa, "Pa") } else { (pa / 1e5, "bar") };
    // Four places are a tenth of a millibar.
    let text = format!("{figure:.4}");
    format!("{} {unit}", text.trim_end_matches('0').trim_end_matches('.'))
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn unit(text: &str) -> UnitDef {
        Dimension(Unit::Pascal).symbol(text).unwrap()
    }

    #[test]
    fn says_what_it_may_be_instead() {
        let allowed = || 20_000.0..=1_000_000.0;
        let gauge = |pa: f64, of: &str| refuse(pa, 0.0, unit(of), allowed());
        assert_eq!(gauge(600_000.0, "Pa"), Ok(()));
        assert_eq!(
            gauge(6.0, "Pa").unwrap_err(),
            "the window begins at 6 Pa gauge, and a test pressure is to be within 0.2 bar to 10 bar (--pressure-min, \
             --pressure-max); if the figures are in bar or psi, say so with --pressure-unit"
        );
        assert!(gauge(6e7, "mbar").unwrap_err().ends_with("say --pressure-unit Pa"));
        assert!(
            gauge(87e5, "bar").unwrap_err().ends_with("if the figures are in kPa or psi, say so with --pressure-unit")
        );
        assert!(gauge(0.0, "bar").unwrap_err().ends_with("--pressure-max)"));
        // The same file as absolute pressures: 7 bar in pascals.
        let absolute = refuse(7.0, 101_325.0, unit("Pa"), allowed()).unwrap_err();
        assert!(
            absolute.contains("begins at -1.0132 bar gauge") && absolute.ends_with("say --pressure-unit bar"),
            "{absolute}"
        );
    }

    proptest! {
        /// Nothing outside is taken, nothing inside refused, and every unit named would do.
        #[test]
        fn all_or_nothing(pa in -1e5f64..1e9, at in 0usize..7) {
            let units = Dimension(Unit::Pascal).symbols();
            let unit = units[at % units.len()];
            let told = refuse(pa, 0.0, unit, 20_000.0..=1_000_000.0);
            prop_assert_eq!(told.is_ok(), (20_000.0..=1_000_000.0).contains(&pa));
        }
    }
}
