//! What is said where this program was built without the office.

use super::super::find::RegisterArg;
use super::{OfficeArgs, TypedAddress};
use crate::console::Console;
use crate::error::Error;
use crate::exit::Exit;

fn left_out() -> Error {
    Error::usage("this program was built without the office: `cargo build --release --features office` builds one with it")
}

pub(in crate::cmd) fn push(_: &OfficeArgs, _: &mut Console<'_>) -> Result<Exit, Error> {
    Err(left_out())
}

pub(in crate::cmd) fn pull(_: &OfficeArgs, _: &mut Console<'_>) -> Result<Exit, Error> {
    Err(left_out())
}

pub(in crate::cmd) fn verify(
    _: &TypedAddress,
    _: &RegisterArg,
    _: &[String],
    _: bool,
    _: &mut Console<'_>,
) -> Result<Exit, Error> {
    Err(left_out())
}

pub(in crate::cmd) fn tables(_: Option<&TypedAddress>, _: i32, _: &mut Console<'_>) -> Result<Exit, Error> {
    Err(left_out())
}
