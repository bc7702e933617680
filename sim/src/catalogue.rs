//! Faults by name, each with what the sequencer is expected to say.

use crate::config::Path;
use crate::fault::{Fault, Mishap, When};
use crate::faulty::ChannelFault;
use crate::operator::Mistake;
use crate::spot::Spot;
use seathold_sequencer::event::{self, Disturbance, Phase};
use seathold_sequencer::input::Side;
use seathold_sequencer::output::Gate;
use seathold_sequencer::time::millis;
use seathold_sequencer::verdict::Verdict;

/// What the sequencer is expected to make of a fault.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Expected {
    /// It latches this fault, and the run has no verdict of tight.
    Faults(event::Fault),
    /// It restarts its window for this reason and still ends with the valve's true verdict.
    Restarts(Disturbance),
    /// It ends with this verdict.
    Says(Verdict),
}

/// A fault with a name.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Entry {
    /// As typed.
    pub name: &'static str,
    /// What happens, in one line.
    pub about: &'static str,
    /// The fault, as it strikes a tight valve: an air-operated one, unless it takes a lever; on a rig with a thermometer
    /// where it takes one.
    pub fault: Fault,
    /// What the sequencer is expected to say of that.
    pub expected: Expected,
}

const fn on_first(phase: Phase, after_ms: u32) -> When {
    When::In { phase, side: Some(Side::First), after: millis(after_ms) }
}

const fn entry(
    name: &'static str,
    about: &'static str,
    mishap: Mishap,
    when: When,
    lasts_ms: Option<u32>,
    expected: Expected,
) -> Entry {
    let lasts = match lasts_ms {
        Some(ms) => Some(millis(ms)),
        None => None,
    };
    Entry { name, about, fault: Fault { mishap, when, lasts }, expected }
}

/// Every fault by name, where it hurts most. Each is run against the real sequencer in `tests/tests/plant_faults.rs`.
pub const CATALOGUE: &[Entry] = &[
    entry(
        "far-open",
        "the far-side transducer's wire breaks while measuring",
        Mishap::Far(ChannelFault::Open),
        on_first(Phase::Measure, 1_000),
        None,
        Expected::Faults(event::Fault::FarSensor),
    ),
    entry(
        "far-short",
        "the far-side transducer is shorted while filling",
        Mishap::Far(ChannelFault::Short),
        on_first(Phase::Fill, 200),
        None,
        Expected::Faults(event::Fault::FarSensor),
    ),
    entry(
        "far-brown-out",
        "the far-side transducer's supply sags while soaking",
        Mishap::Far(ChannelFault::BrownOut),
        on_first(Phase::Soak, 1_000),
        None,
        Expected::Faults(event::Fault::FarSensor),
    ),
    entry(
        "far-lost",
        "far-side readings stop coming while measuring",
        Mishap::Far(ChannelFault::Lost),
        on_first(Phase::Measure, 1_000),
        None,
        Expected::Faults(event::Fault::FarSensor),
    ),
    entry(
        "far-spike",
        "a knock moves a few far-side readings by 200 counts",
        Mishap::Far(ChannelFault::Spike(200)),
        on_first(Phase::Measure, 1_000),
        Some(20),
        Expected::Restarts(Disturbance::Jump),
    ),
    entry(
        "far-slip",
        "one far-side conversion goes missing",
        Mishap::Slip,
        on_first(Phase::Measure, 1_000),
        None,
        Expected::Restarts(Disturbance::Missing),
    ),
    entry(
        "far-repeated",
        "the same far-side conversion comes several times",
        Mishap::Far(ChannelFault::Repeated),
        on_first(Phase::Measure, 1_000),
        Some(30),
        Expected::Restarts(Disturbance::Repeated),
    ),
    entry(
        "far-stuck",
        "the far-side transducer freezes while measuring: it never seems to empty",
        Mishap::Far(ChannelFault::Stuck),
        on_first(Phase::Measure, 1_000),
        None,
        Expected::Faults(event::Fault::Trapped),
    ),
    entry(
        "supply-open",
        "the supply-side transducer's wire breaks while soaking",
        Mishap::Supply(ChannelFault::Open),
        on_first(Phase::Soak, 1_000),
        None,
        Expected::Faults(event::Fault::SupplySensor),
    ),
    entry(
        "supply-short",
        "the supply-side transducer is shorted while filling",
        Mishap::Supply(ChannelFault::Short),
        on_first(Phase::Fill, 200),
        None,
        Expected::Faults(event::Fault::SupplySensor),
    ),
    entry(
        "supply-brown-out",
        "the supply-side transducer's supply sags while settling",
        Mishap::Supply(ChannelFault::BrownOut),
        on_first(Phase::Settle, 1_000),
        None,
        Expected::Faults(event::Fault::SupplySensor),
    ),
    entry(
        "supply-stuck-reading",
        "the supply-side transducer freezes while soaking: the line never seems to empty",
        Mishap::Supply(ChannelFault::Stuck),
        on_first(Phase::Soak, 1_000),
        Some(60_000),
        Expected::Faults(event::Fault::VentTimeout),
    ),
    entry(
        "stop",
        "the emergency stop is pressed while filling",
        Mishap::Stop,
        on_first(Phase::Fill, 300),
        Some(3_000),
        Expected::Faults(event::Fault::EmergencyStop),
    ),
    entry(
        "guard",
        "the guard is opened while measuring",
        Mishap::Guard,
        on_first(Phase::Measure, 1_000),
        Some(3_000),
        Expected::Faults(event::Fault::GuardOpen),
    ),
    entry(
        "no-shop-air",
        "shop air fails before filling",
        Mishap::SupplyAir(100_000.0),
        When::At(millis(0)),
        None,
        Expected::Faults(event::Fault::FillStalled),
    ),
    entry(
        "regulator-runs-away",
        "the regulator stands at 8.5 bar when filling begins",
        Mishap::SupplyAir(850_000.0),
        on_first(Phase::Precheck, 0),
        None,
        Expected::Faults(event::Fault::OverPressure),
    ),
    entry(
        "regulator-creeps",
        "the regulator creeps to 8.5 bar while soaking: the pressure leaves its band",
        Mishap::SupplyAir(850_000.0),
        on_first(Phase::Soak, 2_000),
        None,
        Expected::Faults(event::Fault::BandLost),
    ),
    entry(
        "no-pilot-air",
        "the actuator's air fails before filling: the valve stays shut",
        Mishap::PilotAir(0.0),
        on_first(Phase::Precheck, 0),
        None,
        Expected::Faults(event::Fault::FillStalled),
    ),
    entry(
        "low-pilot-air",
        "the actuator's air sinks to 2.5 bar before filling: the ball stops half way, and fills slowly",
        Mishap::PilotAir(250_000.0),
        on_first(Phase::Precheck, 0),
        None,
        Expected::Says(Verdict::Tight),
    ),
    entry(
        "sticks",
        "the ball sticks for three seconds as it should shut: the far side empties through it",
        Mishap::Jam,
        on_first(Phase::Isolate, 0),
        Some(3_000),
        Expected::Says(Verdict::Leaking),
    ),
    entry(
        "jam-open",
        "the ball jams open while soaking",
        Mishap::Jam,
        on_first(Phase::Soak, 2_000),
        Some(25_000),
        Expected::Says(Verdict::Leaking),
    ),
    entry(
        "jam-shut",
        "the ball jams shut while measuring: the far side cannot be emptied",
        Mishap::Jam,
        on_first(Phase::Measure, 500),
        None,
        Expected::Faults(event::Fault::Trapped),
    ),
    entry(
        "vent-stuck",
        "the vent valve stays shut when the supply side should be vented",
        Mishap::VentStuck(Gate::Shut),
        on_first(Phase::Soak, 1_000),
        Some(60_000),
        Expected::Faults(event::Fault::VentTimeout),
    ),
    entry(
        "supply-stuck",
        "the supply valve stays open when the supply side should be vented",
        Mishap::SupplyStuck(Gate::Open),
        on_first(Phase::Soak, 1_000),
        Some(60_000),
        Expected::Faults(event::Fault::VentTimeout),
    ),
    entry(
        "fitting-loosens",
        "a fitting at the transducer begins to leak while settling",
        Mishap::Leak(Spot::Rig, Path::orifice(5e-3)),
        on_first(Phase::Settle, 1_000),
        None,
        Expected::Says(Verdict::Leaking),
    ),
    entry(
        "seat-torn",
        "swarf tears the seat at end A as the ball shuts on it: 30 mm³/s from then on",
        Mishap::Leak(Spot::SeatA, Path::viscous(3e-3)),
        on_first(Phase::Isolate, 0),
        None,
        Expected::Says(Verdict::Leaking),
    ),
    entry(
        "joint-cracks",
        "the end joint at end B cracks under pressure while soaking: 30 mm³/s from then on",
        Mishap::Leak(Spot::JointB, Path::orifice(3e-3)),
        on_first(Phase::Soak, 2_000),
        None,
        Expected::Says(Verdict::Leaking),
    ),
    entry(
        "stem-gives",
        "the stem packing gives way a second into measuring: 30 mm³/s from then on",
        Mishap::Leak(Spot::Stem, Path::viscous(3e-3)),
        on_first(Phase::Measure, 1_000),
        None,
        Expected::Says(Verdict::Leaking),
    ),
    entry(
        "door-opens",
        "a door stands open on a frosty yard for twenty seconds: the room is 15 K colder, and cooling gas looks like a leak",
        Mishap::Room(278.15),
        on_first(Phase::Settle, 1_000),
        Some(20_000),
        Expected::Says(Verdict::Leaking),
    ),
    entry(
        "supply-lost",
        "supply-side readings stop coming while soaking",
        Mishap::Supply(ChannelFault::Lost),
        on_first(Phase::Soak, 1_000),
        None,
        Expected::Faults(event::Fault::SupplySensor),
    ),
    entry(
        "thermometer-open",
        "the thermometer's wire comes off for two seconds while measuring",
        Mishap::Thermometer(ChannelFault::Open),
        on_first(Phase::Measure, 1_000),
        Some(2_000),
        Expected::Restarts(Disturbance::Thermometer),
    ),
    entry(
        "thermometer-lost",
        "the thermometer's readings stop coming while measuring: a pressure without its temperature says nothing",
        Mishap::Thermometer(ChannelFault::Lost),
        on_first(Phase::Measure, 1_000),
        None,
        Expected::Says(Verdict::Void),
    ),
    entry(
        "thermometer-dead",
        "the thermometer has never said anything since switching on",
        Mishap::Thermometer(ChannelFault::Lost),
        When::At(millis(0)),
        None,
        Expected::Says(Verdict::Void),
    ),
    entry(
        "forgets-to-shut",
        "the operator says the lever is shut and has not touched it",
        Mishap::Hand(Mistake::ForgetsToShut),
        on_first(Phase::Isolate, 0),
        Some(100),
        Expected::Says(Verdict::Leaking),
    ),
    entry(
        "half-shut",
        "the operator turns the lever half way and says it is shut",
        Mishap::Hand(Mistake::HalfShut),
        on_first(Phase::Isolate, 0),
        Some(100),
        Expected::Says(Verdict::Leaking),
    ),
    entry(
        "wrong-way",
        "the operator turns the lever shut where it is to be opened into the vent: the far side stays full",
        Mishap::Hand(Mistake::WrongWay),
        on_first(Phase::Measure, 0),
        None,
        Expected::Faults(event::Fault::Trapped),
    ),
    entry(
        "never-answers",
        "the operator walks away and never says that the ends are swapped",
        Mishap::Hand(Mistake::NeverAnswers),
        When::In { phase: Phase::Swap, side: None, after: millis(0) },
        None,
        Expected::Says(Verdict::Void),
    ),
    entry(
        "not-swapped",
        "the operator says the ends are swapped and has left the valve as it was: nothing on the rig can see that",
        Mishap::Hand(Mistake::ConfirmsWithoutDoing),
        When::In { phase: Phase::Swap, side: None, after: millis(0) },
        Some(100),
        Expected::Says(Verdict::Tight),
    ),
    entry(
        "link-down",
        "the operator cannot be reached for a while, with everything empty and at rest: it waits",
        Mishap::LinkDown,
        When::In { phase: Phase::Swap, side: None, after: millis(1_000) },
        Some(5_000),
        Expected::Says(Verdict::Tight),
    ),
    entry(
        "clock-back",
        "the controller's clock jumps back a second while measuring",
        Mishap::ClockBack(1_000),
        on_first(Phase::Measure, 1_000),
        None,
        Expected::Faults(event::Fault::Clock),
    ),
];

/// A fault by name.
pub fn find(name: &str) -> Option<&'static Entry> {
    CATALOGUE.iter().find(|e| e.name == name)
}
