//! Each body over its corpus in `tests/fuzz/corpus`, and over mutations made of it.
//!
//! `SEATHOLD_FUZZ_MUTATIONS` sets how many of them for each body, for a longer look without a fuzzer.

use std::panic::{AssertUnwindSafe, catch_unwind};
use std::path::Path;

use seathold_tests::fuzzed;

/// Xorshift (Marsaglia, Journal of Statistical Software 8(14), 2003, triple 13, 7, 17): the same mutations everywhere.
struct Random(u64);

impl Random {
    fn word(&mut self) -> u64 {
        self.0 ^= self.0 << 13;
        self.0 ^= self.0 >> 7;
        self.0 ^= self.0 << 17;
        self.0
    }

    fn below(&mut self, end: usize) -> usize {
        (self.word() % end.max(1) as u64) as usize
    }

    /// One of the usual mistakes and mischiefs.
    fn change(&mut self, bytes: &mut Vec<u8>, other: &[u8]) {
        let at = self.below(bytes.len() + 1);
        match self.below(8) {
            0 | 1 => bytes.iter_mut().skip(at).take(1).for_each(|byte| *byte ^= 1 << self.below(8)),
            2 => bytes.iter_mut().skip(at).take(1).for_each(|byte| *byte = self.word() as u8),
            3 => bytes.truncate(at),
            4 => {
                let from = self.below(other.len());
                let some = other[from..].iter().take(1 + self.below(64)).copied();
                bytes.splice(at..at, some);
            }
            5 => {
                let end = at + self.below(32).min(bytes.len() - at);
                bytes.drain(at..end);
            }
            6 => {
                const HUGE: [&[u8]; 8] = [
                    &[0xff; 4],
                    &[0xff, 0xff, 0xff, 0x7f],
                    &[0xff; 9],
                    b"99999999999999999999",
                    b"-1e308",
                    b"NaN",
                    b"1e999 bar",
                    "\u{202e}\u{1b}[2J".as_bytes(),
                ];
                let huge = HUGE[self.below(HUGE.len())];
                let end = (at + if self.below(2) == 0 { huge.len() } else { 0 }).min(bytes.len());
                bytes.splice(at..end, huge.iter().copied());
            }
            _ => {
                let end = at + self.below(64).min(bytes.len() - at);
                let again = bytes[at..end].to_vec();
                bytes.splice(at..at, again);
            }
        }
    }
}

/// Runs a body over its corpus and so many mutations, and says with which bytes it failed.
fn all(name: &str, mutations: usize, body: fn(&[u8])) {
    let mutations = std::env::var("SEATHOLD_FUZZ_MUTATIONS").map_or(mutations, |n| n.parse().unwrap());
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("fuzz/corpus").join(name);
    let mut files: Vec<_> = std::fs::read_dir(folder).unwrap().map(|e| e.unwrap().path()).collect();
    files.sort();
    let corpus: Vec<Vec<u8>> = files.iter().map(|path| std::fs::read(path).unwrap()).collect();
    assert!(corpus.len() >= 2 && corpus.iter().all(|bytes| bytes.len() <= 8192));
    let check = |bytes: &[u8]| {
        if catch_unwind(AssertUnwindSafe(|| body(bytes))).is_err() {
            let kept = Path::new(env!("CARGO_TARGET_TMPDIR")).join(format!("{name}.found"));
            std::fs::write(&kept, bytes).unwrap();
            panic!("{name}: failed with the bytes in {}", kept.display());
        }
    };
    corpus.iter().for_each(|bytes| check(bytes));
    let mut random = Random(0x5ea7_401d);
    for _ in 0..mutations {
        let mut bytes = corpus[random.below(corpus.len())].clone();
        let other = &corpus[random.below(corpus.len())];
        for _ in 0..1 + random.below(6) {
            random.change(&mut bytes, other);
        }
        check(&bytes);
    }
}

#[test]
fn recordings() {
    all("recording", 400, fuzzed::recording);
}

#[test]
fn texts_of_recipes_rigs_valves_and_faults() {
    all("toml", 400, fuzzed::toml);
}

#[test]
fn lists_of_valves() {
    all("batch_list", 300, fuzzed::batch_list);
}

#[test]
fn traces_of_other_loggers() {
    all("trace_csv", 400, fuzzed::trace_csv);
}

#[test]
fn recordings_at_the_gate_of_a_register() {
    all("register_import", 200, fuzzed::register_import);
}

#[test]
fn registers_to_be_merged() {
    all("register_merge", 100, fuzzed::register_merge);
}

#[test]
fn both_ends_of_the_link() {
    all("link", 2_000, fuzzed::link);
}

#[test]
fn rigs_and_recipes_from_the_link() {
    all("rig_image", 400, fuzzed::rig_image);
}

#[test]
fn marks_of_shops() {
    all("mark", 600, fuzzed::mark);
}

#[test]
fn photographs() {
    all("photograph", 600, fuzzed::photograph);
}
