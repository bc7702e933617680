//! The ten safety rules, each with its own test, on a rig without physics. Together they are checked over random inputs
//! in `any_inputs.rs`. The rules are stated in docs/rig-and-safety.md.

use seathold_machine::script::{FED, Script, brisk, reads};
use seathold_sequencer::event::{Disconnect, Event, Fault, Phase};
use seathold_sequencer::input::{Command, Prompt, Reading, Sample, SensorFault, Side, Sides};
use seathold_sequencer::limits::OUTPUT_TEST_MS;
use seathold_sequencer::output::{Coil, GasValve, Outputs, Pilot};
use seathold_sequencer::recipe::{Actuation, RawRecipe};
use seathold_sequencer::rig::RawRig;
use seathold_sequencer::step::Sequencer;
use seathold_sequencer::time::Instant;
use seathold_sequencer::verdict::{Reason, Verdict};

const LIVE: [Phase; 7] =
    [Phase::Precheck, Phase::Fill, Phase::Soak, Phase::Isolate, Phase::Vent, Phase::Settle, Phase::Measure];

/// The state after a fault in this phase, in its own poll, and by the end of the changeover: with air in the valve it
/// is opened into the vent, before that everything is at rest.
fn ends_by_the_changeover(script: &mut Script, phase: Phase) {
    let fed = FED.contains(&phase);
    let pilot = if fed { Pilot::Fed } else { Pilot::Exhausted };
    assert_eq!((script.outputs.supply, script.outputs.pilot), (GasValve::Shut, pilot), "{phase:?}");
    script.pass(60);
    assert_eq!(script.outputs, if fed { Outputs::OPEN_TO_VENT } else { Outputs::REST }, "{phase:?}");
}

#[test]
fn a_tight_valve_is_proved_from_both_sides() {
    let mut script = Script::default();
    script.run(Sides::Both);
    assert_eq!(script.proved(), Some(Verdict::Tight));
    assert_eq!(script.result(Side::First).reason, Reason::Measured);
    assert_eq!(script.result(Side::Second).verdict, Verdict::Tight);
    assert!(script.faults().is_empty());
}

#[test]
fn a_leaking_valve_is_told_with_its_figure() {
    let mut script = Script::default();
    // 200 Pa/s in 45 cm³ is 9e-3 Pa·m³/s, twelve times the limit.
    script.rig.leak = 200.0;
    script.run(Sides::First);
    let result = script.result(Side::First);
    assert_eq!((result.verdict, result.reason), (Verdict::Leaking, Reason::Measured));
    let figure = result.estimate.expect("a figure");
    assert!((figure.leak.pa_m3_s() - 9e-3).abs() < figure.expanded.pa_m3_s(), "{figure:?}");
}

/// Rule 1. The outputs are checked at every poll of every script; here the two moments where supply and vent change
/// over are checked closely: there is a poll between with both shut.
#[test]
fn rule_1_supply_and_vent_change_over_through_both_shut() {
    let mut script = Script::default();
    script.until(Phase::Ready, 10_000).command(Command::Start(Sides::First));
    let mut seen = vec![];
    while seen.is_empty() || script.phase() != Phase::Ready {
        let step = script.poll();
        let now = (step.outputs.supply, step.outputs.vent);
        if seen.last() != Some(&now) {
            seen.push(now);
        }
    }
    use GasValve::{Open, Shut};
    assert_eq!(seen, [(Shut, Open), (Shut, Shut), (Open, Shut), (Shut, Shut), (Shut, Open)]);
}

/// Rule 2. A fault in any phase with air in it: supply shut in the same poll, then, by way of the changeover, the valve
/// open into the vent.
#[test]
fn rule_2_a_fault_after_air_was_fed_opens_the_valve_into_the_vent() {
    for phase in FED {
        let mut script = Script::in_phase(phase);
        let step = script.poll_with(|i| i.contacts.guard_closed = false);
        assert_eq!((step.outputs.supply, step.outputs.pilot), (GasValve::Shut, Pilot::Fed), "{phase:?}");
        script.pass(60);
        assert_eq!(script.outputs, Outputs::OPEN_TO_VENT, "{phase:?}");
        assert_eq!(script.faults(), [Fault::GuardOpen], "{phase:?}");
        script.until(Phase::Fault, 10_000);
        assert!(script.rig.far < 3_000.0);
    }
}

/// Rule 2. An abort does the same, and latches nothing.
#[test]
fn rule_2_an_abort_after_air_was_fed_opens_the_valve_into_the_vent() {
    for phase in FED {
        let mut script = Script::in_phase(phase);
        let step = script.command(Command::Abort).poll();
        assert_eq!((step.outputs.supply, step.outputs.pilot), (GasValve::Shut, Pilot::Fed), "{phase:?}");
        script.pass(60);
        assert_eq!(script.outputs, Outputs::OPEN_TO_VENT, "{phase:?}");
        script.until(Phase::Ready, 10_000);
        assert_eq!(script.proved(), Some(Verdict::Void), "{phase:?}");
        assert_eq!(script.result(Side::First).reason, Reason::Aborted);
    }
}

/// Rule 2. A link lost while the operator is needed.
#[test]
fn rule_2_a_lost_link_matters_only_while_the_operator_is_needed() {
    let (rig, recipe) = brisk();
    let hand = RawRecipe { actuation: Actuation::Hand, ..recipe };
    let mut script = Script::on(&rig, &hand);
    script.start(Sides::First).answers = false;
    script.until(Phase::Fill, 1_000);
    // Nothing fed yet: nothing moves.
    let step = script.poll_with(|i| i.link_up = false);
    assert_eq!((step.outputs, script.phase()), (Outputs::REST, Phase::Fault));
    assert_eq!(script.faults(), [Fault::LinkLost]);
    let mut script = Script::on(&rig, &hand);
    script.start(Sides::First).until(Phase::Isolate, 10_000).answers = false;
    let _ = script.poll_with(|i| i.link_up = false);
    assert_eq!((script.phase(), script.faults()), (Phase::SafeVent, vec![Fault::LinkLost]));

    let mut by_air = Script::in_phase(Phase::Measure);
    by_air.until_with(Phase::SafeVent, 10_000, |i| i.link_up = false);
    assert!(by_air.faults().is_empty());
}

/// Rule 3. A clock that went back does not make an old sample a new one.
#[test]
fn rule_3_an_old_sample_is_not_a_reading_after_the_clock_went_back() {
    let mut script = Script::default();
    let Reading::Sample(old) = script.rig.read().far else { unreachable!("the ideal rig reads at every poll") };
    let _ = script.poll_with(|i| i.far = Reading::Sample(old));
    script.now -= 500_000;
    script.pass_with(40, |i| i.far = Reading::Sample(old));
    assert_eq!(script.sequencer.status().far, seathold_sequencer::input::ChannelState::Unknown);
}

/// Rule 4. Acknowledging, early or late, never skips the safe vent.
#[test]
fn rule_4_acknowledging_does_not_skip_the_safe_vent() {
    let mut script = Script::in_phase(Phase::Measure);
    script.rig.stuck_shut = true;
    script.poll_with(|i| i.contacts.guard_closed = false).events.clear();
    script.command(Command::Acknowledge).pass(100);
    assert_eq!(script.phase(), Phase::SafeVent);
    script.until(Phase::Trapped, 20_000);
    script.pass(5_000);
    assert_eq!(script.phase(), Phase::Trapped, "stays latched");
    script.command(Command::Acknowledge).pass(100);
    assert_eq!(script.phase(), Phase::SafeVent, "acknowledged, it tries again");
    assert_eq!(script.disconnect(), Disconnect::Pressurised);
    script.rig.stuck_shut = false;
    script.until(Phase::Ready, 20_000);
    assert_eq!(script.result(Side::First).verdict, Verdict::Void);
}

/// Rule 4. A latched fault waits, at rest and measured empty, for a deliberate acknowledgement.
#[test]
fn rule_4_a_latched_fault_waits_for_its_acknowledgement() {
    let mut script = Script::in_phase(Phase::Soak);
    let _ = script.poll_with(|i| i.contacts.guard_closed = false);
    script.until(Phase::Fault, 10_000).pass(200_000);
    assert_eq!(script.phase(), Phase::Fault);
    let step = script.command(Command::Start(Sides::Both)).poll();
    assert!(matches!(step.events.as_slice(), [Event::Refused(r), ..] if r.busy));
    script.command(Command::Acknowledge).until(Phase::Ready, 100);
}

/// Rule 5. Above the recipe's maximum supply is shut in the poll that detects it.
#[test]
fn rule_5_over_pressure_shuts_supply_within_one_poll() {
    for phase in [Phase::Fill, Phase::Soak, Phase::Isolate] {
        let mut script = Script::in_phase(phase);
        assert_eq!(script.outputs.supply, GasValve::Open, "{phase:?}");
        // A regulator that has failed open.
        script.rig.shop = 720_000.0;
        script.rig.supply = 720_000.0;
        script.rig.far = 720_000.0;
        let step = script.poll();
        assert_eq!((step.outputs.supply, step.outputs.vent), (GasValve::Shut, GasValve::Open), "{phase:?}");
        assert_eq!(script.faults(), [Fault::OverPressure], "{phase:?}");
    }
}

/// Rule 5. The recipe's maximum holds on the supply side too.
#[test]
fn rule_5_the_maximum_holds_on_the_supply_side() {
    let mut script = Script::in_phase(Phase::Soak);
    script.rig.shop = 720_000.0;
    script.rig.supply = 720_000.0;
    // The far side alone would not detect it: a stuck ball.
    script.rig.stuck_shut = true;
    let step = script.poll();
    assert_eq!(step.outputs.supply, GasValve::Shut);
    assert_eq!(script.faults(), [Fault::SupplyOverPressure]);
}

/// Rule 6. Each way a phase can fail to end has its own name.
#[test]
fn rule_6_every_time_out_has_a_named_outcome() {
    // Fill: too little supply, or so slow that it would never end.
    for (rises, fault) in [(0.0, Fault::FillStalled), (90_000.0, Fault::FillTimeout)] {
        let mut script = Script::default();
        script.rig.shop = 100_000.0;
        script.start(Sides::First).until(Phase::Fill, 1_000);
        while script.phase() == Phase::Fill {
            script.rig.shop += rises * 0.01;
            let _ = script.poll();
        }
        script.until(Phase::Fault, 20_000);
        assert_eq!(script.faults(), [fault]);
    }

    // Isolate: a shut switch that never closes.
    let (rig, recipe) = brisk();
    let mut script = Script::on(&RawRig { shut_switch_fitted: true, ..rig }, &recipe);
    script.until(Phase::Ready, 10_000).command(Command::Start(Sides::First));
    while script.phase() != Phase::Isolate {
        let open = script.rig.open(script.outputs);
        let _ = script.poll_with(|i| i.contacts.valve_shut = !open);
    }
    script.until(Phase::SafeVent, 20_000);
    assert_eq!(script.faults(), [Fault::NotShut]);

    // Vent: the silencer is blocked.
    let mut script = Script::in_phase(Phase::Vent);
    script.until_with(Phase::SafeVent, 20_000, |i| reads(&mut i.supply, 600_000.0));
    assert_eq!(script.faults(), [Fault::VentTimeout]);

    // Hand: nobody answers.
    let hand = RawRecipe { actuation: Actuation::Hand, ..recipe };
    let mut script = Script::on(&rig, &hand);
    script.start(Sides::First).answers = false;
    script.until(Phase::Fault, 20_000);
    assert_eq!(script.faults(), [Fault::NoAnswer(Prompt::OpenValve)]);

    // Safe vent: the valve cannot be opened.
    let mut script = Script::in_phase(Phase::Settle);
    script.rig.stuck_shut = true;
    script.command(Command::Abort).until(Phase::Trapped, 20_000);
    assert_eq!(script.faults(), [Fault::Trapped]);

    // Swap: nobody swaps.
    let mut script = Script::in_phase(Phase::Measure);
    script.until(Phase::SafeVent, 10_000).answers = false;
    script.until(Phase::Swap, 10_000).until(Phase::Ready, 20_000);
    assert_eq!(script.result(Side::Second).reason, Reason::NotSwapped);
    assert_eq!(script.proved(), Some(Verdict::Void));
}

/// Rule 6. The changeover between supply and vent is a rig's own time, which is on top of any recipe's limit: the
/// slowest rig and the shortest limits still end in a verdict.
#[test]
fn rule_6_limits_leave_room_for_the_changeover() {
    let (rig, recipe) = brisk();
    let slowest = RawRig { changeover_ms: 2_000, poll_gap_ms_max: 50, safe_vent_ms_max: 8_000, ..rig };
    let shortest = RawRecipe { vent_ms: 500, vent_ms_max: 500, fill_ms_max: 500, answer_ms_max: 1_000, ..recipe };
    for supply in [rig.supply, None] {
        for actuation in [Actuation::Air, Actuation::Hand] {
            let mut script = Script::on(&RawRig { supply, ..slowest }, &RawRecipe { actuation, ..shortest });
            script.start(Sides::First).until(Phase::SafeVent, 60_000);
            assert_eq!(script.faults(), [], "{actuation:?}");
            script.until(Phase::Ready, 60_000);
            assert_eq!(script.result(Side::First).verdict, Verdict::Tight);
        }
    }
}

/// Rule 6. A refused command delays no phase, however often it is given.
#[test]
fn rule_6_refused_commands_hold_no_phase_up() {
    for phase in LIVE.into_iter().chain([Phase::SafeVent]) {
        let mut script = Script::in_phase(phase);
        let limit_us = script.sequencer.limit().expect("a limit").as_ticks();
        let end = script.now + limit_us;
        while script.phase() == phase {
            assert!(script.now <= end, "{phase:?} is held up by refused starts");
            let _ = script.command(Command::Start(Sides::Both)).poll();
        }
    }
    // Swap confirmed, with the guard open: refused, still prompted, and finally timed out.
    let mut script = Script::in_phase(Phase::Measure);
    script.until(Phase::SafeVent, 10_000).answers = false;
    script.until(Phase::Swap, 10_000).pass(500).command(Command::Confirm(Prompt::OpenBleed));
    let _ = script.poll();
    let end = script.now + script.sequencer.limit().expect("a limit").as_ticks();
    while script.phase() == Phase::Swap {
        assert!(script.now <= end, "the swap is held up by refused confirmations");
        assert_eq!(script.sequencer.status().prompt, Some(Prompt::SwapEnds));
        script.command(Command::Confirm(Prompt::SwapEnds));
        let _ = script.poll_with(|i| i.contacts.guard_closed = false);
    }
    assert_eq!(script.result(Side::Second).reason, Reason::NotSwapped);
}

/// Rule 7. Only a recipe validated as a whole can reach the sequencer, by its type; every broken rule is reported, all
/// at once.
#[test]
fn rule_7_a_recipe_is_checked_as_a_whole_and_every_error_told() {
    let rig = RawRig::DEMO.validate().expect("demo rig");
    let bad = RawRecipe {
        target_pa: 2_000_000,
        pressure_max_pa: 10,
        measure_ms_min: 60_001,
        limit_pa_m3_s: f64::NAN,
        ..RawRecipe::DEMO
    };
    let errors = bad.validate(&rig).expect_err("five rules broken");
    let named: Vec<_> = errors.as_slice().iter().map(|e| e.field).collect();
    for field in ["target", "pressure_max", "measure_min", "limit"] {
        assert!(named.contains(&field), "{field} is not among {named:?}");
    }
}

/// Rule 8. Outputs are given at every step, also when nothing is new, and the poll loop sets them and only then feeds
/// the watchdog.
#[test]
fn rule_8_outputs_are_refreshed_every_poll_and_then_the_watchdog() {
    use seathold_sequencer::input::{Contacts, Inputs};
    use seathold_sequencer::io::{Hardware, Operator};
    use seathold_sequencer::poll_loop;

    #[derive(Default)]
    struct Counting {
        calls: Vec<&'static str>,
        breaks: bool,
    }
    impl Hardware for Counting {
        type Error = ();
        fn now(&mut self) -> Instant {
            Instant::from_ticks(self.calls.len() as u64)
        }
        fn far(&mut self) -> nb::Result<Sample, SensorFault> {
            Err(nb::Error::WouldBlock)
        }
        fn contacts(&mut self) -> Contacts {
            Inputs::IDLE.contacts
        }
        fn apply(&mut self, _: Outputs) -> Result<(), ()> {
            self.calls.push("apply");
            if self.breaks { Err(()) } else { Ok(()) }
        }
        fn readback_mismatch(&mut self) -> bool {
            false
        }
        fn retain_stop(&mut self, _: bool) {
            self.calls.push("retain");
        }
        fn feed_watchdog(&mut self) {
            self.calls.push("alive");
        }
    }
    struct Nobody;
    impl Operator for Nobody {
        fn link_up(&mut self) -> bool {
            true
        }

        fn command(&mut self, _: Instant, _: Phase) -> Option<Command> {
            None
        }
        fn notify(&mut self, _: Instant, _: &Event) {}
    }

    let mut sequencer = Sequencer::new(RawRig::DEMO.validate().expect("demo rig"), None);
    let mut hardware = Counting::default();
    for _ in 0..2 {
        let polled = poll_loop::poll(&mut sequencer, &mut hardware, &mut Nobody).expect("outputs set");
        assert_eq!(polled.outputs, Outputs::REST);
    }
    assert_eq!(hardware.calls, ["retain", "apply", "alive", "retain", "apply", "alive"]);
    hardware.breaks = true;
    assert!(poll_loop::poll(&mut sequencer, &mut hardware, &mut Nobody).is_err());
    // Outputs not set: the watchdog must reset; and the state that must survive the reset has been retained before.
    assert_eq!(hardware.calls[6..], ["retain", "apply"]);
}

/// Rule 9. One bad sample in the window restarts it; the verdict rests on the samples after it.
#[test]
fn rule_9_a_bad_sample_in_the_window_is_never_part_of_a_verdict() {
    let mut script = Script::in_phase(Phase::Measure);
    script.pass(300);
    let hit = script.now;
    let _ = script.poll_with(|i| i.far = Reading::SensorFault(SensorFault::Device));
    script.until(Phase::SafeVent, 10_000);
    let (_, measured) = script.log.iter().find(|(at, e)| *at > hit && matches!(e, Event::Restarted(_))).expect("told");
    assert!(matches!(measured, Event::Restarted(_)));
    script.until(Phase::Swap, 10_000);
    let figure = script.result(Side::First).estimate.expect("a figure");
    let window_us = u64::from(figure.window_ms) * 1_000;
    assert!(script.now - window_us > hit, "the window reaches back over the bad sample");
}

/// Rule 9. Always disturbed: void, not tight.
#[test]
fn rule_9_a_window_that_is_never_clean_is_void() {
    let mut script = Script::in_phase(Phase::Measure);
    let mut poll = 0;
    script.until_with(Phase::SafeVent, 20_000, |i| {
        poll += 1;
        if poll % 20 == 0 {
            i.far = Reading::SensorFault(SensorFault::Device);
        }
    });
    script.until(Phase::Swap, 10_000);
    assert_eq!(
        (script.result(Side::First).verdict, script.result(Side::First).reason),
        (Verdict::Void, Reason::Disturbed)
    );
}

/// Rule 9. A valve shut in at less than the test pressure, because the supply sagged just then, has not been tested at
/// it: not tight. One that leaks even so is leaking.
#[test]
fn rule_9_shut_in_out_of_band_is_never_tight() {
    for (leak, verdict, ground) in
        [(0.0, Verdict::Void, Reason::OutOfBand), (200.0, Verdict::Leaking, Reason::Measured)]
    {
        let mut script = Script::in_phase(Phase::Isolate);
        script.rig.leak = leak;
        (script.rig.shop, script.rig.supply, script.rig.far) = (570_000.0, 570_000.0, 570_000.0);
        script.until(Phase::SafeVent, 20_000).until(Phase::Swap, 20_000);
        assert_eq!((script.result(Side::First).verdict, script.result(Side::First).reason), (verdict, ground));
    }
}

/// Rule 9. A fault after the measurement, before the far side has been measured empty, voids the verdict.
#[test]
fn rule_9_a_fault_after_measuring_takes_the_verdict_away() {
    let mut script = Script::in_phase(Phase::Measure);
    script.until(Phase::SafeVent, 10_000);
    script.rig.stuck_shut = true;
    script.rig.far = 500_000.0;
    script.until(Phase::Trapped, 20_000);
    script.rig.stuck_shut = false;
    script.command(Command::Acknowledge).until(Phase::Ready, 20_000);
    let result = script.result(Side::First);
    assert_eq!((result.verdict, result.reason), (Verdict::Void, Reason::Fault));
}

/// Rule 9. What was final before a fault is not taken away by it; the run is void all the same.
#[test]
fn rule_9_a_side_that_was_final_before_a_fault_keeps_its_result() {
    let mut script = Script::default();
    script.start(Sides::Both).until(Phase::Swap, 120_000);
    assert_eq!(script.result(Side::First).verdict, Verdict::Tight);
    script.until(Phase::Measure, 120_000);
    let _ = script.poll_with(|inputs| inputs.contacts.stop = true);
    script.until(Phase::EmergencyStopped, 10_000);
    script.command(Command::Acknowledge).until(Phase::Ready, 120_000);
    assert_eq!(script.result(Side::First).verdict, Verdict::Tight);
    let second = script.result(Side::Second);
    assert_eq!((second.verdict, second.reason), (Verdict::Void, Reason::Fault));
    assert_eq!(script.proved(), Some(Verdict::Void));
}

/// Rule 10. A clock that goes back, in any phase of a test.
#[test]
fn rule_10_a_clock_that_goes_back_voids_the_run() {
    for phase in LIVE {
        let mut script = Script::in_phase(phase);
        script.now -= 700_000;
        let _ = script.poll();
        ends_by_the_changeover(&mut script, phase);
        assert_eq!(script.faults(), [Fault::Clock], "{phase:?}");
        script.until(Phase::Fault, 10_000);
        assert_eq!(script.proved(), Some(Verdict::Void));
    }
}

/// Rule 10. A 32-bit microsecond counter that wraps is a clock that goes back.
#[test]
fn rule_10_a_wrapped_counter_is_seen() {
    let mut script = Script::default();
    script.now = u64::from(u32::MAX) - 2_500_000;
    script.start(Sides::First).until(Phase::Fill, 1_000);
    while script.now + script.poll_us <= u64::from(u32::MAX) {
        let _ = script.poll();
    }
    script.now = (script.now + script.poll_us) % (u64::from(u32::MAX) + 1);
    let _ = script.poll();
    assert_eq!(script.faults(), [Fault::Clock]);
}

/// Rule 10. A gap between polls.
#[test]
fn rule_10_a_stalled_loop_voids_the_run() {
    for phase in LIVE {
        let mut script = Script::in_phase(phase);
        script.now += 300_000;
        let _ = script.poll();
        ends_by_the_changeover(&mut script, phase);
        assert_eq!(script.faults(), [Fault::Stalled], "{phase:?}");
    }
}

/// Rule 10. Lost and repeated samples restart the window.
#[test]
fn rule_10_lost_and_repeated_samples_spoil_the_window() {
    for lost in [true, false] {
        let mut script = Script::in_phase(Phase::Measure);
        script.pass(300);
        if lost {
            let _ = script.rig.read();
        }
        let _ = script.poll_with(|i| {
            if let (false, Reading::Sample(sample)) = (lost, &mut i.far) {
                sample.number -= 1;
            }
        });
        assert!(script.log.iter().any(|(_, e)| matches!(e, Event::Restarted(_))), "lost: {lost}");
    }
}

/// The hazard of a ball's cavity: after the far side is empty the valve makes one further stroke, and only then is it
/// safe.
#[test]
fn the_valve_makes_a_further_stroke_before_it_is_safe() {
    let mut script = Script::in_phase(Phase::Measure);
    script.until(Phase::SafeVent, 10_000);
    let mut pilots = vec![];
    while script.phase() == Phase::SafeVent {
        let step = script.poll();
        if pilots.last() != Some(&step.outputs.pilot) {
            pilots.push(step.outputs.pilot);
        }
    }
    assert_eq!(pilots, [Pilot::Fed, Pilot::Exhausted, Pilot::Fed, Pilot::Exhausted]);
}

/// A hand valve whose lever is not turned although the operator confirms it.
#[test]
fn a_prompt_is_not_assumed_obeyed() {
    let (rig, recipe) = brisk();
    let hand = RawRecipe { actuation: Actuation::Hand, ..recipe };
    // Never opened: nothing arrives at the far side.
    let mut script = Script::on(&rig, &hand);
    script.rig.stuck_shut = true;
    script.start(Sides::First).until(Phase::Fault, 20_000);
    assert_eq!(script.faults(), [Fault::FillStalled]);
    // Never shut: the far side goes with the supply.
    let mut script = Script::on(&rig, &hand);
    script.rig.stuck_open = true;
    script.run(Sides::First);
    assert_eq!(script.result(Side::First).reason, Reason::WentWithSupply);
    assert_eq!(script.result(Side::First).verdict, Verdict::Leaking);
}

/// Nothing new in a step changes nothing: the same step repeated gives the same outputs and no events, and the run
/// continues exactly as without it.
#[test]
fn an_early_or_repeated_step_changes_nothing() {
    for phase in LIVE {
        let mut plain = Script::in_phase(phase);
        let mut repeated = plain.clone();
        for _ in 0..200 {
            let _ = plain.poll();
            let step = repeated.poll();
            let again = repeated.step(repeated.now, &seathold_sequencer::input::Inputs::IDLE);
            assert!(again.events.is_empty(), "{phase:?}: {:?}", again.events);
            assert_eq!(again.outputs, step.outputs, "{phase:?}");
        }
        assert_eq!(plain.log, repeated.log, "{phase:?}");
    }
}

/// An empty far side that reads below the atmosphere, or jumps about, is a transducer error; one that is not empty is
/// no fault, but nothing to test from.
#[test]
fn the_precheck_tells_implausible_from_not_empty() {
    for (pascals, alternating) in [(-2_500.0, false), (1_500.0, true)] {
        let mut script = Script::in_phase(Phase::Precheck);
        script.rig.noise = 0.0;
        let mut poll = 0;
        while script.phase() == Phase::Precheck {
            poll += 1;
            script.rig.far = if alternating && poll % 2 == 0 { 0.0 } else { pascals };
            let _ = script.poll();
        }
        assert_eq!(script.faults(), [Fault::Implausible], "{pascals} Pa");
    }
    let mut script = Script::in_phase(Phase::Precheck);
    script.rig.far = 2_500.0;
    script.until(Phase::SafeVent, 100).until(Phase::Ready, 10_000);
    assert!(script.faults().is_empty());
    assert_eq!(script.result(Side::First).reason, Reason::NotEmpty);
}

/// The trapped pressure rising, while it settles, by more than a leak can explain: void.
#[test]
fn a_rise_while_settling_voids_the_side() {
    let mut script = Script::in_phase(Phase::Settle);
    script.rig.far += 5_000.0;
    let _ = script.poll();
    assert_eq!(script.phase(), Phase::SafeVent);
    script.until(Phase::Swap, 10_000);
    assert_eq!((script.result(Side::First).verdict, script.result(Side::First).reason), (Verdict::Void, Reason::Rise));
}

/// A supply transducer that goes silent is a fault too, where one is fitted.
#[test]
fn a_silent_supply_transducer_is_a_fault() {
    for phase in [Phase::Precheck, Phase::Soak, Phase::Settle, Phase::Measure] {
        let mut script = Script::in_phase(phase);
        script.pass_with(100, |i| i.supply = Reading::NoSample);
        assert_eq!(script.faults(), [Fault::SupplySensor], "{phase:?}");
    }
}

/// An output that does not follow its command is a fault in every phase of a test, and supply is shut in the same poll.
#[test]
fn an_output_that_reads_back_otherwise_is_a_fault() {
    for phase in [Phase::Precheck, Phase::Fill, Phase::Soak, Phase::Isolate, Phase::Settle, Phase::Measure] {
        let mut script = Script::in_phase(phase);
        let polled = script.poll_with(|i| i.readback_mismatch = true);
        assert_eq!(script.faults(), [Fault::Output], "{phase:?}");
        assert_eq!(polled.outputs.supply, GasValve::Shut, "{phase:?}");
        script.pass(60);
        assert_eq!((script.outputs.supply, script.outputs.vent), (GasValve::Shut, GasValve::Open), "{phase:?}");
    }
}

/// A run with a fault or an abort on its first side has no second side: there is no prompt to swap the ends.
#[test]
fn a_spoiled_first_side_is_the_last() {
    for abort in [true, false] {
        let mut script = Script::in_phase(Phase::Soak);
        if abort {
            script.command(Command::Abort);
        }
        let _ = script.poll_with(|i| i.contacts.guard_closed = abort);
        let rest = if abort { Phase::Ready } else { Phase::Fault };
        script.until(rest, 10_000);
        assert!(!script.saw(&Event::Prompted(Prompt::SwapEnds)), "abort: {abort}");
    }
}

const COILS: [Coil; 3] = [Coil::Supply, Coil::Vent, Coil::Pilot];

/// A bench at rest with the air shut off at the wall, as for an output test.
fn without_air() -> Script {
    let mut script = Script::default();
    script.rig.shop = 0.0;
    script.until(Phase::Ready, 10_000).pass(10);
    script
}

/// An output test has its time and no more, and is followed by a safe vent. Rule 1 holds for it too.
#[test]
fn an_output_is_worked_for_its_time_and_then_the_valve_is_opened_into_the_vent() {
    use GasValve::{Open, Shut};
    for (coil, wanted) in [
        (Coil::Supply, Outputs { supply: Open, vent: Shut, pilot: Pilot::Exhausted }),
        (Coil::Vent, Outputs { supply: Shut, vent: Shut, pilot: Pilot::Exhausted }),
        (Coil::Pilot, Outputs { supply: Shut, vent: Open, pilot: Pilot::Fed }),
    ] {
        let mut script = without_air();
        let changeover = u64::from(script.sequencer.rig().raw().changeover_ms);
        let first = script.command(Command::TestOutput(coil)).poll();
        assert_eq!(first.outputs.supply, Shut, "the vent shuts first");
        let began = script.now;
        script.pass(changeover);
        assert_eq!((script.phase(), script.outputs), (Phase::OutputTest, wanted));
        assert_eq!(script.sequencer.status().disconnect, Disconnect::Pressurised);
        // A second request is refused, and does not prolong it.
        let step = script.command(Command::TestOutput(coil)).poll();
        assert!(matches!(step.events.as_slice(), [Event::Refused(r)] if r.busy));
        script.until(Phase::SafeVent, u64::from(OUTPUT_TEST_MS) + changeover);
        assert!(script.now - began <= (u64::from(OUTPUT_TEST_MS) + changeover + 20) * 1_000);
        script.pass(changeover + 10);
        assert_eq!(script.outputs, Outputs::OPEN_TO_VENT);
        script.until(Phase::Ready, 10_000);
        assert!(script.faults().is_empty());
    }
}

/// Preconditions of an output test.
#[test]
fn an_output_is_worked_only_at_rest_and_empty() {
    for coil in COILS {
        for phase in LIVE {
            let mut script = Script::in_phase(phase);
            let step = script.command(Command::TestOutput(coil)).poll();
            assert!(matches!(step.events.as_slice(), [Event::Refused(r), ..] if r.busy), "{phase:?}");
            assert_ne!(script.phase(), Phase::OutputTest);
        }
        type Change = fn(&mut seathold_sequencer::input::Inputs);
        let conditions: [(&str, Change); 4] = [
            ("guard", |i| i.contacts.guard_closed = false),
            ("link", |i| i.link_up = false),
            ("far", |i| i.far = Reading::SensorFault(SensorFault::Open)),
            ("supply", |i| i.supply = Reading::SensorFault(SensorFault::Open)),
        ];
        for (name, change) in conditions {
            let mut script = without_air();
            let step = script.command(Command::TestOutput(coil)).poll_with(change);
            assert!(matches!(step.events.as_slice(), [Event::Refused(_), ..]), "{name}");
            assert_eq!((script.phase(), step.outputs), (Phase::Ready, Outputs::REST), "{name}");
        }
        // One that does not read back as at rest is a fault before anything is energised.
        let mut script = without_air();
        let step = script.command(Command::TestOutput(coil)).poll_with(|i| i.readback_mismatch = true);
        assert_eq!((script.faults(), step.outputs), (vec![Fault::Output], Outputs::REST));
        for on_far in [true, false] {
            let mut script = without_air();
            // At rest the vent empties the supply side: only a moment's reading can be above.
            if on_far {
                script.rig.far = 4_000.0;
            }
            let step = script.command(Command::TestOutput(coil)).poll_with(|i| {
                if !on_far {
                    reads(&mut i.supply, 4_000.0);
                }
            });
            let wrong = |r: &seathold_sequencer::event::StartRefusal| r.far_not_empty && (on_far || r.supply_not_empty);
            assert!(matches!(step.events.as_slice(), [Event::Refused(r), ..] if wrong(r)), "far: {on_far}");
        }
    }
}

/// The air is on after all: shut off within the poll that detects it, opened into the vent, and latched.
#[test]
fn air_on_either_side_ends_the_working_of_an_output() {
    let mut script = without_air();
    script.rig.shop = 600_000.0;
    script.command(Command::TestOutput(Coil::Supply)).until(Phase::SafeVent, 500);
    assert_eq!(script.faults(), [Fault::SupplyOverPressure]);
    assert_eq!(script.outputs.supply, GasValve::Shut);
    assert!(script.rig.supply < 80_000.0, "two polls of air, not more: {}", script.rig.supply);
    for coil in COILS {
        let mut script = without_air();
        script.command(Command::TestOutput(coil)).pass(100);
        let step = script.poll_with(|i| reads(&mut i.far, 4_000.0));
        assert_eq!((script.faults(), step.outputs.supply), (vec![Fault::OverPressure], GasValve::Shut));
        // One reading moves no ball; air that the supply valve may have let in is vented.
        script.pass(60);
        let then = if coil == Coil::Supply { Outputs::OPEN_TO_VENT } else { Outputs::REST };
        assert_eq!(script.outputs, then, "{coil:?}");
    }
}

/// Any other fault of a test, or a command of the operator, ends it at once.
#[test]
fn stop_guard_link_read_back_and_abort_end_the_working_of_an_output() {
    type Change = fn(&mut seathold_sequencer::input::Inputs);
    let ends: [(Fault, Change); 4] = [
        (Fault::GuardOpen, |i| i.contacts.guard_closed = false),
        (Fault::LinkLost, |i| i.link_up = false),
        (Fault::Output, |i| i.readback_mismatch = true),
        (Fault::FarSensor, |i| i.far = Reading::SensorFault(SensorFault::Open)),
    ];
    for coil in COILS {
        for (fault, change) in ends {
            let mut script = without_air();
            script.command(Command::TestOutput(coil)).pass(100);
            let step = script.poll_with(change);
            // Only with supply may air have come in.
            let guard_open = fault == Fault::GuardOpen;
            let fed_if = |fed: bool| if fed { Pilot::Fed } else { Pilot::Exhausted };
            // By way of the changeover. With the guard open the pilot stays as it is.
            let (then, at_once, outputs) = match coil {
                Coil::Supply => {
                    let between = Outputs { supply: GasValve::Shut, vent: GasValve::Shut, pilot: fed_if(!guard_open) };
                    (Phase::SafeVent, between, Outputs::OPEN_TO_VENT)
                }
                Coil::Vent => (Phase::Fault, Outputs::REST, Outputs::REST),
                Coil::Pilot => (Phase::Fault, Outputs { pilot: fed_if(guard_open), ..Outputs::REST }, Outputs::REST),
            };
            assert_eq!((script.faults(), script.phase()), (vec![fault], then), "{coil:?}");
            assert_eq!(step.outputs, at_once, "{coil:?} {fault:?}");
            script.pass(60);
            assert_eq!(script.outputs, outputs, "{coil:?} {fault:?}");
            script.until(Phase::Fault, 10_000);
        }
        let mut script = without_air();
        script.command(Command::TestOutput(coil)).pass(100);
        let step = script.poll_with(|i| i.contacts.stop = true);
        assert_eq!((script.phase(), step.outputs), (Phase::EmergencyStopped, Outputs::REST));
        let mut script = without_air();
        script.command(Command::TestOutput(coil)).pass(100);
        let step = script.command(Command::Abort).poll();
        let (then, at_once) = match coil {
            Coil::Supply => {
                (Phase::SafeVent, Outputs { supply: GasValve::Shut, vent: GasValve::Shut, pilot: Pilot::Fed })
            }
            Coil::Vent | Coil::Pilot => (Phase::Ready, Outputs::REST),
        };
        assert_eq!((script.phase(), step.outputs), (then, at_once), "{coil:?}");
    }
}
