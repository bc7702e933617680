//! Limits as people write them: a leak with its unit, or a rate class of a standard with a DN.

use seathold_sequencer::field::Unit;
use seathold_sequencer::rate_class::{RateClass, Standard, closure_test_s};
use seathold_sequencer::recipe::RawRecipe;
use seathold_sequencer::rig::RawRig;
use seathold_sequencer::units::{AbsolutePressure, LeakRate, Reference, Temperature};

use crate::{Dimension, UnitDef, did_you_mean};

/// A limit, and what it was written as.
#[derive(Clone, Debug, PartialEq)]
pub struct Limit {
    /// The greatest leak allowed.
    pub leak: LeakRate,
    /// The unit to show leaks in.
    pub symbol: UnitDef,
    /// The class, where it is one.
    pub class: Option<Class>,
}

/// A class of a standard for a size of valve.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Class {
    /// The standard.
    pub standard: Standard,
    /// The class.
    pub rate: RateClass,
    /// Nominal size.
    pub dn: u32,
}

impl Class {
    /// "ISO 5208 rate B DN 25".
    pub fn name(&self) -> String {
        format!("{} rate {} DN {}", self.standard.name(), self.rate.name(), self.dn)
    }

    /// The source of its value and how reliable that is.
    pub const fn source(&self) -> &'static str {
        match self.standard {
            Standard::Iso5208 => "ISO 5208:2015 table 4 for gas, from a secondary source: compare with the standard",
            Standard::En12266 => {
                "EN 12266-1:2012 table A.5 for gas, taken as equal to ISO 5208 table 4 (secondary source): compare \
                 with the standard"
            }
        }
    }

    /// Least time the standard's closure test lasts, in seconds.
    pub const fn closure_test_s(&self) -> u32 {
        closure_test_s(self.dn)
    }
}

/// Reads a limit. `dn` is the size given elsewhere, for a class that names none.
///
/// # Errors
/// Says what is wrong, and for "no visible leakage" why a value is needed.
pub fn parse(text: &str, dn: Option<u32>, reference: Reference) -> Result<Limit, String> {
    if let Some(class) = class(text, dn)? {
        let leak =
            class.rate.gas_limit(class.standard, class.dn, reference).map_err(|why| format!("\"{text}\": {why}"))?;
        return Ok(Limit { leak, symbol: Dimension(Unit::PascalCubicMetrePerSecond).usual(), class: Some(class) });
    }
    let quantity = Dimension(Unit::PascalCubicMetrePerSecond)
        .parse(text)
        .map_err(|why| format!("{why}; or a class with its size, like \"ISO 5208 rate B DN 25\""))?;
    standard_is_stated(text, quantity.symbol, reference.pressure.pascals())?;
    let leak = LeakRate::from_pa_m3_s(quantity.value(reference.pressure.pascals()));
    if !(1e-9..=100.0).contains(&leak.pa_m3_s()) {
        let (least, most) = (quantity.symbol, quantity.symbol);
        let kind = Dimension(Unit::PascalCubicMetrePerSecond);
        let pascals = reference.pressure.pascals();
        return Err(format!(
            "\"{text}\" is outside {} to {}",
            least.write(kind, 1e-9, pascals),
            most.write(kind, 100.0, pascals)
        ));
    }
    Ok(Limit { leak, symbol: quantity.symbol, class: None })
}

/// Refuses a leak in standard volumes while the reference pressure is the built-in one: no definition of a standard cubic
/// foot or of an sccm that is in use counts at 100 kPa (docs/use.md has some), so nobody has stated theirs.
///
/// # Errors
/// Says what to state.
pub fn standard_is_stated(text: &str, symbol: UnitDef, reference_pa: f64) -> Result<(), String> {
    if symbol.is_standard() && reference_pa == Reference::ISO_8778.pressure.pascals() {
        return Err(standard_unstated(text));
    }
    Ok(())
}

/// What to state with a leak in standard volumes.
pub fn standard_unstated(text: &str) -> String {
    format!(
        "\"{text}\": \"standard\" conditions have many definitions and none is built in; state yours as reference \
         temperature and reference pressure, like \"60 F\" and \"14.696 psi\", or give the leak as a volume at 20 °C and \
         100 kPa, like \"cm3/min\""
    )
}

/// Conditions with this absolute pressure, in pascals; rate classes do not depend on the temperature.
pub fn reference_at(pressure_pa: f64) -> Reference {
    Reference { pressure: AbsolutePressure::from_pascals(pressure_pa), ..Reference::ISO_8778 }
}

/// The class a text names, if it is one: "ISO 5208 rate B DN 25", "EN 12266-1 rate C DN50", "rate B" with a size given
/// elsewhere. `None` for what looks like a plain leak.
///
/// # Errors
/// For what looks like a class, but is not.
pub fn class(text: &str, dn: Option<u32>) -> Result<Option<Class>, String> {
    let upper = text.to_uppercase().replace(',', " ");
    let words: Vec<&str> = upper.split_whitespace().collect();
    if upper.contains("VISIBLE") || upper.contains("VISUALLY") {
        return Err(format!("\"{text}\": {}", seathold_sequencer::rate_class::RateClassError::NoFigure));
    }
    let named = ["RATE", "CLASS", "ISO", "EN", "DN", "NPS"];
    if !words.iter().any(|w| named.contains(w) || w.starts_with("DN") || w.contains("5208") || w.contains("12266")) {
        return Ok(None);
    }
    let standard = if upper.contains("12266") {
        Standard::En12266
    } else if upper.contains("5208") || !(words.contains(&"ISO") || words.contains(&"EN")) {
        Standard::Iso5208
    } else {
        return Err(format!("\"{text}\": no such standard here; give \"ISO 5208\" or \"EN 12266-1\""));
    };
    let names = || RateClass::ALL.iter().map(|c| c.name());
    let after = |names: &[&str]| words.iter().position(|w| names.contains(w)).and_then(|i| words.get(i + 1)).copied();
    let Some(letter) = after(&["RATE", "CLASS"]) else {
        return Err(format!("\"{text}\" names no rate; write it like \"ISO 5208 rate B DN 25\""));
    };
    let rate = RateClass::find(letter).ok_or_else(|| {
        let hint = did_you_mean(letter, names());
        format!(
            "\"{text}\": there is no rate \"{letter}\"{hint} (there are: {})",
            names().collect::<Vec<_>>().join(", ")
        )
    })?;
    let in_inches = upper.split_once("NPS").map(|(_, rest)| {
        let digits = |c: char| c.is_ascii_digit() || matches!(c, ' ' | '.' | '/' | '-');
        let end = rest.find(|c| !digits(c)).unwrap_or(rest.len());
        crate::pipe_size::dn(&format!("NPS {}", rest[..end].trim())).map_err(|why| format!("\"{text}\": {why}"))
    });
    if let Some(in_inches) = in_inches {
        let by_nps = in_inches?;
        return match dn {
            Some(dn) if dn != by_nps => Err(format!("\"{text}\" says DN {by_nps}, --dn says {dn}")),
            _ => Ok(Some(Class { standard, rate, dn: by_nps })),
        };
    }
    let size = words.iter().find_map(|w| w.strip_prefix("DN").filter(|rest| !rest.is_empty())).or(after(&["DN"]));
    let typed = match size {
        Some(size) => {
            Some(size.parse::<u32>().map_err(|_| format!("\"{text}\": DN \"{size}\" is not a whole number like 25"))?)
        }
        None => None,
    };
    match (typed, dn) {
        (Some(a), Some(b)) if a != b => Err(format!("\"{text}\" says DN {a}, --dn says {b}")),
        (Some(dn), _) | (None, Some(dn)) => Ok(Some(Class { standard, rate, dn })),
        (None, None) => Err(format!("\"{text}\" allows so much for each DN, so it needs the size, like \"DN 25\"")),
    }
}

/// How fast the trapped pressure would fall with a leak at the limit, in Pa/s: `Q = −V·dp/dt`, the background leak
/// added, at the temperature of the gas.
pub fn slope_at_limit(recipe: &RawRecipe, rig: &RawRig) -> f64 {
    let counted = LeakRate::from_pa_m3_s(recipe.limit_pa_m3_s + rig.background_pa_m3_s);
    let (reference, gas) = (Temperature::from_kelvin(recipe.reference_k), Temperature::from_kelvin(recipe.gas_k));
    -counted.at_temperature(reference, gas).pa_m3_s() / rig.far_volume_m3
}

#[cfg(test)]
mod tests {
    use super::*;

    fn limit(text: &str) -> Result<f64, String> {
        parse(text, None, Reference::ISO_8778).map(|l| l.leak.pa_m3_s())
    }

    #[test]
    fn plain_figures_and_classes() {
        for text in [
            "7.5 mm3/s",
            "7.5e-4 Pa·m³/s",
            "ISO 5208 rate B DN 25",
            "iso 5208:2015 rate b dn25",
            "EN 12266-1 rate B DN 25",
            "rate B, DN 25",
            "class B DN 25",
            "ISO 5208 rate B NPS 1",
            "rate B, NPS1",
        ] {
            let value = limit(text).unwrap();
            assert!((value / 7.5e-4 - 1.0).abs() < 1e-14, "{text}: {value}");
        }
    }

    #[test]
    fn a_size_given_elsewhere_counts_and_must_not_differ() {
        let with = |text, dn| parse(text, dn, Reference::ISO_8778);
        assert!(with("ISO 5208 rate B", Some(25)).is_ok());
        assert_eq!(with("rate B DN 25", Some(50)).unwrap_err(), "\"rate B DN 25\" says DN 25, --dn says 50");
        assert!(with("rate B", None).unwrap_err().contains("needs the size"));
    }

    /// 0.1 scfh at 60 °F and 14.696 psia, counted there: 0.1 · 0.3048³/3600 m³/s of 14.696 psi.
    #[test]
    fn standard_volumes_need_stated_conditions() {
        let told = limit("0.1 scfh").unwrap_err();
        assert!(told.contains("have many definitions and none is built in"), "{told}");
        assert!(limit("5 sccm").is_err());
        let stated = reference_at(14.696 * 6_894.757_293_168_362);
        let leak = parse("0.1 scfh", None, stated).unwrap();
        let expected = 0.1 * 0.3048f64.powi(3) / 3_600.0 * stated.pressure.pascals();
        assert!((leak.leak.pa_m3_s() / expected - 1.0).abs() < 1e-14);
        assert_eq!(leak.symbol.text, "scfh");
        assert!(parse("rate B NPS 1 1/2", None, Reference::ISO_8778).is_ok_and(|l| l.class.unwrap().dn == 40));
        assert_eq!(
            parse("rate B NPS 1", Some(50), Reference::ISO_8778).unwrap_err(),
            "\"rate B NPS 1\" says DN 25, --dn says 50"
        );
    }

    #[test]
    fn what_is_no_limit_says_why() {
        for (text, said) in [
            ("ISO 5208 rate A DN 25", "not a leak rate"),
            ("no visible leakage", "not a leak rate"),
            ("EN 12266-1 rate AA DN 25", "EN 12266-1 has no rate AA"),
            ("ISO 5208 rate H DN 25", "there is no rate \"H\""),
            ("ISO 5208 DN 25", "names no rate"),
            ("ISO 9999 rate B DN 25", "no such standard"),
            ("rate B DN 5", "outside DN 6 to DN 4000"),
            ("rate B DN big", "not a whole number"),
            ("rate B NPS 1.3", "is no size like"),
            ("10 bubbles/min", "say the volume of one"),
            ("7.5", "needs a unit"),
            ("1e9 mm3/s", "is outside"),
        ] {
            let why = limit(text).unwrap_err();
            assert!(why.contains(said), "{text}: {why}");
        }
    }
}
