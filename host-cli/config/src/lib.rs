#![doc = include_str!("../README.md")]

pub mod config_file;
mod error;
pub mod fault;
pub mod recipe;
pub mod rig;
pub mod shop;
pub mod step_list;
pub mod valve;

pub use error::Error;
