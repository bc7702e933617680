//! How long a controller's memory lasts while no host takes its records: what docs/link.md says of it.

use seathold_sequencer::input::{Inputs, Reading};
use seathold_sequencer::link::controller::Controller;
use seathold_sequencer::link::frame::Frame;
use seathold_sequencer::link::host::{Host, HostEvent};
use seathold_sequencer::link::message::Capabilities;
use seathold_sequencer::output::Outputs;
use seathold_sequencer::poll_loop::PollRecord;
use seathold_sequencer::time::Instant;
use seathold_sim::noise::{Noise, Stream};

/// Bytes of the RP2040's ring.
const RING: usize = 64 * 1024;

/// Its oldest record, as a host that comes now is told.
fn oldest(link: &mut Controller<RING>, now: Instant, session: u32) -> u32 {
    let (mut host, mut frame) = (Host::observer(session + 1), Frame::new());
    assert!(host.transmit(now, &mut frame));
    frame.iter().for_each(|&byte| link.receive(now, byte));
    assert!(link.transmit(now, &mut frame));
    let welcomed = frame.iter().find_map(|&byte| match host.receive(byte)? {
        HostEvent::Connected { welcome, .. } => Some(welcome.oldest),
        _ => None,
    });
    welcomed.expect("a welcome")
}

/// Seconds of polls every 10 ms that are kept when it first drops one. Noise in counts of each pressure reading, jitter of the
/// clock in microseconds, both as standard deviations; with a thermometer or none.
fn seconds(noise: f64, jitter: f64, thermometer: bool) -> f64 {
    let mut link = Box::new(Controller::<RING>::new(Capabilities::default()));
    let mut draw = Noise::new(7, Stream::Far);
    let mut next = |mean: f64, sd: f64| (mean + sd * draw.normal()).round() as i32;
    for number in 0_u32.. {
        let at =
            Instant::from_ticks(u64::from(number) * 10_000 + 1_000 + u64::from(next(100.0, jitter).unsigned_abs()));
        let mut record = PollRecord::empty();
        record.at = at;
        record.outputs = Outputs::REST;
        record.inputs = Inputs {
            far: Reading::sample(next(600_000.0, noise), number),
            supply: Reading::sample(next(50_000.0, noise), number),
            thermometer: if thermometer { Reading::sample(next(400_000.0, noise), number) } else { Reading::NoSample },
            ..Inputs::IDLE
        };
        link.record(&record);
        // A look a second.
        if number % 100 == 0 && oldest(&mut link, at, number) > 0 {
            return f64::from(number) / 100.0;
        }
    }
    0.0
}

#[test]
fn memory_lasts_as_long_as_the_book_says() {
    let told = [
        ("a quiet converter, an even clock", seconds(1.5, 0.0, false)),
        ("sums of many conversions, a clock that jitters", seconds(25.0, 3.0, false)),
        ("the same with a thermometer", seconds(25.0, 3.0, true)),
    ];
    let book = std::fs::read_to_string(concat!(env!("CARGO_MANIFEST_DIR"), "/../docs/link.md")).unwrap();
    let mut missing = Vec::new();
    for (what, lasted) in told {
        // To the ten seconds, as the book has it.
        let row = format!("| {what} | {:.0} s |", (lasted / 10.0).round() * 10.0);
        println!("{row}");
        missing.extend((!book.contains(&row)).then_some(row));
    }
    assert!(missing.is_empty(), "docs/link.md has not {missing:?}");
}
