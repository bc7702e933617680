//! Steps of assembly: what is to be done to every valve before it is tested, and what is written down of each.

use serde::{Deserialize, Serialize};

/// The greatest number of steps of a list.
pub const STEPS_MAX: usize = 64;
/// The longest name of a step, in characters.
pub const STEP_NAME_MAX: usize = 40;

/// A step.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Step {
    /// The word it is ticked by: small letters, digits and hyphens.
    pub name: String,
    /// What is to be done.
    pub text: String,
    /// What is read or noted as it is done.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub value: Option<StepValue>,
    /// The number of the tool is noted.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub tool: bool,
    /// A photograph is taken.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub photo: bool,
    /// So many bolts are tightened, criss-cross.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub bolts: Option<u32>,
    /// A rework undoes it.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub again_after_rework: bool,
}

/// A value that belongs to a step.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct StepValue {
    /// What it is: "torque", "kit lot".
    pub what: String,
    /// Its unit; empty for a text.
    #[serde(default, skip_serializing_if = "String::is_empty")]
    pub unit: String,
    /// Least allowed, in that unit.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub least: Option<f64>,
    /// Most allowed.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub most: Option<f64>,
}

impl Step {
    /// Whether what was noted is what is asked for: a step may have been stated anew since.
    pub fn is_met_by(&self, value: Option<&str>, has_tool: bool, has_photo: bool) -> bool {
        let met = self.value.as_ref().is_none_or(|asked| value.is_some_and(|value| asked.read(value).is_ok()));
        met && (has_tool || !self.tool) && (has_photo || !self.photo)
    }
}

impl StepValue {
    /// What is allowed, in words.
    pub fn range(&self) -> String {
        let unit = &self.unit;
        match (self.least, self.most) {
            (Some(least), Some(most)) => format!("{least} to {most} {unit}"),
            (Some(least), None) => format!("{least} {unit} or more"),
            (None, Some(most)) => format!("{most} {unit} or less"),
            (None, None) if unit.is_empty() => "a text".into(),
            (None, None) => format!("a number of {unit}"),
        }
    }

    /// A value as it is kept: a text as it is; a number, with its unit or without, as the number and the unit.
    ///
    /// # Errors
    /// What is allowed, where it is something else.
    pub fn read(&self, typed: &str) -> Result<String, String> {
        let typed = typed.trim();
        if typed.is_empty() {
            return Err(format!("{}: empty; {}", self.what, self.range()));
        }
        if self.unit.is_empty() {
            return Ok(typed.into());
        }
        let end = typed.find(|c: char| !matches!(c, '0'..='9' | '.' | ',' | '-' | '+')).unwrap_or(typed.len());
        let (number, unit) = typed.split_at(end);
        let flat = |unit: &str| {
            unit.chars().filter(|c| !c.is_whitespace() && !matches!(c, '·' | '*' | '.')).collect::<String>()
        };
        let wrong = || format!("{} \"{typed}\": {}", self.what, self.range());
        if !number.is_empty() && !unit.trim().is_empty() && flat(unit) != flat(&self.unit) {
            return Err(format!("{}; \"{}\" is another unit, and is not converted", wrong(), unit.trim()));
        }
        if !unit.trim().is_empty() && flat(unit) != flat(&self.unit) {
            return Err(wrong());
        }
        let value: f64 = number.replace(',', ".").parse().map_err(|_| wrong())?;
        let inside = value.is_finite()
            && self.least.is_none_or(|least| value >= least)
            && self.most.is_none_or(|most| value <= most);
        if inside { Ok(format!("{value} {}", self.unit)) } else { Err(wrong()) }
    }
}

/// What is wrong with a step, if anything: its field, and what is allowed.
pub fn step_fault(step: &Step) -> Option<(&'static str, String)> {
    let is_name = |c: char| c.is_ascii_lowercase() || c.is_ascii_digit() || c == '-';
    if step.name.is_empty() || step.name.chars().count() > STEP_NAME_MAX || !step.name.chars().all(is_name) {
        return Some((
            "name",
            format!("\"{}\" is not 1 to {STEP_NAME_MAX} small letters, digits and hyphens", step.name),
        ));
    }
    if step.text.trim().is_empty() {
        return Some(("text", "empty; say what is to be done".into()));
    }
    if let Some(bolts) = step.bolts
        && crate::tightening_order::tightening_order(bolts).is_none()
    {
        return Some((
            "bolts",
            format!("{bolts} is not an even number from 4 to {}", crate::tightening_order::BOLTS_MAX),
        ));
    }
    let value = step.value.as_ref()?;
    if value.what.trim().is_empty() {
        return Some(("value", "empty; say what it is, like \"torque\"".into()));
    }
    let bounded = value.least.is_some() || value.most.is_some();
    if value.unit.is_empty() && bounded {
        return Some(("unit", "missing; least and most are numbers of it".into()));
    }
    let finite = |bound: Option<f64>| bound.is_none_or(f64::is_finite);
    if !finite(value.least) || !finite(value.most) || matches!((value.least, value.most), (Some(l), Some(m)) if l > m) {
        return Some(("least", format!("{}: nothing is that", value.range())));
    }
    None
}

#[cfg(test)]
mod tests {
    use super::*;

    fn torque() -> StepValue {
        StepValue { what: "torque".into(), unit: "N m".into(), least: Some(18.0), most: Some(22.0) }
    }

    #[test]
    fn a_value_is_in_its_unit_and_range() {
        for typed in ["20", "20 N m", "20,0 N·m", " 20.0Nm "] {
            assert_eq!(torque().read(typed), Ok("20 N m".into()), "{typed}");
        }
        for typed in ["", "25", "17.9", "x", "NaN N m"] {
            let why = torque().read(typed).unwrap_err();
            assert!(why.ends_with("18 to 22 N m"), "{why}");
        }
        for typed in ["20 bar", "177 lbf in", "1e999"] {
            let why = torque().read(typed).unwrap_err();
            assert!(
                why.contains("18 to 22 N m; \"") && why.ends_with("is another unit, and is not converted"),
                "{why}"
            );
        }
        let lot = StepValue { what: "kit lot".into(), ..StepValue::default() };
        assert_eq!(lot.read(" K-0815 "), Ok("K-0815".into()));
        assert!(lot.read(" ").is_err());
    }

    #[test]
    fn a_step_that_cannot_be_is_named() {
        let good = Step { name: "bolts".into(), text: "tighten".into(), bolts: Some(8), ..Step::default() };
        assert_eq!(step_fault(&good), None);
        let bad = |change: fn(&mut Step)| {
            let mut step = good.clone();
            change(&mut step);
            step_fault(&step).unwrap().0
        };
        assert_eq!(bad(|s| s.name = "Bolts".into()), "name");
        assert_eq!(bad(|s| s.text = " ".into()), "text");
        assert_eq!(bad(|s| s.bolts = Some(5)), "bolts");
        assert_eq!(bad(|s| s.value = Some(StepValue::default())), "value");
        assert_eq!(bad(|s| s.value = Some(StepValue { unit: String::new(), ..torque() })), "unit");
        assert_eq!(bad(|s| s.value = Some(StepValue { least: Some(30.0), ..torque() })), "least");
    }
}
