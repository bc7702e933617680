//! Recordings by the hundred, one simulated run under many serials; and forged ones.

use std::path::Path;

use seathold_recording::frame::{FrameKind, HEAD, read_frame, write_frame, write_head};
use seathold_recording::{Header, Writer, read_bytes};
use seathold_sequencer::event::Events;
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

/// A recording written anew: its header changed, and the events of another in place of its own. Checksums and hash are
/// right; only a replay shows it.
pub fn forged(recording: &[u8], change: impl FnOnce(&mut Header), events: &[u8]) -> Vec<u8> {
    let (mut read, from) = (read_bytes(recording).unwrap(), read_bytes(events).unwrap());
    change(&mut read.header);
    let dir = tempfile::tempdir().unwrap();
    let mut writer = Writer::create(&dir.path().join("forged.hold"), &read.header).unwrap();
    let (own, other): (Vec<_>, Vec<_>) = (read.polls.iter().collect(), from.polls.iter().collect());
    let polls = own.len().max(other.len());
    let mut next_event = from.event_log.follow();
    for number in 0..polls {
        let poll = own.get(number).or(other.get(number)).unwrap();
        let mut record = PollRecord { at: poll.at, inputs: poll.inputs, outputs: poll.outputs, events: Events::new() };
        while let Some(event) = next_event(number) {
            record.events.push(from.names.typed(&event.node()).unwrap()).unwrap();
        }
        writer.push(&record).unwrap();
    }
    std::fs::read(writer.finish().unwrap()).unwrap()
}

/// Writes the recording anew with its header changed: as good a recording as any, by all that it says of itself.
pub fn with_header(recording: &[u8], path: &Path, change: impl FnOnce(&mut Header)) {
    std::fs::write(path, forged(recording, change, recording)).unwrap();
}
