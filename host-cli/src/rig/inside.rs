//! A controller with the simulated rig inside this program, talked to by the same frames as any other. Its time goes on
//! by one poll at each look, so nobody waits for a clock.

use std::collections::VecDeque;
use std::io;

use seathold_sequencer::input::Sides;
use seathold_sequencer::rig::RawRig;
use seathold_sequencer::time::{Instant, millis};
use seathold_sim::bench::SimBench;
use seathold_sim::scenario::Scenario;

use super::line::Line;
use crate::serve::{self, Served};

/// Time between polls, in milliseconds.
const POLL_MS: u32 = 10;

/// Seed of its noise.
const SEED: u64 = 1;

/// Controller, rig, and the bytes between here and there.
#[derive(Debug)]
pub struct Inside {
    served: Served,
    wire: Wire,
    at: u64,
}

impl Inside {
    /// Just switched on, with a tight valve.
    ///
    /// # Errors
    /// Never with the built-in rig and scenario.
    pub fn new() -> io::Result<Self> {
        let rig = RawRig::DEMO.validate().map_err(|errors| io::Error::other(errors.to_string()))?;
        let stand = SimBench::with(&Scenario::TIGHT, rig.raw(), SEED, Sides::Both, millis(POLL_MS))
            .map_err(|errors| io::Error::other(errors.to_string()))?;
        Ok(Self { served: Served::new(rig, stand), wire: Wire::default(), at: 0 })
    }
}

/// Bytes under way.
#[derive(Debug, Default)]
struct Wire {
    down: VecDeque<u8>,
    up: Vec<u8>,
}

impl serve::Line for Wire {
    fn address(&self) -> String {
        "sim".into()
    }

    fn news(&mut self, _: bool) -> Option<serve::News> {
        None
    }

    fn read(&mut self, into: &mut [u8]) -> usize {
        let n = into.len().min(self.down.len());
        for (slot, byte) in into.iter_mut().zip(self.down.drain(..n)) {
            *slot = byte;
        }
        n
    }

    fn write(&mut self, bytes: &[u8]) -> usize {
        self.up.extend_from_slice(bytes);
        bytes.len()
    }
}

impl Line for Inside {
    fn send(&mut self, bytes: &[u8]) -> io::Result<()> {
        self.wire.down.extend(bytes);
        Ok(())
    }

    fn receive(&mut self, into: &mut Vec<u8>) -> io::Result<()> {
        let now = Instant::from_ticks(self.at);
        let _ = self.served.talk(now, &mut self.wire);
        let _ = self.served.turn(now);
        let _ = self.served.talk(now, &mut self.wire);
        self.at += u64::from(POLL_MS) * 1_000;
        into.append(&mut self.wire.up);
        Ok(())
    }

    fn bench(&mut self) -> Option<&mut SimBench> {
        Some(self.served.stand())
    }

    fn own_clock(&self) -> Option<u64> {
        Some(self.at)
    }
}
