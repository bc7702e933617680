//! Recordings by the hundred: one simulated run under many serials. Everything else in them is as it was recorded.

use std::path::Path;

use seathold_recording::frame::{FrameKind, HEAD, read_frame, write_frame, write_head};
use seathold_recording::{Header, Writer, read_bytes};
use seathold_sequencer::poll_loop::PollRecord;
use sha2::{Digest, Sha256};

/// The serial to record under, so that [`renamed`] finds it; others must be as long.
pub const SERIAL: &str = "HM-000000";

/// The recording with another serial, its checksums and hash made anew.
pub fn renamed(recording: &[u8], serial: &str) -> Vec<u8> {
    assert_eq!(serial.len(), SERIAL.len());
    let (_, header, mut at) = read_frame(recording, HEAD).unwrap();
    let place = header.windows(SERIAL.len()).position(|w| w == SERIAL.as_bytes()).expect("recorded under SERIAL");
    let mut header = header.to_vec();
    header[place..place + SERIAL.len()].copy_from_slice(serial.as_bytes());
    let mut bytes = Vec::with_capacity(recording.len());
    write_head(&mut bytes).unwrap();
    write_frame(&mut bytes, FrameKind::Header, &header).unwrap();
    loop {
        let (kind, payload, next) = read_frame(recording, at).unwrap();
        if kind == FrameKind::End {
            // Polls as they are, then the hash over all before.
            let mut end = payload[..payload.len() - 32].to_vec();
            end.extend_from_slice(&Sha256::digest(&bytes));
            write_frame(&mut bytes, FrameKind::End, &end).unwrap();
            return bytes;
        }
        bytes.extend_from_slice(&recording[at..next]);
        at = next;
    }
}

/// Writes the recording anew with its header changed: as good a recording as any, by all that it says of itself.
pub fn with_header(recording: &[u8], path: &Path, change: impl FnOnce(&mut Header)) {
    let recording = read_bytes(recording).unwrap();
    let mut header = recording.header.clone();
    change(&mut header);
    let mut writer = Writer::create(path, &header).unwrap();
    let mut happened = recording.event_log.follow();
    for (number, poll) in recording.polls.iter().enumerate() {
        let events =
            std::iter::from_fn(|| happened(number)).map(|e| recording.names.typed(&e.node()).unwrap()).collect();
        writer.push(&PollRecord { at: poll.at, inputs: poll.inputs, outputs: poll.outputs, events }).unwrap();
    }
    writer.finish().unwrap();
}
