//! What can stand behind the io traits, and who answers.
//!
//! | room | what it holds |
//! |---|---|
//! | [`person`] [`sim`] | the simulated rig, and who answers at it |
//! | [`address`] [`line`](mod@line) [`inside`] | the ways to a controller |
//! | [`remote`] | the connection: orders out, records in |
//! | [`follow`] | records to polls, checked against this program's own sequencer |
//! | [`answers`] [`session`] | the operator and the loop of a run on a controller |
//! | [`journal`] | what has been acknowledged, kept so that a run can be taken up again |

pub mod address;
pub mod answers;
pub mod follow;
pub mod inside;
pub mod journal;
pub mod line;
pub mod person;
pub mod remote;
pub mod session;
pub mod sim;

pub use address::Address;
pub use follow::Follower;
pub use person::{Person, Question, WithHands};
pub use remote::{Kept, News, Remote};
