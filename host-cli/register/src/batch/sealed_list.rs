//! What a note seals of a batch and its valves, as text: lines of fields with tabs between them.
//!
//! | note | first line | then a line a valve |
//! |---|---|---|
//! | `opened` | the batch's name, its kind of check digit, its rule for limits, its rules for recipes | serial, actuation, DN, notes, limit, recipe |
//! | `added` | the reason | the same |
//! | `requirement` | the reason | the same, empty where it stays as it was |
//!
//! Fields at the end that are empty are left out, so a list of an older program reads the same.

use std::collections::HashMap;

use crate::note::{NoteKind, NoteRecord, ValveRecord};

/// What a batch demands of valves that do not state it themselves.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct BatchRule {
    /// Greatest leak allowed: a leak, or a class that goes by each valve's size. Empty where there is none.
    pub limit: String,
    /// Which recipe for which size and kind, as typed.
    pub recipes: String,
}

/// Without field and line separators.
fn flat(text: &str) -> String {
    text.replace(['\t', '\n', '\r'], " ")
}

/// Fields of a line; empty ones at its end are left out, but for the first few.
fn fields(fields: &[&str], least: usize) -> String {
    let last = fields.iter().rposition(|field| !field.is_empty()).map_or(0, |at| at + 1);
    let kept = fields.get(..last.max(least)).unwrap_or(fields);
    kept.iter().map(|field| flat(field)).collect::<Vec<_>>().join("\t") + "\n"
}

fn line_of(valve: &ValveRecord) -> String {
    let dn = valve.dn.map_or_else(String::new, |dn| dn.to_string());
    fields(&[&valve.serial, &valve.actuation, &dn, &valve.notes, &valve.limit, &valve.recipe], 4)
}

/// The list of a batch as its opening note seals it.
pub(crate) fn opening(name: &str, check_digit: &str, rule: &BatchRule, valves: &[ValveRecord]) -> String {
    let mut text = fields(&[name, check_digit, &rule.limit, &rule.recipes], 2);
    text.extend(valves.iter().map(line_of));
    text
}

/// What a note seals that states valves anew, with its reason.
pub(crate) fn restatement(reason: &str, valves: &[ValveRecord]) -> String {
    let mut text = fields(&[reason], 1);
    text.extend(valves.iter().map(line_of));
    text
}

/// Whether a sealed list is that of a batch of this name and check digit.
pub(crate) fn sealed_as(text: &str, name: &str, check_digit: &str) -> bool {
    let head = text.lines().next().unwrap_or_default();
    let mut found = head.split('\t');
    (found.next(), found.next()) == (Some(&flat(name)), Some(check_digit)) && text.contains('\n')
}

/// The batch's rule.
pub(crate) fn rule(text: &str) -> BatchRule {
    let mut found = text.lines().next().unwrap_or_default().split('\t').skip(2).map(str::to_owned);
    BatchRule { limit: found.next().unwrap_or_default(), recipes: found.next().unwrap_or_default() }
}

/// The valves of a sealed text.
pub(crate) fn valves(text: &str) -> Vec<ValveRecord> {
    let valve = |line: &str| {
        let mut found = line.split('\t').map(str::to_owned);
        let mut next = || found.next().unwrap_or_default();
        ValveRecord {
            serial: next(),
            actuation: next(),
            dn: next().parse().ok(),
            notes: next(),
            limit: next(),
            recipe: next(),
        }
    };
    text.lines().skip(1).map(valve).collect()
}

/// The serials of a sealed list.
pub(crate) fn serials(text: &str) -> Vec<String> {
    text.lines().skip(1).map(|line| line.split('\t').next().unwrap_or_default().to_owned()).collect()
}

/// Whether a note of this kind has a list for its text.
pub(crate) fn is_list(kind: &str) -> bool {
    matches!(kind, "opened" | "added" | "requirement" | "steps" | "step-done" | "paired" | "bolted" | "certificate")
}

/// The reason of a note, where its text is a list too.
pub fn reason(note: &NoteRecord) -> &str {
    match note.kind {
        NoteKind::Requirement | NoteKind::Added => note.text.lines().next().unwrap_or_default(),
        _ => &note.text,
    }
}

/// The valves that a note states anew or adds; none where it is no such note.
pub fn restated(note: &NoteRecord) -> Vec<ValveRecord> {
    match note.kind {
        NoteKind::Requirement | NoteKind::Added => valves(&note.text),
        _ => Vec::new(),
    }
}

/// Puts what notes have sealed of valves over what was last said of them anywhere: a list of another batch does not
/// change what those of this one must meet.
pub(crate) fn apply(valves: &mut [ValveRecord], notes: &[NoteRecord]) {
    let places: HashMap<String, usize> = valves.iter().enumerate().map(|(at, v)| (v.serial.clone(), at)).collect();
    let lists = notes.iter().filter(|n| matches!(n.kind, NoteKind::Opened | NoteKind::Added | NoteKind::Requirement));
    for note in lists {
        for sealed in self::valves(&note.text) {
            let Some(valve) = places.get(&sealed.serial).and_then(|at| valves.get_mut(*at)) else { continue };
            for (to, from) in [
                (&mut valve.actuation, sealed.actuation),
                (&mut valve.notes, sealed.notes),
                (&mut valve.limit, sealed.limit),
                (&mut valve.recipe, sealed.recipe),
            ] {
                if !from.is_empty() {
                    *to = from;
                }
            }
            valve.dn = sealed.dn.or(valve.dn);
        }
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    #[test]
    fn a_list_without_limits_is_written_as_it_always_was() {
        let valve = ValveRecord { serial: "HM-001".into(), dn: Some(25), ..ValveRecord::default() };
        assert_eq!(opening("spring", "", &BatchRule::default(), &[valve]), "spring\t\nHM-001\t\t25\t\n");
    }

    proptest! {
        #[test]
        fn what_is_sealed_reads_back(
            serial in "[A-Z0-9/ -]{1,12}", actuation in "(air|hand|)", dn in prop::option::of(6_u32..4_000),
            notes in "[^\\t\\r\\n]{0,20}", limit in "[a-z0-9 ]{0,12}", recipe in "[a-z0-9./]{0,12}",
        ) {
            let valve = ValveRecord { serial, actuation, dn, notes, limit, recipe };
            let rule = BatchRule { limit: valve.limit.clone(), recipes: valve.recipe.clone() };
            let text = opening("spring", "luhn", &rule, std::slice::from_ref(&valve));
            prop_assert!(sealed_as(&text, "spring", "luhn") && !sealed_as(&text, "spring", ""));
            prop_assert_eq!(super::rule(&text), rule);
            prop_assert_eq!(serials(&text), vec![valve.serial.clone()]);
            prop_assert_eq!(super::valves(&text), vec![valve]);
        }
    }
}
