//! Parts of a real rig over `embedded-hal` 1.0, and [`Parts`] which puts them together.
//!
//! | module | contents |
//! |---|---|
//! | [`conversion`] | conversions of an analogue-to-digital converter, single or summed |
//! | [`analogue`] | a converter's input and what is wired to it, read as counts |
//! | [`ratiometric`], [`current_loop`] | pressure transducers |
//! | [`divider`], [`platinum`], [`thermistor`] | resistance thermometers |
//! | [`debounce`], [`contact`] | switches |
//! | [`solenoid`] | outputs, with or without read-back |
//!
//! Nothing here reads a clock or waits. Where uncertain a part reports the state that leads to rest: a broken or
//! unreadable wire is an open contact, a sensor fault, a read-back mismatch.

pub mod analogue;
pub mod contact;
pub mod conversion;
pub mod current_loop;
pub mod debounce;
pub mod divider;
mod parts;
pub mod platinum;
pub mod ratiometric;
pub mod solenoid;
pub mod thermistor;

pub use contact::{Contact, Switch};
pub use parts::{Converter, MonotonicClock, OutputError, Parts};
pub use solenoid::{CoilDriver, Solenoid};
