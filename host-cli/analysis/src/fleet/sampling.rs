//! One valve sampled, and its true leak.

use seathold_sequencer::input::Side;
use seathold_sim::config::{LeakSpec, RawPlant};
use seathold_sim::flow::{End, Flow, Leak, Passage};
use seathold_sim::gas;
use seathold_sim::leak_path::LeakPath;
use seathold_sim::noise::{Noise, Stream};
use seathold_sim::scenario::Scenario;
use seathold_sim::seat::bore;

use super::spec::FleetSpec;

/// A valve of a fleet.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct SampledValve {
    /// Its number, from 1.
    pub number: u64,
    /// Seed of all its random numbers.
    pub seed: u64,
    /// The valve with the rig and the operator around it.
    pub scenario: Scenario,
}

/// The seed of a fleet's valve: the output of SplitMix64 after `number` steps from `fleet` (Steele, Lea & Flood, *Fast
/// splittable pseudorandom number generators*, OOPSLA 2014; the constants are from memory). Any valve is computed
/// without the ones before it.
pub const fn seed_of(fleet: u64, number: u64) -> u64 {
    let mut z = fleet.wrapping_add(number.wrapping_mul(0x9E37_79B9_7F4A_7C15));
    z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
    z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
    z ^ (z >> 31)
}

impl FleetSpec {
    /// Samples valve `number`. Each field takes the same random numbers whatever the others are, so a changed
    /// share of one path changes nothing else.
    pub fn draw(&self, seed: u64, number: u64) -> SampledValve {
        let seed = seed_of(seed, number);
        let mut chance = Noise::new(seed, Stream::Fleet);
        let mut scenario = self.base.scenario;
        for (spot, leaks) in LeakPath::ALL.iter().zip(&self.leaks) {
            let (lot, size) = (chance.uniform(), leaks.size.draw(&mut chance));
            if lot < leaks.share {
                spot.of_mut(&mut scenario.plant).rate = size;
            }
        }
        self.set(&mut scenario, |spread| spread.draw(&mut chance));
        SampledValve { number, seed, scenario }
    }
}

impl SampledValve {
    /// The serial number. Four digits at least, so that a folder of up to 9 999 lists in order.
    pub fn serial(&self) -> String {
        format!("HM-{:04}", self.number)
    }

    /// The stated leak of each of [`LeakPath::ALL`].
    pub fn stated(&self) -> [f64; LeakPath::ALL.len()] {
        LeakPath::ALL.map(|spot| spot.of(&self.scenario.plant).rate)
    }

    /// The valve's true leak on a side with the far side at the gauge pressure `target_pa`, in Pa·m³/s at 293.15
    /// K: the low-pressure seat, stem, body joint and far end joint. Debris counts with the share of time it leaks;
    /// that an end joint seals a little differently each time it is made up is left out; so is the background leak,
    /// which is not the valve's. A ball that stops where the way through is open leaks without bound.
    pub fn true_leak(&self, side: Side, target_pa: f64) -> f64 {
        let plant = &self.scenario.plant;
        if bore(plant.shut_stop, plant.overlap, 1.0 / (1.0 - plant.overlap)).0 > 0.0 {
            return f64::INFINITY;
        }
        let (seat, debris, joint) = match side {
            Side::First => (plant.seat_a, plant.debris_a, plant.joint_b),
            Side::Second => (plant.seat_b, plant.debris_b, plant.joint_a),
        };
        let debris = leak(debris).times(plant.debris_on_s / (plant.debris_on_s + plant.debris_off_s));
        let all = [seat, plant.stem, plant.body_joint, joint].map(leak).into_iter().fold(debris, Leak::and);
        passing(all, plant, target_pa)
    }
}

fn leak(path: LeakSpec) -> Leak {
    Leak::stated(path.rate, path.orifice)
}

fn passing(leak: Leak, plant: &RawPlant, target_pa: f64) -> f64 {
    let end = |p| End { p, t: plant.room_k };
    let mut flow = Flow::default();
    let orifice = Passage::new(Passage::ORIFICE_B);
    leak.add_to::<false>(&mut flow, &orifice, end(plant.atmosphere_pa + target_pa), end(plant.atmosphere_pa));
    flow.mass * gas::R * gas::T_REF
}

#[cfg(test)]
mod tests {
    use super::*;

    /// SplitMix64 from state 0 gives this first, as its published test vectors have it (from memory).
    #[test]
    fn seeds_are_splitmixes() {
        assert_eq!(seed_of(0, 1), 0xE220_A839_7B1D_CDAF);
        assert_eq!(seed_of(0, 2), 0x6E78_9E6A_A1B9_65F4);
    }

    /// Shares come true: of 4 000 valves 10 % leak at seat A within four standard deviations (19 each).
    #[test]
    fn shares_come_true() {
        let fleet = FleetSpec::hatchery(100_000.0).unwrap();
        let tight = fleet.base.scenario.plant.seat_a.rate;
        let leaking = (1..=4_000).filter(|n| fleet.draw(1, *n).stated()[0] != tight).count();
        assert!((400 - 76..=400 + 76).contains(&leaking), "{leaking}");
    }

    /// A changed share of one path changes nothing else of any valve.
    #[test]
    fn paths_are_drawn_independently() {
        let fleet = FleetSpec::hatchery(100_000.0).unwrap();
        let mut other = fleet.clone();
        other.leaks[2].share = 1.0;
        for number in 1..=200 {
            let (one, mut two) = (fleet.draw(9, number), other.draw(9, number));
            assert!(two.scenario.plant.stem.rate >= 0.5e-4);
            two.scenario.plant.stem = one.scenario.plant.stem;
            assert_eq!(one, two);
        }
    }

    /// At the pressure leaks are stated at, a side leaks the sum of its paths; at less pressure a viscous one leaks by
    /// p1² − p2².
    #[test]
    fn the_truth_is_the_sum_of_the_paths() {
        let fleet = FleetSpec::hatchery(100_000.0).unwrap();
        let mut drawn = fleet.draw(1, 1);
        let plant = &mut drawn.scenario.plant;
        (plant.seat_a, plant.joint_b) = (LeakSpec::viscous(3e-4), LeakSpec::viscous(1e-4));
        (plant.seat_b, plant.joint_a) = (LeakSpec::viscous(7e-4), LeakSpec::NONE);
        (plant.stem, plant.body_joint) = (LeakSpec::viscous(2e-4), LeakSpec::viscous(5e-5));
        let near = |a: f64, b: f64| assert!((a / b - 1.0).abs() < 1e-12, "{a} {b}");
        near(drawn.true_leak(Side::First, 600_000.0), 6.5e-4);
        near(drawn.true_leak(Side::Second, 600_000.0), 9.5e-4);
        let squares = |gauge: f64| (gauge + 101_325.0).powi(2) - 101_325f64.powi(2);
        near(drawn.true_leak(Side::First, 300_000.0), 6.5e-4 * squares(300_000.0) / squares(600_000.0));
        // Dirt that lets by 3 s in 8.
        let mut dirty = drawn;
        dirty.scenario.plant.debris_b = LeakSpec::viscous(8e-4);
        near(dirty.true_leak(Side::Second, 600_000.0), 9.5e-4 + 3e-4);
        near(dirty.true_leak(Side::First, 600_000.0), 6.5e-4);
        // The bore meets the port after 0.15 of the stroke.
        drawn.scenario.plant.shut_stop = 0.14;
        near(drawn.true_leak(Side::First, 600_000.0), 6.5e-4);
        drawn.scenario.plant.shut_stop = 0.16;
        assert_eq!(drawn.true_leak(Side::First, 600_000.0), f64::INFINITY);
    }
}
