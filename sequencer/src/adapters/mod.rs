//! Parts of a real rig over `embedded-hal` 1.0, a file each, and [`Parts`] which puts them together.

mod contact;
mod parts;
mod solenoid;

pub use contact::Contact;
pub use parts::{Converter, Parts, Ticker, Watchdog};
pub use solenoid::Solenoid;
