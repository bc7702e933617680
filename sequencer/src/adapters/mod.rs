//! Parts of a real rig over `embedded-hal` 1.0, and [`Parts`] which puts them together.
//!
//! | room | what it holds |
//! |---|---|
//! | [`conversion`] | what an analogue-to-digital converter gives, one at a time or added up |
//! | [`analogue`] | a converter's input and what is wired to it, read as counts |
//! | [`ratiometric`], [`current_loop`] | pressure transducers |
//! | [`divider`], [`platinum`], [`thermistor`] | resistance thermometers |
//! | [`debounce`], [`contact`] | switches |
//! | [`solenoid`] | outputs, with or without read-back |
//!
//! Nothing here reads a clock or waits. Where in doubt a part says what leads to rest: a wire that is broken or cannot be
//! read is an open contact, a sick transducer, an output that differs.

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
pub use parts::{Converter, OutputError, Parts, Ticker};
pub use solenoid::{Drive, Solenoid};
