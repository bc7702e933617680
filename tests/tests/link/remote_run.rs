//! `seathold run --rig tcp:…` against `seathold serve`: the same screen, recording and exit code as on the rig in this
//! program; a stopped host takes its run up again; gaps and resets are told and carry no verdict; a bad line loses
//! nothing and changes no verdict.

use std::collections::VecDeque;
use std::path::Path;
use std::sync::atomic::AtomicUsize;
use std::time::{Duration, Instant};

use seathold::console::{Clock, Console, KeyboardInput, Keys, SystemClock, Timestamp};
use seathold::exit::Exit;
use seathold::rig::Client;
use seathold_recording::replay::replay;
use seathold_recording::{self as recording, Discontinuity};
use seathold_tests::cli_kit::Silent;
use seathold_tests::proxy::{self, Ills};
use seathold_tests::served_kit::{Ear, Rig, killed_at, program};

/// Somebody who types these lines and goes.
struct Lines(VecDeque<&'static str>);

impl Keys for Lines {
    fn line(&mut self) -> KeyboardInput {
        self.0.pop_front().map_or(KeyboardInput::Closed, |line| KeyboardInput::Line(line.into()))
    }
}

/// Does something once, when a text comes by.
struct Trap<'a> {
    text: String,
    at: &'a str,
    then: Option<&'a dyn Fn()>,
}

impl std::io::Write for Trap<'_> {
    fn write(&mut self, bytes: &[u8]) -> std::io::Result<usize> {
        self.text.push_str(&String::from_utf8_lossy(bytes));
        if self.text.contains(self.at)
            && let Some(then) = self.then.take()
        {
            then();
        }
        Ok(bytes.len())
    }

    fn flush(&mut self) -> std::io::Result<()> {
        Ok(())
    }
}

struct Said {
    code: u8,
    out: String,
    err: String,
}

fn seathold(arguments: &[&str], press_at: Option<&str>) -> Said {
    typed(arguments, press_at, &mut Silent)
}

fn typed(arguments: &[&str], press_at: Option<&str>, keys: &mut dyn Keys) -> Said {
    let interrupts = AtomicUsize::new(0);
    let mut out = Ear::default();
    let mut err = Ear { press: press_at.map(|at| (at, &interrupts)), ..Ear::default() };
    let code = program(arguments, &interrupts, &mut out, &mut err, keys);
    Said { code, out: out.text, err: err.text }
}

/// One side: the swap of the ends is waited for at the wall's pace.
fn run(at: &str, file: &Path, press_at: Option<&str>) -> Said {
    let rig = format!("tcp:{at}");
    seathold(&["run", "--rig", &rig, "--sides", "first", "--out", file.to_str().unwrap()], press_at)
}

#[test]
fn a_run_on_a_controller_is_a_run_like_any_other() {
    let dir = tempfile::tempdir().unwrap();
    let rig = Rig::on("127.0.0.1:0", &["--valve", "scratched-seat-a"]);
    let file = dir.path().join("run.hold");
    let at = format!("tcp:{}", rig.at);
    let said = seathold(&["run", "--rig", &at, "--out", file.to_str().unwrap()], None);
    assert_eq!(said.code, 1, "{}{}", said.out, said.err);
    assert!(said.out.contains("LEAKING") && said.out.contains("reads empty, bleed open"), "{}", said.out);
    let recording = recording::read(&file).unwrap();
    assert!(recording.damage.is_none() && recording.breaks.is_empty());
    assert_eq!(replay(&recording), Ok(None));
    assert_eq!(std::fs::read_dir(dir.path()).unwrap().count(), 1, "nothing is left beside it");
    // The next run finds the rig ready.
    let said = run(&rig.at, &dir.path().join("again.hold"), None);
    assert_eq!(said.code, 1, "{}{}", said.out, said.err);
}

#[test]
fn a_stopped_host_takes_its_run_up_again() {
    let dir = tempfile::tempdir().unwrap();
    let rig = Rig::on("127.0.0.1:0", &[]);
    let file = dir.path().join("run.hold");
    // Twice at once: it leaves without waiting for anything, as if it were killed.
    let said = run(&rig.at, &file, Some("first side: fill"));
    assert!(said.err.contains("--resume"), "{}", said.err);
    // A new run would lose what the controller keeps of this one.
    let refused = run(&rig.at, &dir.path().join("other.hold"), None);
    assert_eq!(refused.code, 3, "{}", refused.err);
    assert!(refused.err.contains("unfinished run"), "{}", refused.err);
    let said = seathold(&["run", "--resume", &format!("{}.part", file.display())], None);
    let recording = recording::read(&file).unwrap();
    assert!(recording.damage.is_none() && recording.breaks.is_empty(), "{}", said.err);
    assert_eq!(replay(&recording), Ok(None));
    assert_eq!(Exit::of(&recording.summary()).code(), said.code);
}

/// Somebody else, who does not know of the run that waits, may look and is refused; nothing of that run is taken.
#[test]
fn a_run_that_is_refused_takes_nothing_from_the_one_in_progress() {
    let (ours, theirs) = (tempfile::tempdir().unwrap(), tempfile::tempdir().unwrap());
    let rig = Rig::on("127.0.0.1:0", &[]);
    let at = format!("tcp:{}", rig.at);
    let file = ours.path().join("run.hold");
    killed_at(&["run", "--rig", &at, "--sides", "first", "--out", file.to_str().unwrap()], "first side: fill");
    for _ in 0..2 {
        let seen = seathold(&["rigs", &at, "--json"], None);
        assert_eq!(seen.code, 0, "{}", seen.err);
        assert!(seen.out.contains("\"recipe_loaded\":true"), "{}", seen.out);
        let refused = run(&rig.at, &theirs.path().join("other.hold"), None);
        assert_eq!(refused.code, 3, "{}", refused.err);
        assert!(refused.err.contains("a run is in progress on it"), "{}", refused.err);
    }
    assert_eq!(std::fs::read_dir(theirs.path()).unwrap().count(), 0, "nothing was begun there");
    let said = seathold(&["run", "--resume", &format!("{}.part", file.display())], None);
    let recording = recording::read(&file).unwrap();
    assert!(recording.damage.is_none() && recording.breaks.is_empty(), "{}", said.err);
    assert_eq!(replay(&recording), Ok(None));
    assert_eq!(Exit::of(&recording.summary()).code(), said.code);
}

/// A serial port is a line like any other: found, run over, and free again for the next.
#[cfg(unix)]
#[test]
fn a_run_over_a_serial_port_is_a_run_like_any_other() {
    let dir = tempfile::tempdir().unwrap();
    let rig = Rig::on_pty(&["--valve", "scratched-seat-a"]);
    for name in ["run.hold", "again.hold"] {
        let seen = seathold(&["rigs", &rig.at], None);
        assert_eq!(seen.code, 0, "{}", seen.err);
        assert!(seen.out.contains("simulated rig, no air"), "{}", seen.out);
        let file = dir.path().join(name);
        let arguments = ["run", "--rig", &rig.at, "--sides", "first", "--out", file.to_str().unwrap()];
        let said = seathold(&arguments, None);
        assert_eq!(said.code, 1, "{}{}", said.out, said.err);
        let recording = recording::read(&file).unwrap();
        assert!(recording.damage.is_none() && recording.breaks.is_empty());
        assert!(recording.header.source.to_string().contains(&rig.at), "{}", recording.header.source);
        assert_eq!(replay(&recording), Ok(None));
    }
    let gone = rig.at.clone();
    drop(rig);
    let said = seathold(&["run", "--rig", &gone, "--out", dir.path().to_str().unwrap()], None);
    assert_eq!(said.code, 3, "{}", said.err);
    assert!(said.err.contains(&gone), "{}", said.err);
}

/// A host away for so long that the controller's memory ran out: what is gone is told, and nothing is proved.
#[test]
fn a_gap_is_told_and_carries_no_verdict() {
    let dir = tempfile::tempdir().unwrap();
    let rig = Rig::on("127.0.0.1:0", &["--speed", "200"]);
    let at = format!("tcp:{}", rig.at);
    let file = dir.path().join("run.hold");
    let arguments = ["run", "--rig", &at, "--sides", "first", "--out", file.to_str().unwrap()];
    killed_at(&arguments, "first side: fill");
    // A quarter of an hour on its clock.
    let clock = &mut SystemClock::default();
    let mut oldest = || {
        let mut remote = Client::look(&at.parse().unwrap(), None, clock).unwrap();
        remote.greet(clock, 10_000_000).unwrap().oldest
    };
    let had = oldest();
    let until = Instant::now() + Duration::from_secs(90);
    while oldest() <= had + 1_000 {
        assert!(Instant::now() < until, "its memory does not run out");
        std::thread::sleep(Duration::from_millis(500));
    }
    let said = seathold(&["run", "--resume", &format!("{}.part", file.display())], None);
    assert_eq!(said.code, 3, "{}{}", said.out, said.err);
    assert!(said.out.contains("GAP") && said.out.contains("NO VERDICT"), "{}", said.out);
    assert!(said.err.contains("it is aborted"), "{}", said.err);
    let recording = recording::read(&file).unwrap();
    let first = recording.breaks.first().unwrap();
    assert!(matches!(first.why, Discontinuity::Gap { records } if records > 1_000), "{first:?}");
    let after = recording.polls.get(first.polls as usize).unwrap();
    let before = recording.polls.get(first.polls as usize - 1).unwrap();
    assert!(after.at.as_ticks() > before.at.as_ticks() + 1_000_000, "time goes on over the gap");
    assert!(recording.summary().proved.is_none());
    assert_eq!(replay(&recording), Ok(None), "up to the gap");
    let shown = seathold(&["show", file.to_str().unwrap()], None);
    assert!(shown.out.contains("GAP"), "{}", shown.out);
}

/// A batch on a controller: left in the middle of a run, it takes that run up before anything else is tested.
#[test]
fn a_batch_takes_up_the_run_that_it_left() {
    let dir = tempfile::tempdir().unwrap();
    let place = |name: &str| dir.path().join(name).display().to_string();
    let (register, folder) = (place("bench.sqlite"), place("recordings"));
    let rig = Rig::on("127.0.0.1:0", &[]);
    let at = format!("tcp:{}", rig.at);
    let said = seathold(&["batch", "open", "spring", "--serials", "HM-001..HM-002", "--register", &register], None);
    assert_eq!(said.code, 0, "{}", said.err);
    let test = |lines: &[&'static str], press_at: Option<&str>| {
        let options = ["--order", "side", "--register", &register, "--out", &folder, "--", "--rig", &at];
        typed(&[&["batch", "test"], &options[..]].concat(), press_at, &mut Lines(lines.iter().copied().collect()))
    };
    let said = test(&["", ""], Some("first side: fill"));
    assert!(said.err.contains("continues where this ended"), "{}", said.err);
    let said = test(&[""], None);
    assert_eq!(said.code, 0, "{}", said.err);
    assert!(said.err.starts_with("HM-001 WAS ON THE RIG when the program was stopped"), "{}", said.err);
    let runs = seathold(&["find", "--register", &register, "--batch", "spring", "--json"], None).out;
    // The operator had aborted it, so its side is still due: that was the next test.
    let word = |line: &str, name: &str| line.split(&format!("\"{name}\":\"")).nth(1).unwrap()[..6].to_owned();
    let told: Vec<[String; 2]> = runs.lines().map(|line| ["serial", "outcome"].map(|name| word(line, name))).collect();
    assert_eq!(told, [["HM-001", "aborte"], ["HM-001", "judged"]], "{runs}");
    let left: Vec<String> = std::fs::read_dir(&folder)
        .unwrap()
        .map(|entry| entry.unwrap().file_name().into_string().unwrap())
        .filter(|name| !name.ends_with(".hold"))
        .collect();
    assert!(left.is_empty(), "{left:?}");
}

/// What was acknowledged is said, also where its cause is still there and the fault comes again.
#[test]
fn a_fault_that_comes_again_after_it_was_acknowledged_is_told_so() {
    let dir = tempfile::tempdir().unwrap();
    let rig = Rig::on("127.0.0.1:0", &["--fault", "far-stuck"]);
    let at = format!("tcp:{}", rig.at);
    let place = |name: &str| dir.path().join(name).display().to_string();
    std::fs::create_dir(dir.path().join("left")).unwrap();
    // Whoever began it is gone when the controller wants to be acknowledged.
    killed_at(&["run", "--rig", &at, "--sides", "first", "--out", &place("left/1.hold")], "PRESSURE MAY BE TRAPPED");
    let next = ["run", "--rig", &at, "--sides", "first", "--out", &place("2.hold")];
    let said = seathold(&next, None);
    assert_eq!(said.code, 3, "{}{}", said.out, said.err);
    let remedy = "(with `batch test` after a --: `batch test -- --acknowledge`)";
    assert!(said.err.contains(remedy), "{}", said.err);
    let said = seathold(&[&next[..], &["--acknowledge"]].concat(), None);
    assert_eq!(said.code, 3, "{}{}", said.out, said.err);
    assert!(said.err.contains("the fault on the controller is acknowledged"), "{}", said.err);
    assert!(said.err.contains("the fault was acknowledged, and after the safe vent one waits again"), "{}", said.err);
    assert!(said.err.contains("its cause is still there"), "{}", said.err);
}

#[test]
fn a_controller_reset_in_the_middle_of_a_run_voids_it() {
    let dir = tempfile::tempdir().unwrap();
    let rig = Rig::on("127.0.0.1:0", &[]);
    let at = rig.at.clone();
    let file = dir.path().join("run.hold");
    let _ = run(&at, &file, Some("first side: soak"));
    drop(rig);
    let _again = Rig::on(&at, &[]);
    let said = seathold(&["run", "--resume", &format!("{}.part", file.display())], None);
    assert_eq!(said.code, 4, "{}{}", said.out, said.err);
    assert!(said.out.contains("RESET") && said.out.contains("NO VERDICT"), "{}", said.out);
    assert!(said.out.contains("NOT known to be empty"), "after a reset nothing is proved: {}", said.out);
    let recording = recording::read(&file).unwrap();
    assert_eq!(recording.breaks.first().unwrap().why, Discontinuity::Restarted);
    assert!(recording.summary().proved.is_none());
    assert_eq!(replay(&recording), Ok(None), "up to the reset");
}

/// A clock on which a second is over in a fiftieth.
#[derive(Default)]
struct FastClock(SystemClock);

impl Clock for FastClock {
    fn elapsed(&self) -> Duration {
        self.0.elapsed() * 50
    }

    fn pause(&mut self, time: Duration) {
        self.0.pause(time / 50);
    }

    fn now(&self) -> Timestamp {
        self.0.now()
    }
}

/// A line that is accepted each time it is tried, and stays silent: the two minutes are counted from the first loss.
#[test]
fn a_line_that_stays_silent_is_given_up_after_two_minutes() {
    let dir = tempfile::tempdir().unwrap();
    let rig = Rig::on("127.0.0.1:0", &[]);
    let (at, file) = (rig.at.clone(), dir.path().join("run.hold"));
    let _ = run(&at, &file, Some("first side: soak"));
    drop(rig);
    let silent = std::net::TcpListener::bind(&at).unwrap();
    let tries = std::thread::spawn(move || {
        // Kept, so that none is closed.
        silent.incoming().take(20).filter_map(Result::ok).collect::<Vec<_>>().len()
    });
    let (mut out, mut err, clock) = (Ear::default(), Ear::default(), &mut FastClock::default());
    let part = format!("{}.part", file.display());
    let arguments = ["seathold", "run", "--resume", &part].map(Into::into);
    let (interrupts, keys) = (&AtomicUsize::new(0), &mut Silent);
    let environment = &seathold::environment::Environment::default();
    let mut console = Console { out: &mut out, err: &mut err, live: false, clock, interrupts, keys, environment };
    let code = seathold::main_with(arguments, &mut console).code();
    assert_eq!(code, 4, "{}", err.text);
    let took = clock.elapsed();
    assert!((120..150).contains(&took.as_secs()), "{took:?}");
    assert!(
        err.text.contains(
            "given up, as the controller has not been reached for two minutes: treat the far side as PRESSURISED"
        ),
        "{}",
        err.text
    );
    assert_eq!(err.text.matches("cannot be reached").count(), 0, "it was never reached: {}", err.text);
    assert!(Path::new(&part).exists());
    drop(tries);
}

/// Reset with 6 bar behind the ball: the controller no longer knows whether there is a lever. This program does.
#[test]
fn after_a_reset_under_pressure_nobody_is_asked_for_a_lever_that_is_not_there() {
    let dir = tempfile::tempdir().unwrap();
    for (valve, lever) in [("tight", false), ("hand", true)] {
        // Its clock has gone further than the whole run takes, and than the vent after the reset.
        let rig = Rig::on("127.0.0.1:0", &["--valve", valve, "--speed", "40"]);
        let at = format!("tcp:{}", rig.at);
        let clock = &mut SystemClock::default();
        let mut now_us = || {
            let mut client = Client::look(&at.parse().unwrap(), None, clock).unwrap();
            client.greet(clock, 10_000_000).unwrap().now_us
        };
        // The line keeps the time of the wall: 320 s of the rig.
        while now_us() < 8_000_000 {
            std::thread::sleep(Duration::from_millis(200));
        }
        let file = dir.path().join(format!("{valve}.hold"));
        let recipe = if lever { "dn25-hand" } else { "dn25-air" };
        let mut err = Trap { text: String::new(), at: "first side: measure", then: Some(&|| rig.hands("reset")) };
        let mut out = Ear::default();
        let arguments = ["run", "--rig", &at, "--recipe", recipe, "--out", file.to_str().unwrap()];
        let code = program(&arguments, &AtomicUsize::new(0), &mut out, &mut err, &mut Silent);
        assert_eq!(code, 4, "{}{}", out.text, err.text);
        let after = err.text.split("RESET").nth(1).unwrap();
        assert_eq!(after.contains("PLEASE turn the lever to OPEN"), lever, "{after}");
        assert_eq!(after.contains("opens the valve into the vent by itself"), !lever, "{after}");
        // Told of the time before the reset; after it the clock begins again.
        let took: f64 = out.text.split("took").nth(1).unwrap().trim().split(' ').next().unwrap().parse().unwrap();
        let recording = recording::read(&file).unwrap();
        let length = recording.length().as_ticks() as f64 / 1e6;
        assert!((20.0..200.0).contains(&length) && (took - length).abs() < 1.0, "{took} {length}");
        assert!(recording.on_first_clock() < recording.polls.len());
        let shown = seathold(&["show", file.to_str().unwrap()], None).out;
        assert!(shown.contains(&format!("{length:.0} s\n")), "{shown}");
    }
}

#[test]
fn a_rig_file_that_is_not_the_controllers_is_refused_field_by_field() {
    let dir = tempfile::tempdir().unwrap();
    let rig = Rig::on("127.0.0.1:0", &[]);
    let file = dir.path().join("rig.toml");
    std::fs::write(&file, "far_volume = \"123 cm3\"\n").unwrap();
    let other = file.to_str().unwrap();
    let said = seathold(&["run", "--rig", &format!("tcp:{}", rig.at), "--rig-file", other], None);
    assert_eq!(said.code, 2, "{}", said.err);
    assert!(said.err.contains("far_volume"), "{}", said.err);
    let said = seathold(&["run", "--rig", "tcp:127.0.0.1:1"], None);
    assert_eq!(said.code, 3, "{}", said.err);
    let said = seathold(&["run", "--rig", &format!("tcp:{}", rig.at), "--seed", "3"], None);
    assert_eq!(said.code, 2, "{}", said.err);
}

/// Runs over a bad line: each ends whole, with the verdict of the valve or none, and supply and vent were never open
/// together.
fn trials(name: &str, ills: Ills, runs: u32) {
    let (mut lost, mut wrong, mut verdicts) = (0, 0, 0);
    for n in 0..runs {
        let dir = tempfile::tempdir().unwrap();
        let leaks = n % 2 == 1;
        let rig = Rig::on("127.0.0.1:0", if leaks { &["--valve", "scratched-seat-a"] } else { &[] });
        let at = proxy::open(&rig.at, ills, 100 + n);
        let file = dir.path().join("run.hold");
        let said = run(&at, &file, None);
        let Ok(recording) = recording::read(&file) else {
            lost += u32::from(!said.err.contains("Unfinished recording"));
            continue;
        };
        assert_eq!(replay(&recording), Ok(None), "{name} {n}: {}", said.err);
        assert!(recording.polls.iter().all(|poll| !poll.outputs.supply_to_vent()));
        wrong += u32::from(said.code == u8::from(!leaks));
        verdicts += u32::from(said.code == u8::from(leaks));
    }
    println!("{name}: {runs} runs, {verdicts} with their verdict, {lost} lost, {wrong} wrong");
    assert_eq!((lost, wrong), (0, 0), "{name}");
    assert!(verdicts > 0, "{name}: no run came through");
}

#[test]
fn a_bad_line_loses_no_run_and_changes_no_verdict() {
    let all = Ills { dropped: 200, doubled: 200, flipped: 200, delayed: 100, cut: 10 };
    trials("all at once", all, 2);
}

#[test]
#[ignore = "some minutes: the table of docs/figures.md"]
fn each_ill_of_a_line() {
    let none = Ills::default();
    trials("dropped, 1 in 1000", Ills { dropped: 1_000, ..none }, 10);
    trials("doubled, 1 in 1000", Ills { doubled: 1_000, ..none }, 10);
    trials("flipped, 1 in 1000", Ills { flipped: 1_000, ..none }, 10);
    trials("delayed, 1 in 1000", Ills { delayed: 1_000, ..none }, 10);
    trials("cut, 1 in 20000", Ills { cut: 50, ..none }, 10);
}
