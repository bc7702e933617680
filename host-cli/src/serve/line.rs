//! What bytes go over.

use std::path::Path;

use crate::error::Error;

/// What has happened on a line.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum News {
    /// A host is on it.
    Came(String),
    /// One more wanted it, and was turned away.
    TurnedAway(String),
    /// The host has closed it.
    Gone,
}

/// A stream of bytes to one host at a time. Nothing here waits.
pub trait Line {
    /// What the host types to find it.
    fn address(&self) -> String;

    /// What has happened, if anything. `talking` is whether the present host has been heard lately: one that has not
    /// gives way to another.
    fn news(&mut self, talking: bool) -> Option<News>;

    /// What has come; 0 if nothing.
    fn read(&mut self, into: &mut [u8]) -> usize;

    /// Sends; how much was taken.
    fn write(&mut self, bytes: &[u8]) -> usize;
}

/// A socket to listen on, like "127.0.0.1:4444"; port 0 is any that is free.
///
/// # Errors
/// When it cannot be had.
pub fn open_tcp(address: &str) -> Result<Box<dyn Line>, Error> {
    let line = super::tcp::TcpLine::listen(address).map_err(|why| Error::file("listen on", Path::new(address), why))?;
    Ok(Box::new(line))
}

/// A new pseudo-terminal.
///
/// # Errors
/// When there is none to be had.
pub fn open_pty() -> Result<Box<dyn Line>, Error> {
    #[cfg(unix)]
    {
        let line =
            super::pty::PtyLine::open().map_err(|why| Error::file("open", Path::new("a pseudo-terminal"), why))?;
        Ok(Box::new(line))
    }
    #[cfg(not(unix))]
    Err(Error::usage("--pty: this system has no pseudo-terminals; use --listen"))
}
