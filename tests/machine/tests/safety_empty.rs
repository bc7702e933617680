//! The reported pressure state behind a fitting: rules 3 and 4 of docs/rig-and-safety.md, on a rig without physics.

use seathold_machine::script::{Script, brisk, reads};
use seathold_sequencer::event::{Disconnect, Event, Fault, Phase};
use seathold_sequencer::input::{Command, Inputs, Prompt, Reading, Sample, SensorFault, Sides};
use seathold_sequencer::output::{GasValve, Outputs, Pilot};
use seathold_sequencer::recipe::{Actuation, RawRecipe};
use seathold_sequencer::rig::RawRig;
use seathold_sequencer::step::Sequencer;
use seathold_sequencer::verdict::{Reason, Verdict};

fn by_hand() -> Script {
    let (rig, recipe) = brisk();
    Script::on(&rig, &RawRecipe { actuation: Actuation::Hand, ..recipe })
}

/// Nothing is reported while anything moves: the ball springs shut when the pilot drops, and only one and a half
/// strokes later is the far side reported as reading empty.
#[test]
fn rule_3_nothing_is_said_before_the_ball_has_come_to_rest() {
    let mut script = Script::in_phase(Phase::Measure);
    script.until(Phase::SafeVent, 10_000).answers = false;
    let mut dropped = None;
    while script.disconnect() == Disconnect::Pressurised {
        let step = script.poll();
        if step.outputs.pilot == Pilot::Exhausted && script.phase() == Phase::Swap {
            dropped.get_or_insert(script.now);
        }
    }
    let waited = script.now - dropped.expect("the pilot dropped");
    assert_eq!(script.disconnect(), Disconnect::ReadsEmpty);
    assert!(waited >= 150_000, "said {waited} µs after the pilot dropped");
}

/// Reported only after the whole dwell, and withdrawn at the first reading that contradicts it; reported again only
/// after a dwell.
#[test]
fn rule_3_said_after_the_whole_dwell_and_taken_back_at_once() {
    let mut script = Script::default();
    script.at_rest_after_a_run();
    type Change = fn(&mut Inputs);
    let contradictions: [(&str, Change); 5] = [
        ("sick", |i| i.far = Reading::SensorFault(SensorFault::Open)),
        ("full", |i| reads(&mut i.far, 4_000.0)),
        ("below zero", |i| reads(&mut i.far, -4_000.0)),
        ("supply full", |i| {
            reads(&mut i.supply, 4_000.0);
        }),
        ("an output differs", |i| i.readback_mismatch = true),
    ];
    for (name, change) in contradictions {
        let step = script.poll_with(change);
        assert!(step.events.contains(&Event::Disconnect(Disconnect::Pressurised)), "{name}");
        if name != "an output differs" {
            script.pass(250);
            assert_eq!(script.disconnect(), Disconnect::Pressurised, "{name}");
        }
        script.pass(200);
        // And the person checks the gauge again.
        assert_eq!(script.disconnect(), Disconnect::Confirmed, "{name}");
    }
}

/// Time without a reading is not time measured: one good reading and then silence is never a dwell, even where samples
/// come so slowly that the silence is shorter than the time-out.
#[test]
fn rule_3_silence_is_not_part_of_the_dwell() {
    let (rig, recipe) = brisk();
    let rig = RawRig { safe_dwell_ms: 600, poll_gap_ms_max: 250, far_flickers: false, ..rig };
    let slow = RawRecipe { sample_period_ms: 100, zero_ms: 1_000, measure_ms_min: 1_600, ..recipe };
    let mut script = Script::on(&rig, &slow);
    let _ = script.poll();
    script.pass_with(700, |i| i.far = Reading::NoSample);
    assert_eq!(script.phase(), Phase::StartUp, "looked at for one reading and 700 ms of silence");
    script.until(Phase::Ready, 1_500);
}

/// With a sensor fault, whatever the reading, the far side is not empty: safe vent times out, and reports trapped.
#[test]
fn rule_3_a_sick_transducer_means_pressurised_whatever_it_reads() {
    let mut script = Script::in_phase(Phase::Measure);
    script.until_with(Phase::Trapped, 20_000, |i| i.far = Reading::Sample(Sample { counts: 0, number: 1 }));
    assert_eq!(script.faults(), [Fault::FarSensor, Fault::Trapped]);
    assert_eq!(script.disconnect(), Disconnect::Pressurised);
    // The way out is held open meanwhile.
    assert_eq!(script.outputs, Outputs::OPEN_TO_VENT);
}

/// Well below zero is a transducer error, not emptiness: shifted down, it never reads empty.
#[test]
fn rule_3_a_reading_well_below_zero_is_not_empty() {
    let mut script = Script::in_phase(Phase::Soak);
    let shift = |i: &mut Inputs| {
        if let Reading::Sample(sample) = &mut i.far {
            sample.counts -= RawRig::DEMO.far.counts(10_000.0) - RawRig::DEMO.far.zero_counts;
        }
    };
    script.until_with(Phase::Trapped, 60_000, shift);
    assert_eq!(script.disconnect(), Disconnect::Pressurised);
    assert!(script.rig.far < 3_000.0, "truly empty, but nobody can know");
}

/// A supply side that stays full, by a valve that passes or is opened by hand: neither measured empty nor started from.
#[test]
fn rule_3_a_full_supply_side_is_not_empty() {
    let full = |i: &mut Inputs| {
        reads(&mut i.supply, 400_000.0);
    };
    let mut script = Script::in_phase(Phase::Measure);
    script.until(Phase::SafeVent, 10_000).until_with(Phase::Trapped, 60_000, full);
    assert_eq!(script.disconnect(), Disconnect::Pressurised);

    let mut script = Script::default();
    script.at_rest_after_a_run().command(Command::Start(Sides::First));
    let step = script.poll_with(full);
    assert!(step.events.iter().any(|e| matches!(e, Event::Refused(r) if r.supply_not_empty)), "{:?}", step.events);
    assert_eq!(script.phase(), Phase::Ready);
    script.command(Command::Start(Sides::First));
    let step = script.poll_with(|i| i.readback_mismatch = true);
    assert!(step.events.iter().any(|e| matches!(e, Event::Refused(r) if r.readback_mismatch)), "{:?}", step.events);
}

/// A far transducer that is dead near zero follows no fill: it is not fed for long, and its readings prove nothing.
#[test]
fn rule_3_a_transducer_that_does_not_follow_the_fill_proves_nothing() {
    let (rig, recipe) = brisk();
    let mut script = Script::on(&RawRig { far_flickers: false, ..rig }, &recipe);
    script.start(Sides::Both).until_with(Phase::Fill, 1_000, |i| reads(&mut i.far, 0.0));
    let began = script.now;
    script.until_with(Phase::Fault, 60_000, |i| reads(&mut i.far, 0.0));
    assert_eq!(script.faults(), [Fault::FillStalled]);
    let (fed, _) = script.log.iter().find(|(_, e)| matches!(e, Event::Faulted(_))).expect("told");
    assert!(fed - began < 800_000, "fed blindly for {} µs", fed - began);
    script.pass_with(5_000, |i| reads(&mut i.far, 0.0));
    assert_eq!(script.disconnect(), Disconnect::Pressurised);
}

/// A reading that jumps to zero while the ball is shut is no emptiness, and no leak either.
#[test]
fn rule_3_a_reading_that_leaps_to_zero_proves_nothing() {
    for phase in [Phase::Settle, Phase::Measure] {
        let mut script = Script::in_phase(phase);
        script.until_with(Phase::Fault, 60_000, |i| reads(&mut i.far, 0.0));
        assert_eq!(script.faults(), [Fault::Slew], "{phase:?}");
        script.pass_with(5_000, |i| reads(&mut i.far, 0.0));
        assert_eq!((script.disconnect(), script.proved()), (Disconnect::Pressurised, Some(Verdict::Void)));
    }
    // In the safe vent it takes the verdict away as well.
    let mut script = Script::in_phase(Phase::Measure);
    script.until(Phase::SafeVent, 10_000).rig.stuck_shut = true;
    script.until_with(Phase::Fault, 60_000, |i| reads(&mut i.far, 0.0));
    assert_eq!(script.faults(), [Fault::NoSignOfLife]);
    assert_eq!((script.disconnect(), script.proved()), (Disconnect::Pressurised, Some(Verdict::Void)));
}

/// A transducer lost for a while between the fill and the vent has not followed the fall; nothing is reported until air
/// has been let in and out again.
#[test]
fn rule_3_after_a_lost_transducer_nothing_is_said() {
    let mut script = Script::in_phase(Phase::Soak);
    script.pass_with(200, |i| i.far = Reading::SensorFault(SensorFault::Open));
    script.until(Phase::Fault, 60_000).pass(5_000);
    assert_eq!(script.disconnect(), Disconnect::Pressurised);
    script.command(Command::Acknowledge).until(Phase::Ready, 100).pass(2_000);
    assert_eq!(script.disconnect(), Disconnect::Pressurised);
    script.command(Command::Start(Sides::First)).until(Phase::Precheck, 10_000);
    script.until(Phase::Ready, 60_000).pass(1_000);
    assert_eq!(script.disconnect(), Disconnect::Confirmed);
}

/// With a hand valve the prompts must be answered: an empty reading behind a lever that nobody has turned proves
/// nothing.
#[test]
fn rule_3_a_hand_valve_is_empty_only_once_its_prompts_are_answered() {
    for cavity_stroke in [true, false] {
        let mut script = by_hand();
        if !cavity_stroke {
            let (rig, recipe) = brisk();
            script = Script::on(&rig, &RawRecipe { actuation: Actuation::Hand, cavity_stroke, ..recipe });
        }
        script.start(Sides::First).until(Phase::Measure, 20_000).answers = false;
        script.command(Command::Abort).until_with(Phase::Trapped, 60_000, |i| reads(&mut i.far, 0.0));
        assert!(script.rig.far > 500_000.0, "the lever is shut");
        assert_eq!(script.disconnect(), Disconnect::Pressurised);
    }
    // Opened, and the further stroke never confirmed.
    let mut script = by_hand();
    script.start(Sides::First).until(Phase::Measure, 20_000).answers = false;
    script.command(Command::Abort).until(Phase::SafeVent, 100);
    script.rig.lever_open = true;
    script.command(Command::Confirm(Prompt::OpenToVent)).until(Phase::Trapped, 60_000);
    assert_eq!(script.disconnect(), Disconnect::Pressurised);
}

/// A confirmation applies to the open prompt, and no other.
#[test]
fn rule_4_a_confirmation_answers_only_what_was_asked() {
    let asks = [
        Prompt::OpenValve,
        Prompt::ShutValve,
        Prompt::OpenToVent,
        Prompt::WorkLever,
        Prompt::SwapEnds,
        Prompt::OpenBleed,
    ];
    let mut script = by_hand();
    script.answers = false;
    let mut seen = std::collections::BTreeSet::new();
    script.until(Phase::Ready, 10_000).command(Command::Start(Sides::Both));
    for _ in 0..20_000 {
        let _ = script.poll();
        let Some(asked) = script.sequencer.status().prompt else { continue };
        let new = seen.insert(format!("{:?} {asked:?}", script.phase()));
        for wrong in asks.into_iter().filter(|a| new && *a != asked) {
            let phase = script.phase();
            let _ = script.command(Command::Confirm(wrong)).poll();
            assert_eq!((script.phase(), script.sequencer.status().prompt), (phase, Some(asked)), "{wrong:?}");
        }
        // Now the right one, as a person would, with the guard opened for the swap.
        script.answers = true;
        script.pass(40);
        script.answers = false;
    }
    assert!(seen.len() >= 6, "{seen:?}");
    assert_eq!(script.proved(), Some(Verdict::Tight));
}

/// The further stroke is confirmed by the shut switch where one is fitted: if it never closes, the cavity may be full.
#[test]
fn rule_3_the_further_stroke_is_seen_by_the_shut_switch() {
    let (rig, recipe) = brisk();
    let rig = RawRig { shut_switch_fitted: true, ..rig };
    for actuation in [Actuation::Air, Actuation::Hand] {
        let mut script = Script::on(&rig, &RawRecipe { actuation, ..recipe });
        let truly = |i: &mut Inputs, open: bool| i.contacts.valve_shut = !open;
        // As it is while the run goes on: the switch follows the ball.
        script.until(Phase::Ready, 10_000).command(Command::Start(Sides::First));
        while script.phase() != Phase::Measure {
            let open = script.rig.open(script.outputs);
            let _ = script.poll_with(|i| truly(i, open));
        }
        // From here on it never reads shut.
        script.until_with(Phase::Trapped, 60_000, |i| i.contacts.valve_shut = false);
        assert_eq!(script.disconnect(), Disconnect::Pressurised, "{actuation:?}");
    }
}

/// With the further stroke switched off the report differs: the cavity may hold pressure, whatever a person confirms.
#[test]
fn rule_3_without_the_further_stroke_the_cavity_is_unknown() {
    let (rig, recipe) = brisk();
    let mut script = Script::on(&rig, &RawRecipe { cavity_stroke: false, ..recipe });
    script.run(Sides::Both).pass(2_000);
    assert_eq!(script.proved(), Some(Verdict::Tight));
    assert_eq!(script.disconnect(), Disconnect::CavityUnknown);
    assert!(!script.saw(&Event::Disconnect(Disconnect::ReadsEmpty)));
    assert!(!script.saw(&Event::Disconnect(Disconnect::Confirmed)));
}

/// The bleed is prompted before the ends; the ends are swapped behind the guard, or they were not.
#[test]
fn rule_4_ends_are_swapped_behind_an_open_guard_after_the_bleed() {
    let mut script = Script::in_phase(Phase::Measure);
    script.until(Phase::Swap, 20_000).answers = false;
    assert_eq!(script.sequencer.status().prompt, None, "not yet read empty at rest");
    script.pass(1_000);
    assert_eq!(script.sequencer.status().prompt, Some(Prompt::OpenBleed));
    let _ = script.command(Command::Confirm(Prompt::OpenBleed)).poll();
    assert_eq!(
        (script.disconnect(), script.sequencer.status().prompt),
        (Disconnect::Confirmed, Some(Prompt::SwapEnds))
    );
    let step = script.command(Command::Confirm(Prompt::SwapEnds)).poll();
    assert!(matches!(step.events.as_slice(), [Event::Refused(r), ..] if r.guard_not_opened), "{:?}", step.events);
    script.pass_with(100, |i| i.contacts.guard_closed = false);
    let step = script.command(Command::Confirm(Prompt::SwapEnds)).poll();
    assert!(step.events.iter().any(|e| matches!(e, Event::Entered { phase: Phase::Precheck, .. })));

    // Where no guard is fitted there is nothing to go by.
    let (rig, recipe) = brisk();
    let mut script = Script::on(&RawRig { guard_fitted: false, ..rig }, &recipe);
    script.run(Sides::Both);
    assert_eq!(script.proved(), Some(Verdict::Tight));
}

/// Pressure that comes back while waiting at rest, on either side and for longer than interference, voids the state:
/// the cavity may have filled again. Only another opening into the vent restores it, and no ends are swapped meanwhile.
#[test]
fn rule_3_pressure_that_comes_back_needs_another_opening() {
    let full = |i: &mut Inputs| {
        reads(&mut i.supply, 400_000.0);
    };
    let mut script = Script::default();
    script.at_rest_after_a_run().pass_with(500, full).pass(5_000);
    assert_eq!(script.disconnect(), Disconnect::Pressurised);
    let _ = script.command(Command::Start(Sides::First)).poll();
    assert_eq!(script.phase(), Phase::SafeVent, "opened first");

    let mut script = Script::in_phase(Phase::Measure);
    script.until(Phase::Swap, 20_000).answers = false;
    script.pass(1_000).command(Command::Confirm(Prompt::OpenBleed)).pass(100);
    assert_eq!(script.sequencer.status().prompt, Some(Prompt::SwapEnds));
    let _ = script.poll_with(full);
    assert_eq!(script.sequencer.status().prompt, None, "taken back with the word");
    script.pass_with(500, full);
    assert_eq!(script.phase(), Phase::Ready);
    assert_eq!(script.result(seathold_sequencer::input::Side::Second).reason, Reason::NotEmpty);
    assert_eq!(script.disconnect(), Disconnect::Pressurised);
}

/// A first side that was not empty to begin with is the last: there is nothing to swap ends for.
#[test]
fn rule_4_after_a_side_that_was_not_empty_no_ends_are_swapped() {
    let mut script = Script::in_phase(Phase::Precheck);
    script.rig.far = 2_500.0;
    script.until(Phase::Ready, 10_000);
    assert_eq!(script.result(seathold_sequencer::input::Side::First).reason, Reason::NotEmpty);
    assert!(!script.saw(&Event::Prompted(Prompt::SwapEnds)));
}

/// A stroke that lets pressure out again, or that an output did not follow, has not emptied the cavity for good:
/// another one is made.
#[test]
fn rule_3_pressure_in_the_further_stroke_asks_for_another() {
    type Change = fn(&mut Inputs);
    let doubts: [Change; 2] = [|i| reads(&mut i.far, 50_000.0), |i| i.readback_mismatch = true];
    for doubt in doubts {
        let mut script = Script::in_phase(Phase::Soak);
        script.command(Command::Abort).until(Phase::SafeVent, 100);
        let (mut strokes, mut pilot, mut bent) = (0, Pilot::Fed, false);
        while script.phase() == Phase::SafeVent {
            let now_shut = script.outputs.pilot == Pilot::Exhausted;
            let step = script.poll_with(|i| {
                if now_shut && !bent {
                    doubt(i);
                    bent = true;
                }
            });
            strokes += u32::from(pilot == Pilot::Fed && step.outputs.pilot == Pilot::Exhausted);
            pilot = step.outputs.pilot;
        }
        // Two further strokes, and the last one to rest.
        assert_eq!(strokes, 3);
        script.pass(1_000);
        assert_eq!(script.disconnect(), Disconnect::Confirmed);
    }
}

/// A changeover longer than the dwell: what is read while the vent still waits for it is not read with the ball open into
/// the vent, and a stroke made then lets nothing out.
#[test]
fn rule_3_nothing_counts_before_the_vent_is_open() {
    for (changeover_ms, cavity_stroke) in [(2_000, true), (2_000, false), (600, false), (450, true)] {
        let (rig, recipe) = brisk();
        let rig = RawRig { changeover_ms, supply: None, ..rig };
        let recipe = RawRecipe { cavity_stroke, vent_ms: 3_000, vent_ms_max: 6_000, ..recipe };
        let mut script = Script::on(&rig, &recipe);
        script.start(Sides::First).until(Phase::Soak, 20_000).pass(100);
        // The far reading sinks to nothing, step by step, while the pressure stays.
        let sunk = script.now;
        let sinking = |now: u64, i: &mut Inputs| {
            let left = 1.0 - (now - sunk) as f64 / 600_000.0;
            reads(&mut i.far, 600_000.0 * left.max(0.0));
        };
        let mut vent_was_open = false;
        while !matches!(script.phase(), Phase::Ready | Phase::Fault | Phase::Trapped) {
            let now = script.now + script.poll_us;
            let step = script.poll_with(|i| sinking(now, i));
            vent_was_open |= step.outputs.vent == GasValve::Open;
            let told = script.disconnect() != Disconnect::Pressurised;
            assert!(!told || script.rig.far < 3_000.0, "{changeover_ms}: said empty at {} Pa", script.rig.far);
        }
        assert!(vent_was_open, "{changeover_ms}: the vent was never opened");
        assert!(script.rig.far < 3_000.0, "{changeover_ms}: {} Pa left", script.rig.far);
    }
}

/// Without a recipe it is known neither what makes a stroke nor how long that takes: never that the cavity is empty, and
/// nothing before the slowest valve is at rest.
#[test]
fn rule_3_without_a_recipe_the_cavity_is_unknown_and_the_slowest_stroke_is_waited_for() {
    let mut script = Script::in_phase(Phase::Measure);
    script.sequencer = Sequencer::new(RawRig::DEMO.validate().expect("demo rig"), None);
    script.answers = true;
    script.until(Phase::SafeVent, 5_000).until(Phase::Ready, 70_000);
    let at_rest = script.now;
    while script.disconnect() == Disconnect::Pressurised {
        let _ = script.poll();
    }
    assert_eq!(script.disconnect(), Disconnect::CavityUnknown);
    assert!(script.now - at_rest >= 89_000_000, "{} µs", script.now - at_rest);
}

/// A clock that goes back as everything goes to rest shortens no wait: the ball may still move.
#[test]
fn rule_3_a_clock_that_goes_back_shortens_no_rest() {
    for jumps in [0, 1, 6, 30] {
        let (rig, recipe) = brisk();
        let mut script = Script::on(&rig, &RawRecipe { stroke_time_ms: 1_000, ..recipe });
        script.answers = false;
        script.start(Sides::First).until(Phase::Measure, 20_000).until(Phase::Ready, 20_000);
        let mut polls = 0;
        while script.disconnect() == Disconnect::Pressurised {
            if polls < jumps {
                script.now -= 11_000;
            }
            let _ = script.poll();
            polls += 1;
        }
        // A stroke and a half, in true polls of 10 ms.
        assert!((149..=185).contains(&polls), "{jumps} jumps: {polls} polls");
    }
}

/// The guard opened and closed before the question, as for the bleed, is not the opening in which ends are swapped.
#[test]
fn rule_4_an_opening_of_the_guard_before_the_question_swaps_nothing() {
    let mut script = Script::default();
    script.answers = false;
    script.start(Sides::Both).until(Phase::Swap, 60_000);
    script.pass_with(50, |i| i.contacts.guard_closed = false);
    while script.sequencer.status().prompt != Some(Prompt::OpenBleed) {
        let _ = script.poll();
    }
    let _ = script.command(Command::Confirm(Prompt::OpenBleed)).poll();
    assert_eq!(script.sequencer.status().prompt, Some(Prompt::SwapEnds));
    let step = script.command(Command::Confirm(Prompt::SwapEnds)).poll();
    assert!(step.events.iter().any(|e| matches!(e, Event::Refused(r) if r.guard_not_opened)), "{:?}", step.events);
    assert_eq!(script.phase(), Phase::Swap);
    script.pass_with(50, |i| i.contacts.guard_closed = false);
    let _ = script.command(Command::Confirm(Prompt::SwapEnds)).poll();
    assert_eq!(script.phase(), Phase::Precheck);
}
