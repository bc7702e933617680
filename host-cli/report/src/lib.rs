#![doc = include_str!("../README.md")]

pub mod batch;
mod evidence;
pub mod export;
mod history;
mod method;
mod trace;
pub mod valve;
mod valve_history;

pub use evidence::{Evidence, Integrity, RegisterEntry};
pub use history::{ChainHead, RegisterHistory, ReportNote, RunSelection};
pub use valve_history::{NO_VERDICT, ValveHistory, by_valve};
