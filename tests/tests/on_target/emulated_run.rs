//! `seathold run --rig tcp:…` on the controller image in the emulator: every scenario, and the emulator killed in every
//! phase; and `seathold doctor`.
//!
//! Needs the image built (with `SEATHOLD_SPEED=20`, which the check list does) and an emulator: `.ci/run on-target`.

use std::io::{self, Write};
use std::path::Path;
use std::sync::atomic::AtomicUsize;

use crate::emulator_kit::{Emulator, free_port, image, image_of, switch_on};
use seathold::console::Keys;
use seathold_recording::replay::replay;
use seathold_recording::{self as recording, Discontinuity, Poll, Recording, Writer};
use seathold_sequencer::event::{Event, Phase};
use seathold_sequencer::input::{Command, Inputs, Prompt, Side, Sides};
use seathold_sequencer::io::{Hardware, Operator};
use seathold_sequencer::output::Outputs;
use seathold_sequencer::poll_loop::{PollRecord, poll_into};
use seathold_sequencer::recipe::Actuation;
use seathold_sequencer::rig::RawRig;
use seathold_sequencer::step::Sequencer;
use seathold_sequencer::time::{Instant, millis};
use seathold_sim::operator::SimOperator;
use seathold_sim::rig::SimRig;
use seathold_sim::scenario::{SCENARIOS, Scenario};
use seathold_tests::cli_kit::Silent;
use seathold_tests::doctor_kit;
use seathold_tests::served_kit::{Ear, program};

/// Time between polls and seed of the rig in the image.
const POLL_MS: u32 = 10;
const SEED: u64 = 7;

fn run(port: u16, file: &Path, recipe: &str, err: &mut dyn Write) -> (u8, String) {
    let rig = format!("tcp:127.0.0.1:{port}");
    let arguments = ["run", "--rig", &rig, "--recipe", recipe, "--out", file.to_str().unwrap()];
    let mut out = Ear::default();
    let silent: &mut dyn Keys = &mut Silent;
    (program(&arguments, &AtomicUsize::new(0), &mut out, err, silent), out.text)
}

/// What the link handed to the sequencer at a poll.
struct Said(Inputs);

impl Operator for Said {
    fn link_up(&mut self) -> bool {
        self.0.link_up
    }

    fn command(&mut self, _: Instant, _: Phase) -> Option<Command> {
        self.0.command
    }

    fn notify(&mut self, _: Instant, _: &Event) {}
}

/// The image's rig and its hands in this process.
struct Here {
    rig: SimRig,
    hands: SimOperator,
    polled: PollRecord,
}

impl Here {
    fn new(scenario: &Scenario) -> Self {
        let checked = scenario.validate().unwrap();
        let lever = millis(checked.plant.raw().lever_ms);
        let hands = SimOperator::new(&checked.operator, Sides::Both, lever);
        Self { rig: SimRig::new(&checked, &RawRig::DEMO, SEED), hands, polled: PollRecord::empty() }
    }

    /// One turn of the image's loop, with what the link said at it.
    fn turn(&mut self, sequencer: &mut Sequencer, said: Inputs) {
        let Self { rig, hands, polled } = self;
        let Ok(()) = poll_into(sequencer, rig, &mut Said(said), polled);
        for event in &polled.events {
            match event {
                Event::Prompted(Prompt::SwapEnds) => hands.reach_in(polled.at),
                // What the host said too early, the host says again.
                Event::Refused(_) => {}
                event => hands.notify(polled.at, event),
            }
        }
        match polled.inputs.command {
            Some(Command::Confirm(Prompt::SwapEnds) | Command::Start(Sides::Second)) => rig.mount(Side::Second),
            Some(Command::Start(_)) => rig.mount(Side::First),
            _ => {}
        }
        let _ = hands.command(polled.at, sequencer.phase());
        rig.apply_due_actions(hands);
        rig.advance(millis(POLL_MS));
        rig.feed_watchdog();
    }
}

/// The run in this process, from switching on, given the same answers at the same polls: its recording.
fn same_here(recording: &Recording, scenario: &Scenario, file: &Path) {
    let rig = RawRig::DEMO.validate().unwrap();
    let mut here = Here::new(scenario);
    let mut sequencer = Sequencer::new(rig, None);
    let first = recording.polls.first().unwrap().at.as_ticks();
    while here.rig.now().as_ticks() < first {
        here.turn(&mut sequencer, Inputs::IDLE);
    }
    sequencer = Sequencer::new(rig, Some(recording.header.recipe.validate(&rig).unwrap()));
    let mut writer = Writer::create(file, &recording.header).unwrap();
    for poll in &recording.polls {
        here.turn(&mut sequencer, poll.inputs);
        writer.push(&here.polled).unwrap();
    }
    writer.finish().unwrap();
}

#[test]
#[ignore = "needs built images and an emulator: .ci/run on-target"]
fn every_scenario_is_recorded_as_in_this_process_to_the_last_byte() {
    let by_hand = Scenario::TIGHT.by_hand();
    let names = SCENARIOS.iter().map(|scenario| (scenario.name.to_owned(), scenario));
    for (name, scenario) in names.chain([("tight-by-hand".to_owned(), &by_hand)]) {
        let dir = tempfile::tempdir().unwrap();
        let (there, here) = (dir.path().join("there.hold"), dir.path().join("here.hold"));
        let port = free_port();
        let _emulator = switch_on(&image_of(&name, dir.path()), port);
        let recipe = if scenario.plant.actuation == Actuation::Hand { "dn25-hand" } else { "dn25-air" };
        let mut err = Ear::default();
        let (code, out) = run(port, &there, recipe, &mut err);
        let recording = recording::read(&there).unwrap_or_else(|why| panic!("{name}: {why}\n{}", err.text));
        assert!(recording.damage.is_none() && recording.breaks.is_empty(), "{name}: {}", err.text);
        assert_eq!(replay(&recording), Ok(None), "{name}");
        same_here(&recording, scenario, &here);
        assert!(std::fs::read(&there).unwrap() == std::fs::read(&here).unwrap(), "{name}: another recording than here");
        println!(
            "{name}: code {code}, {}, {} polls, the same bytes",
            out.lines().next().unwrap(),
            recording.polls.len()
        );
    }
}

/// A rig with two adapters is loaded into the image, and a run is judged by the one that the valve's DN chooses; after a reset it is
/// gone, since the emulator has no flash that could be programmed.
#[test]
#[ignore = "needs built images and an emulator: .ci/run on-target"]
fn a_rig_is_loaded_into_the_image_and_its_adapter_chosen() {
    let dir = tempfile::tempdir().unwrap();
    let port = free_port();
    let emulator = switch_on(&image_of("tight", dir.path()), port);
    let at = format!("tcp:127.0.0.1:{port}");
    let say = |arguments: &[&str]| {
        let (mut out, mut err) = (Ear::default(), Ear::default());
        let code = program(arguments, &AtomicUsize::new(0), &mut out, &mut err, &mut Silent);
        (code, out.text + &err.text)
    };
    let bench = dir.path().join("bench.toml");
    let adapters = [("DN 15", "8-25", 45), ("DN 50", "32-50", 150)];
    let text = adapters
        .map(|(name, dn, cm3)| format!("[[adapter]]\nname = \"{name}\"\ndn = \"{dn}\"\nfar_volume = \"{cm3} cm3\"\n"));
    std::fs::write(&bench, format!("name = \"bench 3\"\n{}", text.concat())).unwrap();
    let (code, said) = say(&["rig", "load", bench.to_str().unwrap(), "--yes", "--rig", &at]);
    assert_eq!(code, 0, "{said}");
    let file = dir.path().join("run.hold");
    let dn_50 = ["run", "-q", "--sides", "first", "--rig", &at, "--dn", "50", "--out", file.to_str().unwrap()];
    let (code, said) = say(&dn_50);
    assert!(code == 3 && said.contains("has not been checked"), "{said}");
    assert_eq!(say(&["rig", "waive-check", "--yes", "--rig", &at]).0, 0);
    let (code, said) = say(&dn_50);
    assert_eq!(code, 0, "{said}");
    let recording = recording::read(&file).unwrap();
    assert_eq!(replay(&recording), Ok(None));
    let header = recording.header;
    assert!(
        header.rig_name.starts_with("bench 3, loaded ") && header.rig_name.ends_with("adapter DN 50"),
        "{header:?}"
    );
    assert!((header.rig.far_volume_m3 - 150e-6).abs() < 1e-12, "{header:?}");
    println!("{}", header.rig_name);
    drop(emulator);
}

/// Hears the program, and does something once when a text comes by.
struct Trap<'a> {
    text: String,
    at: &'a str,
    then: Option<Box<dyn FnOnce() + 'a>>,
}

impl Write for Trap<'_> {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        self.text.push_str(&String::from_utf8_lossy(bytes));
        if self.text.contains(self.at)
            && let Some(then) = self.then.take()
        {
            then();
        }
        Ok(bytes.len())
    }

    fn flush(&mut self) -> io::Result<()> {
        Ok(())
    }
}

/// Killed where each phase is told, and switched on again. The rig is simulated on the board and begins anew with it, so
/// what shows here is what the controller assumes.
#[test]
#[ignore = "needs built images and an emulator: .ci/run on-target"]
fn killed_in_every_phase_it_comes_back_at_rest_and_run_says_so() {
    for at in [
        "ready: everything at rest",
        "first side: precheck",
        "first side: fill",
        "first side: soak",
        "first side: isolate",
        "first side: vent",
        "first side: settle",
        "first side: measure",
        "first side: safe vent",
        "second side: swap",
        "second side: measure",
        "second side: safe vent",
    ] {
        let dir = tempfile::tempdir().unwrap();
        let file = dir.path().join("run.hold");
        let port = free_port();
        let mut emulator: Option<Emulator> = Some(switch_on(&image(), port));
        let place = &mut emulator;
        let then = Box::new(move || {
            // Off before it is on again.
            *place = None;
            *place = Some(switch_on(&image(), port));
        });
        let mut err = Trap { text: String::new(), at, then: Some(then) };
        let (code, out) = run(port, &file, "dn25-air", &mut err);
        assert!(err.then.is_none(), "{at} did not come: {}", err.text);
        assert_eq!(code, 4, "{at}: {out}{}", err.text);
        assert!(
            out.contains("RESET") && out.contains("NO VERDICT") && out.contains("NOT known to be empty"),
            "{at}: {out}"
        );
        let recording = recording::read(&file).unwrap();
        assert_eq!(recording.breaks.first().map(|b| b.why), Some(Discontinuity::Restarted), "{at}");
        assert!(recording.summary().proved.is_none(), "{at}");
        assert_eq!(replay(&recording), Ok(None), "{at}: up to the reset");
        let after: Vec<Poll> = recording.polls.iter().skip(recording.whole()).collect();
        let first = after.first().unwrap_or_else(|| panic!("{at}: nothing after the reset"));
        assert_eq!(first.at.as_ticks(), 0, "{at}");
        assert!(after.iter().all(|poll| poll.outputs == Outputs::REST), "{at}");
        println!("killed at \"{at}\": {} polls before, {} after", recording.whole(), after.len());
    }
}

/// A check of the rig on the board: outputs are worked by the controller there. Its air cannot be shut off, and that is
/// found before it can matter.
#[test]
#[ignore = "needs built images and an emulator: .ci/run on-target"]
fn the_doctor_works_outputs_on_the_board_and_finds_the_air_on() {
    let port = free_port();
    let _emulator = switch_on(&image(), port);
    let (code, out, err) = doctor_kit::at(&format!("tcp:127.0.0.1:{port}"), &AtomicUsize::new(0), &mut |_| {});
    let out = doctor_kit::flat(&out);
    assert_eq!(code, 3, "{out}{err}");
    for line in [
        "good far-side readings",
        "good vent valve worked and heard",
        "good pilot valve worked and heard",
        "FAILED supply valve pressure came: the air is not shut off",
        "good at rest everything at rest; without a test nothing is proved of the far side",
    ] {
        assert!(out.contains(line), "{line}: {out}");
    }
}
