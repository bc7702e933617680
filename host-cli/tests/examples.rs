//! The examples that end the help of every command, typed as they stand there, by a process in a folder that has what they name.

use std::path::Path;
use std::process::{Command, Stdio};

use seathold::help::examples::{EXAMPLES, words};

/// What is not run here, by how it begins, and why not.
const NOT_RUN: &[(&str, &str)] = &[
    ("serve", "serves until Ctrl-C"),
    ("watch", "needs a controller"),
    ("rigs", "needs a controller"),
    ("fleet", "takes long; `cli fleet::` runs it"),
    ("plan", "takes long; `cli plan::` runs it"),
    ("identify", "takes long, and needs recordings made for it; `cli identify::`"),
    ("tune", "needs valves that are known; `measure tune::`"),
    ("calibrate", "takes long; `measure` runs it"),
    ("study gauge-rr", "needs a study of runs; `measure`"),
    ("study linearity", "needs a table of references; `measure`"),
    ("study stability", "needs a study of runs; `measure`"),
    ("study daily", "needs runs of a reference leak; `measure`"),
    ("assess", "needs a trace; `cli assess::`"),
    ("pair", "needs a table of lengths; `cli pair::`"),
    ("label fittings", "needs kept fittings; `report labels::`"),
    ("label classes", "needs kept fittings; `report labels::`"),
    ("assembly tray", "needs kept fittings; `report labels::`"),
    ("certificate issue", "needs tested valves; `cli certificate::`"),
    ("certificate again", "needs one that was issued; `cli certificate::`"),
    ("certificate verify", "needs one that was issued; `cli certificate::`"),
    ("assembly tick", "needs steps of its own; `cli assembly::`"),
    ("assembly bolt", "needs steps and fittings; `cli assembly::`"),
    ("assembly strike", "needs records of steps; `cli assembly::`"),
    ("batch close --operator Ada", "of a batch that is done; the other example closes one that is not"),
    ("register quarantine remove", "needs something refused; `register`"),
    ("register verify --since-head", "the head is one that was kept; `register signed::`"),
    ("certificate key office.key --passphrase", "asks for it at a terminal; `cli certificate::`"),
    ("sign", "needs a key; `register signed::`"),
    ("verify", "needs what was signed; `register signed::`, `cli certificate::`"),
    ("register verify postgres", "needs an office; `office`"),
    ("register backup /mnt", "needs another disk"),
    ("register push", "needs an office; `office`"),
    ("register pull", "needs an office; `office`"),
    ("register office-tables", "needs a program with the office; `office`"),
];

fn seathold(dir: &Path, words: &[&str]) -> (Option<i32>, String) {
    let mut command = Command::new(env!("CARGO_BIN_EXE_seathold"));
    for (name, _) in std::env::vars_os().filter(|(name, _)| name.to_string_lossy().starts_with("SEATHOLD_")) {
        command.env_remove(name);
    }
    // Nobody's settings.
    command.env("SEATHOLD_CONFIG", "").current_dir(dir).args(words).stdin(Stdio::null());
    let said = command.output().unwrap();
    (said.status.code(), String::from_utf8_lossy(&said.stderr).into_owned())
}

fn good(dir: &Path, words: &[&str]) {
    let (code, err) = seathold(dir, words);
    assert!(matches!(code, Some(0 | 1)), "{words:?}: {code:?} {err}");
}

fn put(dir: &Path, name: &str, text: &[u8]) {
    let path = dir.join(name);
    std::fs::create_dir_all(path.parent().unwrap()).unwrap();
    std::fs::write(path, text).unwrap();
}

/// Files of every name that the examples have; a batch with a run as its record 12.
fn prepared(dir: &Path) {
    let printed = |words: &[&str]| {
        let said =
            Command::new(env!("CARGO_BIN_EXE_seathold")).env("SEATHOLD_CONFIG", "").args(words).output().unwrap();
        said.stdout
    };
    let recipe = include_bytes!("../examples/recipes/dn25-air.toml");
    for name in ["dn25.toml", "dn50.toml"] {
        put(dir, name, recipe);
    }
    for name in ["bench.toml", "rigs/bench-2.toml"] {
        put(
            dir,
            name,
            &[&printed(&["rig", "template"])[..], b"\n[[adapter]]\nname = \"flange\"\ndn = \"25\"\n"].concat(),
        );
    }
    for name in ["mine.toml", "valves/leaky.toml"] {
        put(dir, name, &printed(&["valve", "template"]));
    }
    put(dir, "steps.toml", &printed(&["assembly", "template"]));
    for (shade, name) in (0..).zip(["seat.jpg", "a.jpg", "b.png"]) {
        image::RgbImage::from_pixel(40, 30, image::Rgb([shade * 90, 0, 0])).save(dir.join(name)).unwrap();
    }
    put(dir, "list.csv", b"serial,dn\nHM-201,25\n");
    put(dir, "second.csv", b"serial,dn\nHM-202,25\n");
    put(dir, "mixed.csv", b"serial,dn\nHM-203,25\nHM-204,50\n");
    std::fs::create_dir(dir.join("keys")).unwrap();
    good(dir, &["batch", "open", "autumn", "--serials", "HM-090", "--actuation", "air", "--dn", "25"]);
    good(dir, &["batch", "close", "--unfinished", "sold", "--operator", "Ada"]);
    good(dir, &["batch", "open", "spring", "--serials", "HM-001..HM-040", "--actuation", "air", "--dn", "25"]);
    good(dir, &["batch", "require", "HM-030", "--dn", "50", "--limit", "15 mm3/s", "--note", "x", "--operator", "Ada"]);
    for _ in 5..12 {
        good(dir, &["batch", "remark", "HM-010", "--note", "stiff", "--operator", "Ada"]);
    }
    let run = |serial: &str, out: &str, more: &[&str]| {
        let words = ["run", "-q", "--sides", "first", "--serial", serial, "--out", out];
        good(dir, &[&words[..], more].concat());
    };
    run("HM-002", "recordings/leaking.hold", &["--valve", "scratched-seat-a"]);
    run("HM-005", "run.hold", &["--no-batch"]);
    run("HM-006", "one.hold", &["--no-batch"]);
    run("HM-007", "two.hold", &["--no-batch"]);
    run("PLUG", "plug.hold", &["--register", "bench.sqlite"]);
    good(dir, &["register", "init", "bench-2.sqlite", "--bench", "other"]);
    good(dir, &["register", "bundle", "sent.bundle", "--batch", "spring"]);
    std::fs::copy(dir.join("bench.sqlite"), dir.join("shop.sqlite")).unwrap();
}

fn copied(from: &Path, to: &Path) {
    for entry in std::fs::read_dir(from).unwrap() {
        let entry = entry.unwrap();
        let to = to.join(entry.file_name());
        if entry.file_type().unwrap().is_dir() {
            std::fs::create_dir(&to).unwrap();
            copied(&entry.path(), &to);
        } else {
            std::fs::copy(entry.path(), to).unwrap();
        }
    }
}

/// That an example can be parsed says nothing of whether it does what stands beside it.
#[test]
fn every_example_can_be_typed_as_it_stands() {
    let whole = tempfile::tempdir().unwrap();
    prepared(whole.path());
    let mut wrong = Vec::new();
    let mut run = 0;
    for (typed, about) in EXAMPLES.iter().flat_map(|of| of.examples) {
        let needs_rig = ["serial:", "tcp:", "--pty"].iter().any(|word| typed.contains(word));
        if needs_rig || NOT_RUN.iter().any(|(begin, _)| typed.starts_with(begin)) {
            continue;
        }
        let dir = tempfile::tempdir().unwrap();
        copied(whole.path(), dir.path());
        // Those that make one begin without.
        if typed.starts_with("batch open") || typed.starts_with("register init") {
            std::fs::remove_file(dir.path().join("bench.sqlite")).unwrap();
        }
        // Of a valve of which it is told that it leaks, or that it was tested.
        let (code, err) = seathold(dir.path(), &words(typed).iter().map(String::as_str).collect::<Vec<_>>());
        // Leaking, and a rig with a fault, are results as well.
        if !matches!(code, Some(0 | 1 | 3)) {
            wrong.push(format!("seathold {typed}  ({about}): {code:?} {err}"));
        }
        run += 1;
    }
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
    assert!(run > 70, "only {run} examples were run");
}
