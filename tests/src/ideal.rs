//! A rig without physics: pressures go where the outputs send them at a fixed rate. For tests of the
//! sequence, where a plant with heat and flow would only blur what is asked.

use seathold_sequencer::input::{Contacts, Inputs, Reading};
use seathold_sequencer::output::{Gate, Outputs, Pilot};
use seathold_sequencer::rig::Transducer;

/// Pressures in pascals, gauge.
#[derive(Clone, Debug)]
pub struct Ideal {
    /// True pressure between ball and transducer.
    pub far: f64,
    /// True pressure on the supply side.
    pub supply: f64,
    /// What the shop supplies.
    pub shop: f64,
    /// Leak out of the far side, in pascals a second.
    pub leak: f64,
    /// The valve follows the pilot; false for a hand valve, moved by `lever_open`.
    pub by_air: bool,
    /// A hand valve's position, or what an air-operated one does if it sticks.
    pub lever_open: bool,
    /// The ball never shuts.
    pub stuck_open: bool,
    /// The ball never opens.
    pub stuck_shut: bool,
    /// Noise of the far transducer before its converter, as a standard deviation in counts.
    pub noise: f64,
    transducer: Transducer,
    number: u32,
    random: u64,
}

/// How fast flow moves a pressure, in pascals a second.
const FLOW: f64 = 3e6;

impl Ideal {
    /// Empty, tight, air-operated.
    pub fn new(transducer: Transducer) -> Self {
        Self {
            far: 0.0,
            supply: 0.0,
            shop: 600_000.0,
            leak: 0.0,
            by_air: true,
            lever_open: false,
            stuck_open: false,
            stuck_shut: false,
            noise: 0.7,
            transducer,
            number: 0,
            random: 1,
        }
    }

    /// Whether the ball is open.
    pub fn open(&self, outputs: Outputs) -> bool {
        let told = if self.by_air { outputs.pilot == Pilot::Fed } else { self.lever_open };
        (told || self.stuck_open) && !self.stuck_shut
    }

    /// Moves the pressures on by `dt` seconds.
    pub fn advance(&mut self, outputs: Outputs, dt: f64) {
        if outputs.supply == Gate::Open {
            self.supply = toward(self.supply, self.shop, FLOW * dt);
        }
        if outputs.vent == Gate::Open {
            self.supply = toward(self.supply, 0.0, FLOW * dt);
        }
        if self.open(outputs) {
            self.far = toward(self.far, self.supply, FLOW * dt);
        }
        self.far -= self.leak * dt * self.far.clamp(0.0, 600_000.0) / 600_000.0;
    }

    /// A healthy reading of everything.
    pub fn read(&mut self) -> Inputs {
        self.number += 1;
        let noise = self.noise * self.gauss() * self.transducer.pa_per_count;
        let sample = |pa: f64| Reading::sample(self.transducer.counts(pa), self.number);
        Inputs { far: sample(self.far + noise), supply: sample(self.supply), contacts: Contacts::CLEAR, ..Inputs::IDLE }
    }

    /// Near enough normal for a test rig: the sum of twelve uniform numbers less six.
    fn gauss(&mut self) -> f64 {
        (0..12)
            .map(|_| {
                // Knuth's MMIX constants (from memory).
                self.random =
                    self.random.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
                (self.random >> 11) as f64 / (1u64 << 53) as f64
            })
            .sum::<f64>()
            - 6.0
    }
}

fn toward(from: f64, to: f64, by: f64) -> f64 {
    if (to - from).abs() <= by { to } else { from + by * (to - from).signum() }
}
