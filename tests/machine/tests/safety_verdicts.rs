//! What no verdict may rest on: rules 6, 9 and 10 of docs/rig-and-safety.md, on a rig without physics.

use seathold_machine::script::{Script, brisk, reads};
use seathold_sequencer::event::{Disturbance, Event, Fault, Phase};
use seathold_sequencer::input::{Inputs, Reading, Side, Sides};
use seathold_sequencer::rig::{RawRig, Thermometer};
use seathold_sequencer::verdict::{Reason, Verdict};

/// Spikes and bursts of interference, however deep, are no leak: a fall must last.
#[test]
fn rule_9_a_burst_is_no_leak() {
    for phase in [Phase::Isolate, Phase::Vent, Phase::Settle, Phase::Measure] {
        for (polls, pascals) in [(1, 0.0), (1, 900_000.0), (3, 60_000.0), (6, 300_000.0)] {
            let mut script = Script::in_phase(phase);
            script.pass(20);
            // Fed, a jump is a transducer fault; shut in, it is a disturbance.
            for _ in 0..polls {
                let _ = script.poll_with(|i| reads(&mut i.far, pascals));
            }
            while script.sequencer.result(Side::First).is_none() {
                let _ = script.poll();
            }
            let verdict = script.result(Side::First).verdict;
            assert_ne!(verdict, Verdict::Leaking, "{phase:?} {polls} × {pascals} Pa");
            if script.faults().is_empty() {
                assert_eq!(verdict, Verdict::Tight, "{phase:?} {polls} × {pascals} Pa");
            }
        }
    }
}

/// A fall that lasts, as gas falls, is a gross leak. One that cooling could explain is left to the measurement.
#[test]
fn rule_9_a_fall_that_lasts_is_a_gross_leak() {
    let mut script = Script::in_phase(Phase::Settle);
    script.rig.leak = 2_000_000.0;
    script.until(Phase::SafeVent, 10_000).until(Phase::Swap, 10_000);
    let result = script.result(Side::First);
    assert_eq!((result.verdict, result.reason), (Verdict::Leaking, Reason::GrossFall));

    // 90 kPa at once, and then nothing: less than the gas heated by filling may lose.
    let mut script = Script::in_phase(Phase::Settle);
    script.rig.far -= 90_000.0;
    script.until(Phase::SafeVent, 20_000).until(Phase::Swap, 10_000);
    let result = script.result(Side::First);
    assert_eq!((result.verdict, result.reason), (Verdict::Void, Reason::OutOfBand));
}

/// A supply that sags while the valve is being shut pulls the far side with it: no leak of the valve.
#[test]
fn rule_9_a_fall_that_the_supply_shares_is_no_leak() {
    for supply_fitted in [true, false] {
        let mut script = Script::with_supply_seen(supply_fitted);
        script.start(Sides::First).until(Phase::Isolate, 10_000);
        // The ball is slow, and the compressor stops.
        script.rig.stuck_open = true;
        script.rig.shop = 500_000.0;
        script.pass(90);
        script.rig.stuck_open = false;
        script.until(Phase::Ready, 60_000);
        assert_eq!(script.result(Side::First).verdict, Verdict::Void, "supply seen: {supply_fitted}");
    }
}

/// Joined and at rest, both transducers read the same; where they do not, one of them is wrong, and nothing is
/// measured.
#[test]
fn rule_9_two_transducers_that_disagree_give_no_verdict() {
    for wrong in [1.1, 0.9] {
        let mut script = Script::in_phase(Phase::Soak);
        script.until_with(Phase::SafeVent, 10_000, |i| {
            if let Reading::Sample(sample) = i.supply {
                reads(&mut i.supply, RawRig::DEMO.far.pressure(sample.counts).pascals() as f64 * wrong);
            }
        });
        assert_eq!(script.faults(), [Fault::SidesDisagree], "{wrong}");
    }
}

/// With the supply side full nothing drives a leak through the seat: neither settled nor measured from.
#[test]
fn rule_9_a_supply_side_that_fills_again_gives_no_verdict() {
    for phase in [Phase::Settle, Phase::Measure] {
        let mut script = Script::in_phase(phase);
        script.until_with(Phase::SafeVent, 10_000, |i| reads(&mut i.supply, 60_000.0));
        script.until(Phase::Ready, 60_000);
        let result = script.result(Side::First);
        assert_eq!((result.verdict, result.reason), (Verdict::Void, Reason::SupplyNotEmpty), "{phase:?}");
    }
    // One reading of it is interference.
    let mut script = Script::in_phase(Phase::Measure);
    let _ = script.poll_with(|i| reads(&mut i.supply, 60_000.0));
    script.until(Phase::Swap, 20_000);
    assert_eq!(script.result(Side::First).verdict, Verdict::Tight);
}

/// A supply side that does not empty is a fault even where the far side went with it: the path is unknown.
#[test]
fn rule_9_without_a_vented_supply_side_there_is_no_leak_to_tell() {
    let mut script = Script::in_phase(Phase::Vent);
    script.rig.stuck_open = true;
    script.until_with(Phase::SafeVent, 20_000, |i| reads(&mut i.supply, 400_000.0));
    assert_eq!(script.faults(), [Fault::VentTimeout]);
}

/// A frozen reading is invalid, where noise would have moved it; a window is never measured over it.
#[test]
fn rule_9_a_frozen_reading_gives_no_verdict() {
    // 400 times the limit, behind a transducer that freezes when it is shut in and wakes again for the vent.
    let mut script = Script::in_phase(Phase::Settle);
    script.rig.leak = 6_000.0;
    let mut frozen = None;
    script.until_with(Phase::SafeVent, 60_000, |i: &mut Inputs| {
        if let Reading::Sample(sample) = &mut i.far {
            sample.counts = *frozen.get_or_insert(sample.counts);
        }
    });
    script.until(Phase::Swap, 60_000);
    let result = script.result(Side::First);
    assert_eq!((result.verdict, result.reason), (Verdict::Void, Reason::Disturbed));
    assert!(script.saw(&Event::Restarted(Disturbance::Frozen)), "{:?}", script.log);
}

/// Nor one that is frozen but for a flicker, which never gives many equal codes in a row; nor one at the end of its converter's
/// range.
#[test]
fn rule_9_a_channel_that_sticks_or_is_clipped_gives_no_verdict() {
    for (every, height) in [(20, 1), (20, 9), (4, 9), (3, 30)] {
        let mut script = Script::in_phase(Phase::Settle);
        script.rig.leak = 6_000.0;
        let mut frozen = None;
        script.until_with(Phase::SafeVent, 60_000, |i: &mut Inputs| {
            if let Reading::Sample(sample) = &mut i.far {
                let held = *frozen.get_or_insert(sample.counts);
                sample.counts = held + if sample.number % every == 0 { height } else { 0 };
            }
        });
        script.until(Phase::Swap, 60_000);
        let result = script.result(Side::First);
        assert_eq!((result.verdict, result.reason), (Verdict::Void, Reason::Disturbed), "{height} every {every}");
        assert!(script.saw(&Event::Restarted(Disturbance::Frozen)), "{:?}", script.log);
    }
    let mut script = Script::in_phase(Phase::Settle);
    script.rig.leak = 6_000.0;
    let mut least = None;
    script.until_with(Phase::SafeVent, 60_000, |i: &mut Inputs| {
        if let Reading::Sample(sample) = &mut i.far {
            sample.counts = sample.counts.max(*least.get_or_insert(sample.counts));
        }
    });
    script.until(Phase::Swap, 60_000);
    assert_eq!(script.result(Side::First).verdict, Verdict::Void);
}

/// A constant code in a precheck long enough to detect it: frozen. Where by the rig the last digit never moves, it is
/// not detectable.
#[test]
fn rule_9_frozen_in_the_precheck_is_a_fault() {
    for (far_flickers, faults) in [(true, vec![Fault::Frozen]), (false, vec![])] {
        let (rig, recipe) = brisk();
        let recipe = seathold_sequencer::recipe::RawRecipe { zero_ms: 600, ..recipe };
        let mut script = Script::on(&RawRig { far_flickers, ..rig }, &recipe);
        script.rig.noise = 0.0;
        script.start(Sides::First).until(if far_flickers { Phase::Fault } else { Phase::Fill }, 2_000);
        assert_eq!(script.faults(), faults);
    }
}

/// The band holds to the end of the window: a far side that has left it is not tight at the required pressure.
#[test]
fn rule_9_tight_only_within_the_band_to_the_end() {
    let mut script = Script::in_phase(Phase::Settle);
    script.pass(50);
    script.rig.far -= 25_000.0;
    script.until(Phase::SafeVent, 20_000).until(Phase::Ready, 60_000);
    let result = script.result(Side::First);
    assert_eq!((result.verdict, result.reason), (Verdict::Void, Reason::OutOfBand));
}

/// A thermometer that repeats the same conversion gives no new reading: silent, as without any.
#[test]
fn rule_10_a_repeated_temperature_is_no_reading() {
    let (rig, recipe) = brisk();
    let thermometer = Some(Thermometer { kelvin_at_zero: 0.0, kelvin_per_count: 0.1 });
    let mut script = Script::on(&RawRig { thermometer, ..rig }, &recipe);
    let mut number = 0;
    script.until(Phase::Ready, 10_000).command(seathold_sequencer::input::Command::Start(Sides::First));
    while script.phase() != Phase::Measure {
        number += 1;
        let _ = script.poll_with(|i| i.thermometer = Reading::sample(2_930, number));
    }
    script.until_with(Phase::SafeVent, 20_000, |i| i.thermometer = Reading::sample(2_930, number));
    script.until(Phase::Ready, 60_000);
    let result = script.result(Side::First);
    assert_eq!((result.verdict, result.reason), (Verdict::Void, Reason::Disturbed));
}

/// A clock that goes back repeatedly prolongs no phase for ever.
#[test]
fn rule_6_a_clock_that_keeps_going_back_keeps_no_phase() {
    for (every_ms, back_ms) in [(1_500, 1_000), (10, 5), (300, 100_000)] {
        let mut script = Script::in_phase(Phase::Settle);
        script.rig.stuck_shut = true;
        script.now += 20_000_000_000;
        let _ = script.poll();
        assert_eq!(script.phase(), Phase::SafeVent);
        let limit_ms = script.sequencer.limit().expect("a limit").as_ticks() / 1_000;
        let mut polls = 0;
        while script.phase() == Phase::SafeVent {
            polls += 1;
            assert!(polls * 10 <= 2 * limit_ms, "kept for {} ms by jumps of {back_ms} ms", polls * 10);
            if polls % (every_ms / 10) == 0 {
                script.now -= back_ms * 1_000;
            }
            let _ = script.poll();
        }
        assert_eq!(script.phase(), Phase::Trapped);
    }
}

/// A clock that does not advance while conversions continue is broken: the run is void, and no phase is prolonged.
#[test]
fn rule_6_a_clock_that_stands_keeps_no_phase() {
    let mut script = Script::in_phase(Phase::Settle);
    let stands = |script: &mut Script| {
        script.now -= script.poll_us;
        let _ = script.poll();
    };
    for _ in 0..40 {
        stands(&mut script);
    }
    assert_eq!((script.phase(), script.faults()), (Phase::SafeVent, vec![Fault::Clock]));
    script.rig.stuck_shut = true;
    let mut polls = 0;
    while script.phase() == Phase::SafeVent {
        polls += 1;
        assert!(polls < 2_000, "kept by a clock that stands");
        stands(&mut script);
    }
    assert_eq!(script.phase(), Phase::Trapped);
}
