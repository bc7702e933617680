//! Output of a scenario: lines of text that must agree between host and controller to the last byte.

use core::fmt::{self, Write};
use crc::{CRC_64_XZ, Crc, Digest, NoTable};

/// Where the lines go.
pub trait Tell {
    /// One line, without its end.
    fn line(&mut self, line: fmt::Arguments<'_>);
}

/// Bytes as lower-case hexadecimal.
#[derive(Clone, Copy, Debug)]
pub struct Hex<'a>(pub &'a [u8]);

impl fmt::Display for Hex<'_> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        for byte in self.0 {
            write!(f, "{byte:02x}")?;
        }
        Ok(())
    }
}

/// Without a table: 2 KiB of flash saved, and speed does not matter here.
static CRC: Crc<u64, NoTable> = Crc::<u64, NoTable>::new(&CRC_64_XZ);

/// A running check over everything a scenario did, outputs included, that would be too long to print.
pub struct Running(Digest<'static, u64, NoTable>);

impl fmt::Debug for Running {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("Running(..)")
    }
}

impl Default for Running {
    fn default() -> Self {
        Self(CRC.digest())
    }
}

impl Running {
    /// Takes in some bytes.
    pub fn update(&mut self, bytes: &[u8]) {
        self.0.update(bytes);
    }

    /// The check over everything taken in.
    pub fn finish(self) -> u64 {
        self.0.finalize()
    }
}

/// Most bytes in one line of hexadecimal.
pub const LINE_BYTES: usize = 256;

/// Room for the longest thing encoded: an estimate with the components of its slope is about 330 bytes.
pub const ENCODED_MAX: usize = 512;

/// A line assembled in place, to be written in one piece.
#[derive(Debug)]
pub struct Line<const N: usize> {
    bytes: [u8; N],
    len: usize,
}

impl<const N: usize> Default for Line<N> {
    fn default() -> Self {
        Self { bytes: [0; N], len: 0 }
    }
}

impl<const N: usize> Line<N> {
    /// The bytes written.
    pub fn as_bytes(&self) -> &[u8] {
        self.bytes.get(..self.len).unwrap_or(&[])
    }
}

impl<const N: usize> Write for Line<N> {
    fn write_str(&mut self, s: &str) -> fmt::Result {
        let end = self.len + s.len();
        self.bytes.get_mut(self.len..end).ok_or(fmt::Error)?.copy_from_slice(s.as_bytes());
        self.len = end;
        Ok(())
    }
}
