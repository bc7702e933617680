//! What cannot be distinguished on a rig in principle, and why: `argued.txt`, a line each, five parts with `|` between.
//!
//! The rule that is broken (`/` between several); the faults that break it (`+` between, others may be added; `/`
//! between alternatives; `@phase` where it must be active in that phase); the rigs and valves it applies to (all words
//! must hold: see `CONDITIONS`, `any` for all); a run in which it happens; the reason.

use crate::edge;
use crate::judge::Broken;
use crate::setup::{Setup, Valve};
use crate::spec::Spec;
use crate::trouble::{self, Named};
use crate::world::{Outcome, World};
use seathold_sequencer::event::Phase;

/// The present list.
pub const TEXT: &str = include_str!("../argued.txt");

/// A condition with its name.
type Condition = (&'static str, fn(&Setup) -> bool);

/// Conditions of a line on a setup.
const CONDITIONS: &[Condition] = &[
    ("any", |_| true),
    ("no-supply", |s| !s.fitted.supply),
    ("no-switch", |s| !s.fitted.switch),
    ("no-thermometer", |s| !s.fitted.thermometer),
    ("air", |s| !s.by_hand),
    ("hand", |s| s.by_hand),
    ("leaker-b", |s| s.valve == Valve::LeakerB),
];

/// Any one of some faults, in any phase or in one.
#[derive(Clone, Debug)]
struct Cause {
    named: Vec<&'static Named>,
    phase: Option<Phase>,
}

impl Cause {
    /// Where in the spec it is, if it is.
    fn place(&self, spec: &Spec, outcome: &Outcome) -> Option<usize> {
        spec.troubles.iter().enumerate().find_map(|(place, planned)| {
            let named = self.named.iter().any(|n| planned.is_some_and(|p| p.named.name == n.name));
            (named && self.phase.is_none_or(|phase| outcome.was_on(place, phase))).then_some(place)
        })
    }
}

/// A line.
#[derive(Clone, Debug)]
pub struct Argued {
    /// Of the file, from 1.
    pub line: usize,
    /// Rule and faults as written there.
    pub what: String,
    rules: Vec<Broken>,
    /// All of these must be in the run.
    causes: Vec<Cause>,
    conditions: Vec<Condition>,
    run: Spec,
    /// Why it is unavoidable.
    pub why: String,
}

impl Argued {
    /// Whether it covers this.
    pub fn covers(&self, rule: Broken, spec: &Spec, outcome: &Outcome) -> bool {
        self.rules.contains(&rule)
            && self.conditions.iter().all(|(_, holds)| holds(&spec.setup))
            && self.causes.iter().all(|cause| cause.place(spec, outcome).is_some())
    }

    /// Checks the line: that its run, with any one of the alternative faults, still shows what it states.
    ///
    /// # Errors
    /// In words.
    pub fn check(&self) -> Result<(), String> {
        let outcome = World::run(&self.run)?;
        for cause in &self.causes {
            let Some(place) = cause.place(&self.run, &outcome) else {
                return Err(format!("argued.txt:{}: its run is not one that the line covers: {}", self.line, self.run));
            };
            for &named in &cause.named {
                let mut run = self.run;
                if let Some(Some(planned)) = run.troubles.get_mut(place) {
                    planned.named = named;
                }
                self.check_run(&run)?;
            }
        }
        Ok(())
    }

    fn check_run(&self, run: &Spec) -> Result<(), String> {
        let outcome = World::run(run)?;
        for rule in &self.rules {
            if !self.covers(*rule, run, &outcome) {
                return Err(format!("argued.txt:{}: its run is not one that the line covers: {run}", self.line));
            }
            if outcome.broken.iter().all(|(broken, _)| broken != rule) {
                return Err(format!("argued.txt:{}: no longer so, to be struck out: {rule} in {run}", self.line));
            }
        }
        Ok(())
    }
}

fn cause(text: &str) -> Result<Cause, String> {
    let (names, phase) = match text.split_once('@') {
        Some((names, phase)) => {
            let found = Phase::ALL.into_iter().find(|p| edge::phase_name(*p) == phase);
            (names, Some(found.ok_or_else(|| format!("phase '{phase}': no such phase"))?))
        }
        None => (text, None),
    };
    let find = |name| trouble::find(name).ok_or_else(|| format!("trouble '{name}': no such trouble"));
    Ok(Cause { named: names.split('/').map(find).collect::<Result<_, _>>()?, phase })
}

fn line(number: usize, text: &str) -> Result<Argued, String> {
    let at = |what: String| format!("argued.txt:{number}: {what}");
    let parts: Vec<&str> = text.split('|').map(str::trim).collect();
    let [rule, troubles, conditions, run, why] = parts[..] else {
        return Err(at(format!("{} parts between |, must be 5", parts.len())));
    };
    let what = format!("{rule}: {troubles}");
    let find =
        |name| Broken::ALL.into_iter().find(|b| b.name() == name).ok_or_else(|| format!("rule '{name}': no such rule"));
    let rules = rule.split('/').map(find).collect::<Result<_, _>>().map_err(at)?;
    let causes = troubles.split('+').map(cause).collect::<Result<_, _>>().map_err(at)?;
    let conditions = conditions
        .split_whitespace()
        .map(|name| {
            let found = CONDITIONS.iter().find(|(n, _)| *n == name);
            found.copied().ok_or_else(|| at(format!("'{name}': no such condition")))
        })
        .collect::<Result<_, _>>()?;
    let run = run.parse().map_err(at)?;
    Ok(Argued { line: number, what, rules, causes, conditions, run, why: why.into() })
}

/// Reads a list.
///
/// # Errors
/// The first line that is wrong.
pub fn parse(text: &str) -> Result<Vec<Argued>, String> {
    let lines = text.lines().enumerate().map(|(i, l)| (i + 1, l.trim()));
    lines.filter(|(_, l)| !l.is_empty() && !l.starts_with('#')).map(|(i, l)| line(i, l)).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_line_that_is_no_longer_so_is_found() {
        let so = "tight-leaker | not-done@swap | leaker-b | hand/leaker-b/1l/sw/1 not-done@swap.2nd+10~1500 | unseen";
        for (was, is, says) in [
            ("", "", ""),
            // Another fault, which does not do it; a phase it was not active in; a rule it does not break.
            ("not-done@swap |", "not-done/room-cold@swap |", "no longer so"),
            ("not-done@swap |", "not-done@trapped |", "not one that the line covers"),
            ("tight-leaker |", "tight-leaker/outlived |", "no longer so"),
            ("| leaker-b |", "| leaker-b air |", "not one that the line covers"),
        ] {
            let line = parse(&so.replacen(was, is, 1)).expect("a line").remove(0);
            let said = line.check().err().unwrap_or_default();
            assert!(said.contains(says) && said.is_empty() == says.is_empty(), "{is}: {said}");
        }
    }
}
