//! The simulated rig as a run uses it: the plant, faults that begin and end at set times, a clock moved by the loop.

use std::convert::Infallible;

use seathold_sequencer::field::Unit;
use seathold_sequencer::input::{Contacts, Sample, SensorFault};
use seathold_sequencer::io::Hardware;
use seathold_sequencer::output::Outputs;
use seathold_sequencer::time::{Duration, Instant};
use seathold_sim::faulty::{ChannelFault, Faulty};
use seathold_sim::operator::SimOperator;
use seathold_sim::rig::SimRig;

use crate::error::did_you_mean;
use crate::quantity::Kind;

/// What can be made to go wrong with the simulated rig.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Mishap {
    /// The far-side transducer.
    Far(ChannelFault),
    /// The emergency stop is pressed.
    Stop,
    /// The guard is open.
    Guard,
}

/// Size of the spike that `far-spike` makes, in counts.
const SPIKE: i32 = 200;

/// Each with its name and what it is.
pub const MISHAPS: &[(&str, Mishap, &str)] = &[
    ("far-open", Mishap::Far(ChannelFault::Open), "far-side transducer: broken wire"),
    ("far-short", Mishap::Far(ChannelFault::Short), "far-side transducer: short circuit"),
    ("far-brown-out", Mishap::Far(ChannelFault::BrownOut), "far-side transducer: its supply too low"),
    ("far-stuck", Mishap::Far(ChannelFault::Stuck), "far-side transducer: the same reading over and over"),
    ("far-spike", Mishap::Far(ChannelFault::Spike(SPIKE)), "far-side transducer: every reading 200 counts off"),
    ("far-lost", Mishap::Far(ChannelFault::Lost), "far-side transducer: readings do not arrive"),
    ("far-repeated", Mishap::Far(ChannelFault::Repeated), "far-side transducer: the same conversion again and again"),
    ("stop", Mishap::Stop, "the emergency stop is pressed"),
    ("guard", Mishap::Guard, "the guard is open"),
];

/// A mishap from one moment to another of the rig's clock.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Fault {
    mishap: Mishap,
    from: Instant,
    to: Option<Instant>,
}

impl Fault {
    /// Reads "far-open@20s" (from then on) or "stop@20s..25s".
    ///
    /// # Errors
    /// Says what is wrong and what there is.
    pub fn parse(text: &str) -> Result<Self, String> {
        let names = || MISHAPS.iter().map(|(name, ..)| *name);
        let Some((name, times)) = text.split_once('@') else {
            return Err(format!("\"{text}\" is not KIND@TIME, like \"far-open@20s\" or \"stop@20s..25s\""));
        };
        let Some((_, mishap, _)) = MISHAPS.iter().find(|(known, ..)| *known == name) else {
            let hint = did_you_mean(name, names());
            return Err(format!("no fault \"{name}\"{hint} (there are: {})", names().collect::<Vec<_>>().join(", ")));
        };
        let time = |text: &str| {
            let quantity = Kind(Unit::Millisecond).parse(text).map_err(|why| why.to_string())?;
            Some(quantity.value(1.0))
                .filter(|ms| (0.0..=1e9).contains(ms))
                .map(|ms| Instant::from_ticks(ms as u64 * 1_000))
                .ok_or(format!("\"{text}\" is not between 0 s and 1000000 s"))
        };
        let (from, to) = match times.split_once("..") {
            Some((from, to)) => (time(from)?, Some(time(to)?)),
            None => (time(times)?, None),
        };
        if to.is_some_and(|to| to <= from) {
            return Err(format!("\"{text}\" ends before it begins"));
        }
        Ok(Self { mishap: *mishap, from, to })
    }

    fn is_on(&self, now: Instant) -> bool {
        self.from <= now && self.to.is_none_or(|to| now < to)
    }
}

/// The simulated rig.
#[derive(Clone, Debug)]
pub struct SimStand {
    rig: Faulty<SimRig>,
    faults: Vec<Fault>,
    period: Duration,
}

impl SimStand {
    /// A rig that is polled every `period`.
    pub const fn new(rig: SimRig, faults: Vec<Fault>, period: Duration) -> Self {
        Self { rig: Faulty::new(rig), faults, period }
    }

    /// Lets hands work and time pass until the next poll is due.
    pub fn advance(&mut self, hands: &mut SimOperator) {
        self.rig.inner.obey(hands);
        self.rig.inner.advance(self.period);
        let now = self.rig.inner.now();
        let on = |wanted: fn(&Mishap) -> bool| self.faults.iter().find(|f| f.is_on(now) && wanted(&f.mishap));
        let far = on(|m| matches!(m, Mishap::Far(_))).and_then(|f| match f.mishap {
            Mishap::Far(fault) => Some(fault),
            Mishap::Stop | Mishap::Guard => None,
        });
        let stop = on(|m| *m == Mishap::Stop).is_some();
        let guard_open = on(|m| *m == Mishap::Guard).is_some();
        self.rig.set(far);
        self.rig.inner.set_contacts(stop, !guard_open);
    }
}

impl Hardware for SimStand {
    type Error = Infallible;

    fn now(&mut self) -> Instant {
        self.rig.now()
    }

    fn far(&mut self) -> nb::Result<Sample, SensorFault> {
        self.rig.far()
    }

    fn supply(&mut self) -> nb::Result<Sample, SensorFault> {
        self.rig.supply()
    }

    fn contacts(&mut self) -> Contacts {
        self.rig.contacts()
    }

    fn apply(&mut self, outputs: Outputs) -> Result<(), Infallible> {
        self.rig.apply(outputs)
    }
}
