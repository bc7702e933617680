//! Labels of valves: the tag before the test, and the result after it.

use jiff::Timestamp;
use jiff::tz::TimeZone;
use seathold_document::pdf::labels::{Label, LabelLine, Lettering};
use seathold_document::{CodeError, MatrixCode};
use seathold_language::{Catalogue, MessageValue};
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
fn kind(valve: &ValveRecord, words: &Catalogue) -> LabelLine {
    let dn = valve.dn.map(|dn| format!("DN {dn}"));
    let worked = match valve.actuation.as_str() {
        "air" => words.say("label-air", &[]),
        "hand" => words.say("label-hand", &[]),
        other => other.to_owned(),
    };
    let parts = [dn, Some(worked).filter(|text| !text.is_empty())];
    LabelLine::complete(Lettering::Detail, parts.into_iter().flatten().collect::<Vec<_>>().join(", "))
}

/// The tag of a valve before its test.
///
/// # Errors
/// When its serial cannot be in a code.
pub fn tag(valve: &ValveRecord, words: &Catalogue) -> Result<Label, CodeError> {
    let lines = vec![LabelLine::complete(Lettering::Name, &valve.serial), kind(valve, words)];
    Ok(Label { name: valve.serial.clone(), code: Some(MatrixCode::new(&valve.serial)?), lines })
}

/// A tag for each of its ends, which `--end-tags` asks for.
///
/// # Errors
/// When its serial cannot be in a code.
pub fn end_tags(valve: &ValveRecord, words: &Catalogue) -> Result<[Label; 2], CodeError> {
    let of = |side: Side, end| {
        let text = end_swap::tag(&valve.serial, side);
        let lines = vec![
            LabelLine::complete(Lettering::Name, &valve.serial),
            LabelLine::complete(Lettering::Result, words.say(end, &[])),
            kind(valve, words),
        ];
        Ok(Label { code: Some(MatrixCode::new(&text)?), name: text, lines })
    };
    Ok([of(Side::First, "label-end-a")?, of(Side::Second, "label-end-b")?])
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
fn history(status: &ValveStatus, words: &Catalogue) -> String {
    let next = match status.stand {
        NextAction::Tight | NextAction::SetAside | NextAction::Next => None,
        NextAction::HalfTested => Some("label-half-tested"),
        NextAction::TestAgain => Some("label-test-again"),
        NextAction::Rework => Some("label-rework"),
        NextAction::Retest => Some("label-retest"),
    };
    let leaking =
        (status.stand == NextAction::SetAside && status.verdict() == Some(Verdict::Leaking)).then_some("label-leaking");
    let reworks = status.reworks.try_into().unwrap_or(u64::MAX);
    let reworked = (reworks > 0).then(|| words.say("reworked", &[("times", MessageValue::Count(reworks))]));
    let others = [leaking, next].into_iter().flatten().map(|word| words.say(word, &[]));
    reworked.into_iter().chain(others).collect::<Vec<_>>().join("; ")
}

/// The label of a valve after its test, with the date of the last run that counts in this zone.
///
/// # Errors
/// When its serial cannot be in a code.
pub fn valve_label(valve: &ValveHistory<'_>, zone: &TimeZone, words: &Catalogue) -> Result<Label, CodeError> {
    let history_of = valve.history;
    let status = history_of.map(|history| &history.status);
    let result = label_result(valve);
    let local = |at: &str| at.parse::<Timestamp>().ok().map(|at| zone.to_datetime(at).date().to_string());
    let date = newest_run(valve).and_then(|at| local(&at)).unwrap_or_default();
    let language = words.language();
    let limits = distinct(counted(valve).into_iter().map(limit)).into_iter().map(|limit| language.figure(&limit));
    let limits = limits.reduce(|one, other| words.say_of("label-two-limits", &[("one", &one), ("other", &other)]));
    let limits = limits.map_or_else(String::new, |limit| words.say_of("label-limit", &[("limit", &limit)]));
    let day = newest_run(valve).map(|at| language.day(&at, zone)).unwrap_or_default();
    let when = [day, limits].into_iter().filter(|text| !text.is_empty()).collect::<Vec<_>>().join(", ");
    let mut lines = vec![LabelLine::complete(Lettering::Name, valve.serial)];
    lines.extend(status.map(|status| kind(&status.valve, words)));
    lines.push(LabelLine::complete(Lettering::Result, result.words(words)));
    lines.extend(status.map(|status| LabelLine::complete(Lettering::Detail, history(status, words))));
    lines.push(LabelLine::complete(Lettering::Detail, when));
    lines.extend(
        history_of
            .and_then(|history| history.batch.as_ref())
            .map(|batch| LabelLine::detail(words.say_of("label-batch", &[("batch", &shown(batch))]))),
    );
    let code = MatrixCode::new(&label_text(valve.serial, result, &date))?;
    Ok(Label { name: valve.serial.into(), code: Some(code), lines })
}
