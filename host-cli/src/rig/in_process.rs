//! A controller with the simulated rig inside this program, reached by the same frames as any other. Its time advances
//! by one poll at each read, so nobody waits for a clock.

use std::collections::VecDeque;
use std::io;

use seathold_sequencer::input::Sides;
use seathold_sequencer::rig::RawRig;
use seathold_sequencer::time::{Instant, millis};
use seathold_sim::bench::SimBench;
use seathold_sim::scenario::Scenario;

use super::transport::Transport;
use crate::serve::{self, ServedRig};

/// Time between polls where no recipe sets it, in milliseconds.
const POLL_MS: u32 = 10;

/// Seed of its noise.
const SEED: u64 = 1;

/// Controller, rig, and the bytes in transit.
#[derive(Debug)]
pub struct InProcess {
    served: ServedRig,
    wire: ByteQueues,
    at: u64,
    /// The rig's time stands until a host is there, so that its records begin with the first poll.
    waits_for_host: bool,
}

impl InProcess {
    /// Just switched on, with a tight valve.
    ///
    /// # Errors
    /// Never with the built-in rig and scenario.
    pub fn new() -> io::Result<Self> {
        let rig = RawRig::DEMO.validate().map_err(|errors| io::Error::other(errors.to_string()))?;
        let bench = SimBench::with(&Scenario::TIGHT, rig.raw(), SEED, Sides::Both, millis(POLL_MS))
            .map_err(|errors| io::Error::other(errors.to_string()))?;
        Ok(Self { served: ServedRig::new(rig, bench), wire: ByteQueues::default(), at: 0, waits_for_host: false })
    }

    /// A controller with its recipe in it. Its first poll is made when a host is there to take the record.
    pub fn of_run(served: ServedRig) -> Self {
        Self { served, wire: ByteQueues::default(), at: 0, waits_for_host: true }
    }
}

/// Bytes in transit.
#[derive(Debug, Default)]
struct ByteQueues {
    down: VecDeque<u8>,
    up: Vec<u8>,
}

impl serve::Listener for ByteQueues {
    fn address(&self) -> String {
        "sim".into()
    }

    fn event(&mut self, _: bool) -> Option<serve::ListenerEvent> {
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

impl Transport for InProcess {
    fn send(&mut self, bytes: &[u8]) -> io::Result<()> {
        self.wire.down.extend(bytes);
        Ok(())
    }

    fn receive(&mut self, into: &mut Vec<u8>) -> io::Result<()> {
        let now = Instant::from_ticks(self.at);
        let _ = self.served.talk(now, &mut self.wire);
        if !self.waits_for_host || self.served.has_host() {
            let _ = self.served.turn(now);
            let _ = self.served.talk(now, &mut self.wire);
            self.at += self.served.bench().period.as_ticks();
        }
        into.append(&mut self.wire.up);
        Ok(())
    }

    fn bench(&mut self) -> Option<&mut SimBench> {
        Some(self.served.bench())
    }

    fn own_clock(&self) -> Option<u64> {
        Some(self.at)
    }
}
