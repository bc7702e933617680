//! Labels of valves: the tag before the test, and the result after it.

use jiff::Timestamp;
use jiff::tz::TimeZone;
use seathold_document::pdf::labels::{Label, LabelLine, Lettering};
use seathold_document::{CodeError, MatrixCode};
use seathold_recording::plain::shown;
use seathold_register::batch::status::{NextAction, ValveStatus};
use seathold_register::valves::ValveRecord;
use seathold_sequencer::input::Side;
use seathold_sequencer::verdict::Verdict;
use seathold_text::end_swap;

use super::scanned::{LabelResult, LabelWord, label_text};
use crate::valve::{SIDES, distinct, limit};
use crate::{Evidence, Integrity, ValveHistory};

/// "DN 25, air"; empty where neither is stated.
fn kind(valve: &ValveRecord) -> LabelLine {
    let dn = valve.dn.map(|dn| format!("DN {dn}"));
    let parts = [dn, Some(valve.actuation.clone()).filter(|text| !text.is_empty())];
    LabelLine::complete(Lettering::Detail, parts.into_iter().flatten().collect::<Vec<_>>().join(", "))
}

/// The tag of a valve before its test.
///
/// # Errors
/// When its serial cannot be in a code.
pub fn tag(valve: &ValveRecord) -> Result<Label, CodeError> {
    let lines = vec![LabelLine::complete(Lettering::Name, &valve.serial), kind(valve)];
    Ok(Label { name: valve.serial.clone(), code: Some(MatrixCode::new(&valve.serial)?), lines })
}

/// A tag for each of its ends, which `--end-tags` asks for.
///
/// # Errors
/// When its serial cannot be in a code.
pub fn end_tags(valve: &ValveRecord) -> Result<[Label; 2], CodeError> {
    let of = |side: Side, end: &str| {
        let text = end_swap::tag(&valve.serial, side);
        let lines = vec![
            LabelLine::complete(Lettering::Name, &valve.serial),
            LabelLine::complete(Lettering::Result, end),
            kind(valve),
        ];
        Ok(Label { code: Some(MatrixCode::new(&text)?), name: text, lines })
    };
    Ok([of(Side::First, "END A")?, of(Side::Second, "END B")?])
}

/// The runs that count, each once.
fn counted<'a>(valve: &ValveHistory<'a>) -> Vec<&'a Evidence> {
    let mut runs: Vec<&Evidence> = SIDES.iter().filter_map(|side| valve.run(*side)).collect();
    runs.dedup_by(|a, b| std::ptr::eq(*a, *b));
    runs
}

/// When the last run that counts began, RFC 3339; none where no run does.
pub fn newest_run(valve: &ValveHistory<'_>) -> Option<String> {
    counted(valve).iter().map(|run| run.header.started_at.clone()).max()
}

/// What of the records that the result rests on is not what was sealed, or does not replay: then there is no verdict.
pub fn unsound(valve: &ValveHistory<'_>) -> Vec<String> {
    let runs = counted(valve).into_iter().filter_map(|run| match &run.whole {
        Integrity::Replays => None,
        Integrity::Altered(what) => Some(what.clone()),
        Integrity::Damaged(why) | Integrity::Differs(why) => Some(format!("{}: {why}", run.name)),
    });
    let history = valve.history.into_iter();
    let notes = history.clone().flat_map(|history| &history.notes).filter_map(|note| note.altered.clone());
    let unreadable = history.flat_map(|history| history.unreadable.clone());
    runs.chain(notes).chain(unreadable).collect()
}

/// The result of a valve in words.
pub(crate) fn label_result(valve: &ValveHistory<'_>) -> LabelResult {
    let status = valve.history.map(|history| &history.status);
    let word = match (status.map(|status| status.stand), valve.verdict()) {
        _ if !unsound(valve).is_empty() || valve.differs() => LabelWord::NoVerdict,
        (Some(NextAction::SetAside), _) => LabelWord::SetAside,
        (_, Some(Verdict::Tight)) => LabelWord::Tight,
        (_, Some(Verdict::Leaking)) => LabelWord::Leaking,
        (_, Some(Verdict::Undecided)) => LabelWord::Undecided,
        (_, Some(Verdict::Void)) => LabelWord::Void,
        (_, None) => LabelWord::NotProved,
    };
    LabelResult {
        word,
        by_override: status.is_some_and(|status| status.overrides().next().is_some()),
        simulated: counted(valve).iter().any(|run| run.simulated()),
    }
}

/// What was done to it, and what is to be done: "reworked; to retest".
fn history(status: &ValveStatus) -> String {
    let next = match status.stand {
        NextAction::Tight | NextAction::SetAside | NextAction::Next => None,
        other => Some(other.word().to_owned()),
    };
    let leaking =
        (status.stand == NextAction::SetAside && status.verdict() == Some(Verdict::Leaking)).then(|| "leaking".into());
    [status.reworked(), leaking, next].into_iter().flatten().collect::<Vec<_>>().join("; ")
}

/// The label of a valve after its test, with the date of the last run that counts in this zone.
///
/// # Errors
/// When its serial cannot be in a code.
pub fn valve_label(valve: &ValveHistory<'_>, zone: &TimeZone) -> Result<Label, CodeError> {
    let history_of = valve.history;
    let status = history_of.map(|history| &history.status);
    let result = label_result(valve);
    let local = |at: &str| at.parse::<Timestamp>().ok().map(|at| zone.to_datetime(at).date().to_string());
    let date = newest_run(valve).and_then(|at| local(&at)).unwrap_or_default();
    let limits = distinct(counted(valve).into_iter().map(limit)).join(" and ");
    let limits = if limits.is_empty() { limits } else { format!("limit {limits}") };
    let when = [date.clone(), limits].into_iter().filter(|text| !text.is_empty()).collect::<Vec<_>>().join(", ");
    let mut lines = vec![LabelLine::complete(Lettering::Name, valve.serial)];
    lines.extend(status.map(|status| kind(&status.valve)));
    lines.push(LabelLine::complete(Lettering::Result, result.text()));
    lines.extend(status.map(|status| LabelLine::complete(Lettering::Detail, history(status))));
    lines.push(LabelLine::complete(Lettering::Detail, when));
    lines.extend(
        history_of
            .and_then(|history| history.batch.as_ref())
            .map(|batch| LabelLine::detail(shown(&format!("batch {batch}")))),
    );
    let code = MatrixCode::new(&label_text(valve.serial, result, &date))?;
    Ok(Label { name: valve.serial.into(), code: Some(code), lines })
}
