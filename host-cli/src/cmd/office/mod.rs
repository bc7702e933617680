//! `seathold register push`, `pull`, `verify ADDRESS` and `office-tables`: the records of several benches in one database.

pub(super) mod background;
#[cfg(not(feature = "office"))]
mod left_out;
#[cfg(feature = "office")]
mod linked;

use clap::Args;

#[cfg(not(feature = "office"))]
pub(super) use left_out::{ValveRegister, pull, push, tables, verify};
#[cfg(feature = "office")]
pub(super) use linked::{ValveRegister, pull, push, tables, verify};

use super::find::RegisterArg;
use crate::redact::TypedAddress;

/// An office and a register.
#[derive(Debug, Args)]
pub struct OfficeArgs {
    /// The office's database, like postgres://bench_1@office/seathold; the password is taken from PGPASSWORD or ~/.pgpass
    #[arg(value_name = "ADDRESS", value_parser = TypedAddress::typed)]
    pub address: TypedAddress,
    #[command(flatten)]
    pub register: RegisterArg,
}
