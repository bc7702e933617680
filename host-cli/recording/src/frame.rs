//! The file as bytes: a head, frames with a checksum each, an end.
//!
//! ```text
//! head   "seathold" · version u32 · CRC-32 of those twelve bytes u32
//! frame  kind u8 · length u32 · payload · CRC-32 of kind, length and payload u32
//! ```
//! Whole numbers are little-endian. CRC-32 is the one of ISO-HDLC (polynomial 0x04C11DB7, reflected), as in gzip.

use std::fmt;
use std::io::{self, Write};

use crate::limits::PAYLOAD_MAX;

/// The first bytes of every recording.
pub const MAGIC: [u8; 8] = *b"seathold";
/// The format written, and the newest one read.
pub const VERSION: u32 = 1;
/// Bytes of the head.
pub const HEAD: usize = 16;
/// Bytes of a frame around its payload.
pub(crate) const OVERHEAD: usize = 9;
/// What a frame holds.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[repr(u8)]
pub enum FrameKind {
    /// Who, what, with which recipe, on which rig.
    Header = 1,
    /// A block of polls.
    Polls = 2,
    /// Totals, and a hash over everything before.
    End = 3,
    /// Polls are missing here, or what follows is of another power-up.
    Break = 4,
}

/// What is wrong with a recording, and where.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Damage {
    /// Not a recording.
    Foreign,
    /// Written by a newer program.
    Newer(u32),
    /// Stops before its end: what is before this byte is intact.
    CutShort(u64),
    /// Bytes from here on were altered.
    Altered(u64, &'static str),
    /// From this byte on there is more than a recording may hold.
    Beyond {
        /// First byte that is not used.
        at: u64,
        /// Of what.
        what: &'static str,
        /// How much of it there may be.
        most: u64,
    },
}

impl fmt::Display for Damage {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Foreign => write!(f, "not a seathold recording"),
            Self::Newer(version) => write!(
                f,
                "written in record format {version}, and this program reads formats up to {VERSION}: use a newer \
                 seathold"
            ),
            Self::CutShort(at) => {
                write!(f, "cut short at byte {at}: the run was interrupted, or the copy is incomplete")
            }
            Self::Altered(at, what) => write!(f, "altered at byte {at}: {what}"),
            Self::Beyond { at, what, most } => {
                write!(f, "not read from byte {at} on: a recording has at most {most} {what}, and this one has more")
            }
        }
    }
}

/// Writes the head.
pub fn write_head(to: &mut impl Write) -> io::Result<()> {
    let mut head = [0; HEAD];
    head[..8].copy_from_slice(&MAGIC);
    head[8..12].copy_from_slice(&VERSION.to_le_bytes());
    let sum = crc32fast::hash(&head[..12]);
    head[12..].copy_from_slice(&sum.to_le_bytes());
    to.write_all(&head)
}

/// Writes one frame.
pub fn write_frame(to: &mut impl Write, kind: FrameKind, payload: &[u8]) -> io::Result<()> {
    let length = u32::try_from(payload.len()).ok().filter(|n| *n <= PAYLOAD_MAX);
    let length = length.ok_or_else(|| io::Error::other("a frame has outgrown the format"))?;
    let mut bytes = Vec::with_capacity(payload.len() + OVERHEAD);
    bytes.push(kind as u8);
    bytes.extend_from_slice(&length.to_le_bytes());
    bytes.extend_from_slice(payload);
    bytes.extend_from_slice(&crc32fast::hash(&bytes).to_le_bytes());
    to.write_all(&bytes)
}

fn u32_at(bytes: &[u8], at: usize) -> Option<u32> {
    Some(u32::from_le_bytes(bytes.get(at..at.checked_add(4)?)?.try_into().ok()?))
}

/// Checks the head.
pub(crate) fn read_head(bytes: &[u8]) -> Result<(), Damage> {
    if !bytes.starts_with(&MAGIC[..bytes.len().min(8)]) || bytes.is_empty() {
        return Err(Damage::Foreign);
    }
    let (Some(version), Some(sum)) = (u32_at(bytes, 8), u32_at(bytes, 12)) else { return Err(Damage::CutShort(0)) };
    if sum != crc32fast::hash(&bytes[..12]) {
        return Err(Damage::Altered(8, "the head's checksum does not match"));
    }
    if version > VERSION { Err(Damage::Newer(version)) } else { Ok(()) }
}

/// One frame read: its kind, its payload, and where the next begins.
pub(crate) type ReadFrame<'a> = (FrameKind, &'a [u8], usize);

/// Reads the frame at `at`.
pub fn read_frame(bytes: &[u8], at: usize) -> Result<ReadFrame<'_>, Damage> {
    let place = at as u64;
    let cut = Damage::CutShort(place);
    let length = u32_at(bytes, at + 1).ok_or(cut.clone())?;
    if length > PAYLOAD_MAX {
        return Err(Damage::Altered(place, "a frame is longer than any written"));
    }
    let body = at + 5 + length as usize;
    let sum = u32_at(bytes, body).ok_or(cut)?;
    if sum != crc32fast::hash(&bytes[at..body]) {
        return Err(Damage::Altered(place, "a frame's checksum does not match"));
    }
    let kind = match bytes[at] {
        1 => FrameKind::Header,
        2 => FrameKind::Polls,
        3 => FrameKind::End,
        4 => FrameKind::Break,
        _ => return Err(Damage::Altered(place, "a frame of no known kind")),
    };
    Ok((kind, &bytes[at + 5..body], body + 4))
}
