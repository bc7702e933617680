//! A channel from the gas to the sequencer: converter, noise, and its faults.

use seathold_sequencer::input::{Reading, SensorFault};
use seathold_sequencer::rig::Transducer;

/// Small random numbers, the same on every machine: the finaliser of SplitMix64 over a counter.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Dice(u64);

impl Dice {
    /// An independent stream for every seed.
    pub const fn new(seed: u64) -> Self {
        Self(seed)
    }

    /// The next 64 bits.
    pub const fn bits(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        z ^ (z >> 31)
    }

    /// One of `many`.
    pub const fn below(&mut self, many: usize) -> usize {
        (self.bits() % if many == 0 { 1 } else { many as u64 }) as usize
    }

    /// Nearly Gaussian, standard deviation one: sum of four uniform numbers.
    fn normal(&mut self) -> f64 {
        let bits = self.bits();
        let sum: u64 = (0..4).map(|i| (bits >> (16 * i)) & 0xFFFF).sum();
        (sum as f64 - 2.0 * 65_535.0) / (65_536.0 * 0.577_35)
    }
}

/// Fault of a channel.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Flaw {
    /// The wire is broken.
    Open,
    /// Shorted.
    Short,
    /// The transducer's supply sags.
    BrownOut,
    /// The converter does not answer.
    Device,
    /// Conversions are made but do not arrive.
    Lost,
    /// Every other one does not arrive.
    Holes,
    /// The same conversion is repeated, with its number.
    Repeated,
    /// The present code forever, with new numbers.
    Frozen,
    /// Code zero.
    CodeZero,
    /// The code of the atmosphere, without noise.
    ReadsAtmosphere,
    /// The atmosphere, with its usual noise: a blocked or disconnected line that has been vented.
    Unplugged,
    /// Off by so many pascals.
    Offset(f64),
    /// Reads this share of the pressure.
    Gain(f64),
    /// Follows only with this time constant, in seconds.
    Creep(f64),
    /// So many pascals of noise.
    Noise(f64),
}

/// Noise of a healthy channel, Pa.
const NOISE_PA: f64 = 20.0;

/// One pressure channel. A conversion a poll.
#[derive(Clone, Debug)]
pub struct Wire {
    transducer: Transducer,
    dice: Dice,
    number: u32,
    last: (i32, u32),
    crept: f64,
    /// Gauge pressure less the converter's, of the last conversion: for the judge.
    pub error_pa: f64,
    /// The fault.
    pub flaw: Option<Flaw>,
    /// The next conversion is lost.
    pub slips: bool,
}

impl Wire {
    /// A healthy channel.
    pub const fn new(transducer: Transducer, seed: u64) -> Self {
        Self {
            transducer,
            dice: Dice::new(seed),
            number: 0,
            last: (transducer.zero_counts, 0),
            crept: 0.0,
            error_pa: 0.0,
            flaw: None,
            slips: false,
        }
    }

    /// Converts, and returns what arrives. `period_s` since the last.
    pub fn read(&mut self, pascals: f64, period_s: f64) -> Reading {
        self.number = self.number.wrapping_add(1);
        let noise = self.dice.normal();
        let mut seen = pascals;
        let mut spread = NOISE_PA;
        if let Some(Flaw::Creep(tau)) = self.flaw {
            self.crept += (pascals - self.crept) * (period_s / (period_s + tau));
            seen = self.crept;
        } else {
            self.crept = pascals;
        }
        let mut counts = None;
        match self.flaw {
            Some(Flaw::Open) => return Reading::SensorFault(SensorFault::Open),
            Some(Flaw::Short) => return Reading::SensorFault(SensorFault::Short),
            Some(Flaw::BrownOut) => return Reading::SensorFault(SensorFault::BrownOut),
            Some(Flaw::Device) => return Reading::SensorFault(SensorFault::Device),
            Some(Flaw::Lost) => return Reading::NoSample,
            Some(Flaw::Holes) if self.number.is_multiple_of(2) => return Reading::NoSample,
            Some(Flaw::Repeated) => {
                let (counts, number) = self.last;
                return Reading::sample(counts, number);
            }
            Some(Flaw::Frozen) => counts = Some(self.last.0),
            Some(Flaw::CodeZero) => counts = Some(0),
            Some(Flaw::ReadsAtmosphere) => counts = Some(self.transducer.zero_counts),
            Some(Flaw::Unplugged) => seen = 0.0,
            Some(Flaw::Offset(pa)) => seen += pa,
            Some(Flaw::Gain(gain)) => seen *= gain,
            Some(Flaw::Noise(pa)) => spread = pa,
            Some(Flaw::Creep(_) | Flaw::Holes) | None => {}
        }
        if self.slips {
            self.slips = false;
            return Reading::NoSample;
        }
        let counts = counts.unwrap_or_else(|| {
            let value = (seen + noise * spread) / self.transducer.pa_per_count;
            value.round() as i32 + self.transducer.zero_counts
        });
        // An implausible reading deceives nobody, and noise is symmetric.
        let honest = !self.transducer.plausible(counts) || matches!(self.flaw, Some(Flaw::Noise(_)));
        let given = f64::from(counts - self.transducer.zero_counts) * self.transducer.pa_per_count;
        self.error_pa = if honest { 0.0 } else { given - pascals };
        self.last = (counts, self.number);
        Reading::sample(counts, self.number)
    }
}
