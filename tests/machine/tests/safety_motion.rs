//! Who may move the ball, and when: rules 1 and 2 of docs/rig-and-safety.md, on a rig without physics.

use seathold_machine::script::{Script, brisk, reads};
use seathold_sequencer::event::{Disconnect, Event, Fault, Phase};
use seathold_sequencer::input::{Command, Prompt, Reading, SensorFault, Side, Sides};
use seathold_sequencer::output::{Coil, GasValve, Outputs, Pilot};
use seathold_sequencer::recipe::{Actuation, RawRecipe};
use seathold_sequencer::rig::RawRig;
use seathold_sequencer::step::Sequencer;
use seathold_sequencer::verdict::{Reason, Verdict};

/// Polls for `ms` with the guard open, and returns whether the pilot moved meanwhile.
fn moves_with_the_guard_open(script: &mut Script, ms: u64) -> bool {
    let before = script.outputs.pilot;
    let end = script.now + ms * 1_000;
    let mut moved = false;
    while script.now < end {
        let step = script.poll_with(|i| i.contacts.guard_closed = false);
        moved |= step.outputs.pilot != before;
    }
    moved
}

/// A reset with pressure trapped by the spring: read for the dwell, at rest, and then opened into the vent at once,
/// whatever the guard: nobody's hand is in a full, connected valve.
#[test]
fn rule_2_after_a_reset_a_full_far_side_is_emptied_at_once() {
    for guard_closed in [true, false] {
        let mut script = Script::in_phase(Phase::Measure);
        script.reset();
        let asleep = |s: &Script| s.phase() == Phase::StartUp;
        while asleep(&script) {
            let step = script.poll_with(|i| i.contacts.guard_closed = guard_closed);
            assert!(!asleep(&script) || step.outputs == Outputs::REST);
            assert!(script.rig.far > 500_000.0);
        }
        assert_eq!((script.phase(), script.outputs), (Phase::SafeVent, Outputs::OPEN_TO_VENT));
        let step = script.command(Command::Start(Sides::Both)).poll();
        assert!(matches!(step.events.as_slice(), [Event::Refused(r), ..] if r.busy));
        script.until(Phase::Ready, 10_000);
        assert!(script.rig.far < 3_000.0);
    }
}

/// A reset, or a new recipe, with the far side empty: a hand may be in the ball, so nothing moves, whatever the guard.
/// An acknowledgement or a start moves it, and neither with the guard open.
#[test]
fn rule_2_after_a_reset_an_empty_valve_is_not_moved_unasked() {
    let mut script = Script::default();
    script.at_rest_after_a_run();
    script.reset();
    assert!(!moves_with_the_guard_open(&mut script, 5_000));
    assert_eq!((script.phase(), script.disconnect()), (Phase::Ready, Disconnect::Pressurised));
    for command in [Command::Start(Sides::First), Command::Acknowledge] {
        script.command(command);
        let step = script.poll_with(|i| i.contacts.guard_closed = false);
        assert!(step.events.iter().any(|e| matches!(e, Event::Refused(r) if r.guard_open)), "{command:?}");
        assert_eq!((script.phase(), step.outputs), (Phase::Ready, Outputs::REST), "{command:?}");
    }
    let step = script.command(Command::Acknowledge).poll();
    assert_eq!((script.phase(), step.outputs), (Phase::SafeVent, Outputs::OPEN_TO_VENT));
    script.until(Phase::Ready, 10_000);
}

/// What is started without having been opened into the vent is opened into it first.
#[test]
fn rule_2_a_first_start_opens_the_valve_into_the_vent_before_anything() {
    let mut script = Script::default();
    script.until(Phase::Ready, 10_000).command(Command::Start(Sides::First));
    let step = script.poll();
    assert_eq!((script.phase(), step.outputs), (Phase::SafeVent, Outputs::OPEN_TO_VENT));
    script.until(Phase::Precheck, 10_000).until(Phase::Ready, 60_000).pass(500);
    // Proved empty since, it begins at once.
    script.command(Command::Start(Sides::First));
    let step = script.poll();
    assert_eq!((script.phase(), step.outputs), (Phase::Precheck, Outputs::REST));
}

/// After a reset a far side that cannot be read, or reads an impossible pressure, moves nothing: a latched fault, at
/// rest.
#[test]
fn rule_2_after_a_reset_doubt_moves_nothing() {
    type Change = fn(&mut seathold_sequencer::input::Inputs);
    let doubts: [(Fault, Change); 3] = [
        (Fault::FarSensor, |i| i.far = Reading::SensorFault(SensorFault::Open)),
        (Fault::FarSensor, |i| i.far = Reading::NoSample),
        (Fault::Implausible, |i| reads(&mut i.far, -20_000.0)),
    ];
    for (fault, change) in doubts {
        let mut script = Script::in_phase(Phase::Measure);
        script.reset();
        script.until_with(Phase::Fault, 3_000, change);
        assert_eq!((script.faults(), script.outputs), (vec![fault], Outputs::REST));
        // Acknowledged, it still rests; only on a second, deliberate acknowledgement it is opened.
        script.command(Command::Acknowledge).until_with(Phase::Ready, 100, change);
        script.pass_with(2_000, change);
        assert_eq!((script.phase(), script.outputs), (Phase::Ready, Outputs::REST));
        let step = script.command(Command::Acknowledge).poll();
        assert_eq!(step.outputs, Outputs::OPEN_TO_VENT);
    }
}

/// The same where no recipe is loaded: full, the pilot is driven, and a lever is prompted in case there is one. A
/// falling pressure shows that one of the two has opened the valve; without a fall, somebody must confirm it.
#[test]
fn rule_2_a_reset_without_a_recipe_still_vents() {
    let mut script = Script::in_phase(Phase::Settle);
    script.sequencer = Sequencer::new(RawRig::DEMO.validate().expect("demo rig"), None);
    script.answers = false;
    script.until(Phase::SafeVent, 5_000);
    assert_eq!(script.outputs, Outputs::OPEN_TO_VENT);
    assert!(script.saw(&Event::Prompted(Prompt::OpenToVent)));
    // A stroke may take a minute.
    script.until(Phase::Ready, 70_000);
    assert!(script.rig.far < 3_000.0);
    let step = script.command(Command::Start(Sides::Both)).poll();
    assert!(matches!(step.events.as_slice(), [Event::Refused(r), ..] if r.no_recipe));

    // Empty from the start, and opened on purpose: nothing shows whether it opened.
    script.sequencer = Sequencer::new(RawRig::DEMO.validate().expect("demo rig"), None);
    script.until(Phase::Ready, 5_000).command(Command::Acknowledge).pass(20_000);
    assert_eq!(script.phase(), Phase::SafeVent, "nobody has said that a lever, if there is one, is open");
    script.answers = true;
    script.until(Phase::Ready, 70_000);
}

/// Before anything was fed a fault or an abort moves nothing: all at rest, and the run is void.
#[test]
fn rule_2_before_anything_was_fed_nothing_moves() {
    type Change = fn(&mut seathold_sequencer::input::Inputs);
    let faults: [(Fault, Change); 3] = [
        (Fault::GuardOpen, |i| i.contacts.guard_closed = false),
        (Fault::SupplySensor, |i| i.supply = Reading::NoSample),
        (Fault::Output, |i| i.readback_mismatch = true),
    ];
    for (fault, change) in faults {
        let mut script = Script::in_phase(Phase::Precheck);
        while script.phase() == Phase::Precheck {
            let step = script.poll_with(change);
            assert_eq!(step.outputs, Outputs::REST, "{fault:?}");
        }
        assert_eq!((script.phase(), script.faults()), (Phase::Fault, vec![fault]));
        assert!(!moves_with_the_guard_open(&mut script, 3_000), "{fault:?}");
        assert_eq!(script.result(Side::First).verdict, Verdict::Void);
    }
    let mut script = Script::in_phase(Phase::Precheck);
    let step = script.command(Command::Abort).poll();
    assert_eq!((script.phase(), step.outputs), (Phase::Ready, Outputs::REST));
    assert_eq!(script.result(Side::First).reason, Reason::Aborted);
}

/// One reading that jumps up is interference: with the guard open it moves nothing.
#[test]
fn rule_2_a_spike_does_not_move_the_ball_behind_an_open_guard() {
    let spike = |i: &mut seathold_sequencer::input::Inputs| {
        i.contacts.guard_closed = false;
        reads(&mut i.far, 50_000.0);
    };
    let mut script = Script::in_phase(Phase::Precheck);
    let step = script.poll_with(spike);
    assert_eq!((script.phase(), step.outputs), (Phase::Fault, Outputs::REST));

    let mut script = Script::in_phase(Phase::Measure);
    script.rig.far = 0.0;
    script.pass_with(500, |i| i.contacts.guard_closed = false);
    let held = script.outputs.pilot;
    let step = script.poll_with(spike);
    assert_eq!(step.outputs.pilot, held);
}

/// With the guard open the further stroke waits, and is made when the guard is closed again. Left open too long, both
/// sides were measured empty and the cavity was not: the weaker state is reported.
#[test]
fn rule_2_the_further_stroke_waits_for_the_guard() {
    let mut script = Script::in_phase(Phase::Measure);
    script.until(Phase::SafeVent, 10_000);
    while script.rig.far > 0.0 {
        let _ = script.poll();
    }
    script.pass(50);
    assert!(!moves_with_the_guard_open(&mut script, 2_000), "the pilot is held as it is");
    assert!(script.faults().is_empty(), "empty: nobody's business");
    script.until(Phase::Swap, 10_000);

    let mut script = Script::in_phase(Phase::Measure);
    script.until(Phase::SafeVent, 10_000).pass(400).answers = false;
    script.until_with(Phase::Swap, 20_000, |i| i.contacts.guard_closed = false);
    assert!(!moves_with_the_guard_open(&mut script, 1_000), "the pilot is still held");
    assert_eq!(script.disconnect(), Disconnect::Pressurised);
    script.pass(2_000);
    assert_eq!(script.disconnect(), Disconnect::CavityUnknown);
}

/// In the middle of the further stroke, too: the pilot stays where it is, and a stroke counts from when the guard is
/// closed.
#[test]
fn rule_2_a_guard_opened_in_the_further_stroke_stops_it() {
    let mut script = Script::in_phase(Phase::Measure);
    script.until(Phase::SafeVent, 10_000);
    while script.outputs.pilot == Pilot::Fed {
        let _ = script.poll();
    }
    assert!(!moves_with_the_guard_open(&mut script, 1_000));
    script.until(Phase::Swap, 10_000);
}

/// With the guard open an acknowledgement moves nothing: not after an emergency stop, not out of trapped.
#[test]
fn rule_2_an_acknowledgement_moves_nothing_with_the_guard_open() {
    let mut script = Script::in_phase(Phase::Settle);
    script.rig.stuck_shut = true;
    script.command(Command::Abort).until(Phase::Trapped, 20_000);
    script.command(Command::Acknowledge);
    let step = script.poll_with(|i| i.contacts.guard_closed = false);
    assert!(matches!(step.events.as_slice(), [Event::Refused(r), ..] if r.guard_open));
    assert_eq!(script.phase(), Phase::Trapped);

    let mut script = Script::in_phase(Phase::Settle);
    let _ = script.poll_with(|i| i.contacts.stop = true);
    script.command(Command::Acknowledge);
    let step = script.poll_with(|i| i.contacts.guard_closed = false);
    assert_eq!((script.phase(), step.outputs), (Phase::EmergencyStopped, Outputs::REST));
}

/// A guard opened while the far side is being emptied, and is not empty yet, is a fault like the others.
#[test]
fn rule_2_a_guard_opened_under_pressure_in_the_safe_vent_is_a_fault() {
    let mut script = Script::in_phase(Phase::Measure);
    script.until(Phase::SafeVent, 10_000);
    assert!(script.rig.far > 500_000.0);
    let step = script.poll_with(|i| i.contacts.guard_closed = false);
    assert_eq!(step.outputs, Outputs::OPEN_TO_VENT);
    // Left open for a while, it is reported once.
    script.pass_with(500, |i| i.contacts.guard_closed = false);
    script.until(Phase::Fault, 10_000);
    assert_eq!(script.faults(), [Fault::GuardOpen]);
    assert_eq!(script.result(Side::First).verdict, Verdict::Void);
}

/// Emergency stop: at rest at once, nothing moves until it is released *and* acknowledged; then into the vent.
#[test]
fn rule_2_emergency_stop_holds_everything_until_released_and_acknowledged() {
    for phase in [Phase::Precheck, Phase::Fill, Phase::Soak, Phase::Isolate, Phase::Vent, Phase::Settle, Phase::Measure]
    {
        let mut script = Script::in_phase(phase);
        let step = script.poll_with(|i| i.contacts.stop = true);
        assert_eq!(step.outputs, Outputs::REST, "{phase:?}");
        assert_eq!(script.phase(), Phase::EmergencyStopped);
        // Pressed and acknowledged: nothing. Released, not acknowledged: nothing.
        script.command(Command::Acknowledge).pass_with(500, |i| i.contacts.stop = true);
        assert_eq!((script.phase(), script.outputs), (Phase::EmergencyStopped, Outputs::REST));
        script.pass(70_000);
        assert_eq!((script.phase(), script.outputs), (Phase::EmergencyStopped, Outputs::REST));
        assert_eq!(script.disconnect(), Disconnect::Pressurised);
        assert!(script.saw(&Event::Reminder(Phase::EmergencyStopped)));
        let step = script.command(Command::Acknowledge).poll();
        assert_eq!(step.outputs, Outputs::OPEN_TO_VENT);
        script.until(Phase::Ready, 10_000);
        assert_eq!(script.proved(), Some(Verdict::Void));
    }
}

/// A reset does not release the stop: the controller retains over it that it was pressed.
#[test]
fn rule_2_an_emergency_stop_outlives_a_reset() {
    let mut script = Script::in_phase(Phase::Measure);
    let _ = script.poll_with(|i| i.contacts.stop = true);
    assert!(script.sequencer.stop_latched());
    script.reset();
    script.pass(5_000);
    assert_eq!(
        (script.phase(), script.outputs),
        (Phase::EmergencyStopped, Outputs::REST),
        "full, and not vented unasked"
    );
    assert_eq!(script.faults(), [Fault::EmergencyStop]);
    // And a second one.
    script.reset();
    script.pass(1_000);
    assert_eq!(script.phase(), Phase::EmergencyStopped);
    script.command(Command::Acknowledge).until(Phase::Ready, 10_000);
    assert!(!script.sequencer.stop_latched());
    script.reset();
    script.until(Phase::Ready, 5_000);
}

/// Rule 1. In a fault, too, both are shut for the changeover; but pressure above the maximum is vented at once.
#[test]
fn rule_1_the_changeover_holds_in_faults_and_not_against_over_pressure() {
    let mut script = Script::in_phase(Phase::Soak);
    let mut polls = 0;
    while script.outputs.vent == GasValve::Shut {
        let step = script.poll_with(|i| i.contacts.guard_closed = false);
        assert_eq!(step.outputs.supply, GasValve::Shut);
        polls += 1;
    }
    let changeover = u64::from(script.sequencer.rig().raw().changeover_ms);
    assert!((polls - 1) * 10 >= changeover, "the vent opened after {polls} polls");

    let mut script = Script::in_phase(Phase::Soak);
    (script.rig.shop, script.rig.supply, script.rig.far) = (720_000.0, 720_000.0, 720_000.0);
    let step = script.poll();
    assert_eq!(step.outputs, Outputs::OPEN_TO_VENT);
}

/// Rule 1. A lever confirmed open before the vent has had its time to shut lets no air in early.
#[test]
fn rule_1_a_quick_answer_does_not_shorten_the_changeover() {
    let (rig, recipe) = brisk();
    let hand = RawRecipe { actuation: Actuation::Hand, ..recipe };
    let mut script = Script::on(&RawRig { changeover_ms: 500, ..rig }, &hand);
    script.start(Sides::First).until(Phase::Fill, 1_000);
    let began = script.now;
    while script.outputs.supply == GasValve::Shut {
        let _ = script.poll();
    }
    assert!(script.now - began >= 500_000, "{} µs", script.now - began);
}

/// The clock goes back as the supply is shut, once or again and again: the vent still waits for the changeover.
#[test]
fn rule_1_a_clock_that_goes_back_shortens_no_changeover() {
    for jumps in [1, 3, 20] {
        let mut script = Script::in_phase(Phase::Soak);
        script.until(Phase::Isolate, 10_000);
        let mut polls_shut = 0;
        for poll in 0..40 {
            if poll < jumps {
                script.now -= 15_000;
            }
            let step = script.poll();
            if step.outputs.vent == GasValve::Open {
                break;
            }
            polls_shut += u32::from(step.outputs.supply == GasValve::Shut);
        }
        // The polls are true: 10 ms each, and 50 ms of changeover.
        assert!((5..=36).contains(&polls_shut), "{jumps} jumps: vent open after {polls_shut} polls");
    }
}

/// Aborted in the first opening into the vent, with nothing fed: at rest, and no stroke is begun.
#[test]
fn rule_2_an_abort_of_the_first_opening_moves_no_more_than_the_spring() {
    for ms in (0..2_000).step_by(50) {
        let mut script = Script::default();
        script.until(Phase::Ready, 10_000).command(Command::Start(Sides::First));
        let _ = script.poll();
        assert_eq!(script.phase(), Phase::SafeVent);
        script.pass(ms);
        if script.phase() != Phase::SafeVent {
            break;
        }
        let step = script.command(Command::Abort).poll();
        assert_eq!((script.phase(), step.outputs), (Phase::Ready, Outputs::REST), "after {ms} ms");
        let end = script.now + 5_000_000;
        while script.now < end {
            assert_eq!(script.poll().outputs, Outputs::REST, "after {ms} ms");
        }
        assert_eq!(script.result(Side::First).reason, Reason::Aborted);
        assert_eq!(script.disconnect(), Disconnect::Pressurised);
    }
    // Pressure that shows in it is let out first.
    let mut script = Script::default();
    let _ = script.until(Phase::Ready, 10_000).command(Command::Start(Sides::First)).poll();
    script.pass_with(500, |i| reads(&mut i.far, 50_000.0));
    script.command(Command::Abort);
    let step = script.poll_with(|i| reads(&mut i.far, 50_000.0));
    assert_eq!((script.phase(), step.outputs), (Phase::SafeVent, Outputs::OPEN_TO_VENT));
}

/// Without a recipe nothing is known of the valve: no output is worked, and a standing clock moves nothing.
#[test]
fn rule_2_without_a_recipe_nothing_is_worked_and_a_standing_clock_moves_nothing() {
    let without = || {
        let mut script = Script::default();
        script.sequencer = Sequencer::new(RawRig::DEMO.validate().expect("demo rig"), None);
        script
    };
    let mut script = without();
    script.until(Phase::Ready, 5_000).pass(100_000);
    for coil in [Coil::Supply, Coil::Vent, Coil::Pilot] {
        let step = script.command(Command::TestOutput(coil)).poll();
        assert!(matches!(step.events.as_slice(), [Event::Refused(r), ..] if r.no_recipe), "{coil:?}");
        assert_eq!(step.outputs, Outputs::REST);
    }
    let mut script = without();
    script.rig.far = 600_000.0;
    for poll in 0..2_000 {
        let inputs = script.rig.read();
        let step = script.step(1_000_000 + 10_000 * poll.min(5), &inputs);
        assert_eq!(step.outputs, Outputs::REST, "poll {poll}");
    }
}

/// The ball is still shutting when the run has ended: supply air would pass it.
#[test]
fn an_output_is_worked_only_once_the_ball_is_at_rest() {
    let mut script = Script::default();
    script.start(Sides::First).until(Phase::Measure, 20_000).until(Phase::Ready, 20_000);
    let step = script.command(Command::TestOutput(Coil::Supply)).poll();
    assert!(step.events.iter().any(|e| matches!(e, Event::Refused(r) if r.busy)), "{:?}", step.events);
    let _ = script.pass(2_000).command(Command::TestOutput(Coil::Supply)).poll();
    assert_eq!(script.phase(), Phase::OutputTest);
}
