//! What is said where this program was built without the office.

use std::path::Path;

use seathold_register::Register;

use crate::console::Console;
use crate::error::Error;
use crate::exit::Exit;
use crate::redact::{LEFT_OUT, TypedAddress};

fn left_out<T>() -> Result<T, Error> {
    Err(Error::usage(LEFT_OUT))
}

pub(in crate::cmd) fn push(_: &TypedAddress, _: &Path, _: &mut Console<'_>) -> Result<Exit, Error> {
    left_out()
}

pub(in crate::cmd) fn pull(_: &TypedAddress, _: &Path, _: &mut Console<'_>) -> Result<Exit, Error> {
    left_out()
}

pub(in crate::cmd) fn verify(
    _: &TypedAddress,
    _: &Path,
    _: &[String],
    _: bool,
    _: &mut Console<'_>,
) -> Result<Exit, Error> {
    left_out()
}

pub(in crate::cmd) fn tables(_: Option<&TypedAddress>, _: i32, _: &mut Console<'_>) -> Result<Exit, Error> {
    left_out()
}

pub(in crate::cmd) fn valve(_: &TypedAddress, _: &str, _: &Console<'_>) -> Result<(Register, ()), Error> {
    left_out()
}
