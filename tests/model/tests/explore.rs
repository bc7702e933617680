//! Every input at every poll, in worlds small enough to explore completely.
//!
//! Each test explores one set of faults in any number and order, or any few of all of them, each with the operator's
//! actions. It ends when there is no new state, or a rule is broken: breadth first, so that the reported path is about
//! the shortest.
//!
//! The number of states is pinned: a space that has shrunk unintentionally proves less than it seems to. So is what is
//! *not* reached. If a change of the sequencer moves a number on purpose, put the new one in.

use std::collections::BTreeSet;

use seathold_model::plant::{Leak, Lie, Way};
use seathold_model::world::{Action, Deed, Mishap, Scope, World, actions, and_work, few_actions};
use seathold_sequencer::input::{Prompt, Sides};
use seathold_sequencer::output::Outputs;
use seathold_sequencer::recipe::Actuation;
use stateright::{Checker, Expectation, HasDiscoveries, Model};

/// What no scope reaches: a wrong transducer here jumps, or stalls the fill, before it is compared with the other.
const NOWHERE: [&str; 1] = ["sides disagree"];

/// Not reached by the nature of a scope: no output test, no second side.
fn left_out(scope: &Scope) -> BTreeSet<&'static str> {
    let work = (!scope.works()).then_some("work");
    let second = ["second side", "swap"].into_iter().filter(|_| !scope.is_of_both_sides());
    NOWHERE.into_iter().chain(work).chain(second).collect()
}

/// Explores `scope` to the end. `states`: those outside measuring, exactly, and while measuring, at least. `unreached`:
/// what it does not reach besides, with ` / ` between.
fn explore(scope: Scope, states: (usize, usize), unreached: &'static str) {
    let began = std::time::Instant::now();
    let mut expected = left_out(&scope);
    expected.extend(unreached.split(" / "));
    let checker = scope.checker().finish_when(HasDiscoveries::AnyFailures).spawn_bfs().join();
    let found = checker.discoveries();
    let mut missed = BTreeSet::new();
    let mut broken = Vec::new();
    for property in checker.model().properties() {
        match (property.expectation, found.get(property.name)) {
            (Expectation::Sometimes, None) => {
                missed.insert(property.name);
            }
            (Expectation::Always, Some(path)) => {
                broken.push(format!("broken: {}\n{}", property.name, told(path.clone().into_vec())));
            }
            _ => {}
        }
    }
    let (measuring, otherwise) = checker.model().met();
    // Numbers first, so that one run shows all that has moved.
    println!(
        "{otherwise} states and {measuring} while measuring, {} steps, {:?}",
        checker.state_count(),
        began.elapsed()
    );
    assert!(broken.is_empty(), "{}", broken.join("\n"));
    assert_eq!(missed, expected, "what is not reached, of {otherwise} and {measuring} states");
    assert_eq!(otherwise, states.0, "states met outside measuring");
    assert!(measuring >= states.1, "only {measuring} states while measuring");
}

/// A path, a line for each poll with a change or an action.
fn told(path: Vec<(World, Option<Action>)>) -> String {
    let mut way = String::new();
    let mut last = String::new();
    for (world, action) in path {
        let status = world.sequencer.status();
        let Outputs { supply, vent, pilot } = world.outputs;
        let line = format!(
            "{:?}, supply {supply:?}, vent {vent:?}, pilot {pilot:?}, {:?}, asked {:?}, fault {:?}; {:?}",
            status.phase, status.disconnect, status.prompt, status.fault, world.plant
        );
        let quiet = action == Some((Mishap::None, Deed::None));
        if line == last && quiet {
            way.push('.');
        } else {
            way.push_str(&format!("\n{line}"));
        }
        if let Some((mishap, deed)) = action.filter(|_| !quiet) {
            way.push_str(&format!("; then {mishap:?}, {deed:?}"));
        }
        last = line;
    }
    way
}

/// A run of the first side by air, every action of an operator, and every fault without action.
fn air(mishaps: &[Mishap]) -> Scope {
    Scope::new(Actuation::Air, Sides::First, &[Leak::None], actions(mishaps, &[Deed::None]))
}

/// The same with only those actions that advance a run, for spaces that are large without the others.
fn few(mishaps: &[Mishap]) -> Scope {
    Scope::new(Actuation::Air, Sides::First, &[Leak::None], few_actions(mishaps, &[]))
}

/// By hand: a prompt may be confirmed without being done.
fn by_hand(mishaps: &[Mishap]) -> Scope {
    let claims = [Prompt::OpenValve, Prompt::ShutValve, Prompt::OpenToVent, Prompt::WorkLever].map(Deed::Say);
    Scope::new(Actuation::Hand, Sides::First, &[Leak::None], few_actions(mishaps, &claims))
}

fn and(some: &[Mishap], more: &[Mishap]) -> Vec<Mishap> {
    some.iter().chain(more).copied().collect()
}

#[test]
fn air_nothing_wrong_but_the_operator() {
    explore(
        air(&[]).with_mishaps_at_most(0),
        (296, 40),
        "band lost / cavity unknown / clock / emergency stop / far sensor / fault / fill stalled / \
         fill time-out / full while ready / guard open / held / held open by the guard / implausible / leaking / \
         lies, and reads empty / link lost / no answer / no sign of life / not shut / output / over-pressure / \
         slew / stalled / supply over-pressure / supply sensor / trapped / vent time-out",
    );
}

#[test]
fn air_any_one_mishap() {
    explore(
        few(&and(&Mishap::HONEST, &Mishap::LIES)).with_mishaps_at_most(1),
        (21_146, 1_400),
        "cavity unknown / fill time-out / implausible / leaking / link lost / no answer / supply over-pressure / \
         supply sensor",
    );
}

/// By an operator who does what is prompted, or nothing.
#[test]
fn hand_nothing_wrong() {
    let scope = Scope::new(Actuation::Hand, Sides::First, &[Leak::None], few_actions(&[], &[]));
    explore(
        scope.with_mishaps_at_most(0),
        (9_122, 40),
        "band lost / cavity unknown / clock / emergency stop / far sensor / fill stalled / fill time-out / \
         full while ready / guard open / held / held open by the guard / implausible / leaking / \
         lies, and reads empty / link lost / no sign of life / not shut / output / over-pressure / slew / \
         stalled / supply over-pressure / supply sensor / vent time-out",
    );
}

#[test]
#[cfg_attr(debug_assertions, ignore = "large: run with --release")]
fn hand_nothing_wrong_but_the_operator() {
    explore(
        by_hand(&[]).with_mishaps_at_most(0),
        (17_554, 44),
        "band lost / cavity unknown / clock / emergency stop / far sensor / fill stalled / fill time-out / \
         full while ready / guard open / held / held open by the guard / implausible / lies, and reads empty / \
         link lost / no sign of life / not shut / output / over-pressure / slew / stalled / \
         supply over-pressure / supply sensor / vent time-out",
    );
}

/// Output tests by somebody who has not shut the air off.
#[test]
fn air_outputs_worked_with_the_air_on() {
    let actions = and_work(few_actions(&Mishap::CONTACTS, &[]));
    let scope = Scope::new(Actuation::Air, Sides::First, &[Leak::None], actions);
    explore(
        scope.with_mishaps_at_most(1),
        (6_778, 120),
        "cavity unknown / far sensor / fill stalled / fill time-out / full while ready / implausible / leaking / \
         lies, and reads empty / no answer / not shut / output / slew / supply sensor / vent time-out",
    );
}

#[test]
#[cfg_attr(debug_assertions, ignore = "large: run with --release")]
fn air_any_one_mishap_any_answer_both_sides_any_leak() {
    let leaks = [Leak::None, Leak::Over, Leak::Gross];
    let actions = actions(&and(&Mishap::HONEST, &Mishap::LIES), &[Deed::None]);
    explore(
        Scope::new(Actuation::Air, Sides::Both, &leaks, actions).with_mishaps_at_most(1),
        (140_023, 9_009),
        "cavity unknown / fill time-out / implausible / link lost / no answer / supply over-pressure / \
         supply sensor",
    );
}

#[test]
#[cfg_attr(debug_assertions, ignore = "large: run with --release")]
fn air_any_two_mishaps() {
    explore(
        few(&Mishap::HONEST).with_mishaps_at_most(2),
        (320_238, 7_851),
        "fill time-out / implausible / leaking / lies, and reads empty / link lost / no answer / supply sensor",
    );
}

/// Every wrong reading with every other, and with what can make one dangerous.
#[test]
#[cfg_attr(debug_assertions, ignore = "large: run with --release")]
fn air_lies_and_what_is_behind_them() {
    explore(
        air(&and(&Mishap::LIES, &Mishap::BEHIND_LIES)).with_mishaps_at_most(2),
        (281_814, 7_868),
        "clock / emergency stop / fill time-out / held / leaking / link lost / no answer / output / \
         over-pressure / stalled / supply over-pressure / supply sensor",
    );
}

/// The same on a rig with no supply transducer.
#[test]
#[cfg_attr(debug_assertions, ignore = "large: run with --release")]
fn air_lies_of_the_only_transducer() {
    let behind = [Mishap::Jam, Mishap::Way(Way::Blocked), Mishap::Way(Way::Slow)];
    let one = air(&and(&Mishap::LIES[..3], &behind)).with(|rig, _| rig.supply = None);
    explore(
        one.with_mishaps_at_most(2),
        (119_602, 4_369),
        "cavity unknown / clock / emergency stop / fill time-out / held / leaking / link lost / no answer / \
         output / over-pressure / stalled / supply over-pressure / supply sensor / vent time-out",
    );
}

#[test]
#[cfg_attr(debug_assertions, ignore = "large: run with --release")]
fn hand_any_one_mishap() {
    let mishaps = [
        Mishap::Stop,
        Mishap::GuardOpen,
        Mishap::LinkDown,
        Mishap::Sick,
        Mishap::Silent,
        Mishap::Repeated,
        Mishap::SupplySick,
        Mishap::ClockBack,
        Mishap::Stall,
        Mishap::Over,
        Mishap::Under,
        Mishap::Intrusion,
        Mishap::SupplyPasses,
        Mishap::Differ,
        Mishap::Jam,
        Mishap::Lie(Lie::Zero),
        Mishap::Reset,
    ];
    explore(
        by_hand(&mishaps).with_mishaps_at_most(1),
        (650_346, 786),
        "cavity unknown / fill time-out / implausible / not shut / supply over-pressure / \
         supply sensor / vent time-out",
    );
}

#[test]
#[cfg_attr(debug_assertions, ignore = "large: run with --release")]
fn air_outputs_worked_any_one_mishap() {
    let actions = and_work(actions(&and(&Mishap::HONEST, &Mishap::LIES), &[Deed::None]));
    let scope = Scope::new(Actuation::Air, Sides::First, &[Leak::None], actions);
    explore(
        scope.with_mishaps_at_most(1),
        (29_706, 1_400),
        "cavity unknown / fill time-out / implausible / leaking / no answer / supply sensor",
    );
}

/// Stop, guard, clock and resets, three in a run, each with a simultaneous acknowledgement.
#[test]
#[cfg_attr(debug_assertions, ignore = "large: run with --release")]
fn air_stop_guard_clock_and_resets() {
    let wires = [Mishap::Stop, Mishap::GuardOpen, Mishap::ClockBack, Mishap::Stall, Mishap::Reset];
    let mut actions = few_actions(&wires, &[Deed::Load]);
    actions.extend([Mishap::Stop, Mishap::GuardOpen].map(|m| (m, Deed::Acknowledge)));
    actions.push((Mishap::GuardOpen, Deed::Start));
    let scope = Scope::new(Actuation::Air, Sides::First, &[Leak::None], actions);
    explore(
        scope.with_mishaps_at_most(3),
        (202_933, 160),
        "band lost / far sensor / fill stalled / fill time-out / leaking / lies, and reads empty / link lost / \
         no answer / not shut / output / over-pressure / slew / supply over-pressure / supply sensor / \
         vent time-out",
    );
}

/// A stroke longer than the dwell, and a clock that runs ahead of the ball, as each step back counts as a stall.
#[test]
#[cfg_attr(debug_assertions, ignore = "large: run with --release")]
fn air_a_long_stroke_and_a_clock_that_goes_back() {
    let long = few(&[Mishap::ClockBack, Mishap::Stall]).with(|rig, recipe| {
        rig.safe_vent_ms_max = 2_600;
        (recipe.stroke_time_ms, recipe.isolate_ms_max) = (600, 600);
    });
    explore(
        long.with_mishaps_at_most(3),
        (179_373, 160),
        "band lost / cavity unknown / emergency stop / far sensor / fill stalled / fill time-out / guard open / \
         held / held open by the guard / leaking / lies, and reads empty / link lost / no answer / not shut / \
         output / over-pressure / slew / supply over-pressure / supply sensor / vent time-out",
    );
}

#[test]
#[cfg_attr(debug_assertions, ignore = "large: run with --release")]
fn air_lost_samples_without_end() {
    explore(
        few(&[Mishap::Silent]),
        (412_970, 7_872),
        "band lost / cavity unknown / clock / emergency stop / guard open / held / held open by the guard / \
         leaking / lies, and reads empty / link lost / no answer / not shut / output / over-pressure / slew / \
         stalled / supply over-pressure / supply sensor / vent time-out",
    );
}

#[test]
#[cfg_attr(debug_assertions, ignore = "large: run with --release")]
fn air_a_sick_transducer_without_end() {
    explore(
        few(&[Mishap::Sick]),
        (116_489, 2_443),
        "band lost / cavity unknown / clock / emergency stop / fill stalled / fill time-out / guard open / \
         held / held open by the guard / leaking / lies, and reads empty / link lost / no answer / not shut / \
         output / over-pressure / slew / stalled / supply over-pressure / supply sensor / vent time-out",
    );
}

#[test]
#[cfg_attr(debug_assertions, ignore = "large: run with --release")]
fn air_a_sick_supply_transducer_without_end() {
    explore(
        few(&[Mishap::SupplySick]),
        (52_281, 1_060),
        "band lost / cavity unknown / clock / emergency stop / far sensor / fill stalled / fill time-out / \
         full while ready / guard open / held / held open by the guard / implausible / leaking / \
         lies, and reads empty / link lost / no answer / no sign of life / not shut / output / over-pressure / \
         slew / stalled / supply over-pressure",
    );
}

#[test]
#[cfg_attr(debug_assertions, ignore = "large: run with --release")]
fn air_repeated_samples_and_strange_pressure() {
    explore(
        few(&[Mishap::Repeated, Mishap::Intrusion]).with_mishaps_at_most(3),
        (15_023, 2_987),
        "band lost / cavity unknown / clock / emergency stop / far sensor / fill stalled / fill time-out / \
         guard open / held / held open by the guard / implausible / leaking / lies, and reads empty / \
         link lost / no answer / not shut / output / over-pressure / stalled / supply over-pressure / \
         supply sensor / vent time-out",
    );
}

#[test]
#[cfg_attr(debug_assertions, ignore = "large: run with --release")]
fn air_a_sick_supply_and_a_ball_that_jams() {
    explore(
        few(&[Mishap::SupplySick, Mishap::Jam]).with_mishaps_at_most(4),
        (218_134, 2_699),
        "band lost / cavity unknown / clock / emergency stop / far sensor / fill time-out / full while ready / \
         guard open / held / held open by the guard / implausible / leaking / lies, and reads empty / \
         link lost / no answer / no sign of life / output / over-pressure / slew / stalled / \
         supply over-pressure / supply sensor",
    );
}

#[test]
#[cfg_attr(debug_assertions, ignore = "large: run with --release")]
fn air_without_the_further_stroke() {
    let without = air(&Mishap::HONEST).with(|_, recipe| recipe.cavity_stroke = false);
    explore(
        without.with_mishaps_at_most(1),
        (8_405, 841),
        "confirmed / fill time-out / implausible / leaking / lies, and reads empty / link lost / no answer / \
         reads empty / supply over-pressure / supply sensor",
    );
}

#[test]
#[cfg_attr(debug_assertions, ignore = "large: run with --release")]
fn air_without_a_shut_switch() {
    let without = air(&Mishap::HONEST).with(|rig, _| rig.shut_switch_fitted = false);
    explore(
        without.with_mishaps_at_most(1),
        (15_853, 855),
        "cavity unknown / fill time-out / implausible / lies, and reads empty / link lost / no answer / \
         not shut / supply over-pressure / supply sensor",
    );
}

/// A controller that has lost its recipe, and gets it again or not.
#[test]
#[cfg_attr(debug_assertions, ignore = "large: run with --release")]
fn air_a_reset_without_a_recipe() {
    let bare = air(&[Mishap::Reset, Mishap::ResetBare, Mishap::Stop]).without_recipe();
    explore(
        bare.with_mishaps_at_most(1),
        (43_259, 160),
        "band lost / clock / far sensor / fill stalled / fill time-out / full while ready / \
         implausible / leaking / lies, and reads empty / link lost / no answer / no sign of life / not shut / \
         output / over-pressure / slew / stalled / supply over-pressure / supply sensor / vent time-out",
    );
}
