//! How valves are put together, as notes of the chain: what counts, what is struck, and what merges bring.

use std::path::Path;

use proptest::prelude::*;
use seathold::console::Timestamp;
use seathold_assembly::steps::{Step, StepValue};
use seathold_register::assembly::keep::AssemblyBy;
use seathold_register::assembly::progress::{AssemblyProgress, StepState};
use seathold_register::assembly::sealed::{BoltedHead, DoneHead, PairedHead, PairedLine, PairedValve, SealedPart};
use seathold_register::reason::Correction;
use seathold_register::valves::{NoteRecord, ValveRecord};
use seathold_register::{Access, NewNote, NoteKind, Register};

fn at(minute: u32) -> Timestamp {
    format!("2026-03-02T10:{minute:02}:00Z").parse().unwrap()
}

fn steps() -> Vec<Step> {
    let step = |name: &str| Step { name: name.into(), text: "do it".into(), ..Step::default() };
    vec![
        step("purge"),
        Step {
            value: Some(StepValue { what: "kit lot".into(), ..StepValue::default() }),
            again_after_rework: true,
            ..step("seals")
        },
    ]
}

/// A batch of three, with steps.
fn batch(dir: &Path) -> (Register, String) {
    let mut register = Register::open_named(&dir.join("one.sqlite"), Access::Make, "one").unwrap();
    let valves: Vec<ValveRecord> =
        (1..4).map(|n| ValveRecord { serial: format!("HM-00{n}"), ..ValveRecord::default() }).collect();
    let batch = register.open_batch("spring", &valves, "", "Ada", at(0)).unwrap().batch;
    register.state_steps(&steps(), "steps.toml", by(&batch, 1)).unwrap();
    (register, batch)
}

fn by(batch: &str, minute: u32) -> AssemblyBy<'_> {
    AssemblyBy { batch, operator: "Ada", now: at(minute) }
}

fn done(step: &str, value: Option<&str>) -> DoneHead {
    DoneHead { step: step.into(), value: value.map(Into::into), ..DoneHead::default() }
}

fn part(id: &str) -> SealedPart {
    SealedPart { id: id.into(), length_mm: 30.0 }
}

fn pair(serial: &str, a: &str, b: &str) -> PairedLine {
    let fittings = [part(a), part(b)];
    PairedLine::Valve(PairedValve { serial: serial.into(), body_mm: 60.4, fittings, finished_mm: 120.0 })
}

fn marks(progress: &AssemblyProgress) -> Vec<String> {
    let mark = |state: &StepState| match state {
        StepState::Done(_) => 'x',
        StepState::Open => '-',
        StepState::Undone { .. } => 'r',
    };
    progress.valves.iter().map(|valve| valve.steps.iter().map(mark).collect()).collect()
}

fn rework(batch: &str, serial: &str) -> NewNote {
    NewNote {
        kind: NoteKind::Rework,
        batch: Some(batch.into()),
        serial: Some(serial.into()),
        about: None,
        operator: "Ada".into(),
        text: "new seat".into(),
    }
}

#[test]
fn a_rework_undoes_only_what_the_list_says() {
    let dir = tempfile::tempdir().unwrap();
    let (mut register, batch) = batch(dir.path());
    register.tick(&done("purge", None), &["HM-001", "HM-002", "HM-003"], by(&batch, 2)).unwrap();
    register.tick(&done("seals", Some("K-1")), &["HM-001"], by(&batch, 3)).unwrap();
    let bolted =
        BoltedHead { fittings: ["F1".into(), "F2".into()], finished_mm: Some(120.01), ..BoltedHead::default() };
    register.bolt_up("HM-001", &bolted, by(&batch, 4)).unwrap();
    let now = |register: &Register| AssemblyProgress::of(register, &batch).unwrap();
    assert_eq!(marks(&now(&register)), ["xx", "x-", "x-"]);
    register.note(&rework(&batch, "HM-001"), at(5)).unwrap();
    let after = now(&register);
    assert_eq!(marks(&after), ["xr", "x-", "x-"]);
    assert!(after.valves[0].bolted.as_ref().unwrap().before_rework);
    register.tick(&done("seals", Some("K-2")), &["HM-001"], by(&batch, 6)).unwrap();
    assert_eq!(marks(&now(&register)), ["xx", "x-", "x-"]);
    assert_eq!(register.verify(|_| true).unwrap().valid().unwrap()[0].last_number, 7);
}

#[test]
fn what_cannot_be_is_refused_and_nothing_is_written() {
    let dir = tempfile::tempdir().unwrap();
    let (mut register, batch) = batch(dir.path());
    let by = by(&batch, 2);
    let bolted = |a: &str, b: &str| BoltedHead { fittings: [a.into(), b.into()], ..BoltedHead::default() };
    register.bolt_up("HM-001", &bolted("F1", "F2"), by).unwrap();
    let nobody = AssemblyBy { operator: " ", ..by };
    let lines = [pair("HM-002", "F3", "F1")];
    let twice = [pair("HM-002", "F3", "F4"), PairedLine::Left(part("F3"))];
    let again = [pair("HM-001", "F3", "F4")];
    let head = PairedHead::default();
    for (result, said) in [
        (register.tick(&done("seals", None), &["HM-001"], by), "step seals needs its kit lot"),
        (register.tick(&done("purge", Some("1")), &["HM-001"], by), "step purge has no value"),
        (register.tick(&done("weld", None), &["HM-001"], by), "no step \"weld\"; there are purge, seals"),
        (register.tick(&done("purge", None), &["HM-009"], by), "HM-009 is not on the list"),
        (register.tick(&done("purge", None), &[], by), "of which valve?"),
        (register.tick(&done("purge", None), &["HM-001"], nobody), "who did it?"),
        (register.bolt_up("HM-002", &bolted("F2", "F3"), by), "fitting F2 is bolted to HM-001"),
        (register.bolt_up("HM-002", &bolted("F3", "F3"), by), "F3 cannot be both fittings"),
        (register.keep_pairs(&head, &lines, by), "fitting F1 comes twice, or is bolted up already"),
        (register.keep_pairs(&head, &twice, by), "fitting F3 comes twice"),
        (register.keep_pairs(&head, &again, by), "HM-001 is bolted up already"),
        (register.state_steps(&[], "", by), "0 steps; a batch has 1 to 64"),
        (register.state_steps(&[steps(), steps()].concat(), "", by), "step purge comes twice"),
    ] {
        let why = result.unwrap_err().to_string();
        assert!(why.contains(said), "{said}: {why}");
    }
    assert_eq!(register.notes(Some(&batch), None).unwrap().len(), 3);
}

/// A part that was scrapped: paired again around what is bolted up.
#[test]
fn pairs_are_made_again_around_what_is_bolted_up() {
    let dir = tempfile::tempdir().unwrap();
    let (mut register, batch) = batch(dir.path());
    let head = PairedHead { nominal_mm: 120.0, least_mm: 119.8, most_mm: 120.2, risk: 0.01, ..PairedHead::default() };
    let first = [pair("HM-001", "F1", "F2"), pair("HM-002", "F3", "F4"), pair("HM-003", "F5", "F6")];
    register.keep_pairs(&head, &first, by(&batch, 2)).unwrap();
    let bolted = BoltedHead { fittings: ["F1".into(), "F2".into()], ..BoltedHead::default() };
    register.bolt_up("HM-001", &bolted, by(&batch, 3)).unwrap();
    let second = [pair("HM-003", "F3", "F5"), PairedLine::Left(part("F4"))];
    register.keep_pairs(&head, &second, by(&batch, 4)).unwrap();
    let progress = AssemblyProgress::of(&register, &batch).unwrap();
    let of = |at: usize| progress.valves[at].pair.as_ref().map(|pair| pair.fittings.clone().map(|part| part.id));
    assert_eq!(of(0), Some(["F1".to_owned(), "F2".to_owned()]));
    assert_eq!((of(1), of(2)), (None, Some(["F3".to_owned(), "F5".to_owned()])));
    assert_eq!(progress.left, [part("F4")]);
}

/// What is struck is as if it had never been, whatever it was.
#[test]
fn what_is_struck_counts_no_more() {
    let dir = tempfile::tempdir().unwrap();
    let (mut register, batch) = batch(dir.path());
    register.tick(&done("purge", None), &["HM-001"], by(&batch, 2)).unwrap();
    let before = AssemblyProgress::of(&register, &batch).unwrap();
    let number = register.tick(&done("seals", Some("K-1")), &["HM-001", "HM-002"], by(&batch, 3)).unwrap();
    let notes = register.notes(Some(&batch), None).unwrap();
    let note = notes.iter().find(|note| note.number == number).unwrap();
    let why = |reason| Correction { reason, operator: "Ada", now: at(4) };
    assert!(register.strike_note(note, why("")).unwrap_err().to_string().contains("the reason is empty"));
    register.strike_note(note, why("it was HM-003")).unwrap();
    assert_eq!(AssemblyProgress::of(&register, &batch).unwrap(), before);
    assert!(register.strike_note(note, why("again")).unwrap_err().to_string().contains("struck already"));
    let opened = notes.iter().find(|note| note.kind == NoteKind::Opened).unwrap();
    assert!(
        register
            .strike_note(opened, why("no"))
            .unwrap_err()
            .to_string()
            .contains("neither a note of assembly nor a photograph")
    );
}

/// A merge brings it whole, and the chains hold.
#[test]
fn a_merge_brings_it() {
    let dir = tempfile::tempdir().unwrap();
    let (mut register, batch) = batch(dir.path());
    register.tick(&done("purge", None), &["HM-001", "HM-003"], by(&batch, 2)).unwrap();
    register.keep_pairs(&PairedHead::default(), &[pair("HM-001", "F1", "F2")], by(&batch, 3)).unwrap();
    let before = AssemblyProgress::of(&register, &batch).unwrap();
    drop(register);
    let mut office = Register::open_named(&dir.path().join("office.sqlite"), Access::Make, "office").unwrap();
    let counts = office.merge(&dir.path().join("one.sqlite"), at(9)).unwrap();
    assert_eq!((counts.notes, counts.quarantined), (4, 0));
    assert_eq!(AssemblyProgress::of(&office, &batch).unwrap(), before);
    office.verify(|_| true).unwrap().valid().unwrap();
}

fn note(number: i64, kind: NoteKind, serial: Option<&str>, text: String) -> NoteRecord {
    NoteRecord {
        bench: "b".into(),
        number,
        kind,
        batch: Some("s".into()),
        serial: serial.map(Into::into),
        about: None,
        operator: String::new(),
        written_at: "2026-03-02T10:00:00Z".into(),
        text,
    }
}

proptest! {
    /// Texts of somebody else's, from a register that was merged: what is no such text counts for nothing, and is told.
    #[test]
    fn a_damaged_note_counts_for_nothing(texts in prop::collection::vec("[\\[\\]{}\":,a-z0-9\\n]{0,60}", 1..12), kinds in prop::collection::vec(0usize..4, 12)) {
        let all = [NoteKind::Steps, NoteKind::StepDone, NoteKind::Paired, NoteKind::Bolted];
        let notes: Vec<NoteRecord> = texts
            .iter()
            .zip(&kinds)
            .zip(1..)
            .map(|((text, kind), n)| note(n, all[*kind], (n % 2 == 0).then_some("HM-001"), text.clone()))
            .collect();
        let progress = AssemblyProgress::from_notes(&["HM-001"], &notes);
        prop_assert!(progress.damaged.len() <= notes.len());
        prop_assert_eq!(progress.valves.len(), 1);
        prop_assert_eq!(progress.valves[0].steps.len(), progress.steps.len());
        notes.iter().for_each(|note| drop(note.words()));
    }
}
