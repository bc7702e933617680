//! Times and risks chosen from recorded runs.
//!
//! [`ground_truth`]: which sides are good, from a table. [`rework_labels`]: the same from what a register knows.
//! [`mixture`]: the probability where there is no label. [`labelling`]: the three combined. [`rates`]: error rates with
//! bounds by cluster, a valve being a cluster of sides. [`sweep`]: every side by every candidate recipe. [`selection`]:
//! the shortest test that keeps the risks, cross-validated and checked on held-out runs. [`backtest`]: what it would
//! have done to past batches. `next`: what to record or relax where
//! nothing keeps the risks. [`report`] and [`page`]: all of it in words and charts.

pub mod backtest;
pub mod ground_truth;
pub mod labelling;
pub mod mixture;
mod next;
pub mod page;
pub mod rates;
pub mod report;
pub mod rework_labels;
pub mod selection;
pub mod sweep;

use backtest::Backtest;
use labelling::LabelSources;
use seathold_sequencer::recipe::RawRecipe;
use selection::{Selection, TargetRisks};
use sweep::{CandidateGrid, SideOutcome, SweptSide};

/// Everything that a selection is reported with.
#[derive(Debug)]
pub struct TuningResult<'a> {
    /// The recipe it started from.
    pub base: &'a RawRecipe,
    /// What was tried.
    pub grid: &'a CandidateGrid,
    /// Sides with their weights, in the order of their valves.
    pub sides: &'a [SweptSide],
    /// Where the labels come from.
    pub label_sources: &'a LabelSources,
    /// The risks to keep.
    pub risks: TargetRisks,
    /// Coverage of the intervals it was compared with.
    pub coverage: f64,
    /// What was chosen.
    pub selection: &'a Selection,
    /// As a recipe.
    pub chosen: Option<RawRecipe>,
    /// Outcomes of each side by the chosen recipe, at each part of [`TuningResult::LIMITS`]; in the order of the sides.
    pub curve: &'a [Vec<SideOutcome>],
    /// What it would have done to past batches.
    pub backtests: &'a [Backtest],
    /// Names of batches by their UUID.
    pub batches: &'a std::collections::HashMap<String, String>,
    /// Valves that the time saved is given for.
    pub valves: u32,
}

impl TuningResult<'_> {
    /// Parts of the recipe's limit on the operating curve.
    pub const LIMITS: [f64; 9] = [0.25, 0.5, 0.7, 0.85, 1.0, 1.2, 1.5, 2.0, 4.0];

    /// Share of good or of leaking sides that the chosen recipe accepts, at a place in [`TuningResult::LIMITS`].
    pub fn accepted(&self, at: usize, good: bool) -> rates::Rate {
        let mut rate = rates::Rate::default();
        let both: Vec<(&SweptSide, &Vec<SideOutcome>)> = self.sides.iter().zip(self.curve).collect();
        for valve in both.chunk_by(|a, b| a.0.serial == b.0.serial) {
            let mut one = rates::Cluster::default();
            for (side, outcomes) in valve {
                let weight = if good { side.good } else { 1.0 - side.good };
                one.see(outcomes.get(at) == Some(&SideOutcome::Tight), weight);
            }
            rate.add(one);
        }
        rate
    }
}
