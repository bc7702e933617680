//! What a certificate's data say, in words of a language. What people wrote, and what was recorded in words, stays as it is.

use jiff::tz::TimeZone;
use seathold_assembly::finished_length::LengthVerdict;
use seathold_language::{Catalogue, Language, MessageValue};
use seathold_register::assembly::sealed::mm;
use seathold_register::customer::order::OrderField;

use super::data::{CertificateData, CertifiedSide, CertifiedValve, LaterRecord, UncountedRun};
use crate::label::scanned::LabelResult;
use crate::run_remark::RunRemark;

/// The words of a language, and the zone of its times.
pub(super) struct CertificateWords {
    catalogue: Catalogue,
    zone: TimeZone,
}

impl CertificateWords {
    pub(super) fn new(language: Language, zone: TimeZone) -> Self {
        Self { catalogue: Catalogue::new(language), zone }
    }

    pub(super) const fn language(&self) -> Language {
        self.catalogue.language()
    }

    /// A message without variables.
    pub(super) fn say(&self, message: &str) -> String {
        self.catalogue.say(message, &[])
    }

    /// A message with texts in it.
    pub(super) fn of(&self, message: &str, texts: &[(&str, &str)]) -> String {
        self.catalogue.say_of(message, texts)
    }

    /// A figure of ours.
    pub(super) fn figure(&self, text: &str) -> String {
        self.language().figure(text)
    }

    /// A moment, local and in UTC.
    pub(super) fn moment(&self, rfc3339: &str) -> String {
        self.language().moment(rfc3339, &self.zone)
    }

    /// A record of this bench by its number, and of another with the end of its UUID, which is its random part.
    pub(super) fn record(&self, name: &str, bench: &str) -> String {
        match name.split_once('/') {
            Some((of, number)) if of == bench => number.to_owned(),
            Some((of, number)) => format!("{}/{number}", of.rsplit('-').next().unwrap_or(of)),
            None => name.to_owned(),
        }
    }

    /// A name, or that it was not stated.
    pub(super) fn person(&self, name: &str) -> String {
        if name.is_empty() { self.say("name-not-stated") } else { name.to_owned() }
    }

    pub(super) fn number(&self, certificate: &CertificateData) -> String {
        let number = |number: &String| self.of("number", &[("number", number)]);
        certificate.certificate.as_ref().map_or_else(|| self.say("draft"), number)
    }

    /// "TIGHT BY OVERRIDE SIMULATED".
    pub(super) fn result(&self, valve: &CertifiedValve) -> String {
        let result = LabelResult { word: valve.word, by_override: valve.by_override, simulated: valve.simulated };
        result.words(&self.catalogue)
    }

    /// The reason for it, in sentences.
    pub(super) fn reason(&self, valve: &CertifiedValve) -> String {
        let verdicts = ["tight", "leaking", "undecided", "void"];
        let word = seathold_register::word(&valve.word);
        let word = match word.as_str() {
            "tight" if valve.by_override => "tight-by-override".to_owned(),
            known if verdicts.contains(&known) => known.to_owned(),
            _ => "not-proved".into(),
        };
        let mut text = vec![self.say(&format!("reason-{word}"))];
        let missing = valve.sides.iter().filter(|side| side.verdict == "none");
        text.extend(missing.map(|side| self.say(&format!("no-result-{}", side.side))));
        if valve.faulted {
            text.push(self.say("fault-ended"));
        }
        text.join(" ")
    }

    /// "HM-001, DN 25, opened by air".
    pub(super) fn name(&self, valve: &CertifiedValve) -> String {
        [Some(valve.serial.clone()), self.kind(valve)].into_iter().flatten().collect::<Vec<_>>().join(", ")
    }

    /// "DN 25, opened by air"; none where neither is stated.
    pub(super) fn kind(&self, valve: &CertifiedValve) -> Option<String> {
        let worked = match valve.actuation.as_str() {
            "air" => Some(self.say("opened-by-air")),
            "hand" => Some(self.say("turned-by-hand")),
            "" => None,
            other => Some(other.to_owned()),
        };
        let parts: Vec<String> = [valve.dn.map(|dn| format!("DN {dn}")), worked].into_iter().flatten().collect();
        (!parts.is_empty()).then(|| parts.join(", "))
    }

    pub(super) fn order_field(&self, field: OrderField) -> String {
        self.say(&format!("order-{}", seathold_register::word(&field)))
    }

    pub(super) fn reworked(&self, valve: &CertifiedValve) -> Option<String> {
        let times = [("times", MessageValue::Count(valve.reworks.into()))];
        (valve.reworks > 0).then(|| self.catalogue.say("reworked", &times))
    }

    /// "0.42 ± 0.31 mm³/s", or why there is none.
    pub(super) fn leak(&self, side: &CertifiedSide) -> String {
        match (side.leak.as_str(), side.verdict.as_str()) {
            _ if side.recording_sha256.is_empty() => self.say("not-tested"),
            ("", "none") => self.say("no-result"),
            ("", _) => self.say("no-figure"),
            (leak, _) => self.figure(leak),
        }
    }

    /// "120.045 ± 0.042 mm, conforms".
    pub(super) fn finished_length(&self, valve: &CertifiedValve) -> Option<String> {
        let measured = valve.finished_length.as_ref().and_then(|found| Some((found, found.mm?)));
        let Some((found, length)) = measured else {
            let asked = valve.finished_length.is_some() || valve.length_required.is_some();
            return asked.then(|| self.say("length-not-measured"));
        };
        let mut text = match found.expanded_mm {
            Some(half) => self.figure(&format!("{} ± {} mm", mm(length), mm(half))),
            None => self.figure(&format!("{} mm", mm(length))),
        };
        if let Some(verdict) = valve.length_verdict {
            let word = match verdict {
                LengthVerdict::Conforms => "length-conforms",
                LengthVerdict::TooClose => "length-too-close",
                LengthVerdict::DoesNot => "length-does-not",
            };
            text.push_str(&format!(", {}", self.say(word)));
        }
        if !found.earlier_mm.is_empty() {
            let earlier: Vec<String> = found.earlier_mm.iter().map(|length| self.figure(&mm(*length))).collect();
            text.push_str(&format!("; {}", self.of("noted-before", &[("lengths", &earlier.join(", "))])));
        }
        if found.before_rework {
            text.push_str(&format!("; {}", self.say("before-rework")));
        }
        Some(text)
    }

    /// "120.000 mm, 119.800 to 120.200 mm".
    pub(super) fn length_required(&self, valve: &CertifiedValve) -> Option<String> {
        let to = valve.length_required?;
        let [nominal, least, most] = [to.nominal_mm, to.least_mm, to.most_mm].map(|value| self.figure(&mm(value)));
        Some(self.of("required-words", &[("nominal", &nominal), ("least", &least), ("most", &most)]))
    }

    /// "all steps done".
    pub(super) fn assembly(&self, valve: &CertifiedValve) -> Option<String> {
        let of = valve.assembly.as_ref()?;
        let steps = match (of.stated, of.open.as_slice()) {
            (false, _) => self.say("no-steps"),
            (true, []) => self.say("all-steps-done"),
            (true, open) => self.of("steps-not-done", &[("steps", &open.join(", "))]),
        };
        let mut words = vec![steps];
        if !of.after_test.is_empty() {
            words.push(self.of("done-after-test", &[("steps", &of.after_test.join(", "))]));
        }
        words.extend(of.bolted_after_test.then(|| self.say("bolted-after-test")));
        words.extend(of.contradictions.iter().cloned());
        Some(words.join("; "))
    }

    /// "record 7: struck by Ada, 2026-03-02 09:30 UTC: wrong valve".
    pub(super) fn not_counted(&self, valve: &CertifiedValve, bench: &str) -> Vec<String> {
        let of = |run: &UncountedRun| {
            let (found, why) = (self.say(&format!("verdict-{}", run.found)), self.mark(&run.why));
            self.of(
                "record-and-why",
                &[("record", &self.record(&run.record, bench)), ("found", &found), ("words", &why)],
            )
        };
        valve.not_counted.iter().map(of).collect()
    }

    /// "record 25, 2026-03-04 10:30 UTC: a leak, in a run that is not of this batch".
    pub(super) fn later(&self, record: &LaterRecord, bench: &str) -> String {
        let what = seathold_register::word(&record.what);
        let (at, by) = (self.moment(&record.at), self.person(&record.by));
        let name = self.record(&record.record, bench);
        let texts = [("record", name.as_str()), ("at", &at), ("by", &by), ("text", &record.text)];
        self.of(&format!("later-{what}"), &texts)
    }

    pub(super) fn mark(&self, mark: &RunRemark) -> String {
        match mark {
            RunRemark::Limit { judged_by, required } => {
                let (judged, required) = (self.figure(judged_by), self.figure(required));
                self.of("mark-limit", &[("judged", &judged), ("required", &required)])
            }
            RunRemark::Struck { by, at, text } => {
                self.of("mark-struck", &[("by", &self.person(by)), ("at", &self.moment(at)), ("text", text)])
            }
            RunRemark::MovedAway { to, by, at, text } => self.of(
                "mark-moved-away",
                &[("to", to), ("by", &self.person(by)), ("at", &self.moment(at)), ("text", text)],
            ),
            RunRemark::MovedHere { recorded_for, by, at, text } => self.of(
                "mark-moved-here",
                &[("for", recorded_for), ("by", &self.person(by)), ("at", &self.moment(at)), ("text", text)],
            ),
            RunRemark::Override { text, by } => self.of("mark-override", &[("text", text), ("by", &self.person(by))]),
        }
    }

    /// The local date of the last test that counts, as a code has it: the same in every language.
    pub(super) fn newest_day(&self, valve: &CertifiedValve) -> String {
        let newest = valve.sides.iter().map(|side| &side.tested_at).filter(|at| !at.is_empty()).max();
        newest.map(|at| Language::English.day(at, &self.zone)).unwrap_or_default()
    }
}
