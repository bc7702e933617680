//! The passphrase of a key: asked for at the terminal, without being shown.

use std::path::Path;

use seathold_signing::{Locked, SigningKey};

use crate::environment::Environment;
use crate::error::Error;

/// Environment variable that a program gives it by.
const VARIABLE: &str = "SEATHOLD_PASSPHRASE";

/// Fewest characters of one: whoever has the file can try as many as they like.
const FEWEST: usize = 12;

/// Reads a private key, and asks for its passphrase where it has one.
///
/// # Errors
/// When it cannot be read, or the passphrase is another.
pub fn read_key(path: &Path, environment: &Environment) -> Result<SigningKey, Error> {
    match SigningKey::read(path)? {
        Locked::No(key) => Ok(key),
        Locked::Yes(locked) => Ok(locked.unlock(&asked(path, "passphrase", environment)?)?),
    }
}

/// A passphrase for a new key, typed twice.
///
/// # Errors
/// When it is too short, or was typed otherwise the second time.
pub fn chosen(path: &Path, environment: &Environment) -> Result<String, Error> {
    let first = asked(path, "passphrase", environment)?;
    if first.chars().count() < FEWEST {
        let why = format!("{}: the passphrase has fewer than {FEWEST} characters", path.display());
        return Err(Error::usage(why));
    }
    if given(environment)?.is_none() && asked(path, "the same again", environment)? != first {
        return Err(Error::usage(format!("{}: that was another; no key was made", path.display())));
    }
    Ok(first)
}

fn given(environment: &Environment) -> Result<Option<&str>, Error> {
    environment.variable(VARIABLE).map_err(Error::usage)
}

fn asked(path: &Path, what: &str, environment: &Environment) -> Result<String, Error> {
    if let Some(given) = given(environment)? {
        return Ok(given.to_owned());
    }
    rpassword::prompt_password(format!("{}: {what}: ", path.display())).map_err(|why| {
        let remedy = format!("no terminal to ask for its passphrase ({why}); {VARIABLE} gives it");
        Error::usage(format!("{}: {remedy}", path.display()))
    })
}
