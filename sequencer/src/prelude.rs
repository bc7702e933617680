//! What firmware names on every page, in one line: `use seathold_sequencer::prelude::*;`.
//!
//! Traits are in it under their own names, as their methods are what is wanted; types with a name that firmware may well have
//! for something else are not, such as `measure`'s.

#[cfg(feature = "adapters")]
pub use crate::adapters::analogue::{Analogue, AnalogueRatio, Characteristic};
#[cfg(feature = "adapters")]
pub use crate::adapters::conversion::{Adc, Conversion, Oversampled, Oversampler};
#[cfg(feature = "adapters")]
pub use crate::adapters::solenoid::Sense;
#[cfg(feature = "adapters")]
pub use crate::adapters::{CoilDriver, Contact, Converter, MonotonicClock, OutputError, Parts, Solenoid, Switch};
pub use crate::event::{Event, Events, Fault, Phase};
pub use crate::input::{Command, Contacts, Inputs, Prompt, Reading, Sample, SensorFault, Sides};
pub use crate::io::{Hardware, Operator, StopMemory, Watchdog};
#[cfg(feature = "link")]
pub use crate::link::{controller::Controller, message::Capabilities, pump::Pump, serve};
pub use crate::output::{GasValve, Outputs, Pilot};
pub use crate::poll_loop::{PollRecord, poll, poll_into};
pub use crate::recipe::{RawRecipe, Recipe};
pub use crate::rig::{RawRig, Rig, RigFacts, Thermometer, Transducer};
pub use crate::step::{Sequencer, Step};
pub use crate::time::{Duration, Instant, millis};
pub use crate::verdict::Verdict;
