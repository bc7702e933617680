//! What goes wrong at the bench while the emulated part holds pressure: a stop, a cable, a program that hangs.

use super::runs::{STOPPED, replayed, run};
use seathold_sequencer::event::{Event, Fault};
use seathold_sequencer::output::Outputs;
use seathold_sim::scenario::Scenario;
use seathold_tests::chip_kit::{Bench, Chip};
use std::path::Path;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::Duration;

/// When somebody does something to the bench.
#[derive(Clone, Copy)]
enum When {
    /// The ball is open, air is on: supply, vent and pilot are energised.
    Fed,
    /// The ball is shut, the supply let out, the gas has settled: everything is at rest, and is being measured.
    Shut,
}

impl When {
    fn holds(self, bench: &mut Bench) -> bool {
        let truth = bench.plant.truth();
        let under_pressure = truth.far_gauge() > 3e5;
        match self {
            Self::Fed => under_pressure && truth.ball == 1.0,
            Self::Shut => under_pressure && truth.ball == 0.0 && truth.line_gauge() < 1e4,
        }
    }

    /// So long after it began, in microseconds.
    const fn after(self) -> u64 {
        match self {
            Self::Fed => 3_000_000,
            // Five seconds of settling, and two of measuring.
            Self::Shut => 7_000_000,
        }
    }
}

/// A run of the first side, and what somebody does meanwhile: code, results, talk.
fn run_until(when: When, chip: &Chip, file: &Path, then: impl FnOnce(&Chip) + Send) -> (u8, String, String) {
    let over = AtomicBool::new(false);
    std::thread::scope(|scope| {
        scope.spawn(|| {
            let mut since = None;
            while !over.load(Ordering::Relaxed) {
                let mut bench = chip.bench();
                let now = bench.report.us;
                let due = when.holds(&mut bench) && now >= *since.get_or_insert(now) + when.after();
                drop(bench);
                if due {
                    return then(chip);
                }
                std::thread::sleep(Duration::from_millis(1));
            }
        });
        let result = run(chip, "first", file, &mut |prompt| {
            // Whoever pressed the stop has seen the valve at rest, and lets go of it on purpose.
            if prompt.contains(STOPPED) {
                chip.wait(1_000);
                chip.bench().stop = false;
                chip.wait(100);
            }
        });
        over.store(true, Ordering::Relaxed);
        result
    })
}

#[test]
#[ignore = "needs the image and the emulator: .ci/run chip"]
fn the_stop_lets_go_of_every_pin_and_of_a_measurement() {
    for when in [When::Fed, When::Shut] {
        let dir = tempfile::tempdir().unwrap();
        let file = dir.path().join("run.hold");
        let chip = Chip::on(&Scenario::TIGHT);
        let mut pressed = 0;
        let (code, out, err) = run_until(when, &chip, &file, |chip| {
            chip.bench().stop = true;
            pressed = chip.report().us;
            chip.wait(100);
            let (energised, until) = chip.bench().energised;
            assert_ne!(energised, Outputs::REST);
            // A poll, and what the exchange takes.
            assert!(until < pressed + 20_000, "pressed at {pressed}, {energised:?} until {until}");
            assert!(matches!(when, When::Shut) || until >= pressed, "pressed at {pressed}, at rest since {until}");
        });
        assert_ne!(pressed, 0, "{err}");
        assert!(code == 4 && out.contains("VOID"), "{code}: {out}{err}");
        let recording = replayed(&file);
        assert!(recording.events().any(|(_, event)| event == Event::Faulted(Fault::EmergencyStop)), "{err}");
        assert!(recording.events().any(|(_, event)| event == Event::Acknowledged), "{err}");
        let truth = chip.bench().plant.truth();
        assert!(truth.far_gauge() < 1_000.0, "acknowledged, it vents: {truth:?}");
        assert_eq!(chip.report().outputs(), Outputs::REST);
    }
}

/// The controller measures on by itself, and the host gets what it missed.
#[test]
#[ignore = "needs the image and the emulator: .ci/run chip"]
fn a_cable_pulled_while_it_measures_costs_no_reading() {
    let dir = tempfile::tempdir().unwrap();
    let file = dir.path().join("run.hold");
    let chip = Chip::on(&Scenario::TIGHT);
    let (code, out, err) = run_until(When::Shut, &chip, &file, |chip| {
        chip.bench().cable = false;
        chip.wait(4_000);
        chip.bench().cable = true;
    });
    assert!(err.contains("the controller cannot be reached") && err.contains("connected again"), "{err}");
    assert_eq!(code, 0, "{out}{err}");
    let recording = replayed(&file);
    assert!(recording.damage.is_none() && recording.breaks.is_empty(), "{err}");
    assert!(recording.polls.iter().any(|poll| !poll.inputs.link_up), "it was never seen to be away");
}

/// Nothing in the shipped image hangs on request. A converter that never ends a conversion hangs its interrupt, and the
/// loop with it.
#[test]
#[ignore = "needs the image and the emulator: .ci/run chip"]
fn a_program_that_hangs_is_reset_at_rest_and_vents_what_it_finds() {
    let dir = tempfile::tempdir().unwrap();
    let file = dir.path().join("run.hold");
    let chip = Chip::on(&Scenario::TIGHT);
    let mut hung = 0;
    let (code, out, err) = run_until(When::Fed, &chip, &file, |chip| {
        chip.bench().converter = false;
        hung = chip.report().us;
        chip.until("the watchdog", |bench| bench.bitten.is_some());
        chip.bench().converter = true;
    });
    assert_ne!(hung, 0, "{err}");
    let (bitten, outputs) = chip.bench().bitten.unwrap();
    assert_eq!(outputs, Outputs::REST, "from the reset on");
    let waited = bitten - hung;
    assert!((88_000..=103_000).contains(&waited), "the watchdog waited {waited} µs");
    println!("the watchdog waited {:.0} ms", waited as f64 / 1e3);
    assert_eq!((chip.report().outputs(), chip.report().bites), (Outputs::REST, 1));
    assert!(code > 1 && out.contains("RESET") && out.contains("NO VERDICT"), "{code}: {out}{err}");
    assert!(err.contains("safe vent: opening the valve into the vent"), "{err}");
    let truth = chip.bench().plant.truth();
    assert!(truth.far_gauge() < 1_000.0, "{truth:?}");
    let _ = replayed(&file);
}
