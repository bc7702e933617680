//! Two programs at one batch: a valve is under test at one of them.

use std::collections::{HashSet, VecDeque};
use std::path::Path;
use std::process::{Command, Stdio};

use seathold::console::{KeyboardInput, Keys};
use seathold_tests::cli_kit::{Stage, seathold, seathold_on};

/// What the child is to do, as an environment variable.
const FOLDER: &str = "SEATHOLD_TEST_BATCH";

/// Presses Enter so often.
struct Enters(VecDeque<()>);

impl Keys for Enters {
    fn line(&mut self) -> KeyboardInput {
        self.0.pop_front().map_or(KeyboardInput::Closed, |()| KeyboardInput::Line(String::new()))
    }
}

fn is_ready(path: &Path) -> bool {
    path.extension().is_some_and(|ending| ending == "ready")
}

/// The part of another process. Without the variable it is a test of nothing, and passes.
#[test]
fn batch_child() {
    let Ok(folder) = std::env::var(FOLDER) else { return };
    // Both begin together.
    let ready = |id: u32| Path::new(&folder).join(format!("{id}.ready"));
    std::fs::write(ready(std::process::id()), "").unwrap();
    let here = || std::fs::read_dir(&folder).unwrap().filter(|e| is_ready(&e.as_ref().unwrap().path())).count();
    while here() < 2 {
        std::thread::yield_now();
    }
    // By another person each: the simulated runs would be the same to the bit otherwise, and kept once.
    let who = std::process::id().to_string();
    let out = format!("[DIR]/{who}");
    let test = ["batch", "test", "-q", "--order", "side", "--operator", &who];
    let arguments = [&test[..], &["--register", "[DIR]/bench.sqlite", "--out", &out]].concat();
    let mut keys = Enters(std::iter::repeat_n((), 12).collect());
    let stage = Stage { interrupt_at: Vec::new(), keys: &mut keys, out_breaks: None, live: false };
    let said = seathold_on(Path::new(&folder), &arguments, stage);
    println!("{}\n{}", said.out, said.err);
    assert_eq!(said.code, 0);
}

/// Both press Enter as fast as they can, from the first valve on.
#[test]
fn two_programs_test_no_side_twice() {
    let dir = tempfile::tempdir().unwrap();
    let open = ["batch", "open", "spring", "--serials", "HM-001..HM-003", "--register", "[DIR]/bench.sqlite"];
    assert_eq!(seathold(dir.path(), &open).code, 0);
    let child = || {
        let mut command = Command::new(std::env::current_exe().unwrap());
        command.env(FOLDER, dir.path()).args(["--exact", "claims::batch_child", "--nocapture"]);
        command.stdout(Stdio::piped()).stderr(Stdio::piped()).spawn().unwrap()
    };
    let children = [child(), child()];
    let said: Vec<_> = children.map(|child| child.wait_with_output().unwrap()).into();
    assert!(said.iter().all(|ended| ended.status.success()), "{said:?}");
    let found = seathold(dir.path(), &["find", "--json", "--register", "[DIR]/bench.sqlite"]);
    let mut seen = HashSet::new();
    for line in found.out.lines() {
        let run = &serde_json::from_str::<serde_json::Value>(line).unwrap()["run"];
        assert!(seen.insert((run["serial"].clone(), run["sides_requested"].clone())), "twice: {}", found.out);
    }
    assert_eq!(seen.len(), 6, "{}", found.out);
}
