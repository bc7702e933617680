#![doc = include_str!("../README.md")]

pub mod advice;
pub mod calibration;
pub mod fleet;
pub mod identify;
pub mod plan;
pub mod rejudge;
pub mod study;
pub mod trace;
pub mod tune;
