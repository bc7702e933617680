//! A whole test of both sides on a host, with valves, gas and a person of one's own: two traits and the poll loop.
//!
//! `cargo run -p seathold-sequencer --example own_valves` judges a tight valve; with `-- 2e-3` after it one that leaks
//! 2e-3 Pa·m³/s.

use seathold_sequencer::prelude::*;
use std::convert::Infallible;
use std::error::Error;

/// 0 to 10 bar over sixteen bits with a live zero, like many.
const FAR: Transducer = Transducer { zero_counts: 3_277, pa_per_count: 16.95, counts_min: 1_000, counts_max: 60_000 };

const FAR_VOLUME_M3: f64 = 62e-6;

const RIG: RawRig = RawRig {
    guard_fitted: false,
    ..RawRig::new(RigFacts {
        hard_max_pa: 900_000,
        far: FAR,
        atmosphere_pa: 95_000.0,
        far_volume_m3: FAR_VOLUME_M3,
        far_volume_u_rel: 0.03,
        gain_u_rel: 0.005,
        background_u_pa_m3_s: 1e-5,
        temperature_drift_u_k_s: 2e-4,
    })
};

/// The rig: pressures go where the valves let them, at a fixed rate, and one leak empties the far side.
struct OwnRig {
    us: u64,
    outputs: Outputs,
    line_pa: f64,
    far_pa: f64,
    leak_pa_m3_s: f64,
    conversions: u32,
}

/// Time between polls, which is the recipe's time between samples.
const POLL_US: u64 = 10_000;

impl OwnRig {
    /// What happens in the time of a poll.
    fn go_on(&mut self) {
        let seconds = POLL_US as f64 / 1e6;
        let flow = |from: f64, to: f64| from + (to - from).clamp(-3e6 * seconds, 3e6 * seconds);
        self.us += POLL_US;
        if self.outputs.supply == GasValve::Open {
            self.line_pa = flow(self.line_pa, 600_000.0);
        }
        if self.outputs.vent == GasValve::Open {
            self.line_pa = flow(self.line_pa, 0.0);
        }
        if self.outputs.pilot == Pilot::Fed {
            // The ball is open.
            self.far_pa = flow(self.far_pa, self.line_pa);
        }
        // In proportion to the pressure, as through a fine scratch.
        let fall = self.leak_pa_m3_s / FAR_VOLUME_M3 * self.far_pa / 600_000.0;
        self.far_pa = (self.far_pa - fall * seconds).max(0.0);
    }
}

impl Hardware for OwnRig {
    type Error = Infallible;

    fn now(&mut self) -> Instant {
        Instant::from_ticks(self.us)
    }

    fn far(&mut self) -> nb::Result<Sample, SensorFault> {
        self.conversions += 1;
        // The last digit of a healthy transducer is never still: noise of a count or so, any source will do.
        let noise = f64::from(self.conversions.wrapping_mul(2_654_435_761) >> 16) / 65_536.0 * 3.0 - 1.5;
        Ok(Sample { counts: FAR.counts(self.far_pa + noise * FAR.pa_per_count), number: self.conversions })
    }

    fn contacts(&mut self) -> Contacts {
        Contacts::CLEAR
    }

    fn apply(&mut self, outputs: Outputs) -> Result<(), Infallible> {
        self.outputs = outputs;
        Ok(())
    }

    fn readback_mismatch(&mut self) -> bool {
        false
    }

    fn retain_stop(&mut self, _: bool) {}

    fn feed_watchdog(&mut self) {}
}

/// The person: starts when the rig is ready, and does what is asked a second later.
#[derive(Default)]
struct Person {
    started: bool,
    asked: Option<(Instant, Prompt)>,
    verdict: Option<Verdict>,
}

impl Operator for Person {
    fn link_up(&mut self) -> bool {
        true
    }

    fn command(&mut self, now: Instant, phase: Phase) -> Option<Command> {
        if phase == Phase::Ready && !self.started {
            self.started = true;
            return Some(Command::Start(Sides::Both));
        }
        let (since, prompt) = self.asked?;
        if now < since + millis(1_000) {
            return None;
        }
        self.asked = None;
        Some(Command::Confirm(prompt))
    }

    fn notify(&mut self, at: Instant, event: &Event) {
        match event {
            Event::Entered { phase, side } => {
                println!("{:7.1} s  {phase:?} {side:?}", at.as_ticks() as f64 / 1e6);
            }
            Event::Prompted(prompt) => self.asked = Some((at, *prompt)),
            Event::SideFinished(result) => println!("           {:?}: {:?}", result.side, result.verdict),
            Event::RunFinished { verdict, .. } => self.verdict = Some(*verdict),
            Event::Faulted(fault) => println!("           fault: {fault:?}"),
            Event::Refused(why) => println!("           refused: {why:?}"),
            _ => {}
        }
    }
}

fn main() -> Result<(), Box<dyn Error>> {
    let leak_pa_m3_s = std::env::args().nth(1).map_or(Ok(0.0), |text| text.parse())?;
    let rig = RIG.validate()?;
    // As for the demonstration's valve; a recipe of one's own comes from `seathold plan`.
    let recipe = RawRecipe { target_pa: 600_000, ..RawRecipe::DEMO }.validate(&rig)?;
    let mut sequencer = Sequencer::new(rig, Some(recipe));
    let outputs = Outputs::REST;
    let mut hardware = OwnRig { us: 0, outputs, line_pa: 0.0, far_pa: 0.0, leak_pa_m3_s, conversions: 0 };
    let mut person = Person::default();
    // Half an hour of the rig's time.
    for _ in 0..180_000 {
        hardware.go_on();
        let Ok(_record) = poll(&mut sequencer, &mut hardware, &mut person);
        if let Some(verdict) = person.verdict {
            println!("{verdict:?}");
            return Ok(());
        }
    }
    Err("no verdict in half an hour".into())
}

#[test]
fn a_tight_valve_is_found_tight_and_a_leaking_one_leaking() {
    for (leak_pa_m3_s, expected) in [(0.0, Verdict::Tight), (2e-3, Verdict::Leaking)] {
        let rig = RIG.validate().unwrap();
        let recipe = RawRecipe::DEMO.validate(&rig).unwrap();
        let mut sequencer = Sequencer::new(rig, Some(recipe));
        let outputs = Outputs::REST;
        let mut hardware = OwnRig { us: 0, outputs, line_pa: 0.0, far_pa: 0.0, leak_pa_m3_s, conversions: 0 };
        let mut person = Person::default();
        for _ in 0..180_000 {
            hardware.go_on();
            let Ok(_record) = poll(&mut sequencer, &mut hardware, &mut person);
        }
        assert_eq!(person.verdict, Some(expected));
        assert_eq!(hardware.outputs, Outputs::REST);
    }
}
