//! A socket. One host at a time: another is turned away while the first is heard, and takes over when it is not.

use std::io::{self, ErrorKind, Read, Write};
use std::net::{SocketAddr, TcpListener, TcpStream};

use super::listener::{Listener, ListenerEvent};

#[derive(Debug)]
pub(super) struct TcpListenerPort {
    listener: TcpListener,
    address: SocketAddr,
    host: Option<TcpStream>,
    /// The host closed its end, and that has not been reported yet.
    closed: bool,
}

impl TcpListenerPort {
    pub(super) fn listen(address: &str) -> io::Result<Self> {
        let listener = TcpListener::bind(address)?;
        listener.set_nonblocking(true)?;
        let address = listener.local_addr()?;
        Ok(Self { listener, address, host: None, closed: false })
    }

    fn hang_up(&mut self) {
        self.host = None;
        self.closed = true;
    }

    /// What a read or write did: 0 when it would wait; a broken connection is a closed one.
    fn settle(&mut self, done: io::Result<usize>) -> usize {
        match done {
            Ok(0) => self.hang_up(),
            Ok(n) => return n,
            Err(why) if matches!(why.kind(), ErrorKind::WouldBlock | ErrorKind::Interrupted) => {}
            Err(_) => self.hang_up(),
        }
        0
    }
}

impl Listener for TcpListenerPort {
    fn address(&self) -> String {
        format!("tcp:{}", self.address)
    }

    fn event(&mut self, talking: bool) -> Option<ListenerEvent> {
        if std::mem::take(&mut self.closed) {
            return Some(ListenerEvent::Gone);
        }
        // One that cannot be accepted has gone again.
        let (stream, from) = self.listener.accept().ok()?;
        if self.host.is_some() && talking {
            // Dropping it closes it.
            return Some(ListenerEvent::TurnedAway(from.to_string()));
        }
        if stream.set_nonblocking(true).is_err() {
            return None;
        }
        // Frames are short, and the other end waits for each.
        let _ = stream.set_nodelay(true);
        self.host = Some(stream);
        Some(ListenerEvent::Came(from.to_string()))
    }

    fn read(&mut self, into: &mut [u8]) -> usize {
        let Some(host) = &mut self.host else { return 0 };
        let done = host.read(into);
        self.settle(done)
    }

    fn write(&mut self, bytes: &[u8]) -> usize {
        let Some(host) = &mut self.host else { return 0 };
        let done = host.write(bytes);
        self.settle(done)
    }
}
