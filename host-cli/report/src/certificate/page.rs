//! A certificate as a page: it says what its data say, and nothing else.

use jiff::Timestamp;
use jiff::tz::TimeZone;
use seathold_assembly::finished_length::LengthVerdict;
use seathold_document::{Bitmap, BitmapKind, Block, CodeError, Document, DocumentColumn, DocumentTable, MatrixCode};

use super::data::{CertificateData, CertifiedSide, CertifiedValve, fingerprint};
use crate::label::scanned::certificate_text;
use crate::method;
use crate::valve::{distinct, upper_first};

/// Room for a signature.
const LINE: &str = "______________________________";

/// Certificates as one document: each begins a page. Times are those of this zone, with UTC beside them.
///
/// # Errors
/// When a serial or a number cannot be in a code.
pub fn document(certificates: &[CertificateData], zone: &TimeZone) -> Result<Document, CodeError> {
    let mut blocks = Vec::new();
    for (at, certificate) in certificates.iter().enumerate() {
        if at > 0 {
            blocks.push(Block::NewSheet);
        }
        blocks.extend(match certificate.valves.as_slice() {
            [valve] => of_one(certificate, valve, zone)?,
            several => of_several(certificate, several, zone)?,
        });
    }
    let title = match certificates {
        [one] => match one.valves.as_slice() {
            [valve] => format!("Seat leak test certificate of valve {}", valve.serial),
            _ => format!("Seat leak test certificate of batch {}", one.batch),
        },
        _ => "Seat leak test certificates".into(),
    };
    let numbers = certificates.iter().map(number).collect::<Vec<_>>();
    let foot = match numbers.as_slice() {
        [first, .., last] if numbers.len() > 2 => format!("{first} to {last}"),
        several => several.join(", "),
    };
    let moment = certificates.iter().map(|certificate| certificate.issued_at.clone()).max().unwrap_or_default();
    Ok(Document { title, foot, moment, blocks })
}

fn number(certificate: &CertificateData) -> String {
    certificate.certificate.as_ref().map_or_else(|| "DRAFT".into(), |number| format!("Certificate {number}"))
}

fn of_one(certificate: &CertificateData, valve: &CertifiedValve, zone: &TimeZone) -> Result<Vec<Block>, CodeError> {
    let mut blocks = head(certificate);
    blocks.push(Block::Notice(valve.result.clone(), valve.reason.clone()));
    blocks.extend(not_right(std::slice::from_ref(valve)));
    let mut facts = vec![("Valve".to_owned(), name(valve))];
    facts.extend(valve.order.iter().map(|(field, text)| (field.words().to_owned(), text.clone())));
    facts.push(("Batch".into(), certificate.batch.clone()));
    facts.extend(valve.reworked.clone().map(|words| ("Before that".into(), words)));
    facts.extend(valve.finished_length.clone().map(|words| ("Finished length".into(), words)));
    let required = valve.length_required.clone().filter(|_| valve.finished_length.is_some());
    facts.extend(required.map(|words| ("Length required".into(), words)));
    facts.extend(valve.assembly.clone().map(|words| ("Assembly".into(), words)));
    facts.extend(of_test(&valve.sides.iter().collect::<Vec<_>>(), &valve.required));
    if !valve.not_counted.is_empty() {
        facts.push(("Not counted".into(), valve.not_counted.join("; ")));
    }
    blocks.push(Block::Facts(facts));
    let columns = vec![
        DocumentColumn::words("Side", 4),
        DocumentColumn::words("Verdict", 3),
        DocumentColumn::number("Leak ± uncertainty", 5),
        DocumentColumn::number("Limit", 3),
        DocumentColumn::number("Hold time", 3),
        DocumentColumn::words("Tested", 6),
        DocumentColumn::words("By", 4),
        DocumentColumn::words("Record", 2),
    ];
    let row = |side: &CertifiedSide| {
        let of_run = |text: String| if side.record.is_empty() { "–".into() } else { text };
        vec![
            format!("{} (end {} on supply)", upper_first(&side.side), side.supply_end),
            side.verdict.clone(),
            side.leak.clone(),
            of_run(side.limit.clone()),
            hold(side).unwrap_or_else(|| "–".into()),
            of_run(time(&side.tested_at, zone)),
            of_run(side.tested_by.clone()),
            of_run(side.record_short.clone()),
        ]
    };
    let rows = valve.sides.iter().map(row).collect();
    blocks.push(Block::Table(DocumentTable { caption: "Leak of each side against the limit".into(), columns, rows }));
    blocks.extend(rules(&valve.sides.iter().collect::<Vec<_>>()));
    blocks.extend(foot(certificate, zone)?);
    Ok(blocks)
}

fn of_several(
    certificate: &CertificateData,
    valves: &[CertifiedValve],
    zone: &TimeZone,
) -> Result<Vec<Block>, CodeError> {
    let mut blocks = head(certificate);
    let tight = valves.iter().filter(|valve| valve.tight).count();
    let all = valves.len();
    blocks.push(Block::Notice(format!("{tight} of {all} TIGHT"), "From both sides, each in its line below.".into()));
    blocks.extend(not_right(valves));
    let sides: Vec<&CertifiedSide> = valves.iter().flat_map(|valve| &valve.sides).collect();
    let required = distinct(valves.iter().map(|valve| valve.required.clone()).filter(|text| !text.is_empty()));
    // What is the same for all stands above the table, and what is not, in it.
    let kind = the_same(valves, kind);
    let assembly = the_same(valves, |valve| valve.assembly.clone());
    let length = the_same(valves, |valve| valve.length_required.clone());
    let mut order = valves.first().map(|valve| valve.order.clone()).unwrap_or_default();
    order.retain(|field, text| valves.iter().all(|valve| valve.order.get(field) == Some(text)));
    let mut facts = vec![("Batch".to_owned(), certificate.batch.clone())];
    facts.extend(kind.clone().map(|words| ("Valves".into(), words)));
    facts.extend(order.iter().map(|(field, text)| (field.words().to_owned(), text.clone())));
    facts.extend(length.clone().map(|words| ("Length required".into(), words)));
    facts.extend(assembly.clone().map(|words| ("Assembly".into(), words)));
    facts.extend(of_test(&sides, &required.join("; ")));
    blocks.push(Block::Facts(facts));
    let columns = vec![
        DocumentColumn::words("Valve", 3),
        DocumentColumn::words("Result", 3),
        DocumentColumn::number("First side", 4),
        DocumentColumn::number("Second side", 4),
        DocumentColumn::number("Limit", 3),
        DocumentColumn::words("Tested", 4),
        DocumentColumn::words("Also", 7),
    ];
    let row = |valve: &CertifiedValve| {
        let each = |text: fn(&CertifiedSide) -> &String| {
            let tested = valve.sides.iter().filter(|side| !side.record.is_empty());
            distinct(tested.map(|side| text(side).clone()))
        };
        let tested = distinct(each(|side| &side.tested_at).iter().map(|at| time(at, zone)));
        let own = valve.order.iter().filter(|(field, _)| !order.contains_key(field));
        let mut also: Vec<String> = own.map(|(field, text)| format!("{}: {text}", field.words())).collect();
        also.extend(valve.reworked.clone());
        also.extend(valve.finished_length.clone());
        also.extend(
            valve.length_required.clone().filter(|_| length.is_none()).map(|words| format!("required {words}")),
        );
        also.extend(valve.assembly.clone().filter(|_| assembly.is_none()));
        also.extend(valve.not_counted.iter().map(|words| format!("not counted: {words}")));
        also.push(format!("record {}", each(|side| &side.record_short).join(", ")));
        vec![
            if kind.is_some() { valve.serial.clone() } else { name(valve) },
            valve.result.clone(),
            valve.sides.first().map(|side| side.leak.clone()).unwrap_or_default(),
            valve.sides.get(1).map(|side| side.leak.clone()).unwrap_or_default(),
            each(|side| &side.limit).join("; "),
            tested.join("; "),
            also.join("; "),
        ]
    };
    let rows = valves.iter().map(row).collect();
    blocks.push(Block::Table(DocumentTable { caption: "Valves, and the leak of each side".into(), columns, rows }));
    blocks.extend(rules(&sides));
    blocks.extend(foot(certificate, zone)?);
    Ok(blocks)
}

/// What all of them have alike; none where one has another, or none.
fn the_same(valves: &[CertifiedValve], of: impl Fn(&CertifiedValve) -> Option<String>) -> Option<String> {
    let first = of(valves.first()?)?;
    valves.iter().all(|valve| of(valve).as_ref() == Some(&first)).then_some(first)
}

/// Who issues it, and what must be read before anything else.
fn head(certificate: &CertificateData) -> Vec<Block> {
    let shop = &certificate.shop;
    let mut blocks = vec![Block::Heading(2, number(certificate))];
    let lines = [&shop.name, &shop.address, &shop.contact].into_iter().filter(|line| !line.is_empty()).cloned();
    let lines = lines.collect::<Vec<_>>().join(", ");
    blocks.push(match &certificate.mark {
        Some(mark) => {
            let about = format!("Mark of {}", shop.name);
            let bitmap = Bitmap { bytes: mark.png.clone(), kind: BitmapKind::Png, size_mm: mark.size_mm(), about };
            Block::Letterhead(bitmap, lines)
        }
        None => Block::Text(lines),
    });
    if certificate.certificate.is_none() {
        let text = "It has no number, nothing of it is on record, and it certifies nothing.";
        blocks.push(Block::Notice("Draft".into(), text.into()));
    }
    if certificate.simulated() {
        blocks.push(method::simulated());
    }
    blocks
}

/// What must not be overlooked beside tight and leaking.
fn not_right(valves: &[CertifiedValve]) -> Vec<Block> {
    let serials = |wrong: &dyn Fn(&CertifiedValve) -> bool| {
        valves.iter().filter(|valve| wrong(valve)).map(|valve| valve.serial.as_str()).collect::<Vec<_>>().join(", ")
    };
    let length = |verdict| serials(&|valve: &CertifiedValve| valve.length_verdict == Some(verdict));
    [
        ("Assembly not complete", "see what is said of the assembly of", serials(&|valve| valve.assembly_incomplete)),
        ("Length", "does not conform:", length(LengthVerdict::DoesNot)),
        ("Length", "too close to its limits to say whether it conforms:", length(LengthVerdict::TooClose)),
    ]
    .into_iter()
    .filter(|(.., serials)| !serials.is_empty())
    .map(|(what, text, serials)| Block::Notice(what.into(), format!("{text} {serials}.")))
    .collect()
}

/// "HM-001, DN 25, opened by air".
fn name(valve: &CertifiedValve) -> String {
    [Some(valve.serial.clone()), kind(valve)].into_iter().flatten().collect::<Vec<_>>().join(", ")
}

/// "DN 25, opened by air"; none where neither is stated.
fn kind(valve: &CertifiedValve) -> Option<String> {
    let worked = match valve.actuation.as_str() {
        "air" => Some("opened by air".to_owned()),
        "hand" => Some("turned by hand".into()),
        "" => None,
        other => Some(other.to_owned()),
    };
    let parts: Vec<String> = [valve.dn.map(|dn| format!("DN {dn}")), worked].into_iter().flatten().collect();
    (!parts.is_empty()).then(|| parts.join(", "))
}

/// How it was tested, and on what.
fn of_test(sides: &[&CertifiedSide], required: &str) -> Vec<(String, String)> {
    let tested = || sides.iter().filter(|side| !side.record.is_empty());
    let each = |text: fn(&CertifiedSide) -> &String| distinct(tested().map(|side| text(side).clone())).join("; ");
    let mut facts = vec![("Test".to_owned(), format!("pressure hold with compressed air, {}", each(|s| &s.pressure)))];
    // A leak begins with its number, and stands in the table; a class begins with the name of its standard.
    if !required.is_empty() && !required.starts_with(|c: char| c.is_ascii_digit()) {
        facts.push(("Limit taken from".into(), format!("{required}: that figure, and nothing else of it")));
    }
    facts.push(("Rig".into(), each(|side| &side.rig)));
    let notes = distinct(tested().flat_map(|side| {
        side.notes.iter().map(|note| format!("record {}, {note}", side.record_short)).collect::<Vec<_>>()
    }));
    if !notes.is_empty() {
        facts.push(("Notes".into(), notes.join("; ")));
    }
    let calibrations = distinct(tested().flat_map(|side| side.calibrations.clone()));
    let none = "none on record: the rig file's figures".to_owned();
    facts.push(("Calibrations".into(), if calibrations.is_empty() { none } else { calibrations.join("; ") }));
    facts
}

/// "60.0 s".
fn hold(side: &CertifiedSide) -> Option<String> {
    Some(format!("{:.1} s", side.hold_s?))
}

/// How it was decided, and what does not follow.
fn rules(sides: &[&CertifiedSide]) -> Vec<Block> {
    let tested = || sides.iter().filter(|side| !side.record.is_empty());
    let mut text: Vec<String> = distinct(tested().map(|side| side.rule.clone() + "."));
    text.extend(distinct(tested().map(|side| format!("Leaks are counted at {}.", side.reference))));
    text.push(
        "It states the leaks found, and no conformity with a standard; nothing of the strength of the body, of other fluids, \
         pressures or temperatures, or of a later time."
            .into(),
    );
    vec![Block::Text(text.join(" "))]
}

/// Who answers for it, and how it is found again.
fn foot(certificate: &CertificateData, zone: &TimeZone) -> Result<Vec<Block>, CodeError> {
    let signed = |name: &str| {
        let name = if name.is_empty() { "name" } else { name };
        format!("{LINE} {name}")
    };
    let released = match certificate.role.as_str() {
        "" => certificate.released_by.clone(),
        role => format!("{}, {role}", certificate.released_by),
    };
    let mut facts = vec![
        ("Issued".to_owned(), format!("{} by {}", time(&certificate.issued_at, zone), certificate.issued_by)),
        ("Released".into(), signed(&released)),
    ];
    if let Some(key) = &certificate.key {
        let text = format!("its data, attached to the PDF, with the key of fingerprint {}", fingerprint(key));
        facts.push(("Signed".into(), text));
    }
    let mut blocks = vec![Block::Facts(facts)];
    if let Some(number) = &certificate.certificate {
        let of_data: String = certificate.sha256().chars().take(16).collect();
        let label = match certificate.valves.as_slice() {
            [valve] => Some((valve.serial.as_str(), valve.result.as_str(), newest_date(valve, zone))),
            _ => None,
        };
        let label = label.as_ref().map(|(serial, result, date)| (*serial, *result, date.as_str()));
        let code = MatrixCode::new(&certificate_text(label, number, &of_data))?;
        let caption = format!("{number}; the SHA-256 of its data begins with {of_data}");
        blocks.push(Block::Code { code, caption });
    }
    Ok(blocks)
}

/// The local date of the last test that counts.
fn newest_date(valve: &CertifiedValve, zone: &TimeZone) -> String {
    let newest = valve.sides.iter().filter_map(|side| side.tested_at.parse::<Timestamp>().ok()).max();
    newest.map(|at| zone.to_datetime(at).date().to_string()).unwrap_or_default()
}

/// "2026-03-02 10:30 UTC+01 (09:30 UTC)"; as it is where it is no time.
fn time(rfc3339: &str, zone: &TimeZone) -> String {
    let Ok(at) = rfc3339.parse::<Timestamp>() else { return rfc3339.into() };
    let (local, utc) = (zone.to_datetime(at), TimeZone::UTC.to_datetime(at));
    let offset = zone.to_offset(at);
    if offset.is_zero() {
        return utc.strftime("%Y-%m-%d %H:%M UTC").to_string();
    }
    let beside = if local.date() == utc.date() { "%H:%M" } else { "%Y-%m-%d %H:%M" };
    format!("{} UTC{offset} ({} UTC)", local.strftime("%Y-%m-%d %H:%M"), utc.strftime(beside))
}
