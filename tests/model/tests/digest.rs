//! Whether the digest is valid: states with the same digest behave the same.

use std::collections::HashMap;

use seathold_model::plant::Leak;
use seathold_model::world::{Action, Deed, Mishap, Scope, World, actions};
use seathold_sequencer::input::Sides;
use seathold_sequencer::recipe::Actuation;
use stateright::Model;

/// Numbers that look random (xorshift: Marsaglia, *Journal of Statistical Software* 8(14), 2003, from memory).
struct Chance(u64);

impl Chance {
    fn below(&mut self, n: usize) -> usize {
        self.0 ^= self.0 << 13;
        self.0 ^= self.0 >> 7;
        self.0 ^= self.0 << 17;
        (self.0 % n as u64) as usize
    }

    /// Mostly no fault, and mostly actions that advance a run.
    fn action(&mut self, scope: &Scope, world: &World) -> Action {
        let mut possible = Vec::new();
        scope.actions(world, &mut possible);
        if self.below(12) == 0 {
            return possible[self.below(possible.len())];
        }
        let helpful = [Deed::Obey, Deed::Start, Deed::None, Deed::None, Deed::Acknowledge];
        let deed = helpful[self.below(if world.sequencer.status().fault.is_some() { 5 } else { 4 })];
        let action = (Mishap::None, deed);
        if possible.contains(&action) { action } else { (Mishap::None, Deed::None) }
    }
}

fn scopes() -> [Scope; 2] {
    let mishaps: Vec<_> = Mishap::HONEST.into_iter().chain(Mishap::LIES).collect();
    [Actuation::Air, Actuation::Hand]
        .map(|a| Scope::new(a, Sides::Both, &[Leak::None], actions(&mishaps, &[Deed::None, Deed::Acknowledge])))
}

fn step(scope: &Scope, world: &World, action: Action) -> World {
    scope.next_state(world, action).unwrap_or_else(|| panic!("broken: {:?}", world.watch.broken))
}

/// The same inputs, at other times and with other running numbers: the same digests all the way.
#[test]
fn time_and_numbers_themselves_do_not_matter() {
    for scope in scopes() {
        let mut chance = Chance(1);
        for _ in 0..4 {
            let mut here = World::at(&scope, Leak::None, 1 << 40, 0);
            let mut there = World::at(&scope, Leak::None, (1 << 50) + 12_345, 1_000_000);
            for _ in 0..150 {
                let action = chance.action(&scope, &here);
                (here, there) = (step(&scope, &here, action), step(&scope, &there, action));
                assert_eq!(here.describe(), there.describe(), "after {action:?}");
            }
        }
    }
}

/// Two states with one digest, reached in different ways: the same digests, outputs among them, from then on.
#[test]
fn states_with_one_digest_behave_as_one() {
    for scope in scopes() {
        let mut chance = Chance(2);
        let mut met: HashMap<String, World> = HashMap::new();
        let mut pairs = 0;
        for _ in 0..12 {
            let mut world = World::at(&scope, Leak::None, 1 << 40, 0);
            for _ in 0..120 {
                let action = chance.action(&scope, &world);
                world = step(&scope, &world, action);
                let Some(other) = met.get(&world.describe()) else {
                    met.insert(world.describe(), world.clone());
                    continue;
                };
                if other.now == world.now || chance.below(8) > 0 {
                    continue;
                }
                pairs += 1;
                let (mut one, mut two) = (world.clone(), other.clone());
                for _ in 0..40 {
                    let action = chance.action(&scope, &one);
                    (one, two) = (step(&scope, &one, action), step(&scope, &two, action));
                    assert_eq!(one.describe(), two.describe(), "after {action:?}");
                }
            }
        }
        assert!(pairs > 10, "only {pairs} pairs compared");
    }
}
