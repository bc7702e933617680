//! Opens a listener.

use std::path::Path;

use super::listener::Listener;
use crate::error::Error;

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
