//! A certificate as a page: it says what its data say, and nothing else, in the language they name.

use std::fmt;

use jiff::tz::TimeZone;
use seathold_assembly::finished_length::LengthVerdict;
use seathold_document::{Bitmap, BitmapKind, Block, CodeError, Document, DocumentColumn, DocumentTable, MatrixCode};
use seathold_language::Language;
use seathold_register::customer::certificate::CertificateManner;
use seathold_signing::fingerprint;
use seathold_text::layout::percent;

use super::data::{CertificateData, CertifiedSide, CertifiedValve};
use super::words::CertificateWords;
use crate::label::scanned::certificate_text;
use crate::valve::distinct;

/// Room for a signature.
const LINE: &str = "______________________________";

/// Why a page cannot be made of data.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum PageError {
    /// A serial or a number cannot be in a code.
    Code(CodeError),
    /// This computer does not know the zone of its times.
    Zone(String),
    /// This program does not know its language.
    Language(String),
}

impl fmt::Display for PageError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Code(why) => write!(f, "{why}"),
            Self::Zone(zone) => write!(f, "this computer does not know the time zone {zone:?}"),
            Self::Language(language) => write!(f, "this program does not know the language {language:?}"),
        }
    }
}

impl From<CodeError> for PageError {
    fn from(why: CodeError) -> Self {
        Self::Code(why)
    }
}

/// Certificates as one document: each begins a page.
///
/// # Errors
/// When a serial or a number cannot be in a code, or the zone or the language is not known here.
pub fn document(certificates: &[CertificateData]) -> Result<Document, PageError> {
    let manner = certificates.first().map(|first| first.manner.clone()).unwrap_or_default();
    let words = CertificateWords::new(language(&manner)?, zone(&manner)?);
    let mut blocks = Vec::new();
    for (at, certificate) in certificates.iter().enumerate() {
        if at > 0 {
            blocks.push(Block::NewSheet);
        }
        let page = CertificatePage { certificate, words: &words };
        blocks.extend(match certificate.valves.as_slice() {
            [valve] => page.of_one(valve)?,
            several => page.of_several(several)?,
        });
    }
    let title = match certificates {
        [one] => match one.valves.as_slice() {
            [valve] => words.of("title-valve", &[("serial", &valve.serial)]),
            _ => words.of("title-batch", &[("batch", &one.batch)]),
        },
        _ => words.say("title-several"),
    };
    let numbers: Vec<String> = certificates.iter().map(|certificate| words.number(certificate)).collect();
    let foot = match numbers.as_slice() {
        [first, .., last] if numbers.len() > 2 => words.of("first-to-last", &[("first", first), ("last", last)]),
        several => several.join(", "),
    };
    let moment = certificates.iter().map(|certificate| certificate.issued_at.clone()).max().unwrap_or_default();
    Ok(Document { title, foot, moment, language: words.language(), blocks })
}

fn language(manner: &CertificateManner) -> Result<Language, PageError> {
    match manner.language.as_str() {
        "" => Ok(Language::English),
        tag => Language::of_tag(tag).ok_or_else(|| PageError::Language(tag.to_owned())),
    }
}

/// A zone by its name, or by its hours from UTC.
fn zone(manner: &CertificateManner) -> Result<TimeZone, PageError> {
    let name = manner.zone.as_str();
    let unknown = || PageError::Zone(name.to_owned());
    if name.is_empty() || name == "UTC" {
        return Ok(TimeZone::UTC);
    }
    if name.starts_with(['+', '-']) {
        let at = format!("1970-01-01T00:00:00{name}");
        let pieces = jiff::fmt::temporal::Pieces::parse(&at).map_err(|_| unknown())?;
        return pieces.to_numeric_offset().map(TimeZone::fixed).ok_or_else(unknown);
    }
    TimeZone::get(name).map_err(|_| unknown())
}

/// The name of a zone, or its hours from UTC at a moment, as data keep it.
pub fn zone_name(zone: &TimeZone, at: jiff::Timestamp) -> String {
    let name = zone.iana_name().filter(|name| *name == "UTC" || TimeZone::get(name).is_ok());
    name.map_or_else(
        || {
            let seconds = zone.to_offset(at).seconds();
            let (sign, minutes) = (if seconds < 0 { '-' } else { '+' }, seconds.abs() / 60);
            format!("{sign}{:02}:{:02}", minutes / 60, minutes % 60)
        },
        str::to_owned,
    )
}

struct CertificatePage<'a> {
    certificate: &'a CertificateData,
    words: &'a CertificateWords,
}

impl CertificatePage<'_> {
    fn of_one(&self, valve: &CertifiedValve) -> Result<Vec<Block>, CodeError> {
        let words = self.words;
        let mut blocks = self.head();
        blocks.push(Block::Notice(words.result(valve), words.reason(valve)));
        blocks.extend(self.not_right(std::slice::from_ref(valve)));
        let mut facts = vec![(words.say("valve"), words.name(valve))];
        facts.extend(valve.order.iter().map(|(field, text)| (words.order_field(*field), text.clone())));
        facts.push((words.say("batch"), self.certificate.batch.clone()));
        facts.extend(words.reworked(valve).map(|text| (words.say("before-that"), text)));
        facts.extend(words.finished_length(valve).map(|text| (words.say("finished-length"), text)));
        facts.extend(words.length_required(valve).map(|text| (words.say("length-required"), text)));
        facts.extend(words.assembly(valve).map(|text| (words.say("assembly"), text)));
        facts.extend(self.of_test(&valve.sides.iter().collect::<Vec<_>>(), &valve.required));
        let uncounted = words.not_counted(valve, &self.certificate.bench);
        if !uncounted.is_empty() {
            facts.push((words.say("not-counted"), uncounted.join("; ")));
        }
        blocks.push(Block::Facts(facts));
        let columns = vec![
            DocumentColumn::words(&words.say("column-side"), 4),
            DocumentColumn::words(&words.say("column-verdict"), 3),
            DocumentColumn::number(&words.say("column-leak"), 5),
            DocumentColumn::number(&words.say("column-limit"), 3),
            DocumentColumn::number(&words.say("column-hold"), 3),
            DocumentColumn::words(&words.say("column-tested"), 6),
            DocumentColumn::words(&words.say("column-by"), 3),
            DocumentColumn::words(&words.say("column-record"), 3),
        ];
        let row = |side: &CertifiedSide| {
            let of_run = |text: String| if side.was_tested() { text } else { "–".into() };
            let named = words
                .of("side-and-end", &[("side", &words.say(&format!("side-{}", side.side))), ("end", &side.supply_end)]);
            vec![
                named,
                words.say(&format!("verdict-{}", side.verdict)),
                words.leak(side),
                of_run(words.figure(&side.limit)),
                side.hold_s.map_or_else(|| "–".into(), |hold| words.figure(&format!("{hold:.1} s"))),
                of_run(words.moment(&side.tested_at)),
                of_run(words.person(&side.tested_by)),
                of_run(self.record(side)),
            ]
        };
        let rows = valve.sides.iter().map(row).collect();
        blocks.push(Block::Table(DocumentTable { caption: words.say("table-of-sides"), columns, rows }));
        blocks.extend(self.rules(std::slice::from_ref(valve)));
        blocks.extend(self.foot()?);
        Ok(blocks)
    }

    fn of_several(&self, valves: &[CertifiedValve]) -> Result<Vec<Block>, CodeError> {
        let words = self.words;
        let mut blocks = self.head();
        let tight = valves.iter().filter(|valve| valve.tight).count().to_string();
        let all = valves.len().to_string();
        let counts = words.of("tight-of-all", &[("tight", &tight), ("all", &all)]);
        blocks.push(Block::Notice(counts, words.say("each-in-its-line")));
        blocks.extend(self.not_right(valves));
        let sides: Vec<&CertifiedSide> = valves.iter().flat_map(|valve| &valve.sides).collect();
        let required = distinct(valves.iter().map(|valve| valve.required.clone()).filter(|text| !text.is_empty()));
        // What is the same for all stands above the table, and what is not, in it.
        let kind = the_same(valves, |valve| words.kind(valve));
        let assembly = the_same(valves, |valve| words.assembly(valve));
        let length = the_same(valves, |valve| words.length_required(valve));
        let mut order = valves.first().map(|valve| valve.order.clone()).unwrap_or_default();
        order.retain(|field, text| valves.iter().all(|valve| valve.order.get(field) == Some(text)));
        let mut facts = vec![(words.say("batch"), self.certificate.batch.clone())];
        facts.extend(kind.clone().map(|text| (words.say("valves"), text)));
        facts.extend(order.iter().map(|(field, text)| (words.order_field(*field), text.clone())));
        facts.extend(length.clone().map(|text| (words.say("length-required"), text)));
        facts.extend(assembly.clone().map(|text| (words.say("assembly"), text)));
        facts.extend(self.of_test(&sides, &required.join("; ")));
        blocks.push(Block::Facts(facts));
        let columns = vec![
            DocumentColumn::words(&words.say("valve"), 3),
            DocumentColumn::words(&words.say("column-result"), 3),
            DocumentColumn::number(&words.say("side-first"), 4),
            DocumentColumn::number(&words.say("side-second"), 4),
            DocumentColumn::number(&words.say("column-limit"), 3),
            DocumentColumn::words(&words.say("column-tested"), 4),
            DocumentColumn::words(&words.say("column-also"), 7),
        ];
        let row = |valve: &CertifiedValve| {
            let each = |text: fn(&CertifiedSide) -> &String| {
                let tested = valve.sides.iter().filter(|side| side.was_tested());
                distinct(tested.map(|side| text(side).clone()))
            };
            let tested = distinct(each(|side| &side.tested_at).iter().map(|at| words.moment(at)));
            let own = valve.order.iter().filter(|(field, _)| !order.contains_key(field));
            let mut also: Vec<String> =
                own.map(|(field, text)| format!("{}: {text}", words.order_field(*field))).collect();
            also.extend(words.reworked(valve));
            also.extend(words.finished_length(valve));
            let own_length = words.length_required(valve).filter(|_| length.is_none());
            also.extend(own_length.map(|text| words.of("required-in-table", &[("words", &text)])));
            also.extend(words.assembly(valve).filter(|_| assembly.is_none()));
            let uncounted = words.not_counted(valve, &self.certificate.bench).into_iter();
            also.extend(uncounted.map(|text| words.of("not-counted-words", &[("words", &text)])));
            let records = distinct(valve.sides.iter().filter(|side| side.was_tested()).map(|side| self.record(side)));
            let sides = || valve.sides.iter().filter(|side| side.was_tested());
            let held: Vec<String> = sides().filter_map(|side| Some(format!("{:.1} s", side.hold_s?))).collect();
            let names = distinct(sides().map(|side| words.person(&side.tested_by))).join(", ");
            let held = words.figure(&held.join(", "));
            also.push(words.of("held-by", &[("hold", &held), ("names", &names)]));
            also.push(words.of("record-in-table", &[("records", &records.join(", "))]));
            vec![
                if kind.is_some() { valve.serial.clone() } else { words.name(valve) },
                words.result(valve),
                valve.sides.first().map(|side| words.leak(side)).unwrap_or_default(),
                valve.sides.get(1).map(|side| words.leak(side)).unwrap_or_default(),
                words.figure(&each(|side| &side.limit).join("; ")),
                tested.join("; "),
                also.join("; "),
            ]
        };
        let rows = valves.iter().map(row).collect();
        blocks.push(Block::Table(DocumentTable { caption: words.say("table-of-valves"), columns, rows }));
        blocks.extend(self.rules(valves));
        blocks.extend(self.foot()?);
        Ok(blocks)
    }

    fn record(&self, side: &CertifiedSide) -> String {
        self.words.record(&side.record, &self.certificate.bench)
    }

    /// Who issues it, and what must be read before anything else.
    fn head(&self) -> Vec<Block> {
        let words = self.words;
        let shop = &self.certificate.shop;
        let mut blocks = vec![Block::Heading(2, words.number(self.certificate))];
        let lines = [&shop.name, &shop.address, &shop.contact].into_iter().filter(|line| !line.is_empty()).cloned();
        let lines = lines.collect::<Vec<_>>().join(", ");
        blocks.push(match &self.certificate.mark {
            Some(mark) => {
                let about = words.of("mark-of", &[("shop", &shop.name)]);
                let bitmap = Bitmap { bytes: mark.png.clone(), kind: BitmapKind::Png, size_mm: mark.size_mm(), about };
                Block::Letterhead(bitmap, lines)
            }
            None => Block::Text(lines),
        });
        if self.certificate.certificate.is_none() {
            blocks.push(Block::Notice(words.say("draft-notice"), words.say("draft-text")));
        }
        if self.certificate.selection {
            blocks.push(Block::Notice(words.say("selection-notice"), words.say("selection-text")));
        }
        if self.certificate.simulated() {
            blocks.push(Block::Notice(words.say("simulated-notice"), words.say("simulated-text")));
        }
        blocks
    }

    /// What must not be overlooked beside tight and leaking.
    fn not_right(&self, valves: &[CertifiedValve]) -> Vec<Block> {
        let serials = |wrong: &dyn Fn(&CertifiedValve) -> bool| {
            valves.iter().filter(|valve| wrong(valve)).map(|valve| valve.serial.as_str()).collect::<Vec<_>>().join(", ")
        };
        let length = |verdict| serials(&|valve: &CertifiedValve| valve.length_verdict == Some(verdict));
        [
            ("assembly-not-complete", "see-assembly-of", serials(&|valve| valve.assembly_incomplete())),
            ("length-notice", "length-does-not-of", length(LengthVerdict::DoesNot)),
            ("length-notice", "length-too-close-of", length(LengthVerdict::TooClose)),
        ]
        .into_iter()
        .filter(|(.., serials)| !serials.is_empty())
        .map(|(what, text, serials)| Block::Notice(self.words.say(what), self.words.of(text, &[("serials", &serials)])))
        .chain(valves.iter().filter(|valve| !valve.later.is_empty()).map(|valve| {
            let each: Vec<String> =
                valve.later.iter().map(|record| self.words.later(record, &self.certificate.bench)).collect();
            Block::Notice(self.words.say("since-then"), format!("{}: {}.", valve.serial, each.join("; ")))
        }))
        .collect()
    }

    /// How it was tested, and on what.
    fn of_test(&self, sides: &[&CertifiedSide], required: &str) -> Vec<(String, String)> {
        let words = self.words;
        let tested = || sides.iter().filter(|side| side.was_tested());
        let each = |text: fn(&CertifiedSide) -> &String| distinct(tested().map(|side| text(side).clone())).join("; ");
        let pressure = words.figure(&each(|side| &side.pressure));
        let mut facts = vec![(words.say("test"), words.of("test-words", &[("pressure", &pressure)]))];
        // A leak begins with its number, and stands in the table; a class begins with the name of its standard.
        if !required.is_empty() && !required.starts_with(|c: char| c.is_ascii_digit()) {
            facts.push((words.say("limit-taken-from"), words.of("limit-taken-words", &[("class", required)])));
        }
        facts.push((words.say("rig"), each(|side| &side.rig)));
        let marks = |side: &&&CertifiedSide| -> Vec<String> {
            let of = |mark| words.of("of-record", &[("record", &self.record(side)), ("words", &words.mark(mark))]);
            side.notes.iter().map(of).collect()
        };
        let notes = distinct(tested().flat_map(|side| marks(&side)));
        if !notes.is_empty() {
            facts.push((words.say("notes"), notes.join("; ")));
        }
        let calibrations = distinct(tested().flat_map(|side| side.calibrations.clone()));
        let none = words.say("no-calibrations");
        let calibrations = if calibrations.is_empty() { none } else { calibrations.join("; ") };
        facts.push((words.say("calibrations"), calibrations));
        facts
    }

    /// How it was decided, and what does not follow.
    fn rules(&self, valves: &[CertifiedValve]) -> Vec<Block> {
        let words = self.words;
        let tested = || valves.iter().flat_map(|valve| &valve.sides).filter(|side| side.was_tested());
        let rule = |side: &CertifiedSide| {
            let (risk, coverage) = (percent(side.false_accept?), percent(side.coverage?));
            let (risk, coverage) = (words.figure(&risk), words.figure(&coverage));
            Some(words.of("rule", &[("risk", &risk), ("coverage", &coverage)]))
        };
        let reference = |side: &CertifiedSide| {
            let temperature = words.figure(&side.reference_temperature);
            let pressure = words.figure(&side.reference_pressure);
            words.of("reference", &[("temperature", &temperature), ("pressure", &pressure)])
        };
        let mut text: Vec<String> = distinct(tested().filter_map(rule));
        text.extend(distinct(tested().map(reference)));
        let length = |valve: &CertifiedValve| {
            let risk = words.figure(&percent(valve.length_required?.risk));
            valve.length_verdict.map(|_| words.of("length-rule", &[("risk", &risk)]))
        };
        text.extend(distinct(valves.iter().filter_map(length)));
        text.push(words.say("does-not-say"));
        vec![Block::Text(text.join(" "))]
    }

    /// Who answers for it, and how it is found again.
    fn foot(&self) -> Result<Vec<Block>, CodeError> {
        let (words, certificate) = (self.words, self.certificate);
        let below = words.say("name-below-line");
        let released = match (certificate.released_by.as_str(), certificate.role.as_str()) {
            ("", _) => below,
            (name, "") => name.to_owned(),
            (name, role) => format!("{name}, {role}"),
        };
        let moment = words.moment(&certificate.issued_at);
        let issued = words.of("issued-by", &[("moment", &moment), ("name", &certificate.issued_by)]);
        let mut facts = vec![(words.say("issued"), issued), (words.say("released"), format!("{LINE} {released}"))];
        if let Some(key) = &certificate.key {
            facts.push((words.say("signed"), words.of("signed-text", &[("fingerprint", &fingerprint(key))])));
        }
        let mut blocks = vec![Block::Facts(facts)];
        if let Some(number) = &certificate.certificate {
            let digits: String = certificate.sha256().chars().take(16).collect();
            let label = match certificate.valves.as_slice() {
                [valve] => Some((valve.serial.as_str(), valve.result.as_str(), words.newest_day(valve))),
                _ => None,
            };
            let label = label.as_ref().map(|(serial, result, date)| (*serial, *result, date.as_str()));
            let code = MatrixCode::new(&certificate_text(label, number, &digits))?;
            let caption = words.of("code-caption", &[("number", number), ("digits", &digits)]);
            blocks.push(Block::Code { code, caption });
        }
        Ok(blocks)
    }
}

/// What all of them have alike; none where one has another, or none.
fn the_same(valves: &[CertifiedValve], of: impl Fn(&CertifiedValve) -> Option<String>) -> Option<String> {
    let first = of(valves.first()?)?;
    valves.iter().all(|valve| of(valve).as_ref() == Some(&first)).then_some(first)
}
