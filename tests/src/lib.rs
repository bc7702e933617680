//! Shared kit of the workspace-level tests.

pub mod lsoda;
pub mod proxy;
pub mod reference;
