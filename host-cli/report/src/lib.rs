#![doc = include_str!("../README.md")]

pub mod assembly;
pub mod batch;
pub mod certificate;
mod evidence;
pub mod export;
mod history;
pub mod kept_fittings;
pub mod label;
mod method;
mod moment;
pub mod photographs;
pub mod run_remark;
mod trace;
pub mod tray;
pub mod valve;
mod valve_history;

pub use evidence::{Evidence, Integrity, RegisterEntry};
pub use history::{ChainHead, RegisterHistory, ReportNote, ReportedBatch, RunSelection};
pub use valve_history::{NO_VERDICT, ValveHistory, by_valve};
