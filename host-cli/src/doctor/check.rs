//! The checks and their outcomes.

use seathold_sequencer::output::Coil;
use seathold_sequencer::rig::RawRig;
use seathold_text::layout::wrapped;
use serde_json::{Value, json};

use crate::exit::Exit;

/// One check, in the order in which it is safe.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum CheckItem {
    /// The far-side transducer's readings of an empty rig.
    FarReadings,
    /// The supply-side transducer's.
    SupplyReadings,
    /// The thermometer's.
    Thermometer,
    /// The emergency stop's contact, and that everything goes to rest.
    Stop,
    /// The guard's contact.
    Guard,
    /// The switch on the valve that says shut.
    ShutSwitch,
    /// A broken wire of the far-side transducer is detected.
    FarWire,
    /// A broken wire of the supply-side transducer is detected.
    SupplyWire,
    /// One output.
    Output(Coil),
    /// Nothing is left energised.
    Rest,
}

impl CheckItem {
    /// In words; also its name in JSON.
    pub const fn name(self) -> &'static str {
        match self {
            Self::FarReadings => "far-side readings",
            Self::SupplyReadings => "supply-side readings",
            Self::Thermometer => "thermometer",
            Self::Stop => "emergency stop",
            Self::Guard => "guard",
            Self::ShutSwitch => "shut switch",
            Self::FarWire => "far-side wire",
            Self::SupplyWire => "supply-side wire",
            Self::Output(Coil::Vent) => "vent valve",
            Self::Output(Coil::Pilot) => "pilot valve",
            Self::Output(Coil::Supply) => "supply valve",
            Self::Rest => "at rest",
        }
    }

    /// Whether the rig has it.
    const fn is_on(self, rig: &RawRig) -> bool {
        match self {
            Self::SupplyReadings | Self::SupplyWire => rig.supply.is_some(),
            Self::Thermometer => rig.thermometer.is_some(),
            Self::Guard => rig.guard_fitted,
            Self::ShutSwitch => rig.shut_switch_fitted,
            _ => true,
        }
    }
}

/// Inputs before outputs, and of the outputs supply last: it is the one that lets air in if the wall valve was
/// forgotten.
const ORDER: [CheckItem; 12] = [
    CheckItem::FarReadings,
    CheckItem::SupplyReadings,
    CheckItem::Thermometer,
    CheckItem::Stop,
    CheckItem::Guard,
    CheckItem::ShutSwitch,
    CheckItem::FarWire,
    CheckItem::SupplyWire,
    CheckItem::Output(Coil::Vent),
    CheckItem::Output(Coil::Pilot),
    CheckItem::Output(Coil::Supply),
    CheckItem::Rest,
];

/// The outcome of a check.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum CheckOutcome {
    /// As it should be.
    Good,
    /// Not as it should be.
    Failed,
    /// Not reached, or left out by the operator.
    NotChecked,
}

impl CheckOutcome {
    /// In words, for people.
    pub const fn word(self) -> &'static str {
        match self {
            Self::Good => "good",
            Self::Failed => "FAILED",
            Self::NotChecked => "not checked",
        }
    }

    const fn key(self) -> &'static str {
        match self {
            Self::Good => "good",
            Self::Failed => "failed",
            Self::NotChecked => "not-checked",
        }
    }
}

/// Every check of a rig, done or still to do.
#[derive(Clone, Debug)]
pub struct Checks(Vec<(CheckItem, CheckOutcome, String)>);

impl Checks {
    /// The checks of this rig; none done yet.
    pub fn of(rig: &RawRig) -> Self {
        let list = ORDER.into_iter().filter(|subject| subject.is_on(rig));
        Self(list.map(|subject| (subject, CheckOutcome::NotChecked, String::new())).collect())
    }

    /// The checks, in order.
    pub fn subjects(&self) -> Vec<CheckItem> {
        self.0.iter().map(|(subject, ..)| *subject).collect()
    }

    /// Sets the outcome of one.
    pub fn note(&mut self, subject: CheckItem, outcome: CheckOutcome, seen: impl Into<String>) {
        if let Some(check) = self.0.iter_mut().find(|check| check.0 == subject) {
            *check = (subject, outcome, seen.into());
        }
    }

    fn count(&self, outcome: CheckOutcome) -> usize {
        self.0.iter().filter(|check| check.1 == outcome).count()
    }

    /// The worst of all.
    pub fn outcome(&self) -> CheckOutcome {
        let worst =
            [CheckOutcome::Failed, CheckOutcome::NotChecked].into_iter().find(|outcome| self.count(*outcome) > 0);
        worst.unwrap_or(CheckOutcome::Good)
    }

    /// 0 only where everything was checked and is good.
    pub fn exit(&self) -> Exit {
        if self.outcome() == CheckOutcome::Good { Exit::Good } else { Exit::NoVerdict }
    }

    /// In one line.
    pub fn headline(&self) -> String {
        match (self.count(CheckOutcome::Failed), self.count(CheckOutcome::NotChecked)) {
            (0, 0) => format!("all {} checks good", self.0.len()),
            (0, left) => format!("{left} of {} not checked", self.0.len()),
            (failed, 0) => format!("{failed} of {} FAILED", self.0.len()),
            (failed, left) => format!("{failed} of {} FAILED, {left} not checked", self.0.len()),
        }
    }

    /// As a table.
    pub fn text(&self) -> String {
        let mut text = String::new();
        for (subject, outcome, seen) in &self.0 {
            let label = format!("  {:<13}{}", outcome.word(), subject.name());
            if seen.is_empty() {
                text.push_str(&label);
                text.push('\n');
            } else {
                wrapped(&mut text, &label, 37, seen);
            }
        }
        text
    }

    /// As JSON.
    pub fn json(&self) -> Value {
        let one = |(subject, outcome, seen): &(CheckItem, CheckOutcome, String)| json!({ "check": subject.name(), "outcome": outcome.key(), "seen": seen });
        json!({ "outcome": self.outcome().key(), "checks": self.0.iter().map(one).collect::<Vec<_>>() })
    }
}
