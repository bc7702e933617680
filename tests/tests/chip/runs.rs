//! The host program on the emulated part: found, checked by the doctor, valves judged, and recordings judged again.

use std::path::Path;
use std::sync::atomic::AtomicUsize;
use std::time::Instant;

use seathold_recording::replay::replay;
use seathold_recording::{self as recording, Recording};
use seathold_sequencer::output::Outputs;
use seathold_sim::scenario::{Scenario, find};
use seathold_tests::chip_kit::Chip;
use seathold_tests::doctor_kit::{NOTHING, answered, flat};

/// What an emergency stop asks for.
pub(crate) const STOPPED: &str = "near the ball, then acknowledge >>> ack and Enter acknowledges";

/// What a person answers during a run: that the valve is on the rig, and, once it is turned round, that it is.
pub(crate) const RUN: [(&str, &str); 3] =
    [("Enter begins, a and Enter aborts", ""), ("Enter when done, a and Enter aborts", ""), (STOPPED, "ack")];

/// A run of these sides: code, results, talk.
pub(crate) fn run(chip: &Chip, sides: &str, file: &Path, then: &mut dyn FnMut(&str)) -> (u8, String, String) {
    let arguments =
        ["run", "--rig", &chip.at, "--sides", sides, "--recipe", "dn25-air", "--out", file.to_str().unwrap()];
    answered(&arguments, &AtomicUsize::new(0), &RUN, 0, &mut |prompt| {
        if prompt.contains("swap the ends") {
            chip.swap_ends();
        }
        then(prompt);
    })
}

/// The recording, judged again here from its readings: every output and every event, to the last bit.
pub(crate) fn replayed(file: &Path) -> Recording {
    let recording = recording::read(file).unwrap();
    assert_eq!(replay(&recording), Ok(None));
    recording
}

#[test]
#[ignore = "needs the image and the emulator: .ci/run chip"]
fn it_starts_and_is_found() {
    let chip = Chip::on(&Scenario::TIGHT);
    let (code, out, err) = answered(&["rigs", &chip.at], &AtomicUsize::new(0), &[], 0, &mut |_| {});
    assert_eq!(code, 0, "{err}");
    for line in ["rig with air; link version 2", "far volume 45.0 cm³", "NOT known to be empty"] {
        assert!(flat(&out).contains(line), "{line}: {out}");
    }
    assert_eq!(chip.report().outputs(), Outputs::REST);
    assert_eq!(chip.report().bites, 0);
}

/// Somebody who does at the bench what is asked for, and hears what moves. What is seen by itself needs no answer: a word
/// that is none is passed over.
const DOCTOR: [(&str, &str); 11] = [
    ("or n to stop here (q at any time).", "y"),
    ("Press it and hold it pressed. It is seen by itself (n: done and not seen, s: leave out)", "done"),
    ("Open it. It is seen by itself (n: done and not seen, s: leave out)", "done"),
    ("Pull its plug. It is seen by itself (n: done and not seen, s: leave out)", "done"),
    ("seen. Release it", "done"),
    ("seen. Close it", "done"),
    ("seen. Put it back", "done"),
    ("then Enter acknowledges", ""),
    ("then Enter)", ""),
    ("Enter works it", ""),
    ("Did it move?", "y"),
];

#[test]
#[ignore = "needs the image and the emulator: .ci/run chip"]
fn the_doctor_finds_every_wire_of_the_board() {
    let chip = Chip::on(&Scenario::TIGHT);
    let mut pulled = 0;
    let mut acts = |prompt: &str| {
        let mut bench = chip.bench();
        if prompt.ends_with("q at any time).") {
            bench.plant.shut_off_air();
        } else if prompt.contains("Press it and hold") {
            bench.stop = true;
        } else if prompt.contains("seen. Release it") {
            bench.stop = false;
        } else if prompt.contains("Open it. It is seen") {
            bench.guard_open = true;
        } else if prompt.contains("seen. Close it") {
            bench.guard_open = false;
        } else if prompt.contains("Pull its plug") {
            bench.plugged[pulled] = false;
        } else if prompt.contains("seen. Put it back") {
            bench.plugged[pulled] = true;
            pulled += 1;
        }
    };
    let began = Instant::now();
    let (code, out, err) = answered(&["doctor", "--rig", &chip.at], &AtomicUsize::new(0), &DOCTOR, 0, &mut acts);
    println!(
        "the doctor: {:.1} s of the part's time in {:.1} s",
        chip.report().us as f64 / 1e6,
        began.elapsed().as_secs_f64()
    );
    assert_eq!(code, 0, "{out}{err}");
    println!("{out}");
}

fn judged(scenario: &Scenario, sides: &str, wanted: u8) {
    let dir = tempfile::tempdir().unwrap();
    let file = dir.path().join("run.hold");
    let chip = Chip::on(scenario);
    let began = Instant::now();
    let (code, out, err) = run(&chip, sides, &file, &mut |_| {});
    let seconds = chip.report().us as f64 / 1e6;
    assert_eq!(code, wanted, "{}: {out}{err}", scenario.name);
    let recording = replayed(&file);
    assert!(recording.damage.is_none() && recording.breaks.is_empty(), "{}: {err}", scenario.name);
    println!(
        "{}: {}, {} polls, replayed to the same bits; {seconds:.1} s of the part's time in {:.1} s",
        scenario.name,
        out.lines().next().unwrap(),
        recording.polls.len(),
        began.elapsed().as_secs_f64()
    );
    assert_eq!((chip.report().outputs(), chip.report().bites), (Outputs::REST, 0));
}

#[test]
#[ignore = "needs the image and the emulator: .ci/run chip"]
fn a_tight_valve_is_judged_tight_from_both_sides() {
    judged(&Scenario::TIGHT, "both", 0);
}

/// Begun by the start button: pressed again and again until the run begins, as somebody does whose first press came within half a
/// second of the question.
#[test]
#[ignore = "needs the image and the emulator: .ci/run chip"]
fn the_start_button_begins_a_run() {
    let dir = tempfile::tempdir().unwrap();
    let file = dir.path().join("run.hold");
    let chip = Chip::on(&Scenario::TIGHT);
    let arguments =
        ["run", "--rig", &chip.at, "--sides", "first", "--recipe", "dn25-air", "--out", file.to_str().unwrap()];
    let press = [("Enter begins, a and Enter aborts", NOTHING), ("is not taken: answer again", NOTHING)];
    let to_the_end = [&press[..], &[("first side: fill", "a"), ("Enter when done, a and Enter aborts", "")]].concat();
    let (code, out, err) = answered(&arguments, &AtomicUsize::new(0), &to_the_end, 0, &mut |prompt| {
        if press.iter().any(|(asked, _)| prompt.ends_with(asked)) {
            // Longer than the contact is debounced, and let go for as long.
            for pressed in [true, false] {
                chip.bench().start = pressed;
                chip.wait(100);
            }
        }
    });
    assert!(code > 1 && err.contains("first side: fill") && err.contains("aborted"), "{code}: {out}{err}");
    assert_eq!(chip.report().outputs(), Outputs::REST);
}

#[test]
#[ignore = "needs the image and the emulator: .ci/run chip"]
fn a_scratched_seat_is_judged_leaking() {
    judged(find("scratched-seat-a").unwrap(), "first", 1);
}
