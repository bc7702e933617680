//! `seathold register push`, `pull`, `verify ADDRESS` and `office-tables`: the records of several benches in one database.

#[cfg(not(feature = "office"))]
mod left_out;
#[cfg(feature = "office")]
mod linked;

use std::convert::Infallible;
use std::fmt;

use clap::Args;

#[cfg(not(feature = "office"))]
pub(super) use left_out::{pull, push, tables, verify};
#[cfg(feature = "office")]
pub(super) use linked::{pull, push, tables, verify};

use super::find::RegisterArg;
use crate::redact::redacted;

/// An address as it was typed: shown without a password that should not be in it.
#[derive(Clone)]
pub struct TypedAddress(pub(super) String);

impl TypedAddress {
    /// Takes whatever was typed, so that only errors of ours say something of it.
    pub(super) fn typed(text: &str) -> Result<Self, Infallible> {
        Ok(Self(text.to_owned()))
    }
}

impl fmt::Debug for TypedAddress {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "TypedAddress({})", redacted(&self.0))
    }
}

/// An office and a register.
#[derive(Debug, Args)]
pub struct OfficeArgs {
    /// The office's database, like postgres://bench_1@office/seathold; the password is taken from PGPASSWORD or ~/.pgpass
    #[arg(value_name = "ADDRESS", value_parser = TypedAddress::typed)]
    pub address: TypedAddress,
    #[command(flatten)]
    pub register: RegisterArg,
}
