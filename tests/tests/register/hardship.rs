//! The register under hardship: killed programs, two programs at once, a disk that is full, a lock that is held. Each
//! trial is another process: this test program called again for the part of [`child`].

use std::io::{BufRead, BufReader};
use std::path::Path;
use std::process::{Child, Command, Stdio};
use std::time::Duration;

use rusqlite::Connection;
use seathold_register::Error;
use seathold_register::{Access, Register, RegisterError, RunFilter, RunMeta};
use seathold_tests::cli_kit::{recorded, seathold};
use seathold_tests::register_kit::{SERIAL, renamed};

/// What the child is to do, as environment variables.
const PART: &str = "SEATHOLD_TEST_PART";
const FOLDER: &str = "SEATHOLD_TEST_FOLDER";
const FIRST: &str = "SEATHOLD_TEST_FIRST";

/// The part of another process. Without the variables it is a test of nothing, and passes.
#[test]
fn child() {
    let (Ok(part), Ok(folder)) = (std::env::var(PART), std::env::var(FOLDER)) else { return };
    let dir = Path::new(&folder);
    let first: u32 = std::env::var(FIRST).unwrap().parse().unwrap();
    match part.as_str() {
        // Appends until it is killed, or thirty runs; says each when it has been acknowledged.
        "append" => {
            let mut register = Register::open(&dir.join("bench.sqlite"), Access::Make).unwrap();
            let bytes = std::fs::read(dir.join("seed.hold")).unwrap();
            for n in first..first + 30 {
                let serial = format!("HM-{n:06}");
                let now = "2026-03-02T10:00:00Z".parse().unwrap();
                register.append(&renamed(&bytes, &serial), &RunMeta::default(), now).unwrap();
                println!("ack {serial}");
            }
        }
        // Runs the program until the register refuses.
        "run" => {
            for n in first..first + 30 {
                let (serial, out) = (format!("HM-{n:06}"), format!("[DIR]/HM-{n:06}.hold"));
                let run = ["run", "-q", "--sides", "first", "--serial", &serial, "--out", &out];
                let said = seathold(dir, &[&run[..], &["--register", "[DIR]/bench.sqlite"]].concat());
                if said.code == 0 {
                    println!("ack {serial}");
                } else {
                    println!("refused {serial} {} {}", said.code, said.err.replace('\n', "|"));
                    break;
                }
            }
        }
        other => panic!("no part {other}"),
    }
}

fn command(part: &str, dir: &Path, first: u32) -> Command {
    let mut command = Command::new(std::env::current_exe().unwrap());
    set_part(&mut command, part, dir, first);
    command
}

fn set_part(command: &mut Command, part: &str, dir: &Path, first: u32) {
    command.env(PART, part).env(FOLDER, dir).env(FIRST, first.to_string());
    command.stdout(Stdio::piped()).stderr(Stdio::null());
    if command.get_program() != "sh" {
        command.args(["--exact", "hardship::child", "--nocapture"]);
    }
}

fn lines(child: &mut Child) -> impl Iterator<Item = String> + use<> {
    BufReader::new(child.stdout.take().unwrap()).lines().map_while(Result::ok)
}

/// "HM-000001" of each acknowledgement.
fn acknowledged(line: &str) -> Option<String> {
    // The test harness writes its own beginning onto the first line.
    line.split_once("ack ").map(|(_, serial)| serial.to_owned())
}

fn has(register: &Register, serial: &str) -> bool {
    register.count(&RunFilter { serial: Some(serial.into()), ..RunFilter::default() }).unwrap() == 1
}

/// Killed with no chance to tidy up, at another moment each time: what was acknowledged is there, and the chain holds.
#[test]
fn nothing_acknowledged_is_lost_to_a_kill() {
    let dir = tempfile::tempdir().unwrap();
    recorded(dir.path(), "seed.hold", &["--serial", SERIAL]);
    let mut all = Vec::new();
    for (round, kill_after) in [1, 7, 2, 13, 4, 1, 9, 3].into_iter().enumerate() {
        let mut child = command("append", dir.path(), 100 * round as u32).spawn().unwrap();
        let mut said = lines(&mut child);
        all.extend(said.by_ref().filter_map(|line| acknowledged(&line)).take(kill_after));
        child.kill().unwrap();
        // What it still said before it died counts as well.
        all.extend(said.filter_map(|line| acknowledged(&line)));
        assert!(!child.wait().unwrap().success());
        let register = Register::open(&dir.path().join("bench.sqlite"), Access::Write).unwrap();
        assert!(all.iter().all(|serial| has(&register, serial)), "round {round}");
        let chains = register.verify(|_| true).unwrap().valid().unwrap();
        // At most the one that was not acknowledged yet is there besides, each round.
        assert!((all.len()..=all.len() + round + 1).contains(&(chains[0].last_number as usize)));
    }
}

/// The whole program killed: each recording that is whole can be put in, and then nothing is missing.
#[test]
fn a_killed_program_leaves_recordings_that_can_be_put_in() {
    let dir = tempfile::tempdir().unwrap();
    for (round, kill_after) in [2, 1].into_iter().enumerate() {
        let mut child = command("run", dir.path(), 100 * round as u32).spawn().unwrap();
        let acks: Vec<_> = lines(&mut child).filter_map(|line| acknowledged(&line)).take(kill_after).collect();
        assert_eq!(acks.len(), kill_after, "round {round}");
        child.kill().unwrap();
        child.wait().unwrap();
        let register = Register::open(&dir.path().join("bench.sqlite"), Access::Read).unwrap();
        assert!(acks.iter().all(|serial| has(&register, serial)));
    }
    let files: Vec<String> = std::fs::read_dir(dir.path())
        .unwrap()
        .map(|e| e.unwrap().path().display().to_string())
        .filter(|path| path.ends_with(".hold"))
        .collect();
    let files: Vec<&str> = files.iter().map(String::as_str).collect();
    let import = [&["register", "import", "--register", "[DIR]/bench.sqlite"], &files[..]].concat();
    assert_eq!(seathold(dir.path(), &import).code, 0);
    let register = Register::open(&dir.path().join("bench.sqlite"), Access::Read).unwrap();
    assert_eq!(register.count(&RunFilter::default()).unwrap(), files.len() as u64);
    register.verify(|_| true).unwrap().valid().unwrap();
}

#[test]
fn two_programs_at_once_lose_nothing_and_do_not_wait_for_ever() {
    let dir = tempfile::tempdir().unwrap();
    recorded(dir.path(), "seed.hold", &["--serial", SERIAL]);
    // Also the making of the file is raced for.
    let mut children: Vec<Child> =
        [0, 500].into_iter().map(|first| command("append", dir.path(), first).spawn().unwrap()).collect();
    for child in &mut children {
        let acks: Vec<_> = lines(child).filter_map(|line| acknowledged(&line)).collect();
        assert!(child.wait().unwrap().success());
        assert_eq!(acks.len(), 30);
    }
    let register = Register::open(&dir.path().join("bench.sqlite"), Access::Read).unwrap();
    assert_eq!(register.count(&RunFilter::default()).unwrap(), 60);
    let chains = register.verify(|_| true).unwrap().valid().unwrap();
    assert_eq!((chains.len(), chains[0].last_number), (1, 60));
}

/// A file may not grow beyond a limit, as on a full disk or over a quota: the run is refused with the way on, what was
/// there stays whole, and with room again it goes in.
#[cfg(unix)]
#[test]
fn a_full_disk_loses_nothing() {
    let dir = tempfile::tempdir().unwrap();
    let exe = std::env::current_exe().unwrap();
    let mut shell = Command::new("sh");
    // Blocks of 512 bytes in a plain shell. The signal is ignored, so that writing fails instead.
    let script = format!("trap '' XFSZ; ulimit -f 400; exec {} --exact hardship::child --nocapture", exe.display());
    shell.args(["-c", &script]);
    set_part(&mut shell, "run", dir.path(), 0);
    let mut child = shell.spawn().unwrap();
    let said: Vec<String> = lines(&mut child).collect();
    assert!(child.wait().unwrap().success(), "{said:?}");
    let acks: Vec<_> = said.iter().filter_map(|line| acknowledged(line)).collect();
    let refused = said.iter().find_map(|line| line.split_once("refused ")).map(|(_, rest)| rest);
    let Some((serial, why)) = refused.and_then(|rest| rest.split_once(' ')) else { panic!("never full: {said:?}") };
    assert!(why.starts_with("6 error: not in the register: "), "{why}");
    assert!(
        why.contains("the run is not lost, its recording is complete: ") && why.contains("register import"),
        "{why}"
    );
    assert!(why.contains("nothing of this was written"), "{why}");
    let mut register = Register::open(&dir.path().join("bench.sqlite"), Access::Write).unwrap();
    assert!(!acks.is_empty() && acks.iter().all(|serial| has(&register, serial)));
    register.verify(|_| true).unwrap().valid().unwrap();
    let file = dir.path().join(format!("{serial}.hold"));
    register.import(&file, &RunMeta::default(), "2026-03-02T10:00:00Z".parse().unwrap()).unwrap();
    assert!(has(&register, serial));
}

#[test]
fn a_lock_that_is_held_is_told_and_loses_nothing() {
    let dir = tempfile::tempdir().unwrap();
    let file = recorded(dir.path(), "seed.hold", &["--serial", SERIAL]);
    let mut register = Register::open(&dir.path().join("bench.sqlite"), Access::Make).unwrap();
    register.patience(Duration::from_millis(20)).unwrap();
    let other = Connection::open(register.path()).unwrap();
    other.execute_batch("BEGIN IMMEDIATE").unwrap();
    let now = "2026-03-02T10:00:00Z".parse().unwrap();
    match register.import(&file, &RunMeta::default(), now) {
        Err(Error::Register { why: RegisterError::Locked, .. }) => {}
        other => panic!("{other:?}"),
    }
    // Looking is still possible, and so is appending once the other is done.
    assert_eq!(register.count(&RunFilter::default()).unwrap(), 0);
    other.execute_batch("ROLLBACK").unwrap();
    assert!(register.import(&file, &RunMeta::default(), now).unwrap().new);
}

/// A file that may only be read is read, and refuses to be written with a plain word. Nothing is refused to the
/// superuser, so there this only checks that reading works.
#[cfg(unix)]
#[test]
fn a_file_that_may_only_be_read() {
    use std::os::unix::fs::PermissionsExt;
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("bench.sqlite");
    drop(Register::open(&path, Access::Make).unwrap());
    std::fs::set_permissions(&path, std::fs::Permissions::from_mode(0o444)).unwrap();
    let superuser = std::fs::OpenOptions::new().append(true).open(&path).is_ok();
    assert_eq!(Register::open(&path, Access::Read).unwrap().count(&RunFilter::default()).unwrap(), 0);
    match Register::open(&path, Access::Write) {
        Ok(_) if superuser => {}
        Err(Error::Register { why: RegisterError::ReadOnly, .. }) if !superuser => {}
        other => panic!("{other:?}"),
    }
}
