//! `seathold register push`, `pull`, `verify ADDRESS` and `office-tables`: the records of several benches in one database.

pub(super) mod background;
#[cfg(not(feature = "office"))]
mod left_out;
#[cfg(feature = "office")]
mod linked;

#[cfg(not(feature = "office"))]
pub(super) use left_out::{pull, push, tables, valve, verify};
#[cfg(feature = "office")]
pub(super) use linked::{pull, push, tables, valve, verify};
