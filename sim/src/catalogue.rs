//! Faults by name, each with the expected response of the sequencer.

use crate::channel_fault::ChannelFault;
use crate::config::LeakSpec;
use crate::fault::{FaultKind, InjectedFault, When};
use crate::leak_path::LeakPath;
use crate::operator::Mistake;
use seathold_sequencer::event::{self, Disturbance, Phase};
use seathold_sequencer::input::Side;
use seathold_sequencer::output::GasValve;
use seathold_sequencer::time::millis;
use seathold_sequencer::verdict::Verdict;

/// Expected response of the sequencer to a fault.
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
    /// Name, as typed.
    pub name: &'static str,
    /// Description, in one line.
    pub about: &'static str,
    /// The fault, on a tight valve: an air-operated one, unless it requires a lever; on a rig with a thermometer where
    /// it requires one.
    pub fault: InjectedFault,
    /// The expected response.
    pub expected: Expected,
}

const fn on_first(phase: Phase, after_ms: u32) -> When {
    When::In { phase, side: Some(Side::First), after: millis(after_ms) }
}

const fn entry(
    name: &'static str,
    about: &'static str,
    kind: FaultKind,
    when: When,
    lasts_ms: Option<u32>,
    expected: Expected,
) -> Entry {
    let lasts = match lasts_ms {
        Some(ms) => Some(millis(ms)),
        None => None,
    };
    Entry { name, about, fault: InjectedFault { kind, when, lasts }, expected }
}

/// Every fault by name, where its effect is greatest. Each is run against the real sequencer in
/// `tests/tests/plant/faults.rs`.
pub const CATALOGUE: &[Entry] = &[
    entry(
        "far-open",
        "the far-side transducer's wire breaks while measuring",
        FaultKind::Far(ChannelFault::Open),
        on_first(Phase::Measure, 1_000),
        None,
        Expected::Faults(event::Fault::FarSensor),
    ),
    entry(
        "far-short",
        "the far-side transducer is shorted while filling",
        FaultKind::Far(ChannelFault::Short),
        on_first(Phase::Fill, 200),
        None,
        Expected::Faults(event::Fault::FarSensor),
    ),
    entry(
        "far-brown-out",
        "the far-side transducer's supply sags while soaking",
        FaultKind::Far(ChannelFault::BrownOut),
        on_first(Phase::Soak, 1_000),
        None,
        Expected::Faults(event::Fault::FarSensor),
    ),
    entry(
        "far-lost",
        "far-side readings stop coming while measuring",
        FaultKind::Far(ChannelFault::Lost),
        on_first(Phase::Measure, 1_000),
        None,
        Expected::Faults(event::Fault::FarSensor),
    ),
    entry(
        "far-spike",
        "a disturbance shifts a few far-side readings by 200 counts",
        FaultKind::Far(ChannelFault::Spike(200)),
        on_first(Phase::Measure, 1_000),
        Some(20),
        Expected::Restarts(Disturbance::Jump),
    ),
    entry(
        "far-slip",
        "one far-side conversion is missed",
        FaultKind::MissedSample,
        on_first(Phase::Measure, 1_000),
        None,
        Expected::Restarts(Disturbance::Missing),
    ),
    entry(
        "far-repeated",
        "the same far-side conversion comes several times",
        FaultKind::Far(ChannelFault::Repeated),
        on_first(Phase::Measure, 1_000),
        Some(30),
        Expected::Restarts(Disturbance::Repeated),
    ),
    entry(
        "far-stuck",
        "the far-side transducer freezes while measuring: it never seems to empty",
        FaultKind::Far(ChannelFault::Stuck),
        on_first(Phase::Measure, 1_000),
        None,
        Expected::Faults(event::Fault::Trapped),
    ),
    entry(
        "supply-open",
        "the supply-side transducer's wire breaks while soaking",
        FaultKind::Supply(ChannelFault::Open),
        on_first(Phase::Soak, 1_000),
        None,
        Expected::Faults(event::Fault::SupplySensor),
    ),
    entry(
        "supply-short",
        "the supply-side transducer is shorted while filling",
        FaultKind::Supply(ChannelFault::Short),
        on_first(Phase::Fill, 200),
        None,
        Expected::Faults(event::Fault::SupplySensor),
    ),
    entry(
        "supply-brown-out",
        "the supply-side transducer's supply sags while settling",
        FaultKind::Supply(ChannelFault::BrownOut),
        on_first(Phase::Settle, 1_000),
        None,
        Expected::Faults(event::Fault::SupplySensor),
    ),
    entry(
        "supply-stuck-reading",
        "the supply-side transducer freezes while soaking: the line never seems to empty",
        FaultKind::Supply(ChannelFault::Stuck),
        on_first(Phase::Soak, 1_000),
        Some(60_000),
        Expected::Faults(event::Fault::VentTimeout),
    ),
    entry(
        "stop",
        "the emergency stop is pressed while filling",
        FaultKind::Stop,
        on_first(Phase::Fill, 300),
        Some(3_000),
        Expected::Faults(event::Fault::EmergencyStop),
    ),
    entry(
        "guard",
        "the guard is opened while measuring",
        FaultKind::Guard,
        on_first(Phase::Measure, 1_000),
        Some(3_000),
        Expected::Faults(event::Fault::GuardOpen),
    ),
    entry(
        "no-shop-air",
        "shop air fails before filling",
        FaultKind::SupplyAir(100_000.0),
        When::At(millis(0)),
        None,
        Expected::Faults(event::Fault::FillStalled),
    ),
    entry(
        "regulator-runs-away",
        "the regulator is at 8.5 bar when filling begins",
        FaultKind::SupplyAir(850_000.0),
        on_first(Phase::Precheck, 0),
        None,
        Expected::Faults(event::Fault::OverPressure),
    ),
    entry(
        "regulator-creeps",
        "the regulator creeps to 8.5 bar while soaking: the pressure leaves its band",
        FaultKind::SupplyAir(850_000.0),
        on_first(Phase::Soak, 2_000),
        None,
        Expected::Faults(event::Fault::BandLost),
    ),
    entry(
        "no-pilot-air",
        "the actuator's air fails before filling: the valve stays shut",
        FaultKind::PilotAir(0.0),
        on_first(Phase::Precheck, 0),
        None,
        Expected::Faults(event::Fault::FillStalled),
    ),
    entry(
        "low-pilot-air",
        "the actuator's air sinks to 2.5 bar before filling: the ball stops half way, and fills slowly",
        FaultKind::PilotAir(250_000.0),
        on_first(Phase::Precheck, 0),
        None,
        Expected::Says(Verdict::Tight),
    ),
    entry(
        "sticks",
        "the ball sticks for three seconds as it should shut: the far side empties through it",
        FaultKind::Jam,
        on_first(Phase::Isolate, 0),
        Some(3_000),
        Expected::Says(Verdict::Leaking),
    ),
    entry(
        "jam-open",
        "the ball jams open while soaking",
        FaultKind::Jam,
        on_first(Phase::Soak, 2_000),
        Some(25_000),
        Expected::Says(Verdict::Leaking),
    ),
    entry(
        "jam-shut",
        "the ball jams shut while measuring: the far side cannot be emptied",
        FaultKind::Jam,
        on_first(Phase::Measure, 500),
        None,
        Expected::Faults(event::Fault::Trapped),
    ),
    entry(
        "vent-stuck",
        "the vent valve stays shut when the supply side should be vented",
        FaultKind::VentStuck(GasValve::Shut),
        on_first(Phase::Soak, 1_000),
        Some(60_000),
        Expected::Faults(event::Fault::VentTimeout),
    ),
    entry(
        "supply-stuck",
        "the supply valve stays open when the supply side should be vented",
        FaultKind::SupplyStuck(GasValve::Open),
        on_first(Phase::Soak, 1_000),
        Some(60_000),
        Expected::Faults(event::Fault::VentTimeout),
    ),
    entry(
        "fitting-loosens",
        "a fitting at the transducer begins to leak while settling",
        FaultKind::Leak(LeakPath::Rig, LeakSpec::orifice(5e-3)),
        on_first(Phase::Settle, 1_000),
        None,
        Expected::Says(Verdict::Leaking),
    ),
    entry(
        "seat-torn",
        "swarf tears the seat at end A as the ball shuts on it: 30 mm³/s from then on",
        FaultKind::Leak(LeakPath::SeatA, LeakSpec::viscous(3e-3)),
        on_first(Phase::Isolate, 0),
        None,
        Expected::Says(Verdict::Leaking),
    ),
    entry(
        "joint-cracks",
        "the end joint at end B cracks under pressure while soaking: 30 mm³/s from then on",
        FaultKind::Leak(LeakPath::JointB, LeakSpec::orifice(3e-3)),
        on_first(Phase::Soak, 2_000),
        None,
        Expected::Says(Verdict::Leaking),
    ),
    entry(
        "stem-gives",
        "the stem packing gives way a second into measuring: 30 mm³/s from then on",
        FaultKind::Leak(LeakPath::Stem, LeakSpec::viscous(3e-3)),
        on_first(Phase::Measure, 1_000),
        None,
        Expected::Says(Verdict::Leaking),
    ),
    entry(
        "door-opens",
        "a door stands open on a frosty yard for twenty seconds: the room is 15 K colder, and what the gas does cannot be told from a leak",
        FaultKind::Room(278.15),
        on_first(Phase::Settle, 1_000),
        Some(20_000),
        Expected::Says(Verdict::Undecided),
    ),
    entry(
        "supply-lost",
        "supply-side readings stop coming while soaking",
        FaultKind::Supply(ChannelFault::Lost),
        on_first(Phase::Soak, 1_000),
        None,
        Expected::Faults(event::Fault::SupplySensor),
    ),
    entry(
        "thermometer-open",
        "the thermometer's wire comes off for two seconds while measuring",
        FaultKind::Thermometer(ChannelFault::Open),
        on_first(Phase::Measure, 1_000),
        Some(2_000),
        Expected::Restarts(Disturbance::Thermometer),
    ),
    entry(
        "thermometer-lost",
        "the thermometer's readings stop coming while measuring: a pressure without its temperature is not evaluated",
        FaultKind::Thermometer(ChannelFault::Lost),
        on_first(Phase::Measure, 1_000),
        None,
        Expected::Says(Verdict::Void),
    ),
    entry(
        "thermometer-dead",
        "the thermometer has been silent since switching on",
        FaultKind::Thermometer(ChannelFault::Lost),
        When::At(millis(0)),
        None,
        Expected::Says(Verdict::Void),
    ),
    entry(
        "forgets-to-shut",
        "the operator confirms that the lever is shut and has not touched it",
        FaultKind::Hand(Mistake::ForgetsToShut),
        on_first(Phase::Isolate, 0),
        Some(100),
        Expected::Says(Verdict::Leaking),
    ),
    entry(
        "half-shut",
        "the operator turns the lever half way and confirms that it is shut",
        FaultKind::Hand(Mistake::HalfShut),
        on_first(Phase::Isolate, 0),
        Some(100),
        Expected::Says(Verdict::Leaking),
    ),
    entry(
        "wrong-way",
        "the operator turns the lever shut where it is to be opened into the vent: the far side stays full",
        FaultKind::Hand(Mistake::WrongWay),
        on_first(Phase::Measure, 0),
        None,
        Expected::Faults(event::Fault::Trapped),
    ),
    entry(
        "never-answers",
        "the operator walks away and never confirms that the ends are swapped",
        FaultKind::Hand(Mistake::NeverAnswers),
        When::In { phase: Phase::Swap, side: None, after: millis(0) },
        None,
        Expected::Says(Verdict::Void),
    ),
    entry(
        "not-swapped",
        "the operator confirms that the ends are swapped and has left the valve as it was: nothing on the rig can detect that",
        FaultKind::Hand(Mistake::ConfirmsWithoutDoing),
        When::In { phase: Phase::Swap, side: None, after: millis(0) },
        Some(100),
        Expected::Says(Verdict::Tight),
    ),
    entry(
        "link-down",
        "the operator cannot be reached for a while, with everything empty and at rest: it waits",
        FaultKind::LinkDown,
        When::In { phase: Phase::Swap, side: None, after: millis(1_000) },
        Some(5_000),
        Expected::Says(Verdict::Tight),
    ),
    entry(
        "clock-back",
        "the controller's clock jumps back a second while measuring",
        FaultKind::ClockBack(1_000),
        on_first(Phase::Measure, 1_000),
        None,
        Expected::Faults(event::Fault::Clock),
    ),
];

/// A fault by name.
pub fn find(name: &str) -> Option<&'static Entry> {
    CATALOGUE.iter().find(|e| e.name == name)
}
