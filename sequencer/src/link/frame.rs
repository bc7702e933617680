//! Frames: a message and its check, byte-stuffed to contain no zero, and a zero as the end.
//!
//! ```text
//! COBS( message | CRC-32/ISCSI of the message, low byte first ) 00
//! ```
//!
//! Byte stuffing: Cheshire and Baker, "Consistent Overhead Byte Stuffing", IEEE/ACM Transactions on Networking 7(2),
//! 1999. The check is the Castagnoli CRC-32 (RFC 3720, appendix B.4, from memory; check value E3069283 for
//!       "123456789").

use super::key::{self, SessionKeys};
use super::write;
use cobs::{DecodeResult, DecoderState, EncoderState, PushResult};
use core::fmt;
use crc::{CRC_32_ISCSI, Crc, NoTable};
use serde::Serialize;

/// Longest message, in bytes: a recipe takes about 250. With a tag it is longer by that.
pub const MESSAGE_MAX: usize = 320 + key::TAGGED_BY;

const CHECK: usize = 4;
const CONTENT_MAX: usize = MESSAGE_MAX + CHECK;

/// Longest frame: one code byte, one more for every 254 bytes, and the zero.
pub const FRAME_MAX: usize = CONTENT_MAX + CONTENT_MAX / 254 + 2;

/// Bit by bit: a table would take a kilobyte of flash, and a line is slow.
static CRC: Crc<u32, NoTable> = Crc::<u32, NoTable>::new(&CRC_32_ISCSI);

/// The check sum that frames have, of bytes.
#[cfg(feature = "rig-memory")]
pub(crate) fn check_sum(bytes: &[u8]) -> u32 {
    CRC.checksum(bytes)
}

/// Bytes ready to be sent.
pub type Frame = heapless::Vec<u8, FRAME_MAX>;

/// A message did not fit a frame.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct TooLong;

impl fmt::Display for TooLong {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("longer than a frame")
    }
}

impl core::error::Error for TooLong {}

/// Puts a message into a frame.
///
/// # Errors
/// [`TooLong`] when it has more than [`MESSAGE_MAX`] bytes; `frame` is then empty.
pub fn encode<T: Serialize>(message: &T, frame: &mut Frame) -> Result<(), TooLong> {
    let mut room = [0; MESSAGE_MAX];
    let bytes = write::to_slice(message, &mut room).ok_or(TooLong)?;
    encode_bytes(bytes, frame)
}

/// As [`encode`], with a tag where there are keys for one.
#[inline(always)]
pub(super) fn encode_tagged<T: Serialize>(
    message: &T,
    keys: Option<&mut SessionKeys>,
    frame: &mut Frame,
) -> Result<(), TooLong> {
    let Some(keys) = keys else { return encode(message, frame) };
    let (mut plain, mut tagged) = ([0; MESSAGE_MAX], [0; MESSAGE_MAX]);
    let bytes = write::to_slice(message, &mut plain).ok_or(TooLong)?;
    encode_bytes(keys.tag(bytes, &mut tagged).ok_or(TooLong)?, frame)
}

/// Puts bytes into a frame.
///
/// # Errors
/// As for [`encode`].
pub fn encode_bytes(message: &[u8], frame: &mut Frame) -> Result<(), TooLong> {
    frame.clear();
    if message.len() > MESSAGE_MAX {
        return Err(TooLong);
    }
    let done = encode_into(message, frame);
    if done.is_none() {
        frame.clear();
    }
    done.ok_or(TooLong)
}

fn encode_into(message: &[u8], frame: &mut Frame) -> Option<()> {
    let check = CRC.checksum(message).to_le_bytes();
    let mut state = EncoderState::default();
    frame.push(0).ok()?;
    for &byte in message.iter().chain(&check) {
        match state.push(byte) {
            PushResult::AddSingle(byte) => frame.push(byte).ok()?,
            PushResult::ModifyFromStartAndSkip((at, code)) => {
                *frame.get_mut(at)? = code;
                frame.push(0).ok()?;
            }
            PushResult::ModifyFromStartAndPushAndSkip((at, code, byte)) => {
                *frame.get_mut(at)? = code;
                frame.push(byte).ok()?;
                frame.push(0).ok()?;
            }
        }
    }
    let (at, code) = state.finalize();
    *frame.get_mut(at)? = code;
    frame.push(0).ok()
}

/// Finds frames in a stream of bytes.
#[derive(Debug, Default)]
pub struct Deframer {
    state: DecoderState,
    content: heapless::Vec<u8, CONTENT_MAX>,
    /// The rest of the present frame is skipped.
    skipping: bool,
    bad: u32,
}

impl Deframer {
    /// Takes in one byte; returns a message when this byte ends a valid one.
    pub fn push(&mut self, byte: u8) -> Option<&[u8]> {
        let complete = self.accept(byte);
        if byte == 0 {
            self.skipping = false;
            self.state = DecoderState::default();
        }
        if !complete {
            return None;
        }
        match message_of(&self.content) {
            Some(message) => Some(message),
            None => {
                self.bad = self.bad.wrapping_add(1);
                None
            }
        }
    }

    /// Whether this byte completes a frame; its contents are then in `content`.
    fn accept(&mut self, byte: u8) -> bool {
        if self.skipping {
            return false;
        }
        let kept = match self.state.feed(byte) {
            Ok(DecodeResult::DataComplete) => return true,
            Ok(DecodeResult::DataStart) => {
                self.content.clear();
                true
            }
            Ok(DecodeResult::DataContinue(byte)) => self.content.push(byte).is_ok(),
            Ok(DecodeResult::NoData) => true,
            Err(_) => false,
        };
        if !kept {
            self.bad = self.bad.wrapping_add(1);
            self.skipping = byte != 0;
        }
        false
    }

    /// Frames dropped so far: too long, wrongly stuffed, or with a wrong check.
    pub const fn bad(&self) -> u32 {
        self.bad
    }
}

/// The message, if its check is right.
fn message_of(content: &[u8]) -> Option<&[u8]> {
    let (message, check) = content.split_last_chunk::<CHECK>()?;
    (CRC.checksum(message) == u32::from_le_bytes(*check)).then_some(message)
}

#[cfg(test)]
mod tests {
    extern crate std;
    use super::*;
    use proptest::prelude::*;
    use std::vec::Vec;

    fn messages(bytes: &[u8]) -> Vec<Vec<u8>> {
        let mut deframer = Deframer::default();
        bytes.iter().filter_map(|&b| deframer.push(b).map(<[u8]>::to_vec)).collect()
    }

    #[test]
    fn the_check_is_the_one_named() {
        // Catalogue of parametrised CRC algorithms, CRC-32/ISCSI, check value; two libraries agree.
        assert_eq!(CRC.checksum(b"123456789"), 0xe306_9283);
    }

    proptest! {
        #[test]
        fn what_goes_in_comes_out(sent in prop::collection::vec(prop::collection::vec(any::<u8>(), 0..=MESSAGE_MAX), 1..6)) {
            let mut line = Vec::new();
            let mut frame = Frame::new();
            for message in &sent {
                encode_bytes(message, &mut frame).unwrap();
                prop_assert_eq!(frame.iter().filter(|&&b| b == 0).count(), 1);
                line.extend_from_slice(&frame);
            }
            prop_assert_eq!(messages(&line), sent);
        }

        #[test]
        fn too_long_is_refused(extra in 1usize..100) {
            let mut frame = Frame::new();
            prop_assert_eq!(encode_bytes(&std::vec![7; MESSAGE_MAX + extra], &mut frame), Err(TooLong));
            prop_assert!(frame.is_empty());
        }

        /// Whatever precedes a zero, the frame after it is decoded.
        #[test]
        fn noise_costs_no_later_frame(noise in prop::collection::vec(any::<u8>(), 0..1000), message in prop::collection::vec(any::<u8>(), 0..50)) {
            let mut line = noise;
            line.push(0);
            let mut frame = Frame::new();
            encode_bytes(&message, &mut frame).unwrap();
            line.extend_from_slice(&frame);
            let decoded = messages(&line);
            prop_assert_eq!(decoded.last(), Some(&message));
        }
    }
}
