//! The bench screen, as text at several sizes and moments of recorded runs.

use std::path::Path;
use std::sync::atomic::AtomicUsize;

use seathold::console::{Console, SystemClock};
use seathold::environment::Environment;
use seathold::rig::OperatorQuestion;
use seathold::screen::{BenchScreen, ListedValve, Screen};
use seathold_recording as recording;
use seathold_sequencer::event::{Event, Phase};
use seathold_sequencer::input::Prompt;
use seathold_sequencer::poll_loop::PollRecord;
use seathold_sequencer::step::Sequencer;
use seathold_tests::cli_kit::{Silent, golden};
use seathold_text::messages::UnitFormat;

/// What is looked for: the phase, seconds in it, and the open prompt.
type Moment = (Phase, f64, Option<Prompt>);

/// Goes through a recording, and looks at the screen at each moment, in order, at its size; prompts are asked as of a person.
fn looked_at(name: &str, tag: Option<&str>, moments: &[(Moment, u16, u16)]) -> String {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("recordings/current").join(name);
    let recording = recording::read(&path).unwrap();
    let header = &recording.header;
    let rig = header.rig.validate().unwrap();
    let mut sequencer = Sequencer::new(rig, Some(header.recipe.validate(&rig).unwrap()));
    let words = ["tight", "to rework", "next", "set aside"];
    let valve = |n: usize| ListedValve { serial: format!("HM-{n:03}"), stands: words[n % words.len()] };
    let list: Vec<ListedValve> = (1..=40).map(valve).collect();
    let units = UnitFormat::new(&header.recipe, &header.display_units);
    let mut screen = BenchScreen::unopened(units, header, true).with_list(&list);
    let (mut out, mut err, interrupts) = (Vec::new(), Vec::new(), AtomicUsize::new(0));
    let mut console = Console {
        out: &mut out,
        err: &mut err,
        live: true,
        clock: &mut SystemClock::default(),
        interrupts: &interrupts,
        keys: &mut Silent,
        environment: &Environment::default(),
    };
    let mut pictures = String::new();
    let mut moments = moments.iter();
    let mut next = moments.next();
    let (mut phase, mut entered) = (Phase::StartUp, 0);
    screen.ask(&mut console, Some(OperatorQuestion::Begin), "", tag).unwrap();
    for poll in recording.polls.iter() {
        let step = sequencer.step(poll.at, &poll.inputs);
        for event in &step.events {
            if let Event::Entered { phase: now, .. } = event {
                (phase, entered) = (*now, poll.at.as_ticks());
            }
            screen.event(&mut console, poll.at, event).unwrap();
        }
        let status = sequencer.status();
        let record = PollRecord { at: poll.at, inputs: poll.inputs, outputs: step.outputs, events: step.events };
        screen.poll(&record, &status);
        if phase != Phase::StartUp && phase != Phase::Ready {
            let question = status.prompt.map(OperatorQuestion::Of);
            screen.ask(&mut console, question, "", tag.filter(|_| status.prompt == Some(Prompt::SwapEnds))).unwrap();
        }
        let spent = (poll.at.as_ticks() - entered) as f64 / 1e6;
        if let Some(((in_phase, after, prompt), columns, rows)) = next
            && *in_phase == phase
            && spent >= *after
            && (*prompt == status.prompt)
        {
            pictures += &format!("{columns} × {rows}\n{}", screen.picture(*columns, *rows));
            next = moments.next();
        }
    }
    assert_eq!(next, None, "never seen");
    assert_eq!(err, b"", "nothing is written past it");
    pictures
}

#[test]
fn a_hand_operated_valve() {
    let moments = [
        ((Phase::StartUp, 0.5, None), 60, 20),
        ((Phase::SafeVent, 0.1, Some(Prompt::OpenToVent)), 60, 20),
        ((Phase::Fill, 0.1, Some(Prompt::OpenValve)), 80, 24),
        ((Phase::Isolate, 0.1, Some(Prompt::ShutValve)), 60, 20),
        ((Phase::Measure, 8.0, None), 60, 20),
        ((Phase::SafeVent, 0.1, Some(Prompt::WorkLever)), 60, 20),
        ((Phase::Swap, 0.1, Some(Prompt::OpenBleed)), 60, 20),
        ((Phase::Swap, 0.1, Some(Prompt::SwapEnds)), 60, 20),
        // Too small for the curve: the words.
        ((Phase::Measure, 2.0, None), 40, 10),
    ];
    golden("bench-screen-hand.txt", &looked_at("hand.hold", Some("HM-006/A"), &moments));
}

#[test]
fn a_leaking_valve() {
    let moments = [
        ((Phase::Fill, 0.5, None), 80, 24),
        ((Phase::Measure, 6.0, None), 80, 24),
        ((Phase::SafeVent, 0.5, None), 120, 40),
        ((Phase::Swap, 0.1, Some(Prompt::SwapEnds)), 120, 40),
        ((Phase::Ready, 0.5, None), 80, 24),
    ];
    golden("bench-screen-leaking.txt", &looked_at("scratched-seat-a.hold", None, &moments));
}
