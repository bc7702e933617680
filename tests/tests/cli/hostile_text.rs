//! Texts that would act on a screen, from everywhere a text can come from, through every command that prints one.

use std::path::Path;

use proptest::prelude::*;
use seathold_tests::cli_kit::{Said, Silent, Stage, seathold, seathold_on};
use seathold_tests::register_kit::with_header;

const ACTS: [char; 20] = [
    '\u{1b}', '\u{7}', '\u{8}', '\r', '\n', '\0', '\u{7f}', '\u{85}', '\u{9b}', '\u{9d}', '\u{202a}', '\u{202b}',
    '\u{202d}', '\u{202e}', '\u{2066}', '\u{2067}', '\u{2069}', '\u{2028}', '\u{200f}', '\u{c}',
];

/// A verdict that somebody would like to be seen.
const WISHED: &str = "HM-666  TIGHT";

fn is_plain(said: &Said, what: &str) {
    for text in [&said.out, &said.err] {
        let found = text.chars().find(|c| *c != '\n' && ACTS.contains(c));
        assert_eq!(found, None, "{what}: {text:?}");
        assert!(!text.lines().any(|line| line.starts_with(WISHED)), "{what} says it on a line of its own: {text}");
    }
}

fn hostile(acts: &[char]) -> String {
    format!("x{}[2K\n{WISHED}", acts.iter().collect::<String>())
}

/// Everything that a recording's own texts pass through.
fn from_a_recording(dir: &Path, text: &str) {
    let tight = concat!(env!("CARGO_MANIFEST_DIR"), "/recordings/current/tight.hold");
    let bytes = std::fs::read(tight).unwrap();
    let _ = std::fs::remove_file(dir.join("a.hold"));
    with_header(&bytes, &dir.join("a.hold"), |header| {
        header.serial = text.into();
        header.operator = text.into();
        header.recipe_name = text.into();
        header.rig_name = text.into();
        header.program = text.into();
        header.calibrations = vec![text.into()];
        header.started_at = "2026-03-02T09:30:00Z".into();
    });
    let register = ["--register", "[DIR]/bench.sqlite"];
    let commands: &[&[&str]] = &[
        &["show", "[DIR]/a.hold"],
        &["show", "[DIR]/a.hold", "--json"],
        &["show", "[DIR]/a.hold", "--csv"],
        &["show", "[DIR]/a.hold", "--budget"],
        &["replay", "[DIR]/a.hold"],
        &["rejudge", "[DIR]/a.hold", "--limit", "0.0001 mm3/s"],
        &["rejudge", "[DIR]/a.hold", "--limit", "0.0001 mm3/s", "--json"],
        &["report", "[DIR]/a.hold", "-o", "[DIR]/a.html"],
        &["export", "[DIR]/a.hold", "--runs", "[DIR]/a.csv"],
        &["study", "gauge-rr", "[DIR]/a.hold"],
        &["study", "stability", "[DIR]/a.hold"],
        &["study", "drift", "[DIR]/a.hold"],
        &["tune", "[DIR]/a.hold"],
        &["register", "import", "[DIR]/a.hold", register[0], register[1]],
        &["find", register[0], register[1]],
        &["find", "--json", register[0], register[1]],
        &["find", "--serial", text, register[0], register[1]],
        &["register", "info", register[0], register[1]],
        &["register", "verify", register[0], register[1]],
        &["report", "-o", "[DIR]/b.html", "--serial", text, register[0], register[1]],
    ];
    for command in commands {
        let said = seathold(dir, command);
        is_plain(&said, &command.join(" "));
        if command.contains(&"--json") {
            for value in serde_json::Deserializer::from_str(&said.out).into_iter::<serde_json::Value>() {
                value.unwrap_or_else(|why| panic!("{}: {why}: {}", command.join(" "), said.out));
            }
        }
    }
    // A page has ends of lines where it likes, and nothing else that acts.
    let page = std::fs::read_to_string(dir.join("a.html")).unwrap();
    let acts = page.char_indices().find(|(_, c)| !matches!(c, '\n' | '\t') && ACTS.contains(c));
    let around = acts.map(|(at, _)| page[..at].lines().last().unwrap_or_default().to_owned());
    assert_eq!(around, None);
}

/// Everything that is typed, or read from a list or a file of settings.
fn from_a_person(dir: &Path, text: &str) {
    let text = &text.replace('\0', "");
    std::fs::write(dir.join("list.csv"), format!("serial,notes\nHM-1,\"{text}\"\n\"{text}\",y\n")).unwrap();
    std::fs::write(dir.join("set.toml"), format!("\"{text}\" = \"{text}\"\nsoak = \"{text}\"\n")).unwrap();
    let _ = std::fs::remove_file(dir.join("typed.hold"));
    let _ = std::fs::remove_file(dir.join("bench.sqlite"));
    let register = ["--register", "[DIR]/bench.sqlite"];
    let commands: &[&[&str]] = &[
        &["run", "--sides", "first", "--valve", "does-not-shut", "--operator", text, "--out", "[DIR]/typed.hold"],
        &["show", "[DIR]/typed.hold"],
        &["show", &format!("[DIR]/{text}.hold")],
        &["report", &format!("[DIR]/{text}.hold"), "-o", "[DIR]/c.html"],
        &["find", "--register", &format!("[DIR]/{text}.sqlite")],
        &["run", "--serial", text],
        &["run", "--valve", text],
        &["run", "--limit", text],
        &["run", "--rig", text],
        &["batch", "open", text, "--serials", "HM-1..HM-3", register[0], register[1]],
        &["batch", "open", "b", "--list", "[DIR]/list.csv", register[0], register[1]],
        &["batch", "open", "spring", "--serials", "HM-1..HM-3", "--operator", text, register[0], register[1]],
        &["batch", "remark", "HM-1", "--note", text, "--operator", text, register[0], register[1]],
        &["batch", "status", register[0], register[1]],
        &["batch", "status", "--batch", text, register[0], register[1]],
        &["find", "--serial", "HM-1", register[0], register[1]],
        &["recipe", "check", "[DIR]/set.toml"],
        &["rig", "check", "[DIR]/set.toml"],
        &["valve", "check", "[DIR]/set.toml"],
        &["show", text],
        &["assess", "[DIR]/list.csv"],
        &["study", "linearity", "[DIR]/list.csv"],
        &["plan", "--limit", text],
        &[text],
        &["report", "-o", text],
    ];
    for command in commands {
        let said = seathold(dir, command);
        for said in [&said.out, &said.err] {
            let found = said.chars().find(|c| *c != '\n' && ACTS.contains(c));
            assert_eq!(found, None, "{}: {said:?}", command.join(" "));
        }
    }
    let live = Stage { interrupt_at: Vec::new(), keys: &mut Silent, out_breaks: None, live: true };
    is_plain(&seathold_on(dir, &["register", "verify", register[0], register[1]], live), "verify, watched");
}

#[test]
fn nothing_in_a_text_acts_on_the_screen() {
    let dir = tempfile::tempdir().unwrap();
    from_a_recording(dir.path(), &hostile(&ACTS));
    from_a_person(dir.path(), &hostile(&ACTS));
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 6, failure_persistence: None, ..ProptestConfig::default() })]

    /// In any order and number.
    #[test]
    fn nor_in_any_other(acts in proptest::collection::vec(proptest::sample::select(&ACTS[..]), 0..12)) {
        let dir = tempfile::tempdir().unwrap();
        from_a_recording(dir.path(), &hostile(&acts));
    }
}
