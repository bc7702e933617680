//! Hazards of docs/hazards.md that no rule is named after: failures on a rig, and the response of the sequence, on a
//! rig without physics. Failures are injected between the sequencer and the rig: outputs that differ from the commands,
//! readings that differ from the pressure, hands that differ from the confirmations.

use seathold_machine::ideal::Ideal;
use seathold_machine::script::{FED, Script, brisk, checked, reads};
use seathold_sequencer::event::{Disconnect, Disturbance, Event, Fault, Phase};
use seathold_sequencer::input::{ChannelState, Command, Inputs, Prompt, Side, Sides};
use seathold_sequencer::output::{GasValve, Outputs, Pilot};
use seathold_sequencer::recipe::{Actuation, RawRecipe};
use seathold_sequencer::rig::RawRig;
use seathold_sequencer::step::Sequencer;
use seathold_sequencer::verdict::Verdict;

const SAFE_PA: f64 = 3_000.0;

/// Whether both sides are empty, and do not only read so.
fn truly_empty(rig: &Ideal) -> bool {
    rig.far < SAFE_PA && rig.supply < SAFE_PA
}

/// One poll on a faulty rig: `bent` gives the true outputs. Whatever happens, no full side is ever reported as reading
/// empty.
fn poll_bent(script: &mut Script, bent: impl FnOnce(Outputs, &mut Ideal) -> Outputs, change: impl FnOnce(&mut Inputs)) {
    script.outputs = bent(script.outputs, &mut script.rig);
    let _ = script.poll_with(change);
    let word = script.disconnect();
    assert!(
        word == Disconnect::Pressurised || truly_empty(&script.rig),
        "{word:?} with {} Pa far and {} Pa on the supply side",
        script.rig.far,
        script.rig.supply
    );
}

/// As [`poll_bent`] for `ms` from power-up, started as soon as it may be.
fn run_bent(script: &mut Script, ms: u64, mut bent: impl FnMut(Outputs, &mut Ideal) -> Outputs) {
    let end = script.now + ms * 1_000;
    let mut started = false;
    while script.now < end {
        let phase = script.phase();
        if phase == Phase::Ready && !started {
            script.command(Command::Start(Sides::First));
        }
        started |= !matches!(phase, Phase::StartUp | Phase::Ready);
        poll_bent(script, &mut bent, |_| {});
    }
}

/// Polls for `ms` with `change`, and checks that nothing is energised meanwhile.
fn rests(script: &mut Script, ms: u64, change: impl Fn(&mut Inputs)) {
    let end = script.now + ms * 1_000;
    while script.now < end {
        assert_eq!(script.poll_with(&change).outputs, Outputs::REST, "{:?}", script.phase());
    }
}

/// M2. Whoever loads a recipe may be in another room, and a hand in the ball: for as long as nobody starts or
/// acknowledges nothing moves, guard closed or not.
#[test]
fn a_new_recipe_moves_nothing_until_somebody_starts_or_acknowledges() {
    for guard_closed in [true, false] {
        let mut script = Script::default();
        script.at_rest_after_a_run();
        let (rig, recipe) = brisk();
        let (rig, recipe) = checked(&rig, &RawRecipe { settle_ms: 400, ..recipe });
        script.sequencer = Sequencer::new(rig, Some(recipe));
        rests(&mut script, 60_000, |i| i.contacts.guard_closed = guard_closed);
        assert_eq!((script.phase(), script.disconnect()), (Phase::Ready, Disconnect::Pressurised));
    }
}

/// M3. Once the guard is open the pilot goes one way only, and only where there is pressure to vent.
#[test]
fn with_the_guard_open_the_pilot_is_fed_only_to_empty_a_far_side_that_reads_full() {
    for phase in [Phase::StartUp, Phase::Ready, Phase::Precheck, Phase::SafeVent, Phase::Swap].into_iter().chain(FED) {
        // With what was trapped still there, and with it gone just as the guard opens.
        for gone in [false, true] {
            let mut script = Script::default();
            match phase {
                Phase::StartUp => {}
                Phase::Ready => drop(script.until(Phase::Ready, 10_000)),
                _ => script = Script::in_phase(phase),
            }
            if gone {
                (script.rig.far, script.rig.supply, script.rig.shop) = (0.0, 0.0, 0.0);
            }
            for _ in 0..1_000 {
                let before = script.outputs.pilot;
                let step = script.poll_with(|i| i.contacts.guard_closed = false);
                let full = matches!(script.sequencer.status().far, ChannelState::Pressure(p) if f64::from(p.pascals()) >= SAFE_PA);
                assert!(step.outputs.pilot == before || (full && step.outputs.pilot == Pilot::Fed), "{phase:?}");
                assert_eq!(step.outputs.supply, GasValve::Shut, "{phase:?}");
            }
        }
    }
}

/// M6. A pilot kept fed by an open guard is released when the guard is closed, and the ball moves then; so until then
/// nothing is reported, however long that is.
#[test]
fn while_an_open_guard_holds_the_pilot_nothing_is_said() {
    let mut script = Script::in_phase(Phase::Measure);
    script.until(Phase::SafeVent, 10_000);
    while script.outputs.pilot == Pilot::Fed {
        let _ = script.poll();
    }
    while script.outputs.pilot == Pilot::Exhausted {
        let _ = script.poll();
    }
    // The further stroke is over. The dwell after it goes on with the guard open, and ends with the pilot still fed.
    script.pass(150).pass_with(20_000, |i| i.contacts.guard_closed = false);
    assert!(script.phase().is_resting());
    assert_eq!(script.outputs.pilot, Pilot::Fed);
    assert!(!script.log.iter().any(|(_, e)| matches!(e, Event::Disconnect(d) if *d != Disconnect::Pressurised)));
    let step = script.poll();
    assert_eq!(step.outputs, Outputs::REST);
}

/// M8. Where a shut switch is fitted, a late ball is waited for, in the further stroke as at the end.
#[test]
fn a_shut_switch_made_late_is_waited_for_before_anything_is_said() {
    let (rig, recipe) = brisk();
    let late_us = 700_000;
    let mut script = Script::on(&RawRig { shut_switch_fitted: true, ..rig }, &recipe);
    let mut dropped = Some(0);
    let mut started = false;
    for _ in 0..3_000 {
        if script.phase() == Phase::Ready && !started {
            started = true;
            script.command(Command::Start(Sides::First));
        }
        let made = dropped.is_some_and(|at| script.now - at >= late_us);
        // The ball itself is as late as its switch.
        script.rig.stuck_open = !made;
        let step = script.poll_with(|i| i.contacts.valve_shut = made);
        dropped = match step.outputs.pilot {
            Pilot::Fed => None,
            Pilot::Exhausted => dropped.or(Some(script.now)),
        };
        assert!(made || script.disconnect() == Disconnect::Pressurised, "said before the ball was seen shut");
    }
    assert_eq!((script.proved(), script.faults().as_slice()), (Some(Verdict::Tight), [].as_slice()));
    assert_eq!(script.disconnect(), Disconnect::Confirmed);
}

/// M11. An actuator whose spring opens: fed it shuts, at rest it is open.
#[test]
fn an_actuator_that_opens_by_its_spring_is_never_tight_nor_read_empty_while_full() {
    for supply_fitted in [true, false] {
        let mut script = Script::with_supply_seen(supply_fitted);
        script.rig.by_air = false;
        run_bent(&mut script, 60_000, |outputs, rig| {
            rig.lever_open = outputs.pilot == Pilot::Exhausted;
            outputs
        });
        assert_eq!(script.faults().first(), Some(&Fault::FillStalled));
        assert_eq!(script.proved(), Some(Verdict::Void));
        assert_eq!(script.disconnect(), Disconnect::Pressurised);
    }
}

/// M11. A double-acting actuator, which stays where it was when its air is taken away.
#[test]
fn an_actuator_that_stays_where_it_was_is_never_tight_nor_read_empty_while_full() {
    for supply_fitted in [true, false] {
        let mut script = Script::with_supply_seen(supply_fitted);
        script.rig.by_air = false;
        run_bent(&mut script, 60_000, |outputs, rig| {
            rig.lever_open |= outputs.pilot == Pilot::Fed;
            outputs
        });
        assert_eq!(script.proved(), Some(Verdict::Leaking));
    }
}

/// P1. Whatever the phase at a power loss: at rest for the whole dwell, then into the vent; and nothing is reported
/// before it has been measured.
#[test]
fn a_reset_in_any_phase_with_air_in_it_looks_at_rest_and_then_vents() {
    for phase in FED {
        let mut script = Script::in_phase(phase);
        script.reset();
        let began = script.now;
        while script.phase() == Phase::StartUp || script.log.is_empty() {
            let step = script.poll();
            assert!(script.phase() != Phase::StartUp || step.outputs == Outputs::REST, "{phase:?}");
        }
        assert!(script.now - began >= 300_000, "{phase:?}: looked at for {} µs", script.now - began);
        assert_eq!((script.phase(), script.outputs), (Phase::SafeVent, Outputs::OPEN_TO_VENT), "{phase:?}");
        while script.disconnect() == Disconnect::Pressurised {
            assert!(script.now - began < 20_000_000, "{phase:?}: never measured empty");
            poll_bent(&mut script, |outputs, _| outputs, |_| {});
        }
        assert!(truly_empty(&script.rig), "{phase:?}");
    }
}

/// P5. A vent that is blocked where the supply side has no transducer: the vent phase ends by time, the safe vent does
/// not.
#[test]
fn a_blocked_vent_ends_trapped_where_the_supply_side_is_not_seen() {
    let mut script = Script::with_supply_seen(false);
    script.start(Sides::First).until(Phase::Soak, 10_000);
    let end = script.now + 60_000_000;
    while script.now < end {
        let blocked = |outputs: Outputs, _: &mut Ideal| Outputs { vent: GasValve::Shut, ..outputs };
        poll_bent(&mut script, blocked, |_| {});
    }
    assert_eq!(script.phase(), Phase::Trapped);
    assert_eq!(script.disconnect(), Disconnect::Pressurised);
}

/// P9. Pressure comes back while a person is asked to open the bleed: withdrawn in that poll, and so is the prompt.
#[test]
fn pressure_that_comes_back_takes_the_word_and_the_question_back_in_the_same_poll() {
    for on_far in [true, false] {
        let mut script = Script::in_phase(Phase::Measure);
        script.until(Phase::Swap, 20_000).answers = false;
        script.pass(1_000);
        assert_eq!(script.disconnect(), Disconnect::ReadsEmpty);
        assert_eq!(script.sequencer.status().prompt, Some(Prompt::OpenBleed));
        let _ = script.poll_with(|i| reads(if on_far { &mut i.far } else { &mut i.supply }, 4_000.0));
        assert_eq!(script.disconnect(), Disconnect::Pressurised, "far: {on_far}");
        assert_eq!(script.sequencer.status().prompt, None, "far: {on_far}");
        // A late confirmation finds no prompt.
        script.command(Command::Confirm(Prompt::OpenBleed)).pass(1_000);
        assert_eq!(script.disconnect(), Disconnect::ReadsEmpty, "far: {on_far}");
        assert_eq!(script.sequencer.status().prompt, Some(Prompt::OpenBleed), "asked again, far: {on_far}");
    }
}

/// T2. A far reading that stays full, frozen or alive behind a blocked port: trapped, and no verdict of tight.
#[test]
fn a_far_reading_that_stays_full_ends_trapped_and_never_tight() {
    for noise in [0.0, 50.0] {
        let mut script = Script::in_phase(Phase::Settle);
        let mut poll = 0;
        script.until_with(Phase::Trapped, 60_000, |i| {
            poll += 1;
            reads(&mut i.far, 600_000.0 + if poll % 2 == 0 { noise } else { -noise });
        });
        assert_ne!(script.proved(), Some(Verdict::Tight), "noise of {noise} Pa");
        assert_eq!(script.disconnect(), Disconnect::Pressurised);
        assert!(truly_empty(&script.rig), "it is empty, and nobody can know");
    }
}

/// T3. A port blocked near zero before the fill still has noise, so that it does not appear frozen.
#[test]
fn a_port_blocked_near_zero_with_live_noise_is_never_read_empty() {
    let mut script = Script::default();
    script.start(Sides::First);
    let mut poll = 0;
    let mut blocked = |i: &mut Inputs| {
        poll += 1;
        reads(&mut i.far, if poll % 2 == 0 { 60.0 } else { -60.0 });
    };
    script.until_with(Phase::Fault, 60_000, &mut blocked);
    assert_eq!(script.faults(), [Fault::FillStalled]);
    script.command(Command::Acknowledge).pass_with(10_000, &mut blocked);
    assert_eq!((script.phase(), script.disconnect()), (Phase::Ready, Disconnect::Pressurised));
}

/// T4. A blocked line lets its pressure go by itself, while the ball is jammed shut over a full far side: slower than a
/// safe vent lasts, it is never taken for a vent.
#[test]
fn a_far_reading_that_creeps_down_too_slowly_ends_trapped() {
    let mut script = Script::in_phase(Phase::Measure);
    script.until(Phase::SafeVent, 10_000).rig.stuck_shut = true;
    let mut shown = script.rig.far;
    while script.phase() != Phase::Trapped {
        shown *= 1.0 - 0.01 / 2.0;
        poll_bent(&mut script, |outputs, _| outputs, |i| reads(&mut i.far, shown));
    }
    // Nor when it has come down in the end.
    for _ in 0..2_000 {
        shown *= 1.0 - 0.01 / 2.0;
        poll_bent(&mut script, |outputs, _| outputs, |i| reads(&mut i.far, shown));
    }
    assert!(shown < 1_000.0 && script.rig.far > 500_000.0, "{shown} Pa shown of {} Pa", script.rig.far);
    assert_eq!((script.phase(), script.disconnect()), (Phase::Trapped, Disconnect::Pressurised));
}

/// T6. A far transducer that reads four tenths of the pressure would have the valve filled to two and a half times the
/// pressure: the supply side, where it has a transducer of its own, stops that.
#[test]
fn a_far_reading_far_below_the_truth_is_caught_by_the_supply_side() {
    // The readings of these tests do not flicker.
    let (rig, recipe) = brisk();
    let mut script = Script::on(&RawRig { far_flickers: false, ..rig }, &recipe);
    script.rig.shop = 800_000.0;
    script.start(Sides::First);
    while script.faults().is_empty() {
        let shown = 0.4 * script.rig.far;
        let _ = script.poll_with(|i| reads(&mut i.far, shown));
        assert!(script.rig.far < 750_000.0, "{} Pa in the valve", script.rig.far);
    }
    assert_eq!(script.faults(), [Fault::SupplyOverPressure]);
    assert_eq!(script.outputs.supply, GasValve::Shut);
}

/// T7. Far and supply transducer exchanged in the wiring, and a ball that jams shut over a full far side.
#[test]
fn swapped_transducers_and_a_ball_jammed_shut_are_never_read_empty() {
    // The readings of these tests do not flicker.
    let (rig, recipe) = brisk();
    let mut script = Script::on(&RawRig { far_flickers: false, ..rig }, &recipe);
    let swap = |i: &mut Inputs| core::mem::swap(&mut i.far, &mut i.supply);
    script.until_with(Phase::Ready, 10_000, swap).command(Command::Start(Sides::First));
    script.until_with(Phase::Vent, 20_000, swap).rig.stuck_shut = true;
    for _ in 0..3_000 {
        poll_bent(&mut script, |outputs, _| outputs, swap);
    }
    assert!(script.rig.far > 500_000.0);
    assert_eq!(script.phase(), Phase::Trapped);
    assert_ne!(script.proved(), Some(Verdict::Tight));
}

/// O3. A valve of the wrong normal state: at rest is then not at rest.
#[test]
fn a_valve_of_the_wrong_normal_state_is_never_tight_nor_read_empty_while_full() {
    let turn = |gate: GasValve| if gate == GasValve::Open { GasValve::Shut } else { GasValve::Open };
    let wrong: [(&str, &dyn Fn(Outputs) -> Outputs); 2] = [
        ("supply normally open", &|o| Outputs { supply: turn(o.supply), ..o }),
        ("vent normally closed", &|o| Outputs { vent: turn(o.vent), ..o }),
    ];
    for (name, bent) in wrong {
        for supply_fitted in [true, false] {
            let mut script = Script::with_supply_seen(supply_fitted);
            run_bent(&mut script, 60_000, |outputs, _| bent(outputs));
            assert_ne!(script.proved(), Some(Verdict::Tight), "{name}, supply side seen: {supply_fitted}");
        }
    }
}

/// O4. The voltage sags in a test, and the valves drop out one after another, in any order: trapped pressure is never
/// reported as gone.
#[test]
fn coils_that_let_go_one_after_another_never_make_a_full_side_read_empty() {
    for order in [[0, 1, 2], [0, 2, 1], [1, 0, 2], [1, 2, 0], [2, 0, 1], [2, 1, 0]] {
        for phase in [Phase::Soak, Phase::Measure, Phase::SafeVent] {
            for read_back in [true, false] {
                let mut script = Script::in_phase(phase);
                for poll in 0..3_000 {
                    let gone = |coil: usize| poll >= 5 * (1 + order[coil]);
                    let (told, rest) = (script.outputs, Outputs::REST);
                    let done = Outputs {
                        supply: if gone(0) { rest.supply } else { told.supply },
                        vent: if gone(1) { rest.vent } else { told.vent },
                        pilot: if gone(2) { rest.pilot } else { told.pilot },
                    };
                    poll_bent(&mut script, |_, _| done, |i| i.readback_mismatch = read_back && done != told);
                }
                assert_ne!(script.proved(), Some(Verdict::Tight), "{order:?} from {phase:?}, read back: {read_back}");
            }
        }
    }
}

/// O5. A shut switch stuck closed reads as a ball not open into the vent: then nothing is measured empty.
#[test]
fn a_shut_switch_stuck_made_ends_trapped() {
    let (rig, recipe) = brisk();
    let rig = RawRig { shut_switch_fitted: true, ..rig };
    // From power-up.
    let mut script = Script::on(&rig, &recipe);
    script.until(Phase::Ready, 10_000).command(Command::Start(Sides::First));
    script.until_with(Phase::Trapped, 60_000, |i| i.contacts.valve_shut = true);
    assert!(!script.saw(&Event::Entered { phase: Phase::Fill, side: Some(Side::First) }));
    // From when it first closes in a run.
    let mut script = Script::on(&rig, &recipe);
    script.until(Phase::Ready, 10_000).command(Command::Start(Sides::First));
    while script.phase() != Phase::Isolate {
        let open = script.rig.open(script.outputs);
        let _ = script.poll_with(|i| i.contacts.valve_shut = !open);
    }
    script.until_with(Phase::Trapped, 60_000, |i| i.contacts.valve_shut = true);
    assert_eq!(script.disconnect(), Disconnect::Pressurised);
}

/// F1. The body bursts while it is fed: no more air is supplied.
#[test]
fn a_far_side_that_collapses_while_fed_shuts_supply_in_the_same_poll() {
    for phase in [Phase::Soak, Phase::Isolate] {
        let mut script = Script::in_phase(phase);
        assert_eq!(script.outputs.supply, GasValve::Open);
        let step = script.poll_with(|i| {
            reads(&mut i.far, 0.0);
            reads(&mut i.supply, 0.0);
        });
        assert_eq!(step.outputs.supply, GasValve::Shut, "{phase:?}");
        assert_eq!(script.faults(), [Fault::Slew], "{phase:?}");
    }
}

/// F8. Somebody taps or tightens a fitting in the window: it restarts, and the verdict rests on the samples after it.
#[test]
fn a_knock_in_the_window_begins_it_anew() {
    let mut script = Script::in_phase(Phase::Measure);
    script.pass(300).rig.far -= 700.0;
    let knocked = script.now;
    script.until(Phase::SafeVent, 10_000);
    let again = |e: &Event| matches!(e, Event::Restarted(Disturbance::Jump | Disturbance::Step));
    assert!(script.log.iter().any(|(_, e)| again(e)), "{:?}", script.log);
    script.until(Phase::Swap, 10_000);
    let figure = script.result(Side::First).estimate.expect("a figure");
    assert!(script.now - u64::from(figure.window_ms) * 1_000 > knocked);
}

/// H2. The final confirmation is a person's, and no other confirmation, command or time gives it.
#[test]
fn only_the_answer_to_the_bleed_confirms_it() {
    let mut script = Script::in_phase(Phase::Measure);
    // Given in every poll while there is no prompt.
    script.answers = false;
    while script.disconnect() == Disconnect::Pressurised {
        script.command(Command::Confirm(Prompt::OpenBleed));
        let _ = script.poll();
    }
    assert_eq!(script.phase(), Phase::Swap);
    let asks = [Prompt::OpenValve, Prompt::ShutValve, Prompt::OpenToVent, Prompt::WorkLever, Prompt::SwapEnds];
    let others = asks.map(Command::Confirm).into_iter().chain([Command::Acknowledge, Command::Start(Sides::First)]);
    for other in others {
        script.command(other).pass(50);
        assert_eq!(script.disconnect(), Disconnect::ReadsEmpty, "{other:?}");
        assert_eq!(script.sequencer.status().prompt, Some(Prompt::OpenBleed), "{other:?}");
    }
    let _ = script.command(Command::Confirm(Prompt::OpenBleed)).poll();
    assert_eq!(script.disconnect(), Disconnect::Confirmed);
}

/// H4. The bleed was left open: so wide that the fill never arrives, wide, a little, and hardly.
#[test]
fn a_bleed_left_open_is_never_tight() {
    // Outflow per poll, as a share of the pressure.
    for share in [0.5, 0.2, 0.1, 0.05, 0.02, 0.01, 0.005, 0.002, 1e-3, 1e-4, 1e-5, 1e-6] {
        let mut script = Script::default();
        run_bent(&mut script, 30_000, |outputs, rig| {
            rig.far *= 1.0 - share;
            outputs
        });
        assert!(matches!(script.proved(), Some(Verdict::Void | Verdict::Leaking)), "{share}: {:?}", script.proved());
    }
}

/// H5. A confirmation before its prompt has no effect.
#[test]
fn an_answer_given_before_its_question_changes_nothing() {
    let (rig, recipe) = brisk();
    let mut script = Script::on(&rig, &RawRecipe { actuation: Actuation::Hand, ..recipe });
    script.start(Sides::First).until(Phase::Soak, 10_000).answers = false;
    while script.phase() == Phase::Soak {
        script.command(Command::Confirm(Prompt::ShutValve));
        let _ = script.poll();
    }
    assert_eq!((script.phase(), script.sequencer.status().prompt), (Phase::Isolate, Some(Prompt::ShutValve)));
    script.until(Phase::SafeVent, 10_000);
    assert_eq!(script.faults(), [Fault::NoAnswer(Prompt::ShutValve)]);
}

/// H9. A trapped bench that is switched off and on again: full, it is opened into the vent, and trapped again.
#[test]
fn a_trapped_bench_that_is_reset_tries_the_vent_again() {
    let mut script = Script::in_phase(Phase::Settle);
    script.rig.stuck_shut = true;
    script.command(Command::Abort).until(Phase::Trapped, 20_000);
    script.reset();
    script.until(Phase::SafeVent, 2_000);
    assert_eq!(script.outputs, Outputs::OPEN_TO_VENT);
    script.until(Phase::Trapped, 20_000);
    assert_eq!(script.disconnect(), Disconnect::Pressurised);
}

/// C2. A controller that crashes again and again, however soon, with somebody who starts it each time.
#[test]
fn a_controller_that_is_reset_again_and_again_lets_no_air_in() {
    for full in [false, true] {
        for every in [1, 2, 10, 29, 31, 45, 60] {
            let mut script = if full { Script::in_phase(Phase::Measure) } else { Script::default() };
            for poll in 0..3_000 {
                if poll % every == 0 {
                    script.reset();
                }
                script.command(Command::Start(Sides::First));
                let step = script.poll();
                assert_eq!(step.outputs.supply, GasValve::Shut, "every {every} polls, full: {full}");
                assert_eq!(script.disconnect(), Disconnect::Pressurised, "every {every} polls, full: {full}");
            }
        }
    }
}

/// C5. A stop kept over a reset is left only with the button released, the guard closed, and on purpose.
#[test]
fn a_stop_kept_over_a_reset_is_left_only_released_and_acknowledged_behind_the_guard() {
    let mut script = Script::in_phase(Phase::Measure);
    let _ = script.poll_with(|i| i.contacts.stop = true);
    script.reset();
    // The button pressed comes last: it would latch the stop again.
    rests(&mut script, 1_000, |_| {});
    script.command(Command::Start(Sides::First));
    rests(&mut script, 1_000, |_| {});
    type Change = fn(&mut Inputs);
    let not_yet: [Change; 2] = [|i| i.contacts.guard_closed = false, |i| i.contacts.stop = true];
    for change in not_yet {
        script.command(Command::Acknowledge);
        rests(&mut script, 1_000, change);
        assert_eq!(script.phase(), Phase::EmergencyStopped);
    }
    let step = script.command(Command::Acknowledge).poll();
    assert_eq!((script.phase(), step.outputs), (Phase::SafeVent, Outputs::OPEN_TO_VENT));
}
