//! What can stand behind the io traits, and who answers.

pub mod person;
pub mod sim;

pub use person::{Person, Question, WithHands};
