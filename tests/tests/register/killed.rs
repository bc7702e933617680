//! Killed with no chance to tidy up, at many moments of whatever writes a register: a run, a batch's session, an import,
//! a merge. What was acknowledged is there, every chain is whole, and nothing is there twice.
//!
//! A moment is a share of the time that the same work takes when nobody disturbs it. `SEATHOLD_KILLS` says how many moments
//! of each kind of work: by itself the test takes a few, and with 150 six hundred in all.

use std::collections::BTreeMap;
use std::io::{BufRead, BufReader};
use std::path::Path;
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};

use seathold::console::KeyboardInput;
use seathold::console::Keys;
use seathold_register::{Access, Register, RunFilter, RunMeta};
use seathold_tests::cli_kit::{Stage, recorded, seathold, seathold_on};
use seathold_tests::register_kit::{SERIAL, renamed};

/// What the other process is to do, where, and from which number on.
const PART: &str = "SEATHOLD_KILLED_PART";
const FOLDER: &str = "SEATHOLD_KILLED_FOLDER";
const FIRST: &str = "SEATHOLD_KILLED_FIRST";

/// Pieces of work of a process.
const PIECES: u32 = 3;

/// Somebody who presses Return for valve after valve, as often as this.
struct Return(u32);

impl Keys for Return {
    fn line(&mut self) -> KeyboardInput {
        self.0 = self.0.saturating_sub(1);
        if self.0 == 0 { KeyboardInput::Closed } else { KeyboardInput::Line(String::new()) }
    }
}

/// The part of another process. Without the variables it is a test of nothing, and passes.
#[test]
fn other_process() {
    let (Ok(part), Ok(folder)) = (std::env::var(PART), std::env::var(FOLDER)) else { return };
    let dir = Path::new(&folder);
    let first: u32 = std::env::var(FIRST).unwrap().parse().unwrap();
    println!("begin");
    for n in first..first + PIECES {
        let (serial, file) = (format!("HM-{n:06}"), format!("[DIR]/HM-{n:06}.hold"));
        let at = ["--register", "[DIR]/bench.sqlite"];
        let code = match part.as_str() {
            "run" => {
                let run = ["run", "-q", "--sides", "first", "--serial", &serial, "--out", &file];
                seathold(dir, &[&run[..], &at].concat()).code
            }
            "import" => seathold(dir, &[&["register", "import", &file][..], &at].concat()).code,
            "merge" => {
                let other = format!("[DIR]/HM-{n:06}.sqlite");
                seathold(dir, &[&["register", "merge", &other][..], &at].concat()).code
            }
            "batch" => {
                let test = ["batch", "test", "-q", "--order", "side", "--out", "[DIR]/recordings"];
                let keys = &mut Return(2);
                let stage = Stage { interrupt_at: Vec::new(), keys, out_breaks: None, live: false };
                let said = seathold_on(dir, &[&test[..], &at].concat(), stage);
                println!("said {} {} {}", said.code, said.out.replace('\n', "|"), said.err.replace('\n', "|"));
                said.code
            }
            "add" => {
                let add = ["batch", "add", "--serials", &serial, "--actuation", "air", "--dn", "25"];
                let why = ["--note", "came late", "--operator", "Ada"];
                seathold(dir, &[&add[..], &why, &at].concat()).code
            }
            other => panic!("no part {other}"),
        };
        println!("ack {serial} {code}");
    }
}

fn begun(part: &str, dir: &Path, first: u32) -> Child {
    let mut command = Command::new(std::env::current_exe().unwrap());
    command.args(["--exact", "killed::other_process", "--nocapture"]);
    command.env(PART, part).env(FOLDER, dir).env(FIRST, first.to_string());
    command.stdout(Stdio::piped()).stderr(Stdio::null()).spawn().unwrap()
}

/// Lets the process work for so long after its beginning, or to its end, kills it, and gives what it acknowledged.
fn worked(mut child: Child, kill_after: Option<Duration>) -> Vec<String> {
    let mut lines = BufReader::new(child.stdout.take().unwrap()).lines().map_while(Result::ok);
    assert!(lines.any(|line| line.ends_with("begin")));
    if let Some(after) = kill_after {
        std::thread::sleep(after);
        // Without success where it has ended by itself: that is a moment too.
        let _ = child.kill();
    }
    let acks = lines.filter_map(|line| line.split_once("ack ").map(|(_, said)| said.to_owned())).collect();
    child.wait().unwrap();
    acks
}

fn moments() -> u32 {
    std::env::var("SEATHOLD_KILLS").map_or(6, |n| n.parse().unwrap())
}

/// The runs of each serial and side. Every chain must hold.
fn runs_in(register: &Register) -> BTreeMap<(String, String), u32> {
    register.verify(|_| true).unwrap().valid().unwrap();
    let mut runs = BTreeMap::new();
    for run in register.runs(RunFilter::default()) {
        let run = run.unwrap();
        for side in &run.sides {
            *runs.entry((run.serial.clone(), format!("{:?}", side.side))).or_default() += 1;
        }
    }
    runs
}

/// Makes the work of a round, and kills it at so many moments spread over the time it takes undisturbed.
fn killed_at_all_moments(part: &str, prepare: impl Fn(&Path, u32)) -> tempfile::TempDir {
    let dir = tempfile::tempdir().unwrap();
    drop(Register::open(&dir.path().join("bench.sqlite"), Access::Make).unwrap());
    let moments = moments();
    let mut acknowledged: Vec<String> = Vec::new();
    let mut whole = Duration::ZERO;
    for round in 0..=moments {
        let first = PIECES * round;
        prepare(dir.path(), first);
        let began = Instant::now();
        let after = (round > 0).then(|| whole * round / (moments + 1));
        let said = worked(begun(part, dir.path(), first), after);
        if round == 0 {
            whole = began.elapsed();
            assert_eq!(said.len() as u32, PIECES);
        }
        assert!(said.iter().all(|ack| ack.ends_with(" 0")), "{part}, round {round}: {said:?}");
        acknowledged.extend(said);
        let register = Register::open(&dir.path().join("bench.sqlite"), Access::Write).unwrap();
        let runs = runs_in(&register);
        assert!(runs.values().all(|times| *times == 1), "{part}, round {round}: {runs:?}");
        for serial in acknowledged.iter().filter(|_| part != "batch").filter_map(|ack| ack.split(' ').next()) {
            assert!(runs.keys().any(|(there, _)| there == serial), "{part}, round {round}: {serial} is lost");
        }
        // A session tests the next valve, whichever it is.
        assert!(runs.len() >= acknowledged.len(), "{part}, round {round}: {} of {}", runs.len(), acknowledged.len());
        // In each round one piece at most is there that was not acknowledged.
        assert!(runs.len() <= acknowledged.len() + round as usize, "{part}, round {round}");
    }
    dir
}

#[test]
fn a_run() {
    let dir = killed_at_all_moments("run", |_, _| ());
    // What is missing is in recordings that are whole, and nothing of it comes twice.
    let again = |register: &mut Register| {
        for entry in std::fs::read_dir(dir.path()).unwrap() {
            let path = entry.unwrap().path();
            if path.extension().is_some_and(|e| e == "hold") {
                register.import(&path, &RunMeta::default(), "2026-03-02T10:00:00Z".parse().unwrap()).unwrap();
            }
        }
        runs_in(register)
    };
    let mut register = Register::open(&dir.path().join("bench.sqlite"), Access::Write).unwrap();
    let runs = again(&mut register);
    assert!(runs.values().all(|times| *times == 1));
    assert_eq!(again(&mut register), runs);
}

#[test]
fn an_import() {
    let seed = tempfile::tempdir().unwrap();
    let bytes = std::fs::read(recorded(seed.path(), "seed.hold", &["--serial", SERIAL])).unwrap();
    killed_at_all_moments("import", |dir, first| {
        for n in first..first + PIECES {
            let serial = format!("HM-{n:06}");
            std::fs::write(dir.join(format!("{serial}.hold")), renamed(&bytes, &serial)).unwrap();
        }
    });
}

#[test]
fn a_merge() {
    let seed = tempfile::tempdir().unwrap();
    let bytes = std::fs::read(recorded(seed.path(), "seed.hold", &["--serial", SERIAL])).unwrap();
    killed_at_all_moments("merge", |dir, first| {
        for n in first..first + PIECES {
            let serial = format!("HM-{n:06}");
            let mut other = Register::open(&dir.join(format!("{serial}.sqlite")), Access::Make).unwrap();
            let now = "2026-03-02T10:00:00Z".parse().unwrap();
            other.append(&renamed(&bytes, &serial), &RunMeta::default(), now).unwrap();
        }
    });
}

#[test]
fn the_session_of_a_batch() {
    let valves = PIECES * (moments() + 2);
    killed_at_all_moments("batch", |dir, first| {
        if first == 0 {
            let serials = format!("HM-000000..HM-{valves:06}");
            let open = ["batch", "open", "spring", "--serials", &serials, "--actuation", "air"];
            let said = seathold(dir, &[&open[..], &["--register", "[DIR]/bench.sqlite"]].concat());
            assert_eq!(said.code, 0, "{}", said.err);
        }
    });
}

/// Valves are on the list and in the note that seals it, or in neither.
#[test]
fn a_correction_of_a_batch() {
    let dir = tempfile::tempdir().unwrap();
    let open = ["batch", "open", "spring", "--serials", "FIRST", "--actuation", "air", "--dn", "25"];
    assert_eq!(seathold(dir.path(), &[&open[..], &["--register", "[DIR]/bench.sqlite"]].concat()).code, 0);
    let (mut acknowledged, mut whole) = (0, Duration::ZERO);
    for round in 0..=moments() {
        let began = Instant::now();
        let after = (round > 0).then(|| whole * round / (moments() + 1));
        let said = worked(begun("add", dir.path(), PIECES * round), after);
        whole = if round == 0 { began.elapsed() } else { whole };
        assert!(said.iter().all(|ack| ack.ends_with(" 0")), "round {round}: {said:?}");
        acknowledged += said.len();
        let register = Register::open(&dir.path().join("bench.sqlite"), Access::Write).unwrap();
        register.verify(|_| true).unwrap().valid().unwrap();
        let batch = register.batch_named("spring").unwrap().batch;
        let added = register.valves_of(&batch).unwrap().len() - 1;
        assert!((acknowledged..=acknowledged + round as usize).contains(&added), "round {round}: {added}");
    }
}
