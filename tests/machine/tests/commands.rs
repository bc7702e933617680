//! Commands where they do not belong, or come a second time: they change nothing, and nobody is told that they did.

use seathold_machine::script::Script;
use seathold_sequencer::event::{Disconnect, Event, Phase};
use seathold_sequencer::input::{Command, Prompt, Side, Sides};
use seathold_sequencer::output::{Outputs, Pilot};
use seathold_sequencer::verdict::{Reason, Verdict};

fn aborts(script: &Script) -> usize {
    script.log.iter().filter(|(_, e)| *e == Event::Aborted).count()
}

/// Empty already, and hands may be at the valve.
#[test]
fn an_abort_while_the_ends_are_swapped_ends_the_run_and_moves_nothing() {
    let mut script = Script::in_phase(Phase::Measure);
    script.until(Phase::Swap, 20_000).answers = false;
    let step = script.command(Command::Abort).poll();
    assert_eq!((script.phase(), step.outputs), (Phase::Ready, Outputs::REST));
    assert_eq!(aborts(&script), 1);
    assert_eq!(script.result(Side::First).verdict, Verdict::Tight);
    assert_eq!(script.result(Side::Second).reason, Reason::Aborted);
    assert_eq!(script.proved(), Some(Verdict::Void));
}

#[test]
fn an_abort_of_nothing_is_none() {
    let mut script = Script::default();
    script.at_rest_after_a_run();
    let step = script.command(Command::Abort).poll();
    assert!(step.events.is_empty(), "{:?}", step.events);
    assert_eq!((script.phase(), script.disconnect()), (Phase::Ready, Disconnect::Confirmed));
    // Nor where the safe vent belongs to no run.
    let mut script = Script::default();
    script.until(Phase::Ready, 10_000).command(Command::Acknowledge).until(Phase::SafeVent, 100);
    let step = script.command(Command::Abort).poll();
    assert!(step.events.is_empty(), "{:?}", step.events);
    assert_eq!(script.phase(), Phase::SafeVent);
}

/// What ended already keeps how it did; what was still to come is not begun.
#[test]
fn an_abort_in_the_safe_vent_counts_once() {
    let mut script = Script::in_phase(Phase::Measure);
    script.until(Phase::SafeVent, 10_000);
    for _ in 0..3 {
        script.command(Command::Abort).pass(50);
        assert_eq!((script.phase(), aborts(&script)), (Phase::SafeVent, 1));
    }
    script.until(Phase::Ready, 20_000);
    assert_eq!(script.result(Side::First).verdict, Verdict::Tight);
    assert!(!script.saw(&Event::Entered { phase: Phase::Swap, side: Some(Side::Second) }));
    assert_eq!(script.proved(), Some(Verdict::Void));
}

/// Not before the bleed, even with the guard opened; and an answer that is refused leaves the question as it was.
#[test]
fn swapped_ends_are_confirmed_only_where_that_was_asked() {
    let mut script = Script::in_phase(Phase::Measure);
    script.until(Phase::Swap, 20_000).answers = false;
    script.pass_with(1_000, |i| i.contacts.guard_closed = false).pass(100);
    assert_eq!(script.sequencer.status().prompt, Some(Prompt::OpenBleed));
    let step = script.command(Command::Confirm(Prompt::SwapEnds)).poll();
    assert!(step.events.is_empty(), "{:?}", step.events);
    assert_eq!(script.phase(), Phase::Swap);

    let _ = script.command(Command::Confirm(Prompt::OpenBleed)).poll();
    let step = script.command(Command::Confirm(Prompt::SwapEnds)).poll_with(|i| i.contacts.guard_closed = false);
    assert!(matches!(step.events.as_slice(), [Event::Refused(r)] if r.guard_open), "{:?}", step.events);
    assert_eq!(script.sequencer.status().prompt, Some(Prompt::SwapEnds));
    script.command(Command::Confirm(Prompt::SwapEnds)).until(Phase::Precheck, 20);
}

/// It is the way out of a state that waits for one, and asks for the guard only where it moves something.
#[test]
fn an_acknowledgement_of_nothing_is_none() {
    let mut script = Script::default();
    script.at_rest_after_a_run();
    for closed in [true, false] {
        let step = script.command(Command::Acknowledge).poll_with(|i| i.contacts.guard_closed = closed);
        assert!(step.events.is_empty(), "{:?}", step.events);
        assert_eq!((script.phase(), step.outputs), (Phase::Ready, Outputs::REST));
    }
    // A safe vent without a fault.
    let mut script = Script::in_phase(Phase::Soak);
    script.command(Command::Abort).until(Phase::SafeVent, 100);
    let step = script.command(Command::Acknowledge).poll();
    assert!(step.events.is_empty(), "{:?}", step.events);
    // A fault at rest is acknowledged with the guard open: nothing moves.
    let mut script = Script::in_phase(Phase::Precheck);
    script.pass_with(100, |i| i.contacts.guard_closed = false);
    assert_eq!((script.phase(), script.disconnect()), (Phase::Fault, Disconnect::Pressurised));
    let step = script.command(Command::Acknowledge).poll_with(|i| i.contacts.guard_closed = false);
    assert!(step.events.contains(&Event::Acknowledged), "{:?}", step.events);
    assert_eq!((script.phase(), step.outputs), (Phase::Ready, Outputs::REST));
}

/// Only at rest: a new recipe's sequencer takes the outputs to be so.
#[test]
fn a_new_recipe_is_taken_only_at_rest() {
    let mut script = Script::default();
    assert!(!script.sequencer.takes_recipe(), "starting up");
    script.until(Phase::Ready, 10_000);
    let _ = script.poll();
    assert!(script.sequencer.takes_recipe());
    // At rest in the gas path, and under way.
    script.command(Command::Start(Sides::First)).until(Phase::Precheck, 10_000).pass(50);
    assert_eq!(script.outputs, Outputs::REST);
    assert!(!script.sequencer.takes_recipe());
    // Ready, with the pilot still fed by an open guard.
    script.until(Phase::Measure, 20_000).until(Phase::SafeVent, 10_000);
    while script.outputs.pilot == Pilot::Fed {
        let _ = script.poll();
    }
    while script.outputs.pilot == Pilot::Exhausted {
        let _ = script.poll();
    }
    script.pass(150).pass_with(20_000, |i| i.contacts.guard_closed = false);
    assert_eq!((script.phase(), script.outputs.pilot), (Phase::Ready, Pilot::Fed));
    assert!(!script.sequencer.takes_recipe());
    let _ = script.poll();
    assert!(script.sequencer.takes_recipe());
}
