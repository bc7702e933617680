//! Shared kit of the workspace-level tests.

pub mod batch_kit;
pub mod chip_kit;
pub mod cli_kit;
pub mod doctor_kit;
pub mod foretold;
pub mod fuzzed;
pub mod identified;
pub mod lsoda;
#[cfg(unix)]
pub mod office_kit;
pub mod picture_kit;
pub mod proxy;
pub mod reference;
pub mod register_kit;
pub mod served_kit;
#[cfg(unix)]
pub mod terminal_kit;
pub mod warming_room;

/// The template of a board that is printed in the book, compiled.
#[cfg(doctest)]
#[doc = include_str!("../../docs/controller.md")]
pub mod controller_book {}
