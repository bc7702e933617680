//! What cannot be told apart on a rig in principle, and why: `argued.txt`, a line each, five parts with `|` between.
//!
//! The rule that is broken; the troubles that break it (`+` between; others may come on top); the rigs and valves it is so
//! on (all words must hold: see [`CONDITIONS`], `any` for all); a run in which it happens; the reason.

use crate::judge::Broken;
use crate::setup::Setup;
use crate::spec::Spec;
use crate::trouble;
use crate::world::World;

/// The list as it stands.
pub const TEXT: &str = include_str!("../argued.txt");

/// A condition with its name.
type Condition = (&'static str, fn(&Setup) -> bool);

/// What a line may ask of a setup.
pub const CONDITIONS: &[Condition] = &[
    ("any", |_| true),
    ("no-supply", |s| !s.fitted.supply),
    ("no-switch", |s| !s.fitted.switch),
    ("no-guard", |s| !s.fitted.guard),
    ("no-thermometer", |s| !s.fitted.thermometer),
    ("supply", |s| s.fitted.supply),
    ("switch", |s| s.fitted.switch),
    ("guard", |s| s.fitted.guard),
    ("thermometer", |s| s.fitted.thermometer),
    ("air", |s| !s.by_hand),
    ("hand", |s| s.by_hand),
    ("one-stroke", |s| s.one_stroke),
];

/// A line.
#[derive(Clone, Debug)]
pub struct Argued {
    /// Of the file, from 1.
    pub line: usize,
    /// The rule.
    pub rule: Broken,
    /// All of these must be in the run.
    pub troubles: Vec<&'static str>,
    conditions: Vec<Condition>,
    /// A run that shows it.
    pub run: Spec,
    /// Why nothing can be done about it.
    pub why: String,
}

impl Argued {
    /// Whether it covers this.
    pub fn covers(&self, rule: Broken, spec: &Spec) -> bool {
        let has = |name: &&str| spec.troubles.iter().flatten().any(|p| p.named.name == *name);
        self.rule == rule
            && self.conditions.iter().all(|(_, holds)| holds(&spec.setup))
            && self.troubles.iter().all(has)
    }

    /// What is wrong with the line today: that its run no longer shows what it says.
    ///
    /// # Errors
    /// In words.
    pub fn check(&self) -> Result<(), String> {
        let outcome = World::run(&self.run)?;
        if !self.covers(self.rule, &self.run) {
            return Err(format!("argued.txt:{}: its run is not one that the line covers: {}", self.line, self.run));
        }
        if outcome.broken.iter().all(|(rule, _)| *rule != self.rule) {
            return Err(format!(
                "argued.txt:{}: no longer so, to be struck out: {} in {}",
                self.line, self.rule, self.run
            ));
        }
        Ok(())
    }
}

fn line(number: usize, text: &str) -> Result<Argued, String> {
    let at = |what: String| format!("argued.txt:{number}: {what}");
    let parts: Vec<&str> = text.split('|').map(str::trim).collect();
    let [rule, troubles, conditions, run, why] = parts[..] else {
        return Err(at(format!("{} parts between |, must be 5", parts.len())));
    };
    let rule =
        Broken::ALL.into_iter().find(|b| b.name() == rule).ok_or_else(|| at(format!("rule '{rule}': no such rule")))?;
    let troubles = troubles
        .split('+')
        .map(|name| trouble::find(name).map(|n| n.name).ok_or_else(|| at(format!("trouble '{name}': no such trouble"))))
        .collect::<Result<_, _>>()?;
    let conditions = conditions
        .split_whitespace()
        .map(|name| {
            let found = CONDITIONS.iter().find(|(n, _)| *n == name);
            found.copied().ok_or_else(|| at(format!("'{name}': no such condition")))
        })
        .collect::<Result<_, _>>()?;
    let run = run.parse().map_err(at)?;
    Ok(Argued { line: number, rule, troubles, conditions, run, why: why.into() })
}

/// Reads a list.
///
/// # Errors
/// The first line that is wrong.
pub fn parse(text: &str) -> Result<Vec<Argued>, String> {
    let lines = text.lines().enumerate().map(|(i, l)| (i + 1, l.trim()));
    lines.filter(|(_, l)| !l.is_empty() && !l.starts_with('#')).map(|(i, l)| line(i, l)).collect()
}
