//! Heat from gas to wall to room.
//!
//! One film coefficient a node and one wall temperature. The coefficient is set by a time constant stated for gas at 6
//! bar gauge and 293.15 K (so the same film acts seven times faster on the thin gas of a vented node, as it should),
//! the wall by the ratio of its heat capacity to the gas's and its time constant to the room.

use crate::gas;

/// Heat path of one node.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Wall {
    /// Gas to wall, W/K.
    pub film: f64,
    /// Heat capacity of the wall, J/K.
    pub capacity: f64,
    /// Wall to room, W/K.
    pub room: f64,
}

impl Wall {
    /// From the volume (m³), the gas's time constant (s), the wall's heat capacity over the gas's, and the wall's time
    /// constant to the room (s); both times are for a wall, or a gas, at constant temperature.
    pub fn new(volume: f64, gas_s: f64, ratio: f64, room_s: f64) -> Self {
        let stated = gas::mass(gas::LEAK_STATED_AT_GAUGE + gas::LEAK_STATED_INTO, volume, gas::T_REF) * gas::CV;
        let capacity = ratio * stated;
        Self { film: stated / gas_s, capacity, room: capacity / room_s }
    }
}
