#![doc = include_str!("../README.md")]

pub mod drift_margin;
pub mod end_swap;
pub mod layout;
pub mod messages;
pub mod outcome;
pub mod plain;
