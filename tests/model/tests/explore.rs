//! Every input at every poll, in worlds small enough to go through to the end.
//!
//! Each test explores one set of mishaps in any number and order, or any few of all of them, and with each of them what
//! an operator may do. It ends when there is no state left to meet. A broken rule is told with the shortest way to it.
//!
//! The states met are pinned: a space that has shrunk without anyone meaning it proves less than it seems to. So is what
//! is *not* reached. If a change of the sequencer moves a number on purpose, put the new one in.

use std::collections::BTreeSet;

use seathold_model::plant::Leak;
use seathold_model::world::{Deed, Mishap, Scope, actions, and_work};
use seathold_sequencer::input::Sides;
use seathold_sequencer::recipe::Actuation;
use stateright::{Checker, Expectation, Model};

/// Explores `scope` to the end. `states`: those met outside measuring, exactly, and while measuring, at least.
fn explore(scope: Scope, states: (usize, usize), unreached: &[&str]) {
    let threads = std::thread::available_parallelism().map_or(1, usize::from);
    let works = scope.works();
    let checker = scope.checker().threads(threads).spawn_bfs().join();
    let found = checker.discoveries();
    let mut missed = BTreeSet::new();
    for property in checker.model().properties() {
        match (property.expectation, found.get(property.name)) {
            (Expectation::Sometimes, None) => {
                missed.insert(property.name);
            }
            (Expectation::Always, Some(path)) => {
                let way: Vec<_> = path
                    .clone()
                    .into_vec()
                    .into_iter()
                    .map(|(world, input)| {
                        let status = world.sequencer.status();
                        format!(
                            "{:?}, asked {:?}, fault {:?}, truly {} Pa; then {input:?}",
                            status.phase,
                            status.ask,
                            status.fault,
                            world.plant.far_pascals()
                        )
                    })
                    .collect();
                panic!("broken: {}\n{}", property.name, way.join("\n"));
            }
            _ => {}
        }
    }
    let (measuring, otherwise) = checker.model().met();
    // Numbers first, so that one run shows all that has moved.
    println!("{otherwise} states and {measuring} while measuring, {} steps", checker.state_count());
    let mut expected: BTreeSet<_> = unreached.iter().copied().collect();
    if !works {
        expected.extend(["work", "air on while an output is worked"]);
    }
    assert_eq!(missed, expected, "what is not reached, of {otherwise} and {measuring} states");
    assert_eq!(otherwise, states.0, "states met outside measuring");
    assert!(measuring >= states.1, "only {measuring} states while measuring");
}

fn scope(actuation: Actuation, mishaps: &[Mishap], with: &[Deed]) -> Scope {
    Scope::new(actuation, Sides::First, &[Leak::None], actions(mishaps, with))
}

#[test]
fn air_any_one_mishap() {
    // Three bad polls are needed for some faults, two people for others.
    let unreached = ["leaking", "link lost", "no answer", "second side", "supply sensor", "swap", "vent time-out"];
    explore(scope(Actuation::Air, &Mishap::ALL, &[Deed::None]).with_mishaps_at_most(1), (2_081, 300), &unreached);
}

#[test]
fn hand_nothing_wrong_but_the_operator() {
    let unreached = [
        "band lost",
        "clock",
        "emergency stop",
        "far sensor",
        "fill time-out",
        "full while ready",
        "guard open",
        "held",
        "link lost",
        "not shut",
        "over-pressure",
        "second side",
        "slew",
        "stalled",
        "supply sensor",
        "swap",
        "vent time-out",
    ];
    explore(scope(Actuation::Hand, &[], &[]), (6_491, 25), &unreached);
}

/// Outputs worked one by one in a check of the rig, by somebody who has not shut the air off.
#[test]
fn air_outputs_worked_with_the_air_on() {
    let actions = and_work(actions(&Mishap::CONTACTS, &[Deed::None]));
    let scope = Scope::new(Actuation::Air, Sides::First, &[Leak::None], actions);
    let unreached = [
        "far sensor",
        "fill time-out",
        "full while ready",
        "leaking",
        "no answer",
        "not shut",
        "second side",
        "slew",
        "supply sensor",
        "swap",
        "trapped",
        "vent time-out",
    ];
    explore(scope.with_mishaps_at_most(1), (3_376, 200), &unreached);
}

#[test]
#[cfg_attr(debug_assertions, ignore = "large: run with --release")]
fn air_any_one_mishap_both_sides_any_leak() {
    let leaks = [Leak::None, Leak::Over, Leak::Gross];
    let scope = Scope::new(Actuation::Air, Sides::Both, &leaks, actions(&Mishap::ALL, &[Deed::None]));
    explore(
        scope.with_mishaps_at_most(1),
        (16_671, 1_500),
        &["link lost", "no answer", "supply sensor", "vent time-out"],
    );
}

#[test]
#[cfg_attr(debug_assertions, ignore = "large: run with --release")]
fn air_any_two_mishaps() {
    let unreached = ["link lost", "no answer", "second side", "supply sensor", "swap", "vent time-out"];
    explore(scope(Actuation::Air, &Mishap::ALL, &[Deed::None]).with_mishaps_at_most(2), (21_708, 1_970), &unreached);
}

#[test]
#[cfg_attr(debug_assertions, ignore = "large: run with --release")]
fn hand_any_one_mishap() {
    let unreached = ["fill time-out", "not shut", "second side", "supply sensor", "swap", "vent time-out"];
    explore(scope(Actuation::Hand, &Mishap::ALL, &[Deed::None]).with_mishaps_at_most(1), (83_996, 500), &unreached);
}

#[test]
#[cfg_attr(debug_assertions, ignore = "large: run with --release")]
fn air_wires_clock_shop_and_resets_without_end() {
    let unreached = [
        "far sensor",
        "full while ready",
        "leaking",
        "link lost",
        "no answer",
        "not shut",
        "second side",
        "slew",
        "supply sensor",
        "swap",
        "vent time-out",
    ];
    explore(scope(Actuation::Air, &Mishap::CONTACTS, &[Deed::None, Deed::Acknowledge]), (19_026, 54), &unreached);
}

#[test]
#[cfg_attr(debug_assertions, ignore = "large: run with --release")]
fn air_lost_samples_without_end() {
    let unreached = [
        "band lost",
        "clock",
        "emergency stop",
        "full while ready",
        "guard open",
        "held",
        "leaking",
        "link lost",
        "no answer",
        "not shut",
        "over-pressure",
        "second side",
        "slew",
        "stalled",
        "supply sensor",
        "swap",
        "vent time-out",
    ];
    explore(scope(Actuation::Air, &[Mishap::Silent], &[Deed::None]), (44_735, 3_464), &unreached);
}

#[test]
#[cfg_attr(debug_assertions, ignore = "large: run with --release")]
fn air_a_sick_transducer_without_end() {
    let unreached = [
        "band lost",
        "clock",
        "emergency stop",
        "fill time-out",
        "full while ready",
        "guard open",
        "held",
        "leaking",
        "link lost",
        "no answer",
        "not shut",
        "over-pressure",
        "second side",
        "slew",
        "stalled",
        "supply sensor",
        "swap",
        "vent time-out",
    ];
    explore(scope(Actuation::Air, &[Mishap::Sick], &[Deed::None]), (30_133, 1_794), &unreached);
}

#[test]
#[cfg_attr(debug_assertions, ignore = "large: run with --release")]
fn air_repeated_samples_and_strange_pressure_without_end() {
    let unreached = [
        "band lost",
        "clock",
        "emergency stop",
        "guard open",
        "held",
        "leaking",
        "link lost",
        "no answer",
        "not shut",
        "over-pressure",
        "second side",
        "stalled",
        "supply sensor",
        "swap",
        "vent time-out",
    ];
    explore(scope(Actuation::Air, &[Mishap::Repeated, Mishap::Intrusion], &[Deed::None]), (60_462, 1_671), &unreached);
}

#[test]
#[cfg_attr(debug_assertions, ignore = "large: run with --release")]
fn air_a_sick_supply_and_a_ball_that_jams_without_end() {
    let unreached = [
        "band lost",
        "clock",
        "emergency stop",
        "far sensor",
        "full while ready",
        "guard open",
        "held",
        "leaking",
        "link lost",
        "no answer",
        "over-pressure",
        "second side",
        "slew",
        "stalled",
        "swap",
    ];
    explore(scope(Actuation::Air, &[Mishap::SupplySick, Mishap::Jam], &[Deed::None]), (19_226, 1_044), &unreached);
}
