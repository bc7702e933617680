//! What is said where this program was built without the office.

use seathold_register::Register;

use super::super::find::RegisterArg;
use super::OfficeArgs;
use crate::console::Console;
use crate::error::Error;
use crate::exit::Exit;
use crate::redact::{LEFT_OUT, TypedAddress};

fn left_out() -> Error {
    Error::usage(LEFT_OUT)
}

/// What an office has of one valve: nothing, here.
#[derive(Debug)]
pub(in crate::cmd) struct ValveRegister {
    pub(in crate::cmd) register: Register,
}

impl ValveRegister {
    pub(in crate::cmd) fn of(_: &TypedAddress, _: &str, _: &Console<'_>) -> Result<Self, Error> {
        Err(left_out())
    }
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
