//! Hands at the simulated rig: lines typed where it is served work its contacts, air and wires, as a person at a real one
//! would, and the controller's supply.

use seathold_sim::bench::SimBench;
use seathold_sim::channel_fault::ChannelFault;
use seathold_sim::fault::FaultKind;

/// What hands can work. All but the last stay as they are until worked again.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum HandWork {
    /// Emergency stop.
    Stop,
    /// Guard.
    Guard,
    /// Shop air at the wall.
    Air,
    /// Wire of the far-side transducer.
    FarWire,
    /// Wire of the supply-side transducer.
    SupplyWire,
    /// The controller's supply, off and on.
    Reset,
}

/// The words, what they work, and what is said when that is worked and when it is put back.
const WORDS: [(&str, HandWork, [&str; 2]); 6] = [
    ("stop", HandWork::Stop, ["emergency stop pressed", "emergency stop released"]),
    ("guard", HandWork::Guard, ["guard opened", "guard shut"]),
    ("air", HandWork::Air, ["shop air shut off at the wall, lines vented", "shop air on"]),
    ("far", HandWork::FarWire, ["far transducer unplugged", "far transducer plugged in"]),
    ("supply", HandWork::SupplyWire, ["supply transducer unplugged", "supply transducer plugged in"]),
    ("reset", HandWork::Reset, ["controller off and on again; the rig stayed as it was", ""]),
];

/// The words, for a person.
pub const HELP: &str =
    "type stop, guard, air, far or supply to work it, again to put it back; reset: the controller's supply";

impl HandWork {
    /// From what was typed.
    pub fn parse(line: &str) -> Option<Self> {
        WORDS.iter().find(|(word, ..)| *word == line.trim()).map(|(_, work, _)| *work)
    }
}

/// What is not as it was when the rig was switched on.
#[derive(Debug, Default)]
pub struct Hands {
    worked: Vec<HandWork>,
}

impl Hands {
    /// Works it, or puts it back; returns what was done. A reset is the caller's to make.
    pub fn work(&mut self, bench: &mut SimBench, what: HandWork) -> &'static str {
        let worked = !self.worked.contains(&what);
        match what {
            HandWork::Stop => bench.inject(FaultKind::Stop, worked),
            HandWork::Guard => bench.inject(FaultKind::Guard, worked),
            HandWork::FarWire => bench.inject(FaultKind::Far(ChannelFault::Open), worked),
            HandWork::SupplyWire => bench.inject(FaultKind::Supply(ChannelFault::Open), worked),
            HandWork::Air if worked => bench.rig.shut_off_air(),
            // Back to what the valve file says: it ends what such a fault began.
            HandWork::Air => {
                bench.inject(FaultKind::SupplyAir(0.0), false);
                bench.inject(FaultKind::PilotAir(0.0), false);
            }
            HandWork::Reset => {}
        }
        match (worked, what) {
            (_, HandWork::Reset) => {}
            (true, _) => self.worked.push(what),
            (false, _) => self.worked.retain(|one| *one != what),
        }
        let said = WORDS.iter().find(|(_, work, _)| *work == what).map_or(["", ""], |(.., said)| *said);
        if worked { said[0] } else { said[1] }
    }
}
