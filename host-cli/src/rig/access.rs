//! Who may give a controller commands: the key it shares with its hosts, and lines that need none.

use std::net::ToSocketAddrs;
use std::path::{Path, PathBuf};

use clap::Args;
use seathold_recording::header::LineAccess;
use seathold_sequencer::link::key::Key;

use super::Address;
use crate::error::Error;
use seathold_signing::secret_file;

/// How the line to a controller is kept.
#[derive(Clone, Debug, Default, Args)]
pub struct AccessArgs {
    /// Key file of the controller, from `seathold key`: it then takes commands from nobody else
    #[arg(long, value_name = "FILE", help_heading = "The line")]
    pub key: Option<PathBuf>,
    /// Over a network without a key, where anyone on it can work the valve; the report says so
    #[arg(long, conflicts_with = "key", help_heading = "The line")]
    pub insecure_line: bool,
}

impl AccessArgs {
    /// The key, and what a report has to say of the line to this address.
    ///
    /// # Errors
    /// When the key file cannot be read; when a line over a network has neither key nor leave to be without.
    pub fn to(&self, address: &Address) -> Result<(Option<Key>, LineAccess), Error> {
        let key = self.key.as_deref().map(read).transpose()?;
        let access = match address {
            _ if key.is_some() => LineAccess::Key,
            Address::Tcp(at) if !is_this_machine(at) => LineAccess::Open,
            _ => LineAccess::Local,
        };
        if access == LineAccess::Open && !self.insecure_line {
            return Err(Error::usage(format!(
                "{address} is over a network, where anyone could give commands: give --key FILE, or, where nobody else \
                 is on it, --insecure-line"
            )));
        }
        Ok((key, access))
    }

    /// The key of a controller that listens there.
    ///
    /// # Errors
    /// As for [`to`](Self::to).
    pub fn at(&self, listen: &str) -> Result<Option<Key>, Error> {
        self.to(&Address::Tcp(listen.into())).map(|(key, _)| key)
    }
}

/// Whether all that the name stands for is this machine. One that cannot be looked up is not.
fn is_this_machine(at: &str) -> bool {
    at.to_socket_addrs().is_ok_and(|mut found| {
        let first = found.next();
        first.is_some_and(|address| address.ip().is_loopback()) && found.all(|address| address.ip().is_loopback())
    })
}

/// Makes a key file that only its owner can read. One that exists is never replaced: a controller may be using it.
///
/// # Errors
/// When it exists, or cannot be written.
pub fn make(path: &Path) -> Result<(), Error> {
    let key = Key::new(secret_file::random()?);
    let groups: Vec<String> =
        key.bytes().chunks(2).map(|pair| pair.iter().map(|byte| format!("{byte:02x}")).collect()).collect();
    Ok(secret_file::make(path, &(groups.join("-") + "\n"))?)
}

/// Longest key file that is read: 64 digits, in groups.
const LONGEST: u64 = 256;

/// A key from its file.
///
/// # Errors
/// When others can read it too, or it is none.
pub fn read(path: &Path) -> Result<Key, Error> {
    let text = secret_file::read(path, LONGEST)?;
    // One that is the same byte all over was not drawn at random.
    Key::from_hex(&text).filter(|key| key.bytes().iter().any(|byte| *byte != key.bytes()[0])).ok_or_else(|| {
        Error::usage(format!("{}: not a key: 64 random hexadecimal digits, from `seathold key`", path.display()))
    })
}
