//! Output of a step: the commanded state of each solenoid.

/// A shut-or-open solenoid valve in the gas path.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum GasValve {
    /// No flow.
    Shut,
    /// Flow.
    Open,
}

/// The 3/2 pilot valve of the valve's actuator.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum Pilot {
    /// Actuator open to the room: the spring shuts the valve.
    Exhausted,
    /// Actuator fed with air: the valve opens.
    Fed,
}

/// One output, as driven in an output test.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
#[cfg_attr(feature = "serde", serde(rename_all = "kebab-case"))]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum Coil {
    /// The supply valve. Supply and vent are never open together, so the vent is shut first and stays shut with it.
    Supply,
    /// The vent valve.
    Vent,
    /// The pilot valve.
    Pilot,
}

/// The commanded state of every output.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Outputs {
    /// Supply valve: normally closed, energised opens.
    pub supply: GasValve,
    /// Vent valve: normally open, energised shuts.
    pub vent: GasValve,
    /// Pilot valve: normally exhausted, energised feeds the actuator.
    pub pilot: Pilot,
}

impl Outputs {
    /// De-energised: supply shut, vent open, pilot exhausted. At rest is *not* always safe: a spring-return valve
    /// shuts, and may trap pressure on the far side.
    pub const REST: Self = Self { supply: GasValve::Shut, vent: GasValve::Open, pilot: Pilot::Exhausted };

    /// Supply shut, vent open, and the valve driven open into the vent.
    pub const OPEN_TO_VENT: Self = Self { supply: GasValve::Shut, vent: GasValve::Open, pilot: Pilot::Fed };

    /// Supply and vent both open: shop air would flow straight to the room. Never allowed.
    pub const fn supply_to_vent(self) -> bool {
        matches!((self.supply, self.vent), (GasValve::Open, GasValve::Open))
    }
}
