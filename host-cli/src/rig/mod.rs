//! The rigs behind the io traits, and the operators who answer.
//!
//! | module | subject |
//! |---|---|
//! | [`operator`] [`sim`] | the simulated rig, and who answers at it |
//! | [`address`] [`transport`] [`in_process`] | the ways to a controller |
//! | [`client`] | the connection: requests out, records in |
//! | [`shadow`] | records to polls, checked against this program's own sequencer |
//! | [`remote_operator`] [`session`] | the operator and the loop of a run on a controller |
//! | [`journal`] | what has been acknowledged, kept so that a run can be resumed |

pub mod address;
pub mod client;
mod connect;
pub mod in_process;
pub mod journal;
pub mod operator;
pub mod remote_operator;
pub mod session;
pub mod shadow;
pub mod sim;
pub mod transport;

pub use address::Address;
pub use client::{Client, ClientEvent, RecordContent};
pub use operator::{ConsoleOperator, OperatorQuestion, WithHands};
pub use shadow::Shadow;
