//! Every named fault of the simulator against the real sequencer: it says what the catalogue expects, nothing is called
//! tight that was touched by a fault, and "reads empty" never stands over pressure or a moving ball.

use seathold_sequencer::event::{Disconnect, Disturbance, Event, Fault, Phase};
use seathold_sequencer::output::{GasValve, Outputs, Pilot};
use seathold_sequencer::recipe::RawRecipe;
use seathold_sequencer::rig::{RawRig, Thermometer};
use seathold_sequencer::step::Sequencer;
use seathold_sequencer::time::millis;
use seathold_sequencer::verdict::Verdict;
use seathold_sim::bench::SimBench;
use seathold_sim::catalogue::{self, Entry, Expected};
use seathold_sim::config::{LeakSpec, RawPlant};
use seathold_sim::fault::{self, FaultKind};
use seathold_sim::leak_path::LeakPath;
use seathold_sim::operator::Mistake;
use seathold_sim::plant::Plant;
use seathold_sim::scenario::{self, Scenario};

/// A thermometer in hundredths of a degree Celsius.
const CELSIUS: Thermometer = Thermometer { kelvin_at_zero: 273.15, kelvin_per_count: 0.01 };

struct Log {
    events: Vec<Event>,
    /// Most that either side held while the far side was said to read empty, Pa.
    most_while_empty: f64,
    /// The ball moved meanwhile.
    moved_while_empty: bool,
    end: Phase,
}

/// Runs until the run is proved, or a resting state after a fault has been reached and held for a while.
fn run(scenario: &Scenario, faults: &[fault::InjectedFault]) -> Log {
    run_on(&RawRig::DEMO, scenario, faults)
}

fn run_on(rig: &RawRig, scenario: &Scenario, faults: &[fault::InjectedFault]) -> Log {
    let rig = rig.validate().expect("example rig");
    let recipe = RawRecipe { actuation: scenario.plant.actuation, ..RawRecipe::DEMO };
    let recipe = recipe.validate(&rig).expect("example recipe");
    let mut sequencer = Sequencer::new(rig, Some(recipe));
    let mut bench = SimBench::new(scenario, rig.raw(), 5).expect("ready-made scenario");
    for fault in faults {
        assert!(bench.schedule.add(*fault));
    }
    let mut log = Log { events: Vec::new(), most_while_empty: f64::MIN, moved_while_empty: false, end: Phase::Ready };
    let (mut resting, mut ball) = (0, 0.0);
    // Half an hour is waited for the ends to be swapped.
    for _ in 0..200_000 {
        let truth = bench.rig.truth();
        let polled = bench.poll(&mut sequencer);
        if sequencer.status().disconnect != Disconnect::Pressurised {
            log.most_while_empty = log.most_while_empty.max(truth.far_gauge()).max(truth.line_gauge());
            log.moved_while_empty |= truth.ball != ball;
        }
        ball = truth.ball;
        log.events.extend(polled.events);
        let phase = sequencer.phase();
        log.end = phase;
        let proved = log.events.iter().any(|e| matches!(e, Event::RunFinished { .. })) && phase == Phase::Ready;
        let rests = proved || matches!(phase, Phase::Fault | Phase::Trapped | Phase::EmergencyStopped);
        resting = if rests { resting + 1 } else { 0 };
        if resting > 1_000 {
            break;
        }
    }
    log
}

impl Log {
    fn verdict(&self) -> Option<Verdict> {
        self.events.iter().find_map(|e| match e {
            Event::RunFinished { verdict, .. } => Some(*verdict),
            _ => None,
        })
    }

    fn faults(&self) -> Vec<Fault> {
        self.events
            .iter()
            .filter_map(|e| match e {
                Event::Faulted(fault) => Some(*fault),
                _ => None,
            })
            .collect()
    }
}

fn check(entry: &Entry) -> Result<(), String> {
    let tight = if entry.fault.kind.of_lever() { Scenario::TIGHT.by_hand() } else { Scenario::TIGHT };
    let thermometer = entry.fault.kind.of_thermometer().then_some(CELSIUS);
    let log = run_on(&RawRig { thermometer, ..RawRig::DEMO }, &tight, &[entry.fault]);
    let said = format!("{}: faults {:?}, verdict {:?}, ends in {:?}", entry.name, log.faults(), log.verdict(), log.end);
    // A ball that comes free by itself moves unseen where no shut switch is fitted.
    let moved = log.moved_while_empty && entry.fault.kind != FaultKind::Jam;
    if log.most_while_empty >= f64::from(RawRig::DEMO.safe_pressure_pa) || moved {
        return Err(format!("{said}; said to read empty at {} Pa, moving: {}", log.most_while_empty, moved));
    }
    let as_expected = match entry.expected {
        Expected::Faults(fault) => log.faults().contains(&fault) && log.verdict() != Some(Verdict::Tight),
        Expected::Restarts(why) => {
            log.events.contains(&Event::Restarted(why))
                && log.faults().is_empty()
                && log.verdict() == Some(Verdict::Tight)
        }
        Expected::Says(verdict) => log.verdict() == Some(verdict),
    };
    if as_expected { Ok(()) } else { Err(format!("{said}; expected {:?}", entry.expected)) }
}

#[test]
fn every_named_fault_is_answered_as_the_catalogue_says() {
    let wrong: Vec<String> = catalogue::CATALOGUE.iter().filter_map(|entry| check(entry).err()).collect();
    assert!(wrong.is_empty(), "\n{}", wrong.join("\n"));
}

#[test]
fn names_are_unique_and_found() {
    for entry in catalogue::CATALOGUE {
        assert_eq!(catalogue::find(entry.name), Some(entry));
    }
    for scenario in scenario::SCENARIOS {
        assert_eq!(scenario::find(scenario.name), Some(scenario));
    }
}

#[test]
fn a_transducer_that_freezes_while_measuring_never_makes_a_leaking_valve_tight() {
    let leaking = scenario::find("stem-leak").expect("ready-made");
    let frozen = fault::InjectedFault {
        kind: fault::FaultKind::Far(seathold_sim::channel_fault::ChannelFault::Stuck),
        when: fault::When::In { phase: Phase::Measure, side: None, after: millis(0) },
        lasts: None,
    };
    let log = run(leaking, &[frozen]);
    // It was noticed, not just never judged.
    assert!(log.events.contains(&Event::Restarted(Disturbance::Frozen)), "{:?}", log.faults());
    assert_ne!(log.verdict(), Some(Verdict::Tight), "{:?}", log.faults());
}

#[test]
fn a_lost_link_at_a_prompt_for_the_lever_is_a_fault_with_the_far_side_emptied() {
    let down = fault::InjectedFault {
        kind: fault::FaultKind::LinkDown,
        when: fault::When::In { phase: Phase::Isolate, side: None, after: millis(200) },
        lasts: Some(millis(2_000)),
    };
    let log = run(&Scenario::TIGHT.by_hand(), &[down]);
    assert_eq!(log.faults(), [Fault::LinkLost]);
    assert_ne!(log.verdict(), Some(Verdict::Tight));
}

#[test]
fn no_mistake_at_the_lever_makes_an_open_valve_tight_or_a_full_far_side_empty() {
    for (name, mistake) in Mistake::NAMES {
        for mistakes in [1, 1_000] {
            let mut scenario = Scenario::TIGHT.by_hand();
            scenario.operator.mistake = *mistake;
            scenario.operator.mistakes = mistakes;
            let log = run(&scenario, &[]);
            let said = format!("{name} × {mistakes}: {:?}, {:?}", log.verdict(), log.faults());
            let most = log.most_while_empty;
            assert!(most < f64::from(RawRig::DEMO.safe_pressure_pa), "{said}; said to read empty at {most} Pa");
            match mistake {
                Mistake::None => assert_eq!(log.verdict(), Some(Verdict::Tight), "{said}"),
                // The ball never shut on the side it was forgotten on.
                Mistake::ForgetsToShut | Mistake::HalfShut => {
                    assert_eq!(log.verdict(), Some(Verdict::Leaking), "{said}")
                }
                Mistake::WrongWay | Mistake::ConfirmsWithoutDoing | Mistake::NeverAnswers if mistakes > 1 => {
                    assert_ne!(log.verdict(), Some(Verdict::Tight), "{said}");
                }
                // Once may be harmless: the valve comes to the bench open, so the first prompt asks for what is so.
                Mistake::WrongWay | Mistake::ConfirmsWithoutDoing | Mistake::NeverAnswers => {}
            }
        }
    }
}

#[test]
fn a_power_cut_while_pressure_is_trapped_ends_with_the_far_side_measured_empty() {
    let rig = RawRig::DEMO.validate().expect("example rig");
    let recipe = RawRecipe::DEMO.validate(&rig).expect("example recipe");
    let mut sequencer = Sequencer::new(rig, Some(recipe));
    let mut bench = SimBench::new(&Scenario::TIGHT, rig.raw(), 5).expect("ready-made scenario");
    while sequencer.phase() != Phase::Settle {
        let _ = bench.poll(&mut sequencer);
    }
    bench.power_loss(millis(2_000));
    // The spring has shut the ball over a full far side.
    assert!(bench.rig.truth().far_gauge() > 500_000.0);
    assert!(bench.rig.truth().ball == 0.0);
    let mut sequencer = Sequencer::resume(rig, Some(recipe), bench.rig.stop_kept());
    for _ in 0..3_000 {
        let far = bench.rig.truth().far_gauge();
        let _ = bench.poll(&mut sequencer);
        if sequencer.status().disconnect != Disconnect::Pressurised {
            assert!(far < f64::from(RawRig::DEMO.safe_pressure_pa));
            return;
        }
    }
    panic!("the far side was never measured empty; phase {:?}", sequencer.phase());
}

#[test]
fn what_is_put_right_is_as_it_was_and_a_draught_moves_no_pressure_at_once() {
    let rig = RawRig::DEMO.validate().expect("example rig");
    let mut bench = SimBench::new(&Scenario::TIGHT, rig.raw(), 5).expect("ready-made scenario");
    let before = *bench.rig.plant().equations().controls;
    for spot in LeakPath::ALL {
        let torn = FaultKind::Leak(spot, LeakSpec { rate: 1e-2, orifice: 0.3 });
        bench.inject(torn, true);
        assert_ne!(before, *bench.rig.plant().equations().controls, "{spot:?} does not leak");
        bench.inject(torn, false);
        assert_eq!(before, *bench.rig.plant().equations().controls, "{spot:?} leaks on");
    }
    let hose = bench.rig.truth().hose;
    bench.inject(FaultKind::Room(278.15), true);
    assert_eq!(bench.rig.plant().equations().controls.room.0, 278.15);
    assert!((bench.rig.truth().hose / hose - 1.0).abs() < 1e-12, "{hose} Pa, {} Pa", bench.rig.truth().hose);
    bench.inject(FaultKind::Room(278.15), false);
    assert_eq!(before.room, bench.rig.plant().equations().controls.room);
}

#[test]
fn a_freed_ball_goes_where_its_actuator_has_long_wanted_it() {
    let mut plant = Plant::new(&RawPlant::DEMO.validate().expect("valid"), 5);
    let pilot = |pilot| Outputs { supply: GasValve::Shut, vent: GasValve::Open, pilot };
    plant.set(0, pilot(Pilot::Fed));
    plant.advance(5_000_000);
    plant.jam(5_000_000, true);
    plant.set(5_000_000, pilot(Pilot::Exhausted));
    plant.advance(10_000_000);
    assert_eq!(plant.ball(10_000_000), 1.0);
    plant.jam(10_000_000, false);
    plant.advance(15_000_000);
    assert_eq!(plant.ball(15_000_000), 0.0);
}
