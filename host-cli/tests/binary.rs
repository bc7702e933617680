//! The program as a process: what only a real process can show.

use std::io::{BufRead, BufReader};
use std::process::{Command, Stdio};

fn seathold() -> Command {
    let mut command = Command::new(env!("CARGO_BIN_EXE_seathold"));
    // Nobody's settings.
    command.env("SEATHOLD_CONFIG", "");
    for (name, _) in std::env::vars_os().filter(|(name, _)| name.to_string_lossy().starts_with("SEATHOLD_")) {
        if name != "SEATHOLD_CONFIG" {
            command.env_remove(name);
        }
    }
    command
}

#[test]
fn it_starts_and_says_what_to_try() {
    let said = seathold().output().unwrap();
    assert!(said.status.success());
    assert!(String::from_utf8(said.stdout).unwrap().contains("seathold run"));
    assert!(said.stderr.is_empty());
}

#[test]
fn a_reader_that_goes_away_is_no_error() {
    let dir = tempfile::tempdir().unwrap();
    let recorded = seathold().current_dir(dir.path()).args(["run", "-q", "--out", "a.hold"]).output().unwrap();
    assert!(recorded.status.success());
    // Half a megabyte: more than any pipe holds.
    let mut child = seathold()
        .current_dir(dir.path())
        .args(["show", "--csv", "a.hold"])
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .unwrap();
    let mut first = String::new();
    BufReader::with_capacity(16, child.stdout.take().unwrap()).read_line(&mut first).unwrap();
    assert!(first.starts_with("time_s,far_pa,"), "{first}");
    let ended = child.wait_with_output().unwrap();
    assert_eq!((ended.status.code(), ended.stderr.as_slice()), (Some(0), &b""[..]));
}

#[test]
fn a_leaking_valve_is_exit_code_one_and_the_recording_lands_where_asked() {
    let dir = tempfile::tempdir().unwrap();
    let run = |out: &str| {
        seathold()
            .current_dir(dir.path())
            .args(["run", "-q", "--valve", "does-not-shut", "--started-at", "2026-03-02T09:30:00Z"])
            .args(["--out", out])
            .output()
            .unwrap()
    };
    let said = run("a.hold");
    assert_eq!(said.status.code(), Some(1), "{said:?}");
    assert!(dir.path().join("a.hold").exists() && !dir.path().join("a.hold.part").exists());
    run("b.hold");
    let read = |name: &str| std::fs::read(dir.path().join(name)).unwrap();
    assert_eq!(read("a.hold"), read("b.hold"));
}

/// A recording that cannot be written ends the run, but not under pressure.
#[cfg(unix)]
#[test]
fn a_full_disk_aborts_the_run_and_vents_first() {
    let dir = tempfile::tempdir().unwrap();
    // A limit on file size stands in for the disk; with the signal ignored a write fails as on a full one.
    let said = Command::new("sh")
        .current_dir(dir.path())
        .env("SEATHOLD_CONFIG", "")
        .args(["-c", "trap '' XFSZ; ulimit -f 16; exec \"$0\" run --out a.hold", env!("CARGO_BIN_EXE_seathold")])
        .output()
        .unwrap();
    let err = String::from_utf8(said.stderr).unwrap();
    assert_eq!(said.status.code(), Some(6), "{err}");
    let at = |text: &str| err.find(text).unwrap_or_else(|| panic!("no {text:?} in {err}"));
    assert!(at("aborted by the operator") < at("error: could not write a.hold.part: "));
    assert!(err[at("aborted by the operator")..].contains("far side reads empty: open the bleed"), "{err}");
    assert!(!dir.path().join("a.hold").exists() && dir.path().join("a.hold.part").exists());
}

/// A disk with no room left for a table: the mistake is named, and no half of it stays.
#[cfg(unix)]
#[test]
fn a_full_disk_leaves_no_half_of_a_table() {
    let dir = tempfile::tempdir().unwrap();
    let tight = concat!(env!("CARGO_MANIFEST_DIR"), "/../tests/recordings/current/tight.hold");
    for ending in ["csv", "jsonl", "parquet"] {
        let table = format!("samples.{ending}");
        let said = Command::new("sh")
            .current_dir(dir.path())
            .env("SEATHOLD_CONFIG", "")
            .args(["-c", "trap '' XFSZ; ulimit -f 16; exec \"$0\" \"$@\"", env!("CARGO_BIN_EXE_seathold")])
            .args(["export", tight, "--samples", &table])
            .output()
            .unwrap();
        let err = String::from_utf8(said.stderr).unwrap();
        assert_eq!(said.status.code(), Some(6), "{err}");
        assert!(err.contains(&format!("could not write {table}: ")), "{err}");
        assert_eq!(std::fs::read_dir(dir.path()).unwrap().count(), 0, "{ending}");
    }
}

/// Long work obeys SIGTERM and Ctrl-C at once, and leaves nothing half done.
#[cfg(unix)]
#[test]
fn long_work_ends_when_told_and_leaves_nothing_half_written() {
    let dir = tempfile::tempdir().unwrap();
    let tight = concat!(env!("CARGO_MANIFEST_DIR"), "/../tests/recordings/current/tight.hold");
    let tight = std::fs::read(tight).unwrap();
    let folder = dir.path().join("recordings");
    std::fs::create_dir(&folder).unwrap();
    // Each another, so that none is left out as known: cut short by a few bytes.
    for number in 0..400 {
        std::fs::write(folder.join(format!("{number}.hold")), &tight[..tight.len() - number]).unwrap();
    }
    let labels = "serial,side,truth\nHM-001,first,good\nHM-001,second,good\n";
    std::fs::write(dir.path().join("labels.csv"), labels).unwrap();
    let before = std::fs::read_dir(dir.path()).unwrap().count();
    let commands: [&[&str]; 7] = [
        &["export", "recordings", "--samples", "x.csv"],
        &["export", "recordings", "--samples", "x.parquet"],
        &["report", "recordings", "-o", "x.html"],
        &["report", "recordings", "-o", "x.pdf"],
        &["rejudge", "recordings", "--limit", "3 mm3/s", "--html", "x.html", "--threads", "2"],
        &["tune", "recordings", "--labels", "labels.csv", "--html", "y.html", "--threads", "2"],
        &["study", "drift", "recordings"],
    ];
    for (number, command) in commands.into_iter().enumerate() {
        let signal = if number % 2 == 0 { "-TERM" } else { "-INT" };
        let mut child = seathold()
            .current_dir(dir.path())
            .args(command)
            .stdout(Stdio::null())
            .stderr(Stdio::null())
            .spawn()
            .unwrap();
        std::thread::sleep(std::time::Duration::from_millis(700));
        assert_eq!(child.try_wait().unwrap(), None, "{command:?} was done too soon to be stopped");
        let asked = std::time::Instant::now();
        assert!(Command::new("kill").args([signal, &child.id().to_string()]).status().unwrap().success());
        let code = child.wait().unwrap().code();
        let took = asked.elapsed().as_secs_f64();
        println!("{command:?}: {took:.2} s");
        // Below a second on a machine that has nothing else to do (docs/figures.md). Here only: it did not go on to its end,
        // which the code shows, nor for ever.
        assert!(took < 20.0, "{command:?} took {took:.2} s");
        assert_eq!(code, Some(3), "{command:?}");
        let left: Vec<_> = std::fs::read_dir(dir.path()).unwrap().map(|e| e.unwrap().file_name()).collect();
        // A page of what was done so far is complete, and may be there.
        let half = left.iter().any(|name| name.to_string_lossy().ends_with(".part"));
        assert!(!half && left.len() <= before + 1, "{command:?} left {left:?}");
        for name in ["x.csv", "x.parquet", "x.html", "x.pdf", "y.html"] {
            let _ = std::fs::remove_file(dir.path().join(name));
        }
    }
}

/// A fleet stops after the valves that are being tested, and keeps what is done.
#[cfg(unix)]
#[test]
fn a_fleet_stops_and_keeps_what_is_done() {
    let dir = tempfile::tempdir().unwrap();
    let mut child = seathold()
        .current_dir(dir.path())
        .args(["fleet", "-n", "100000", "--no-recordings", "--threads", "2", "--out", "fleet"])
        .stdout(Stdio::null())
        .stderr(Stdio::null())
        .spawn()
        .unwrap();
    std::thread::sleep(std::time::Duration::from_secs(3));
    let asked = std::time::Instant::now();
    assert!(Command::new("kill").args(["-TERM", &child.id().to_string()]).status().unwrap().success());
    assert_eq!(child.wait().unwrap().code(), Some(3));
    let took = asked.elapsed().as_secs_f64();
    println!("fleet: {took:.2} s");
    let table = std::fs::read_to_string(dir.path().join("fleet/fleet.csv")).unwrap();
    let cells = |line: &str| line.split(',').count();
    assert!(table.ends_with('\n') && table.lines().all(|line| cells(line) == cells(table.lines().next().unwrap())));
}

/// A folder with a batch of three air-operated valves of DN 25 that must meet 5 mm³/s.
fn with_batch() -> tempfile::TempDir {
    let dir = tempfile::tempdir().unwrap();
    let open = ["batch", "open", "spring", "--serials", "HM-101..HM-103", "--actuation", "air", "--dn", "25"];
    let said = seathold().current_dir(dir.path()).args(open).args(["--limit", "5 mm3/s"]).output().unwrap();
    assert!(said.status.success(), "{said:?}");
    dir
}

/// Without an option a valve is judged by what the batch of this folder demands of it, and counts there.
#[test]
fn a_run_finds_the_batch_of_its_folder() {
    let dir = with_batch();
    let run = |more: &[&str]| {
        let said = seathold().current_dir(dir.path()).args(["run", "-q"]).args(more).output().unwrap();
        let text = |bytes| String::from_utf8(bytes).unwrap();
        (said.status.code().unwrap(), text(said.stdout), text(said.stderr))
    };
    let (code, out, err) = run(&["--serial", "HM-101"]);
    assert!(
        err.starts_with("HM-101 is on the list of batch spring in bench.sqlite of this folder, which is open"),
        "{err}"
    );
    assert!(code == 0 && out.contains("5 mm³/s") && out.contains("bench.sqlite, run 2"), "{code} {out}");
    let status = seathold().current_dir(dir.path()).args(["batch", "status"]).output().unwrap();
    let status = String::from_utf8(status.stdout).unwrap();
    assert!(status.contains("tight       HM-101\n") || status.contains("HM-101"), "{status}");
    assert!(status.contains("1 tight"), "{status}");
    let (code, _, err) = run(&["--serial", "HM-102", "--limit", "7.5 mm3/s"]);
    assert!(code == 2 && err.contains("must meet 5 mm³/s"), "{err}");
    // Not for the batch, of no batch, and without a serial as in the first commands of the book.
    let (code, out, err) = run(&["--serial", "HM-102", "--no-batch"]);
    assert!(code == 0 && out.contains("7.5 mm³/s") && err.contains("this run does not count there"), "{out}{err}");
    for more in [&["--serial", "X-9"][..], &["--valve", "tight"]] {
        let (code, out, err) = run(more);
        assert!(code == 0 && out.contains("7.5 mm³/s") && err.is_empty(), "{more:?}: {out}{err}");
    }
    // What may have the valve on a list and cannot be read is no reason to judge it by something else.
    std::fs::write(dir.path().join("bench.sqlite"), "no register").unwrap();
    let (code, out, err) = run(&["--serial", "HM-103"]);
    assert!(code == 2 && out.is_empty() && err.contains("bench.sqlite") && err.contains("--no-batch"), "{err}");
    assert_eq!(run(&["--serial", "HM-103", "--no-batch"]).0, 0);
}

/// Runs of one serial that begin in one second, at once: each has a name of its own.
#[test]
fn runs_at_once_have_names_of_their_own() {
    const RUNS: usize = 12;
    let dir = tempfile::tempdir().unwrap();
    let run = || {
        let typed = ["run", "-q", "--serial", "HM-1", "--sides", "first", "--started-at", "2026-03-02T09:30:00Z"];
        seathold().current_dir(dir.path()).args(typed).stdout(Stdio::piped()).stderr(Stdio::piped()).spawn().unwrap()
    };
    let begun: Vec<_> = std::iter::repeat_with(run).take(RUNS).collect();
    for one in begun {
        let said = one.wait_with_output().unwrap();
        assert_eq!(said.status.code(), Some(0), "{}", String::from_utf8_lossy(&said.stderr));
    }
    assert_eq!(std::fs::read_dir(dir.path().join("recordings")).unwrap().count(), RUNS);
}
