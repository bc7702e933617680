//! The rigs behind the io traits, and the operators who answer.
//!
//! | module | subject |
//! |---|---|
//! | [`sim`] | the simulated rig's faults, as typed |
//! | [`address`] [`transport`] [`in_process`] | the ways to a controller |
//! | [`access`] | who may give commands: keys |
//! | [`client`] | the connection: requests out, records in |
//! | [`shadow`] | records to polls, checked against this program's own sequencer |
//! | [`operator`] | who answers the controller |
//! | [`journal`] | what has been acknowledged, kept so that a run can be resumed |

pub mod access;
pub mod address;
pub mod client;
mod connect;
pub mod in_process;
pub mod journal;
pub mod memory;
pub mod operator;
pub mod shadow;
pub mod sim;
pub mod transport;

pub use access::AccessArgs;
pub use address::Address;
pub use client::{Client, ClientEvent, RecordContent};
pub use operator::{Answers, KeyWord, OperatorQuestion, RunOperator};
pub use shadow::Shadow;
