//! Setup of a run: rig, recipe, valve, all as fast as the rules between their fields allow.

use crate::plant::{Leaks, REGULATOR};
use seathold_sequencer::recipe::{Actuation, Model, RawRecipe};
use seathold_sequencer::rig::{RawRig, Thermometer};
use std::fmt;

/// What is fitted.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Fitted {
    /// A transducer on the supply side.
    pub supply: bool,
    /// A switch that closes when the valve is shut.
    pub switch: bool,
    /// A guard contact.
    pub guard: bool,
    /// A thermometer in the far side's gas.
    pub thermometer: bool,
}

impl Fitted {
    /// Every rig of the campaign. The thermometer comes only with everything else: its faults are independent of the
    /// rest.
    pub const ALL: [Self; 9] = {
        let mut all = [Self { supply: true, switch: true, guard: true, thermometer: true }; 9];
        let mut i = 0;
        while i < 8 {
            all[i] = Self { supply: i & 4 == 0, switch: i & 2 == 0, guard: i & 1 == 0, thermometer: false };
            i += 1;
        }
        all
    };
}

impl fmt::Display for Fitted {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let mut any = false;
        for (fitted, letter) in [(self.supply, 's'), (self.switch, 'w'), (self.guard, 'g'), (self.thermometer, 't')] {
            if fitted {
                write!(f, "{letter}")?;
                any = true;
            }
        }
        if any { Ok(()) } else { f.write_str("bare") }
    }
}

/// The valve under test.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Valve {
    /// A thousandth of the limit on either side.
    Tight,
    /// Three times the limit past either seat.
    Leaker,
    /// Three times the limit past the seat at end B only.
    LeakerB,
    /// Two hundred times the limit past either seat.
    Gross,
}

impl Valve {
    /// All of them, with their names.
    pub const ALL: [(&'static str, Self); 4] =
        [("tight", Self::Tight), ("leaker", Self::Leaker), ("leaker-b", Self::LeakerB), ("gross", Self::Gross)];

    /// Its leaks.
    pub fn leaks(self, limit: f64) -> Leaks {
        let seats = match self {
            Self::Tight => [1e-3, 1e-3],
            Self::Leaker => [3.0, 3.0],
            Self::LeakerB => [1e-3, 3.0],
            Self::Gross => [200.0, 200.0],
        };
        Leaks { seats: seats.map(|s| s * limit), ..Leaks::default() }
    }
}

/// The volume of the far side.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Far {
    /// 45 cm³.
    Small,
    /// One litre.
    Large,
}

impl Far {
    /// Both, with their names.
    pub const ALL: [(&'static str, Self); 2] = [("45cm3", Self::Small), ("1l", Self::Large)];

    /// In m³.
    pub const fn volume(self) -> f64 {
        match self {
            Self::Small => 45e-6,
            Self::Large => 1e-3,
        }
    }
}

/// Everything but the faults.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Setup {
    /// The rig.
    pub fitted: Fitted,
    /// Hand-operated.
    pub by_hand: bool,
    /// The valve.
    pub valve: Valve,
    /// The far side.
    pub far: Far,
    /// The recipe's further stroke, which is on by default.
    pub one_stroke: bool,
    /// Of the noise.
    pub seed: u64,
}

/// Name of this one in a run, from a list of all.
fn name<T: PartialEq + Copy>(all: &[(&'static str, T)], value: T) -> &'static str {
    all.iter().find(|(_, v)| *v == value).map(|(name, _)| *name).expect("the list has all of them")
}

impl fmt::Display for Setup {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let (hand, valve) = (if self.by_hand { "hand" } else { "air" }, name(&Valve::ALL, self.valve));
        write!(f, "{hand}/{valve}/{}/{}/{}", name(&Far::ALL, self.far), self.fitted, self.seed)?;
        if self.one_stroke { f.write_str("/one-stroke") } else { Ok(()) }
    }
}

/// Time between polls, µs: also between samples.
pub const POLL_US: u64 = 10_000;

impl Setup {
    /// The rig: the example rig with what is fitted, and its times as short as they go.
    pub fn rig(&self) -> RawRig {
        let demo = RawRig::DEMO;
        RawRig {
            supply: if self.fitted.supply { demo.supply } else { None },
            shut_switch_fitted: self.fitted.switch,
            guard_fitted: self.fitted.guard,
            thermometer: self
                .fitted
                .thermometer
                .then_some(Thermometer { kelvin_at_zero: 273.15, kelvin_per_count: 0.005 }),
            far_volume_m3: self.far.volume(),
            safe_dwell_ms: 200,
            safe_vent_ms_max: match self.far {
                Far::Small => 1_500,
                Far::Large => 5_000,
            },
            poll_gap_ms_max: 50,
            changeover_ms: 30,
            ..demo
        }
    }

    /// The recipe: at the limit the trapped pressure falls by some 1.7 kPa a second, so that a fifth of a second
    /// suffices.
    pub fn recipe(&self) -> RawRecipe {
        RawRecipe {
            actuation: if self.by_hand { Actuation::Hand } else { Actuation::Air },
            // This gas settles at once, so a transient model would cost time without benefit.
            model: Model::Line,
            target_pa: REGULATOR as u32,
            zero_ms: 500,
            fill_ms_max: match self.far {
                Far::Small => 1_000,
                Far::Large => 4_000,
            },
            soak_ms: 100,
            stroke_time_ms: 200,
            isolate_ms_max: 400,
            vent_ms: 300,
            vent_ms_max: 1_000,
            settle_ms: 100,
            measure_ms_min: 640,
            measure_ms_max: 1_500,
            tau_ms_min: 50,
            tau_ms_max: 100,
            answer_ms_max: 2_000,
            swap_ms_max: 4_000,
            cavity_stroke: !self.one_stroke,
            limit_pa_m3_s: self.limit(),
            ..RawRecipe::DEMO
        }
    }

    /// The greatest leak of a tight valve, Pa·m³/s.
    pub const fn limit(&self) -> f64 {
        1_667.0 * self.far.volume()
    }
}
