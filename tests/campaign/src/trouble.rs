//! All faults, by name.

use crate::setup::Setup;
use crate::wire::Flaw;
use seathold_sequencer::output::{Coil, GasValve, Pilot};
use seathold_sim::channel_fault::ChannelFault;
use seathold_sim::fault::FaultKind;
use seathold_sim::leak_path::LeakPath;
use seathold_sim::operator::Mistake;

/// Where a leak begins, in limits.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Torn {
    /// Both seats.
    Seats(f64),
    /// Both joints.
    Joints(f64),
    /// The stem.
    Stem(f64),
    /// The rig's own fitting at the transducer.
    Rig(f64),
}

/// Mistakes of the operator.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Slip {
    /// Confirms and has done nothing.
    NotDone,
    /// Confirms another prompt.
    OtherAnswer,
    /// Does not confirm.
    Silent,
    /// Leaves the lever open and confirms that it is shut.
    Forgets,
    /// Turns the lever half way.
    Half,
    /// Turns the lever the wrong way.
    WrongWay,
}

/// Faults of the controller's clock.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Time {
    /// Back by a second, once.
    Back,
    /// Back by 400 ms every 150 ms.
    BackAgain,
    /// Forward by ten seconds, once.
    Leap,
    /// It does not advance.
    Stands,
    /// A poll comes 500 ms late, once.
    Late,
    /// Every poll comes 60 ms after the last.
    Slow,
}

/// Events of the controller.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Restart {
    /// Reset, with its recipe.
    Warm,
    /// Reset, and the recipe comes from the host once it is accepted.
    Bare,
    /// The power is off for a second.
    Dark,
    /// The stop is pressed and released, and then the controller is reset.
    AfterStop,
    /// The same recipe is loaded once more, as soon as the controller takes one.
    Reload,
}

/// A fault.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Trouble {
    /// The far-side channel.
    Far(Flaw),
    /// The supply-side channel.
    Supply(Flaw),
    /// One conversion of the far side is missed.
    SlipFar,
    /// The thermometer's channel.
    Thermometer(Flaw),
    /// The two pressure channels are exchanged.
    Swapped,
    /// The shut switch always reads this.
    Switch(bool),
    /// The emergency stop is pressed.
    Stop,
    /// The guard is open.
    Guard,
    /// The operator cannot be reached.
    Link,
    /// The regulator, or shop air, is at this gauge pressure.
    Regulator(f64),
    /// The actuator's air is at this gauge pressure.
    PilotAir(f64),
    /// The ball jams where it is.
    Jam,
    /// The ball goes no further than half way.
    JamHalf,
    /// The supply valve stays like this, and the read-back does not show it.
    SupplyStuck(GasValve),
    /// The supply valve passes.
    SupplyPasses,
    /// The vent valve stays like this.
    VentStuck(GasValve),
    /// The vent is nearly blocked.
    VentSlow,
    /// The pilot valve stays like this.
    PilotStuck(Pilot),
    /// An output's wire breaks: it falls to rest and reads back so.
    Wire(Coil),
    /// A place begins to leak.
    Leak(Torn),
    /// The room is suddenly at this temperature, K.
    Room(f64),
    /// The hand bleed is open.
    Bleed,
    /// The person.
    Slips(Slip),
    /// The operator aborts the run.
    Abort,
    /// The operator presses start.
    Start,
    /// The operator acknowledges, whatever the state.
    Acknowledge,
    /// The operator requests an output test.
    Work(Coil),
    /// The clock.
    Time(Time),
    /// The controller.
    Restart(Restart),
}

/// How long a fault may last.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Lasts {
    /// It is over as it begins.
    Once,
    /// 30 ms.
    Burst,
    /// A moment, a few seconds, permanent.
    Any,
    /// As `Any`, and five seconds.
    Frozen,
}

/// A fault with its name.
#[derive(Clone, Copy, Debug)]
pub struct Named {
    /// As typed.
    pub name: &'static str,
    /// The fault.
    pub trouble: Trouble,
    /// Its duration.
    pub lasts: Lasts,
}

const fn named(name: &'static str, trouble: Trouble, lasts: Lasts) -> Named {
    Named { name, trouble, lasts }
}

use Lasts::{Any, Burst, Frozen, Once};
use Trouble::{Far, Supply, Thermometer};

/// All of them.
pub const ALL: &[Named] = &[
    named("far-open", Far(Flaw::Open), Any),
    named("far-short", Far(Flaw::Short), Any),
    named("far-brown-out", Far(Flaw::BrownOut), Any),
    named("far-device", Far(Flaw::Device), Any),
    named("far-lost", Far(Flaw::Lost), Any),
    named("far-holes", Far(Flaw::Holes), Any),
    named("far-slip", Trouble::SlipFar, Once),
    named("far-repeated", Far(Flaw::Repeated), Any),
    named("far-frozen", Far(Flaw::Frozen), Frozen),
    named("far-code-0", Far(Flaw::CodeZero), Any),
    named("far-zero", Far(Flaw::ReadsAtmosphere), Any),
    named("far-unplugged", Far(Flaw::Unplugged), Any),
    named("far-up-5k", Far(Flaw::Offset(5_000.0)), Any),
    named("far-down-5k", Far(Flaw::Offset(-5_000.0)), Any),
    named("far-up-30k", Far(Flaw::Offset(30_000.0)), Any),
    named("far-down-30k", Far(Flaw::Offset(-30_000.0)), Any),
    named("far-spike-up", Far(Flaw::Offset(40_000.0)), Once),
    named("far-spike-down", Far(Flaw::Offset(-40_000.0)), Once),
    named("far-burst-up", Far(Flaw::Offset(90_000.0)), Burst),
    named("far-burst-down", Far(Flaw::Offset(-90_000.0)), Burst),
    named("far-gain-low", Far(Flaw::Gain(0.9)), Any),
    named("far-creeps", Far(Flaw::Creep(0.3)), Any),
    named("far-creeps-slowly", Far(Flaw::Creep(3.0)), Any),
    named("far-noisy", Far(Flaw::Noise(2_000.0)), Any),
    named("supply-open", Supply(Flaw::Open), Any),
    named("supply-short", Supply(Flaw::Short), Any),
    named("supply-brown-out", Supply(Flaw::BrownOut), Any),
    named("supply-lost", Supply(Flaw::Lost), Any),
    named("supply-repeated", Supply(Flaw::Repeated), Any),
    named("supply-frozen", Supply(Flaw::Frozen), Frozen),
    named("supply-code-0", Supply(Flaw::CodeZero), Any),
    named("supply-zero", Supply(Flaw::ReadsAtmosphere), Any),
    named("supply-unplugged", Supply(Flaw::Unplugged), Any),
    named("supply-up-5k", Supply(Flaw::Offset(5_000.0)), Any),
    named("supply-down-5k", Supply(Flaw::Offset(-5_000.0)), Any),
    named("supply-up-30k", Supply(Flaw::Offset(30_000.0)), Any),
    named("supply-down-30k", Supply(Flaw::Offset(-30_000.0)), Any),
    named("supply-spike-up", Supply(Flaw::Offset(40_000.0)), Once),
    named("supply-spike-down", Supply(Flaw::Offset(-40_000.0)), Once),
    named("supply-creeps", Supply(Flaw::Creep(0.3)), Any),
    named("channels-swapped", Trouble::Swapped, Any),
    named("thermometer-open", Thermometer(Flaw::Open), Any),
    named("thermometer-lost", Thermometer(Flaw::Lost), Any),
    named("thermometer-repeats", Thermometer(Flaw::Repeated), Any),
    named("thermometer-frozen", Thermometer(Flaw::Frozen), Any),
    named("switch-always-shut", Trouble::Switch(true), Any),
    named("switch-never-shut", Trouble::Switch(false), Any),
    named("stop", Trouble::Stop, Any),
    named("guard-opened", Trouble::Guard, Any),
    named("link-lost", Trouble::Link, Any),
    named("supply-sags", Trouble::Regulator(100_000.0), Any),
    named("supply-air-gone", Trouble::Regulator(0.0), Any),
    named("regulator-runs-away", Trouble::Regulator(850_000.0), Any),
    named("regulator-creeps", Trouble::Regulator(640_000.0), Any),
    named("pilot-air-gone", Trouble::PilotAir(0.0), Any),
    named("pilot-air-low", Trouble::PilotAir(275_000.0), Any),
    named("ball-jams", Trouble::Jam, Any),
    named("ball-half", Trouble::JamHalf, Any),
    named("supply-stuck-open", Trouble::SupplyStuck(GasValve::Open), Any),
    named("supply-stuck-shut", Trouble::SupplyStuck(GasValve::Shut), Any),
    named("supply-passes", Trouble::SupplyPasses, Any),
    named("vent-stuck-shut", Trouble::VentStuck(GasValve::Shut), Any),
    named("vent-stuck-open", Trouble::VentStuck(GasValve::Open), Any),
    named("vent-slow", Trouble::VentSlow, Any),
    named("pilot-stuck-fed", Trouble::PilotStuck(Pilot::Fed), Any),
    named("pilot-stuck-exhausted", Trouble::PilotStuck(Pilot::Exhausted), Any),
    named("supply-wire-off", Trouble::Wire(Coil::Supply), Any),
    named("vent-wire-off", Trouble::Wire(Coil::Vent), Any),
    named("pilot-wire-off", Trouble::Wire(Coil::Pilot), Any),
    named("seats-torn", Trouble::Leak(Torn::Seats(4.0)), Any),
    named("joints-crack", Trouble::Leak(Torn::Joints(4.0)), Any),
    named("stem-gives", Trouble::Leak(Torn::Stem(4.0)), Any),
    named("rig-leaks", Trouble::Leak(Torn::Rig(4.0)), Any),
    named("room-cold", Trouble::Room(285.15), Any),
    named("room-warm", Trouble::Room(301.15), Any),
    named("bleed-open", Trouble::Bleed, Any),
    named("not-done", Trouble::Slips(Slip::NotDone), Any),
    named("other-answer", Trouble::Slips(Slip::OtherAnswer), Any),
    named("silent", Trouble::Slips(Slip::Silent), Any),
    named("forgets-to-shut", Trouble::Slips(Slip::Forgets), Any),
    named("half-shut", Trouble::Slips(Slip::Half), Any),
    named("wrong-way", Trouble::Slips(Slip::WrongWay), Any),
    named("abort", Trouble::Abort, Once),
    named("start", Trouble::Start, Once),
    named("acknowledge", Trouble::Acknowledge, Once),
    named("work-supply", Trouble::Work(Coil::Supply), Once),
    named("work-vent", Trouble::Work(Coil::Vent), Once),
    named("work-pilot", Trouble::Work(Coil::Pilot), Once),
    named("clock-back", Trouble::Time(Time::Back), Once),
    named("clock-back-again", Trouble::Time(Time::BackAgain), Any),
    named("clock-leaps", Trouble::Time(Time::Leap), Once),
    named("clock-stands", Trouble::Time(Time::Stands), Any),
    named("poll-late", Trouble::Time(Time::Late), Once),
    named("polls-slow", Trouble::Time(Time::Slow), Any),
    named("reset", Trouble::Restart(Restart::Warm), Once),
    named("reset-bare", Trouble::Restart(Restart::Bare), Once),
    named("power-cut", Trouble::Restart(Restart::Dark), Once),
    named("reset-after-stop", Trouble::Restart(Restart::AfterStop), Once),
    named("recipe-again", Trouble::Restart(Restart::Reload), Once),
];

/// A fault by name.
pub fn find(name: &str) -> Option<&'static Named> {
    ALL.iter().find(|n| n.name == name)
}

impl Named {
    /// How long it may last, in milliseconds; `None` for permanent.
    pub const fn spans(&self) -> &'static [Option<u32>] {
        match self.lasts {
            // One poll.
            Lasts::Once => &[Some(10)],
            Lasts::Burst => &[Some(30)],
            Lasts::Any => &[Some(50), Some(1_500), None],
            Lasts::Frozen => &[Some(50), Some(1_000), Some(5_000), None],
        }
    }

    /// Whether it can happen on this bench.
    pub const fn applies(&self, setup: &Setup) -> bool {
        let fitted = setup.fitted;
        match self.trouble {
            Trouble::Supply(_) | Trouble::Swapped => fitted.supply && !fitted.thermometer,
            Trouble::Thermometer(_) => fitted.thermometer,
            Trouble::Room(_) => true,
            // The rig with a thermometer is only for its faults.
            _ if fitted.thermometer => false,
            Trouble::Switch(_) => fitted.switch,
            Trouble::Guard => fitted.guard,
            Trouble::PilotAir(_) | Trouble::PilotStuck(_) | Trouble::Wire(Coil::Pilot) => !setup.by_hand,
            Trouble::Slips(Slip::Forgets | Slip::Half | Slip::WrongWay) => setup.by_hand,
            _ => true,
        }
    }
}

/// The counterpart of a fault of the simulator, so that none of its catalogue is omitted. A new fault there does not
/// compile until it is handled here.
pub const fn counterpart(mishap: &FaultKind) -> &'static str {
    match mishap {
        FaultKind::Far(fault) => match fault {
            ChannelFault::Open => "far-open",
            ChannelFault::Short => "far-short",
            ChannelFault::BrownOut => "far-brown-out",
            ChannelFault::Stuck => "far-frozen",
            ChannelFault::Spike(_) => "far-spike-up",
            ChannelFault::Lost => "far-lost",
            ChannelFault::Repeated => "far-repeated",
        },
        FaultKind::Supply(fault) => match fault {
            ChannelFault::Open => "supply-open",
            ChannelFault::Short => "supply-short",
            ChannelFault::BrownOut => "supply-brown-out",
            ChannelFault::Stuck => "supply-frozen",
            ChannelFault::Spike(_) => "supply-spike-up",
            ChannelFault::Lost => "supply-lost",
            ChannelFault::Repeated => "supply-repeated",
        },
        FaultKind::Thermometer(fault) => match fault {
            ChannelFault::Open | ChannelFault::Short | ChannelFault::BrownOut => "thermometer-open",
            ChannelFault::Stuck | ChannelFault::Spike(_) => "thermometer-frozen",
            ChannelFault::Lost => "thermometer-lost",
            ChannelFault::Repeated => "thermometer-repeats",
        },
        FaultKind::MissedSample => "far-slip",
        FaultKind::Stop => "stop",
        FaultKind::Guard => "guard-opened",
        FaultKind::SupplyAir(pa) => {
            if *pa > 600_000.0 {
                "regulator-runs-away"
            } else {
                "supply-sags"
            }
        }
        FaultKind::PilotAir(pa) => {
            if *pa > 0.0 {
                "pilot-air-low"
            } else {
                "pilot-air-gone"
            }
        }
        FaultKind::Jam => "ball-jams",
        FaultKind::SupplyStuck(GasValve::Open) => "supply-stuck-open",
        FaultKind::SupplyStuck(GasValve::Shut) => "supply-stuck-shut",
        FaultKind::VentStuck(GasValve::Open) => "vent-stuck-open",
        FaultKind::VentStuck(GasValve::Shut) => "vent-stuck-shut",
        FaultKind::Leak(spot, _) => match spot {
            LeakPath::SeatA | LeakPath::SeatB => "seats-torn",
            LeakPath::Stem | LeakPath::BodyJoint => "stem-gives",
            LeakPath::JointA | LeakPath::JointB => "joints-crack",
            LeakPath::Rig => "rig-leaks",
        },
        FaultKind::Room(_) => "room-cold",
        FaultKind::Hand(mistake) => match mistake {
            Mistake::None | Mistake::ConfirmsWithoutDoing => "not-done",
            Mistake::ForgetsToShut => "forgets-to-shut",
            Mistake::HalfShut => "half-shut",
            Mistake::WrongWay => "wrong-way",
            Mistake::NeverAnswers => "silent",
        },
        FaultKind::LinkDown => "link-lost",
        FaultKind::ClockBack(_) => "clock-back",
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_named_fault_of_the_simulator_has_a_counterpart() {
        for entry in seathold_sim::catalogue::CATALOGUE {
            let name = counterpart(&entry.fault.kind);
            assert!(find(name).is_some(), "{} → {name}", entry.name);
        }
    }

    #[test]
    fn names_are_unique() {
        for named in ALL {
            assert_eq!(ALL.iter().filter(|n| n.name == named.name).count(), 1, "{}", named.name);
        }
    }
}
