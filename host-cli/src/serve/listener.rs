//! Byte transports to a host.

use std::path::Path;

use crate::error::Error;

/// An event of a listener.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum ListenerEvent {
    /// A host has connected.
    Came(String),
    /// Another host was refused.
    TurnedAway(String),
    /// The host has disconnected.
    Gone,
}

/// A stream of bytes to one host at a time. Nothing here waits.
pub trait Listener {
    /// The address for the host's `--rig`.
    fn address(&self) -> String;

    /// The next event, if any. `talking` is whether the present host has been heard lately: one that has not
    /// gives way to another.
    fn event(&mut self, talking: bool) -> Option<ListenerEvent>;

    /// What has come; 0 if nothing.
    fn read(&mut self, into: &mut [u8]) -> usize;

    /// Sends; how much was taken.
    fn write(&mut self, bytes: &[u8]) -> usize;
}

/// A socket to listen on, like "127.0.0.1:4444"; port 0 is any that is free.
///
/// # Errors
/// When it cannot be opened.
pub fn open_tcp(address: &str) -> Result<Box<dyn Listener>, Error> {
    let line = super::tcp::TcpListenerPort::listen(address)
        .map_err(|why| Error::file("listen on", Path::new(address), why))?;
    Ok(Box::new(line))
}

/// A new pseudo-terminal.
///
/// # Errors
/// When there is none to be had.
pub fn open_pty() -> Result<Box<dyn Listener>, Error> {
    #[cfg(unix)]
    {
        let line =
            super::pty::PtyListener::open().map_err(|why| Error::file("open", Path::new("a pseudo-terminal"), why))?;
        Ok(Box::new(line))
    }
    #[cfg(not(unix))]
    Err(Error::usage("--pty: this system has no pseudo-terminals; use --listen"))
}
