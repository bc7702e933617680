//! No sequence of inputs (times, pressures, sensor errors, operator actions, in any order) panics, breaks a safety
//! rule, stays in a phase past its time-out, or calls a valve tight when the window was not clean.

use proptest::prelude::*;
use seathold_machine::script::{Script, brisk, check_always, checked};
use seathold_sequencer::event::{Disturbance, Event, Phase};
use seathold_sequencer::input::{Command, Contacts, Inputs, Prompt, Reading, Sample, SensorFault, Sides};
use seathold_sequencer::output::{Coil, GasValve};
use seathold_sequencer::recipe::{Actuation, Model, RawRecipe};
use seathold_sequencer::rig::RawRig;
use seathold_sequencer::step::Sequencer;
use seathold_sequencer::time::Instant;
use seathold_sequencer::verdict::Verdict;

fn reading() -> impl Strategy<Value = Reading> {
    prop_oneof![
        3 => Just(Reading::NoSample),
        6 => (-100i32..70_000, any::<u32>()).prop_map(|(c, n)| Reading::sample(c, n)),
        1 => (any::<i32>(), any::<u32>()).prop_map(|(c, n)| Reading::sample(c, n)),
        1 => prop_oneof![
            Just(SensorFault::Open), Just(SensorFault::Short), Just(SensorFault::BrownOut), Just(SensorFault::Device)
        ].prop_map(Reading::SensorFault),
    ]
}

fn ask() -> impl Strategy<Value = Prompt> {
    prop_oneof![
        Just(Prompt::OpenValve),
        Just(Prompt::ShutValve),
        Just(Prompt::OpenToVent),
        Just(Prompt::WorkLever),
        Just(Prompt::SwapEnds),
        Just(Prompt::OpenBleed)
    ]
}

fn command() -> impl Strategy<Value = Option<Command>> {
    prop_oneof![
        8 => Just(None),
        1 => prop_oneof![Just(Sides::Both), Just(Sides::First), Just(Sides::Second)].prop_map(|s| Some(Command::Start(s))),
        1 => ask().prop_map(|a| Some(Command::Confirm(a))),
        1 => Just(Some(Command::Abort)),
        1 => Just(Some(Command::Acknowledge)),
        1 => prop_oneof![Just(Coil::Supply), Just(Coil::Vent), Just(Coil::Pilot)].prop_map(|c| Some(Command::TestOutput(c))),
    ]
}

fn contacts() -> impl Strategy<Value = Contacts> {
    (prop::bool::weighted(0.02), prop::bool::weighted(0.98), any::<bool>())
        .prop_map(|(stop, guard_closed, valve_shut)| Contacts { stop, guard_closed, valve_shut })
}

fn inputs() -> impl Strategy<Value = Inputs> {
    let (differ, up) = (prop::bool::weighted(0.01), prop::bool::weighted(0.95));
    (reading(), reading(), reading(), contacts(), differ, up, command()).prop_map(
        |(far, supply, thermometer, contacts, readback_mismatch, link_up, command)| Inputs {
            far,
            supply,
            thermometer,
            contacts,
            readback_mismatch,
            link_up,
            command,
        },
    )
}

/// Any clock: mostly forward by a few milliseconds, sometimes far, sometimes back, sometimes at the ends of time.
fn moment(now: u64, choice: u8, amount: u32) -> u64 {
    match choice {
        0..=239 => now.saturating_add(u64::from(amount % 30_000)),
        240..=247 => now.saturating_add(u64::from(amount)),
        248..=252 => now.saturating_sub(u64::from(amount)),
        253 => 0,
        254 => u64::MAX,
        255 => now,
    }
}

fn variant(bits: u8) -> (RawRig, RawRecipe) {
    let (rig, recipe) = brisk();
    let on = |bit: u8| bits & (1 << bit) != 0;
    let rig = RawRig {
        supply: on(0).then_some(rig.far),
        guard_fitted: on(1),
        shut_switch_fitted: on(2),
        tau_s: Some(0.7),
        ..rig
    };
    let recipe = RawRecipe {
        actuation: if on(3) { Actuation::Hand } else { Actuation::Air },
        cavity_stroke: on(4),
        model: if on(5) { Model::LineAndTransient } else { Model::Line },
        ..recipe
    };
    (rig, recipe)
}

/// How many polls the measurement takes with nothing wrong: a flaw at one of them happens in every case.
fn clean_window_polls() -> u32 {
    let mut script = Script::default();
    script.start(Sides::First).until(Phase::Measure, 20_000);
    let mut polls = 0;
    while script.phase() == Phase::Measure {
        let _ = script.poll();
        polls += 1;
    }
    polls
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 300, ..ProptestConfig::default() })]

    /// Pure noise: any values, in any order.
    #[test]
    fn noise_never_breaks_a_rule(
        bits in any::<u8>(),
        polls in prop::collection::vec((any::<u8>(), any::<u32>(), inputs()), 1..600),
    ) {
        let (raw_rig, raw_recipe) = variant(bits);
        let (rig, recipe) = checked(&raw_rig, &raw_recipe);
        let mut sequencer = Sequencer::new(rig, Some(recipe));
        let mut now = 1_000_000;
        for (choice, amount, inputs) in &polls {
            now = moment(now, *choice, *amount);
            let step = sequencer.step(Instant::from_ticks(now), inputs);
            check_always(&sequencer, &step, inputs);
        }
    }

    /// A real run with things going wrong in it: most polls are healthy readings of the ideal rig, some are replaced.
    #[test]
    fn a_run_with_mishaps_never_breaks_a_rule_nor_lies(
        bits in any::<u8>(),
        leak in 0.0f64..60.0,
        sides in prop_oneof![Just(Sides::Both), Just(Sides::First), Just(Sides::Second)],
        mishaps in prop::collection::vec((0u32..4_000, any::<u8>(), any::<u32>(), inputs()), 0..12),
        stuck in prop::option::weighted(0.1, any::<bool>()),
    ) {
        let (raw_rig, raw_recipe) = variant(bits);
        let mut script = Script::on(&raw_rig, &raw_recipe);
        script.rig.leak = leak;
        if let Some(open) = stuck {
            (script.rig.stuck_open, script.rig.stuck_shut) = (open, !open);
        }
        let mut entered = script.now;
        let mut phase = script.phase();
        let mut started = false;
        for poll in 0..4_000u32 {
            if script.phase() == Phase::Ready && !started {
                started = true;
                script.command(Command::Start(sides));
            }
            if poll % 500 == 499 {
                script.command(Command::Acknowledge);
            }
            let mishap = mishaps.iter().find(|m| m.0 == poll);
            if let Some((_, choice, amount, _)) = mishap {
                script.now = moment(script.now, *choice, *amount).min(u64::MAX / 2);
                // A clock step is detected; the phase's own time then counts from there.
                entered = script.now;
            }
            let _ = script.poll_with(|healthy| {
                if let Some((_, _, _, wrong)) = mishap {
                    *healthy = *wrong;
                }
            });
            if script.phase() != phase {
                (phase, entered) = (script.phase(), script.now);
            } else if let Some(limit) = script.sequencer.limit() {
                prop_assert!(
                    script.now.saturating_sub(entered) <= limit.as_ticks() + script.poll_us,
                    "{phase:?} has outlived its limit"
                );
            }
        }
        // A verdict of tight is true: its true leak under the limit, its window clean.
        for (at, event) in &script.log {
            if let Event::SideFinished(result) = event
                && result.verdict == Verdict::Tight
            {
                // 45 cm³: Pa/s to Pa·m³/s. A leak right at the limit is called tight once in a hundred; a sixth over
                // it, which is six guard bands away, never.
                prop_assert!(leak * 45e-6 < 7.5e-4 * 7.0 / 6.0, "{leak} Pa/s called tight at {at}");
                let figure = result.estimate.expect("a tight verdict rests on a figure");
                prop_assert!(figure.window_ms >= raw_recipe.measure_ms_min);
                prop_assert!(figure.leak.pa_m3_s() + figure.expanded.pa_m3_s() <= 7.5e-4);
            }
        }
    }

    /// A window with any flaw in it is restarted or the side is not tight.
    #[test]
    fn tight_only_from_a_clean_window(flaw in 0..clean_window_polls(), kind in 0u8..5) {
        let mut script = Script::default();
        script.start(Sides::First).until(Phase::Measure, 20_000);
        let mut poll = 0;
        let mut flawed_at = None;
        while script.phase() == Phase::Measure {
            let hit = poll == flaw;
            if hit && kind == 0 {
                let _ = script.rig.read();
            }
            let _ = script.poll_with(|i| {
                if hit {
                    let Reading::Sample(Sample { counts, number }) = i.far else { panic!("nothing to spoil: {:?}", i.far) };
                    i.far = match kind {
                        0 => i.far,
                        1 => Reading::sample(counts, number - 1),
                        2 => Reading::SensorFault(SensorFault::Device),
                        3 => Reading::sample(70_000, number),
                        _ => Reading::sample(counts - 100, number),
                    };
                }
            });
            if hit {
                flawed_at = Some(script.now);
            }
            poll += 1;
        }
        script.until(Phase::Ready, 20_000);
        let result = *script.result(seathold_sequencer::input::Side::First);
        prop_assert_eq!(result.verdict, Verdict::Tight);
        let figure = result.estimate.expect("a figure");
        let began = script.log.iter().rev().find_map(|(at, e)| match e {
            Event::Restarted(
                Disturbance::Missing | Disturbance::Repeated | Disturbance::Implausible | Disturbance::Jump,
            )
            | Event::Entered { phase: Phase::Measure, .. } => Some(*at),
            _ => None,
        });
        let began = began.expect("measured");
        let ended = began + u64::from(figure.window_ms) * 1_000;
        let at = flawed_at.expect("the flaw happened");
        // A gap right before the first sample of a window is outside it.
        let first = began + script.poll_us;
        prop_assert!(at <= first || at > ended, "flaw {kind} at {at} lies in the window, {began} to {ended}");
    }
}

/// A whole run is completed, or the properties above would hold trivially.
#[test]
fn the_ideal_rig_reaches_every_phase_of_a_run() {
    let mut script = Script::default();
    script.run(Sides::Both);
    for phase in [
        Phase::Precheck,
        Phase::Fill,
        Phase::Soak,
        Phase::Isolate,
        Phase::Vent,
        Phase::Settle,
        Phase::Measure,
        Phase::SafeVent,
        Phase::Swap,
        Phase::Ready,
    ] {
        let entered = script.log.iter().any(|(_, e)| matches!(e, Event::Entered { phase: p, .. } if *p == phase));
        assert!(entered, "{phase:?}");
    }
    assert_eq!(script.outputs.supply, GasValve::Shut);
}
