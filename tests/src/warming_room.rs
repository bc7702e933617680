//! Valves tested in a room that warms or cools, on a rig without a thermometer: before a rest run and after one.
//!
//! The rest run and the tests are this program's own, in-process. The operator waits for a while before a test, so that the walls
//! have followed the room.

use std::path::Path;
use std::sync::atomic::AtomicUsize;

use seathold_analysis::calibration::apply;
use seathold_analysis::fleet::distribution::Distribution;
use seathold_analysis::fleet::spec::FleetSpec;
use seathold_analysis::fleet::test::{FleetSetup, TestedValve};
use seathold_config::recipe;
use seathold_recording::Header;
use seathold_recording::header::{DisplayUnits, ReadingSource};
use seathold_sequencer::input::{Side, Sides};
use seathold_sequencer::rig::{RawRig, Rig};
use seathold_sequencer::verdict::Verdict;

use crate::cli_kit::seathold;

/// A room, and how it is watched.
#[derive(Clone, Copy, Debug)]
pub struct Room {
    /// How fast it warms.
    pub kelvin_an_hour: f64,
    /// How long before a test it has done so, in seconds.
    pub before_s: u32,
    /// Heat capacity of the valve's wall over that of its gas. In a heavy one, filling leaves little heat: only the room is seen.
    pub wall_ratio: f64,
}

/// The simulated valve, whose wall follows the room in some minutes.
const VALVE: &str = "warming-room";

/// What the sides of some valves came to.
#[derive(Clone, Copy, Debug, Default)]
pub struct Tally {
    /// Sides with an estimate.
    pub judged: u32,
    /// Of these, with the true leak in the stated interval.
    pub covered: u32,
    /// Called tight, leaking, and neither.
    pub tight: u32,
    /// See above.
    pub leaking: u32,
    /// See above.
    pub neither: u32,
}

impl Tally {
    fn see(&mut self, tested: &TestedValve, target_pa: f64) {
        for side in [Side::First, Side::Second] {
            let Some(result) = tested.side(side) else { continue };
            match result.verdict {
                Verdict::Tight => self.tight += 1,
                Verdict::Leaking => self.leaking += 1,
                Verdict::Undecided | Verdict::Void => self.neither += 1,
            }
            if let Some(estimate) = &result.estimate {
                let off = estimate.leak.pa_m3_s() - tested.drawn.true_leak(side, target_pa);
                self.judged += 1;
                self.covered += u32::from(off.abs() <= estimate.expanded.pa_m3_s());
            }
        }
    }

    /// Sides in all.
    pub const fn sides(&self) -> u32 {
        self.tight + self.leaking + self.neither
    }
}

/// The built-in rig before a rest run, and after the one made in this room, with the drift that either counts with, in K/s.
pub fn rigs(room: &Room, duration: &str, dir: &Path) -> [(Rig, f64); 2] {
    let text = format!("based_on = \"{VALVE}\"\n[plant]\nroom_drift = \"{} K/h\"\n", room.kelvin_an_hour);
    let text = text + &format!("wall_ratio = {}\n", room.wall_ratio);
    let operator = format!("[operator]\nstart = \"{} s\"\n", room.before_s);
    std::fs::write(dir.join("room.toml"), text + &operator).expect("a folder to write to");
    let said = seathold(
        dir,
        &["calibrate", "rest", "--valve", "[DIR]/room.toml", "--duration", duration, "--out", "[DIR]/rest.toml"],
    );
    assert_eq!(said.code, 0, "{}", said.err);
    let before = RawRig::DEMO.validate().expect("the built-in rig");
    let today = "2026-03-02T09:30:00Z".parse().expect("a date");
    let (after, _) = apply::to_run(&before, "", &[dir.join("rest.toml")], today).expect("a calibration");
    [before, after].map(|rig| (rig, rig.raw().temperature_drift_u_k_s))
}

/// Both sides of so many valves in that room, each leaking this share of the limit on both sides.
pub fn tested(room: &Room, rig: &Rig, share: f64, valves: std::ops::Range<u64>) -> Tally {
    let rig = *rig;
    let recipe = recipe::parse("dn25-air", include_str!("../../host-cli/examples/recipes/dn25-air.toml"), &rig, None);
    let recipe = recipe.expect("a built-in recipe");
    let raw = *recipe.recipe.raw();
    let mut fleet = FleetSpec::hatchery(raw.reference_pa).expect("the built-in fleet");
    fleet.base = seathold_config::valve::find(VALVE, raw.reference_pa).expect("a built-in valve");
    fleet.base.scenario.plant.room_drift_k_s = room.kelvin_an_hour / 3_600.0;
    fleet.base.scenario.plant.wall_ratio = room.wall_ratio;
    fleet.base.scenario.operator.start_ms = room.before_s * 1_000;
    let shape = fleet.room;
    let exactly = |value: f64| Distribution {
        from: value,
        to: value * (1.0 + 1e-9),
        mean: value,
        deviation: value * 1e-9,
        ..shape
    };
    fleet.room = exactly(fleet.base.scenario.plant.room_k);
    let plant = fleet.base.scenario.plant;
    let beside = plant.stem.rate + plant.body_joint.rate + plant.joint_b.rate;
    for (path, leaks) in fleet.leaks.iter_mut().enumerate() {
        // The seats come first: the rest is as in the valve.
        leaks.share = if path < 2 && share > 0.0 { 1.0 } else { 0.0 };
        leaks.size = exactly((share * raw.limit_pa_m3_s - beside).max(1e-9));
    }
    let header = Header {
        program: String::new(),
        started_at: String::new(),
        serial: String::new(),
        operator: String::new(),
        sides: Sides::Both,
        end_tags: false,
        recipe_name: recipe.name.clone(),
        recipe: raw,
        rig_name: String::new(),
        rig: *rig.raw(),
        calibrations: Vec::new(),
        source: ReadingSource::Simulated { valve: String::new(), seed: 0, settings: Vec::new() },
        display_units: DisplayUnits::default(),
    };
    let setup = FleetSetup { fleet, seed: 7, rig, as_built: rig, recipe, header, folder: None };
    let mut tally = Tally::default();
    for number in valves {
        if let Some(tested) = setup.test(number, &AtomicUsize::new(0)).expect("a valve of the fleet") {
            tally.see(&tested, setup.target_pa());
        }
    }
    tally
}

impl std::iter::Sum for Tally {
    fn sum<I: Iterator<Item = Self>>(all: I) -> Self {
        all.fold(Self::default(), |a, b| Self {
            judged: a.judged + b.judged,
            covered: a.covered + b.covered,
            tight: a.tight + b.tight,
            leaking: a.leaking + b.leaking,
            neither: a.neither + b.neither,
        })
    }
}
