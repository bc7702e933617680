//! Hands at the simulated rig: lines typed where it is served work its contacts, air, wires and hand valves, as a person at a real
//! one would, and the controller's supply.

use seathold_sequencer::field::Unit;
use seathold_sequencer::units::Reference;
use seathold_sim::bench::SimBench;
use seathold_sim::channel_fault::ChannelFault;
use seathold_sim::config::LeakSpec;
use seathold_sim::fault::FaultKind;
use seathold_sim::leak_path::LeakPath;

use crate::quantity_args;

/// What is worked by its word and put back by the same again.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Toggled {
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
}

/// The words, what they work, and what is said when that is worked and when it is put back.
const TOGGLED: [(&str, Toggled, [&str; 2]); 5] = [
    ("stop", Toggled::Stop, ["emergency stop pressed", "emergency stop released"]),
    ("guard", Toggled::Guard, ["guard opened", "guard shut"]),
    ("air", Toggled::Air, ["shop air shut off at the wall, lines vented", "shop air on"]),
    ("far", Toggled::FarWire, ["far transducer unplugged", "far transducer plugged in"]),
    ("supply", Toggled::SupplyWire, ["supply transducer unplugged", "supply transducer plugged in"]),
];

/// The words, for a person.
pub const HELP: &str = "type stop, guard, air, far or supply to work it, again to put it back; \"regulator 2 bar\"; \"leak 20 mm3/s\" or \
                        \"volume 30 cm3\" opens it to the far side, with off shuts it; gauge reads the far side's; button presses the start button; reset: the controller's \
                        supply";

/// What was typed.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct HandWork(Work);

#[derive(Clone, Copy, Debug, PartialEq)]
enum Work {
    Toggle(Toggled),
    /// The regulator is turned to this gauge pressure, Pa.
    Regulator(f64),
    /// A reference leak on the far side is opened, in Pa·m³/s, or shut: 0.
    Leak(f64),
    /// A reference volume on the far side is opened, in m³, or shut off: 0.
    Volume(f64),
    /// The start button is pressed, and let go.
    Button,
    /// A look at the gauge beside the far-side transducer.
    Gauge,
    /// The controller's supply, off and on.
    Reset,
}

impl HandWork {
    /// The controller's supply, off and on.
    pub const RESET: Self = Self(Work::Reset);
    /// The start button is pressed, and let go.
    pub const BUTTON: Self = Self(Work::Button);

    /// From what was typed.
    ///
    /// # Errors
    /// What is wrong with a quantity; for anything else [`HELP`].
    pub fn parse(line: &str) -> Result<Self, String> {
        let (word, rest) = line.trim().split_once(char::is_whitespace).unwrap_or((line.trim(), ""));
        let of = |unit, range| match rest.trim() {
            "off" => Ok(0.0),
            text => quantity_args::one_at(unit, text, range, Reference::ISO_8778.pressure.pascals())
                .map_err(|why| format!("{word}: {why}")),
        };
        let work = match (word, rest.is_empty()) {
            ("regulator", false) => Work::Regulator(of(Unit::Pascal, 0.0..=1e6)?),
            ("leak", false) => Work::Leak(of(Unit::PascalCubicMetrePerSecond, 0.0..=0.1)?),
            ("volume", false) => Work::Volume(of(Unit::CubicMetre, 0.0..=1e-3)?),
            ("button", true) => Work::Button,
            ("gauge", true) => Work::Gauge,
            ("reset", true) => Work::Reset,
            (_, true) => match TOGGLED.iter().find(|(name, ..)| *name == word) {
                Some((_, work, _)) => Work::Toggle(*work),
                None => return Err(HELP.into()),
            },
            _ => return Err(HELP.into()),
        };
        Ok(Self(work))
    }
}

/// What is not as it was when the rig was switched on.
#[derive(Debug, Default)]
pub struct Hands {
    worked: Vec<Toggled>,
}

impl Hands {
    /// Works it, or puts it back; returns what was done. A reset and a press of the button are the caller's to make.
    pub fn work(&mut self, bench: &mut SimBench, what: HandWork) -> String {
        match what.0 {
            Work::Toggle(what) => self.toggle(bench, what).into(),
            Work::Regulator(gauge) => {
                bench.rig.turn_regulator(gauge);
                format!("regulator at {:.3} bar", gauge / 1e5)
            }
            Work::Leak(rate) => {
                bench.rig.set_leak(LeakPath::Rig, LeakSpec::viscous(rate));
                // A leak of 1 Pa·m³/s is 10⁴ mm³/s of gas at 100 kPa.
                if rate > 0.0 {
                    format!("reference leak open: {:.3} mm³/s at 6 bar", rate * 1e4)
                } else {
                    "reference leak shut".into()
                }
            }
            Work::Volume(volume_m3) => match bench.rig.open_vessel(volume_m3) {
                Ok(()) if volume_m3 > 0.0 => format!("reference volume open: {:.2} cm³ more", volume_m3 * 1e6),
                Ok(()) => "reference volume shut off".into(),
                Err(why) => why.to_string(),
            },
            // A needle at its stop shows no sign.
            Work::Gauge => {
                format!("the gauge on the far side reads {:.4} bar", (bench.rig.truth().far_gauge() / 1e5).max(0.0))
            }
            Work::Button => "start button pressed".into(),
            Work::Reset => "controller off and on again; the rig stayed as it was".into(),
        }
    }

    fn toggle(&mut self, bench: &mut SimBench, what: Toggled) -> &'static str {
        let worked = !self.worked.contains(&what);
        match what {
            Toggled::Stop => bench.inject(FaultKind::Stop, worked),
            Toggled::Guard => bench.inject(FaultKind::Guard, worked),
            Toggled::FarWire => bench.inject(FaultKind::Far(ChannelFault::Open), worked),
            Toggled::SupplyWire => bench.inject(FaultKind::Supply(ChannelFault::Open), worked),
            Toggled::Air if worked => bench.rig.shut_off_air(),
            // Back to what the valve file says: it ends what such a fault began.
            Toggled::Air => {
                bench.inject(FaultKind::SupplyAir(0.0), false);
                bench.inject(FaultKind::PilotAir(0.0), false);
            }
        }
        if worked {
            self.worked.push(what);
        } else {
            self.worked.retain(|one| *one != what);
        }
        let said = TOGGLED.iter().find(|(_, work, _)| *work == what).map_or(["", ""], |(.., said)| *said);
        if worked { said[0] } else { said[1] }
    }
}
