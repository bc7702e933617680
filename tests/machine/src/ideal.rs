//! A rig without physics: pressures go where the outputs send them at a fixed rate. For tests of the sequence, where a
//! plant with heat and flow would only obscure the point.

use seathold_sequencer::input::{Contacts, Inputs, Reading};
use seathold_sequencer::output::{GasValve, Outputs, Pilot};
use seathold_sequencer::rig::Transducer;

/// Pressures in pascals, gauge.
#[derive(Clone, Debug)]
pub struct Ideal {
    /// True pressure between ball and transducer.
    pub far: f64,
    /// True pressure on the supply side.
    pub supply: f64,
    /// Shop air pressure.
    pub shop: f64,
    /// Leak out of the far side, in pascals a second.
    pub leak: f64,
    /// The valve follows the pilot; false for a hand valve, moved by `lever_open`.
    pub by_air: bool,
    /// A hand valve's position, or that of an air-operated one that sticks.
    pub lever_open: bool,
    /// The ball never shuts.
    pub stuck_open: bool,
    /// The ball never opens.
    pub stuck_shut: bool,
    /// Settling of the trapped gas: pascals above its final value when the ball shuts, and the time constant in
    /// seconds.
    pub settling: (f64, f64),
    /// How fast the trapped gas warms, as pascals a second.
    pub warming: f64,
    /// Noise of the far transducer before its converter, as a standard deviation in counts.
    pub noise: f64,
    transducer: Transducer,
    /// Seconds since the ball shut.
    shut_for: f64,
    number: u32,
    random: u64,
}

/// How fast flow moves a pressure, in pascals a second.
const FLOW: f64 = 3e6;

impl Ideal {
    /// Empty, tight, air-operated.
    pub fn new(transducer: Transducer) -> Self {
        Self::seeded(transducer, 1)
    }

    /// The same with its noise from a seed.
    pub fn seeded(transducer: Transducer, seed: u64) -> Self {
        Self {
            far: 0.0,
            supply: 0.0,
            shop: 600_000.0,
            leak: 0.0,
            by_air: true,
            lever_open: false,
            stuck_open: false,
            stuck_shut: false,
            settling: (0.0, 1.0),
            warming: 0.0,
            shut_for: 0.0,
            noise: 0.7,
            transducer,
            number: 0,
            // Neighbouring seeds must not give neighbouring noise.
            random: (seed ^ 0x9e37_79b9_7f4a_7c15).wrapping_mul(0xbf58_476d_1ce4_e5b9),
        }
    }

    /// Whether the ball is open.
    pub fn open(&self, outputs: Outputs) -> bool {
        let told = if self.by_air { outputs.pilot == Pilot::Fed } else { self.lever_open };
        (told || self.stuck_open) && !self.stuck_shut
    }

    /// Advances the pressures by `dt` seconds.
    pub fn advance(&mut self, outputs: Outputs, dt: f64) {
        if outputs.supply == GasValve::Open {
            self.supply = toward(self.supply, self.shop, FLOW * dt);
        }
        if outputs.vent == GasValve::Open {
            self.supply = toward(self.supply, 0.0, FLOW * dt);
        }
        if self.open(outputs) {
            self.far = toward(self.far, self.supply, FLOW * dt);
            self.shut_for = 0.0;
        } else if self.far > 0.0 {
            let (amplitude, tau) = self.settling;
            let settled = |t: f64| if amplitude == 0.0 { 0.0 } else { amplitude * (-t / tau).exp() };
            self.far += settled(self.shut_for + dt) - settled(self.shut_for);
            self.shut_for += dt;
            self.far = (self.far + (self.warming - self.leak * self.far / 600_000.0) * dt).max(0.0);
        }
    }

    /// A healthy reading of everything.
    pub fn read(&mut self) -> Inputs {
        self.number += 1;
        let noise = self.noise * self.gauss() * self.transducer.pa_per_count;
        let sample = |pa: f64| Reading::sample(self.transducer.counts(pa), self.number);
        Inputs { far: sample(self.far + noise), supply: sample(self.supply), contacts: Contacts::CLEAR, ..Inputs::IDLE }
    }

    /// Normal noise (Box & Muller, *Annals of Mathematical Statistics* 29, 1958).
    pub fn gauss(&mut self) -> f64 {
        let (u, v) = (self.uniform(), self.uniform());
        (-2.0 * (1.0 - u).ln()).sqrt() * (core::f64::consts::TAU * v).cos()
    }

    fn uniform(&mut self) -> f64 {
        // Knuth's MMIX constants (from memory), the high half mixed down.
        self.random = self.random.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        let mixed = (self.random ^ (self.random >> 33)).wrapping_mul(0xff51_afd7_ed55_8ccd);
        (mixed >> 11) as f64 / (1u64 << 53) as f64
    }
}

fn toward(from: f64, to: f64, by: f64) -> f64 {
    if (to - from).abs() <= by { to } else { from + by * (to - from).signum() }
}
