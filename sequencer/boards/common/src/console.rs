//! Lines over semihosting: the emulator, or a debug probe, prints them on the host.

use core::fmt::{self, Write};
use cortex_m_semihosting::hio::{self, HostStream};
use seathold_on_target::tell::{Line, Tell};

/// Longest line: an event of 256 bytes in hexadecimal, and its heading.
const LINE_MAX: usize = 600;

/// The host's standard output.
pub struct Console(Option<HostStream>);

impl fmt::Debug for Console {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("Console")
    }
}

impl Console {
    /// Opens it; without a host, lines go nowhere.
    pub fn open() -> Self {
        Self(hio::hstdout().ok())
    }
}

impl Tell for Console {
    fn line(&mut self, line: fmt::Arguments<'_>) {
        // Each write stops the core and asks the host, so a line is assembled first.
        let mut text = Line::<LINE_MAX>::default();
        let fitted = writeln!(text, "{line}").is_ok();
        if let Some(stream) = &mut self.0 {
            let _ = stream.write_all(if fitted { text.as_bytes() } else { b"a line was too long\n" });
        }
    }
}
