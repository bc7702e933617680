//! The start button at the rig: a press counts once, and answers what is asked.

use std::sync::atomic::AtomicUsize;

use proptest::prelude::*;
use seathold_sequencer::link::controller::{Controller, PRESSES_REPEAT};
use seathold_sequencer::link::frame::Frame;
use seathold_sequencer::link::host::{Host, HostEvent};
use seathold_sequencer::link::message::Capabilities;
use seathold_sequencer::link::start_button::StartButton;
use seathold_sequencer::time::{Instant, millis};
use seathold_tests::doctor_kit::{NOTHING, answered};
use seathold_tests::served_kit::Rig;

/// A press or a loss of the frames of ten milliseconds, now and then.
fn ten_milliseconds() -> impl Strategy<Value = (bool, bool)> {
    (prop::bool::weighted(0.02), prop::bool::weighted(0.5))
}

proptest! {
    /// However many frames are lost: never more presses than there were, and the last is heard of in the end. Those from before
    /// the session are none.
    #[test]
    fn a_press_counts_once(before in 0..300_u16, line in prop::collection::vec(ten_milliseconds(), 1..300)) {
        let (mut controller, mut host) = (Controller::<1024>::new(Capabilities::default()), Host::new(7));
        let (mut button, mut frame) = (StartButton::default(), Frame::new());
        for _ in 0..before {
            controller.set_presses(button.update(false));
            controller.set_presses(button.update(true));
        }
        let (mut pressed, mut heard, mut last_heard) = (0, 0, true);
        let quiet = PRESSES_REPEAT.as_ticks() / 10_000 + 1;
        // What is lost while the session opens is no press yet; nothing is lost in the end.
        let opening = std::iter::repeat_n((false, false), 100);
        let ending = std::iter::repeat_n((false, false), quiet as usize);
        for (turn, (press, lost)) in opening.chain(line).chain(ending).enumerate() {
            let now = Instant::from_ticks(0) + millis(10 * turn as u32);
            controller.set_presses(button.update(false));
            if press {
                controller.set_presses(button.update(true));
                (pressed, last_heard) = (pressed + 1, false);
            }
            while host.transmit(now, &mut frame) {
                frame.iter().for_each(|&byte| controller.receive(now, byte));
            }
            while controller.transmit(now, &mut frame) {
                for &byte in frame.iter().filter(|_| !lost) {
                    if host.receive(byte) == Some(HostEvent::StartPressed) {
                        (heard, last_heard) = (heard + 1, true);
                    }
                }
            }
        }
        prop_assert!(host.is_open() && heard <= pressed && last_heard, "{heard} of {pressed}");
    }
}

/// A press where nothing is asked is none. One within half a second of a question is not taken, as a key would not be.
#[test]
fn it_answers_what_is_asked() {
    let (dir, rig) = (tempfile::tempdir().unwrap(), Rig::on("127.0.0.1:0", &[]));
    let (at, file) = (format!("tcp:{}", rig.at), dir.path().join("run.hold"));
    let to = [
        ("Enter begins", NOTHING),
        ("Enter when done", NOTHING),
        ("is not taken: answer again", NOTHING),
        ("first side: fill", NOTHING),
    ];
    let mut said = Vec::new();
    let arguments = ["run", "--rig", &at, "--serial", "HM-001", "--interactive", "--out", file.to_str().unwrap()];
    let (code, out, err) = answered(&arguments, &AtomicUsize::new(0), &to, 0, &mut |prompt| {
        rig.hands("button");
        said.push(to.iter().position(|(asked, _)| prompt.ends_with(asked)));
    });
    assert_eq!(code, 0, "{out}{err}");
    for (i, (asked, _)) in to.iter().enumerate() {
        assert!(said.contains(&Some(i)), "{asked}: {err}");
    }
    assert!(out.contains("TIGHT"), "{out}");
    assert!(rig.stop().contains("start button pressed"));
}
