//! Benches with records of every kind, for the other tests.

use std::path::{Path, PathBuf};
use std::sync::OnceLock;

use seathold::console::Timestamp;
use seathold_register::customer::order_notes::ListedOrder;
use seathold_register::valves::ValveRecord;
use seathold_register::{Access, NewNote, NoteKind, Register, RunMeta};
use seathold_tests::cli_kit::recorded;
use seathold_tests::office_kit::Base;
use seathold_tests::register_kit::{SERIAL, renamed};

pub(crate) fn now() -> Timestamp {
    "2026-03-02T10:00:00Z".parse().unwrap()
}

/// The recording of a run, under any serial of the same length.
pub(crate) fn recording(serial: &str) -> Vec<u8> {
    static SEED: OnceLock<Vec<u8>> = OnceLock::new();
    let seed = SEED.get_or_init(|| {
        let dir = tempfile::tempdir().unwrap();
        std::fs::read(recorded(dir.path(), "seed.hold", &["--serial", SERIAL])).unwrap()
    });
    renamed(seed, serial)
}

pub(crate) fn serial(n: u32) -> String {
    format!("HM-{n:06}")
}

fn valve(n: u32) -> ValveRecord {
    ValveRecord { serial: serial(n), actuation: "air".into(), dn: Some(25), ..ValveRecord::default() }
}

/// A bench with a batch of these valves, each run once; the first reworked, one more added to the list.
pub(crate) fn bench(dir: &Path, name: &str, serials: std::ops::Range<u32>) -> PathBuf {
    let path = dir.join(format!("{name}.sqlite"));
    let mut register = Register::open_named(&path, Access::Make, name).unwrap();
    let valves: Vec<ValveRecord> = serials.clone().map(valve).collect();
    let batch = register.open_batch(name, &valves, "", "Ada", now()).unwrap().batch;
    for n in serials.clone() {
        run(&mut register, Some(&batch), n);
    }
    rework(&mut register, &batch, serials.start);
    let why = seathold_register::reason::Correction { operator: "Ada", reason: "came late", now: now() };
    register.add_valves(&batch, &[valve(serials.end + 500_000)], &ListedOrder::default(), why).unwrap();
    path
}

pub(crate) fn run(register: &mut Register, batch: Option<&str>, n: u32) {
    let meta = RunMeta { batch: batch.map(Into::into), after_rework: None };
    assert!(register.append(&recording(&serial(n)), &meta, now()).unwrap().new);
}

pub(crate) fn rework(register: &mut Register, batch: &str, n: u32) {
    let note = NewNote {
        kind: NoteKind::Rework,
        batch: Some(batch.into()),
        serial: Some(serial(n)),
        about: None,
        operator: "Ada".into(),
        text: "new seat — Dichtung".into(),
    };
    register.note(&note, now()).unwrap();
}

/// Does a command with the office's address of a login, and gives what it says; it must end with this code.
pub(crate) fn said(base: &Base<'_>, dir: &Path, words: &[&str], code: u8) -> String {
    let said = base.seathold(dir, words);
    assert_eq!(said.code, code, "{words:?}: {}{}", said.out, said.err);
    said.out + &said.err
}

pub(crate) fn push(base: &Base<'_>, dir: &Path, login: &str, register: &str, code: u8) -> String {
    let register = format!("[DIR]/{register}.sqlite");
    said(base, dir, &["register", "push", &base.address(login), "--register", &register], code)
}

pub(crate) fn pull(base: &Base<'_>, dir: &Path, login: &str, register: &str, code: u8) -> String {
    let register = format!("[DIR]/{register}.sqlite");
    said(base, dir, &["register", "pull", &base.address(login), "--register", &register], code)
}

/// Verifies the office by itself.
pub(crate) fn verify(base: &Base<'_>, code: u8) -> String {
    let nowhere = tempfile::tempdir().unwrap();
    let register = Register::open(&nowhere.path().join("none.sqlite"), Access::Make).unwrap();
    drop(register);
    let words = ["register", "verify", &base.address("reader"), "--register", "[DIR]/none.sqlite"];
    said(base, nowhere.path(), &words, code)
}

/// Every record of every bench but an empty one: bench, number, seal.
pub(crate) fn seals(dir: &Path, register: &str) -> Vec<(String, i64, String)> {
    let register = Register::open(&dir.join(format!("{register}.sqlite")), Access::Read).unwrap();
    let mut all = Vec::new();
    for chain in register.chains().unwrap() {
        for record in register.records_after(&chain.bench, 0, usize::MAX >> 1, usize::MAX).unwrap() {
            all.push((chain.bench.clone(), record.number(), record.seal().to_owned()));
        }
    }
    all.sort();
    all
}
