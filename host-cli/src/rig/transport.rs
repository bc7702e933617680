//! A transport to a controller: bytes out, bytes in, never a long wait.

use std::io::{self, ErrorKind, Read, Write};
use std::net::{TcpStream, ToSocketAddrs};
use std::time::Duration;

use seathold_sim::bench::SimBench;

use super::address::Address;
use super::in_process::InProcess;

/// Longest one read waits for bytes.
const LOOK: Duration = Duration::from_millis(5);

/// Time-out of connecting and of writing.
const CONNECT: Duration = Duration::from_secs(2);

/// An open transport.
pub trait Transport {
    /// Sends bytes.
    ///
    /// # Errors
    /// When the connection is lost.
    fn send(&mut self, bytes: &[u8]) -> io::Result<()>;

    /// Takes what has come, after a few milliseconds at most.
    ///
    /// # Errors
    /// When the connection is lost.
    fn receive(&mut self, into: &mut Vec<u8>) -> io::Result<()>;

    /// The simulated rig at the other end, where it is in this program: the simulated operator works it here.
    fn bench(&mut self) -> Option<&mut SimBench> {
        None
    }

    /// Microseconds on the transport's own clock, where it has one: the simulated rig in this program runs on its own
    /// time.
    fn own_clock(&self) -> Option<u64> {
        None
    }
}

impl<T: Read + Write> Transport for T {
    fn send(&mut self, bytes: &[u8]) -> io::Result<()> {
        self.write_all(bytes)
    }

    fn receive(&mut self, into: &mut Vec<u8>) -> io::Result<()> {
        let mut room = [0; 4096];
        match self.read(&mut room) {
            Ok(0) => Err(ErrorKind::UnexpectedEof.into()),
            Ok(n) => {
                into.extend_from_slice(&room[..n]);
                Ok(())
            }
            Err(why) if matches!(why.kind(), ErrorKind::WouldBlock | ErrorKind::TimedOut | ErrorKind::Interrupted) => {
                Ok(())
            }
            Err(why) => Err(why),
        }
    }
}

/// Opens a transport.
///
/// # Errors
/// When nobody is there, or the port cannot be opened.
pub fn open(address: &Address) -> io::Result<Box<dyn Transport>> {
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
