//! A pseudo-terminal: to the host, a serial port.

use std::ffi::OsStr;
use std::fs::File;
use std::io::{self, Read, Write};
use std::os::unix::ffi::OsStrExt;

use rustix::fs::{Mode, OFlags};
use rustix::pty::{OpenptFlags, grantpt, openpt, ptsname, unlockpt};
use rustix::termios::{OptionalActions, ioctl_tiocnxcl, tcgetattr, tcsetattr};

use super::listener::{Listener, ListenerEvent};

#[derive(Debug)]
pub(super) struct PtyListener {
    ours: File,
    /// The host's end, held open: a terminal whose last user leaves would hang up, and forget that it is raw.
    theirs: File,
    path: String,
    talked: bool,
}

impl PtyListener {
    pub(super) fn open() -> io::Result<Self> {
        let ours = openpt(OpenptFlags::RDWR | OpenptFlags::NOCTTY)?;
        grantpt(&ours)?;
        unlockpt(&ours)?;
        let path = ptsname(&ours, Vec::new())?;
        let theirs = rustix::fs::open(path.as_c_str(), OFlags::RDWR | OFlags::NOCTTY | OFlags::CLOEXEC, Mode::empty())?;
        // Bytes as they are: no echo, no line ends, no signals.
        let mut modes = tcgetattr(&theirs)?;
        modes.make_raw();
        tcsetattr(&theirs, OptionalActions::Now, &modes)?;
        let flags = rustix::fs::fcntl_getfl(&ours)?;
        rustix::fs::fcntl_setfl(&ours, flags | OFlags::NONBLOCK)?;
        let path = OsStr::from_bytes(path.as_bytes()).to_string_lossy().into_owned();
        Ok(Self { ours: ours.into(), theirs: theirs.into(), path, talked: false })
    }
}

impl Listener for PtyListener {
    fn address(&self) -> String {
        format!("serial:{}", self.path)
    }

    fn event(&mut self, talking: bool) -> Option<ListenerEvent> {
        if self.talked == talking {
            return None;
        }
        self.talked = talking;
        if talking {
            return Some(ListenerEvent::Came(self.path.clone()));
        }
        // A host that took the port for itself alone leaves it so when it goes; the next must get in.
        let _ = ioctl_tiocnxcl(&self.theirs);
        Some(ListenerEvent::Gone)
    }

    fn read(&mut self, into: &mut [u8]) -> usize {
        self.ours.read(into).unwrap_or(0)
    }

    fn write(&mut self, bytes: &[u8]) -> usize {
        self.ours.write(bytes).unwrap_or(0)
    }
}
