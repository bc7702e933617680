//! A transport to a controller: bytes out, bytes in, never a long wait.

use std::io::{self, ErrorKind, Read, Write};

use seathold_sim::bench::SimBench;

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
