//! Times and risks chosen from recorded runs.
//!
//! [`truth`]: which sides are good, from a table. [`rework`]: the same from what a register knows. [`mixture`]: how likely
//! it is where nobody has said it. [`weigh`]: the three put together. [`rates`]: error rates with bounds that know of
//! valves. [`sweep`]: every side by every candidate recipe. [`choice`]: the shortest test that keeps the risks,
//! cross-validated and held against runs it never saw. [`past`]: what it would have done to past batches. [`told`] and
//! [`page`]: all of it in words and pictures.

pub mod choice;
pub mod mixture;
pub mod page;
pub mod past;
pub mod rates;
pub mod rework;
pub mod sweep;
pub mod told;
pub mod truth;
pub mod weigh;

use choice::{Choice, Risks};
use past::Past;
use seathold_sequencer::recipe::RawRecipe;
use sweep::{Grid, Outcome, Sided};
use weigh::Grounds;

/// Everything that a choice is told with.
#[derive(Debug)]
pub struct Tuned<'a> {
    /// The recipe it started from.
    pub base: &'a RawRecipe,
    /// What was tried.
    pub grid: &'a Grid,
    /// Sides with their weights, in the order of their valves.
    pub sides: &'a [Sided],
    /// What the weights rest on.
    pub grounds: &'a Grounds,
    /// What was to be kept.
    pub risks: Risks,
    /// Coverage of the intervals that it was held against.
    pub coverage: f64,
    /// What was chosen.
    pub choice: &'a Choice,
    /// As a recipe.
    pub chosen: Option<RawRecipe>,
    /// Outcomes of each side by the chosen recipe, at each part of [`Tuned::LIMITS`]; in the order of the sides.
    pub curve: &'a [Vec<Outcome>],
    /// What it would have done to past batches.
    pub past: &'a [Past],
    /// Names of batches by their UUID.
    pub batches: &'a std::collections::HashMap<String, String>,
    /// Valves that time saved is told for.
    pub valves: u32,
}

impl Tuned<'_> {
    /// Parts of the recipe's limit on the operating curve.
    pub const LIMITS: [f64; 9] = [0.25, 0.5, 0.7, 0.85, 1.0, 1.2, 1.5, 2.0, 4.0];

    /// Share of good or of leaking sides that the chosen recipe accepts, at a place in [`Tuned::LIMITS`].
    pub fn accepted(&self, at: usize, good: bool) -> rates::Rate {
        let mut rate = rates::Rate::default();
        let both: Vec<(&Sided, &Vec<Outcome>)> = self.sides.iter().zip(self.curve).collect();
        for valve in both.chunk_by(|a, b| a.0.serial == b.0.serial) {
            let mut one = rates::Valve::default();
            for (side, outcomes) in valve {
                let weight = if good { side.good } else { 1.0 - side.good };
                one.see(outcomes.get(at) == Some(&Outcome::Tight), weight);
            }
            rate.add(one);
        }
        rate
    }
}
