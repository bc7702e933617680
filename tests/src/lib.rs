//! Shared kit of the workspace-level tests: a rig so simple that every test can say exactly what it does, and a script
//! to drive it with.

pub mod ideal;
pub mod lsoda;
pub mod proxy;
pub mod reference;
pub mod script;
