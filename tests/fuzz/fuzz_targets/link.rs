//! Any bytes into both ends of the link, as they come and as well-formed frames. `tests/tests/link/both_ends.rs` has the
//! same as property tests, for a plain `cargo test`.
#![no_main]

use libfuzzer_sys::fuzz_target;
use seathold_sequencer::link::controller::Controller;
use seathold_sequencer::link::frame::{self, Frame};
use seathold_sequencer::link::host::Host;
use seathold_sequencer::link::message::Capabilities;
use seathold_sequencer::link::polls::Polls;
use seathold_sequencer::time::Instant;

fn feed(line: &[u8]) {
    let mut controller = Controller::<512>::new(Capabilities::default());
    let mut host = Host::new(1);
    let mut out = Frame::new();
    for (i, &byte) in line.iter().enumerate() {
        let now = Instant::from_ticks(i as u64 * 1_000);
        controller.receive(now, byte);
        let _ = host.receive(byte);
        let _ = controller.transmit(now, &mut out);
        let _ = host.transmit(now, &mut out);
    }
}

fuzz_target!(|bytes: &[u8]| {
    feed(bytes);
    let mut frame = Frame::new();
    if frame::encode_bytes(bytes, &mut frame).is_ok() {
        feed(&frame);
    }
    Polls::new(bytes).for_each(drop);
});
