//! Opens the transport to a rig.

use std::io::{self, ErrorKind};
use std::net::{TcpStream, ToSocketAddrs};
use std::time::Duration;

use super::address::Address;
use super::in_process::InProcess;
use super::transport::Transport;

/// Longest one read waits for bytes.
const LOOK: Duration = Duration::from_millis(5);

/// Time-out of connecting and of writing.
const CONNECT: Duration = Duration::from_secs(2);

/// Opens a transport.
///
/// # Errors
/// When nobody is there, or the port cannot be opened.
pub(super) fn open(address: &Address) -> io::Result<Box<dyn Transport>> {
    match address {
        Address::Sim => Ok(Box::new(InProcess::new()?)),
        Address::Tcp(at) => {
            let mut last = io::Error::new(ErrorKind::NotFound, "no such host");
            for one in at.to_socket_addrs()? {
                match TcpStream::connect_timeout(&one, CONNECT) {
                    Ok(stream) => {
                        stream.set_nodelay(true)?;
                        stream.set_read_timeout(Some(LOOK))?;
                        stream.set_write_timeout(Some(CONNECT))?;
                        return Ok(Box::new(stream));
                    }
                    Err(why) => last = why,
                }
            }
            Err(last)
        }
        Address::Serial { device, baud } => {
            let port = serialport::new(device, *baud).timeout(LOOK).open().map_err(io::Error::from)?;
            Ok(Box::new(port))
        }
    }
}
