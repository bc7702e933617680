//! The probability of each side that it is good.

use super::mixture::{self, Mixture, ModelDistance, Observation};
use super::sweep::{SideOutcome, SweptSide};

/// How many sides are labelled, by source.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct LabelWeight {
    /// Known to be good.
    pub good: usize,
    /// Known to leak.
    pub leaking: usize,
    /// Fell too fast for an estimate: taken as leaking.
    pub fell: usize,
    /// Estimated by the mixture.
    pub weighed: usize,
    /// Left out: without a label.
    pub left_out: usize,
}

/// Groups found among the estimates, and how far to trust them.
#[derive(Clone, Debug, PartialEq)]
pub struct LabelModel {
    /// The groups.
    pub mixture: Mixture,
    /// Share of sides within the limit: by all estimates, and the least and greatest without one quarter of the valves.
    pub within: [f64; 3],
    /// Distance of the estimates from the model.
    pub distance: ModelDistance,
}

/// What the weights rest on.
#[derive(Clone, Debug, PartialEq)]
pub struct LabelSources {
    /// Sides by label.
    pub counts: LabelWeight,
    /// The mixture, or why there is none; `None` where it was not asked for.
    pub groups: Option<Result<LabelModel, String>>,
}

impl LabelSources {
    /// Whether any weight rests on a mixture.
    pub(crate) fn is_weighed(&self) -> bool {
        self.counts.weighed > 0
    }
}

/// Gives each side its weight, and leaves out those without a label. Without `mixture` only known labels count.
pub fn weigh(
    sides: &mut Vec<SweptSide>,
    known: impl Fn(&SweptSide) -> Option<bool>,
    mixture: bool,
    limit_pa_m3_s: f64,
) -> LabelSources {
    let mut counts = LabelWeight::default();
    let groups = mixture.then(|| groups(sides, limit_pa_m3_s));
    sides.retain_mut(|side| {
        let (good, count) = match (known(side), &groups, side.seen) {
            (Some(true), ..) => (1.0, &mut counts.good),
            (Some(false), ..) => (0.0, &mut counts.leaking),
            (None, Some(_), None) if side.recorded.0 == SideOutcome::Leaking => (0.0, &mut counts.fell),
            (None, Some(Ok(groups)), Some(seen)) => (groups.mixture.within(seen, limit_pa_m3_s), &mut counts.weighed),
            _ => {
                counts.left_out += 1;
                return false;
            }
        };
        side.good = good;
        *count += 1;
        true
    });
    LabelSources { counts, groups }
}

fn groups(sides: &[SweptSide], limit: f64) -> Result<LabelModel, String> {
    let seen = |keep: &dyn Fn(&SweptSide) -> bool| -> Vec<Observation> {
        sides.iter().filter(|side| keep(side)).filter_map(|side| side.seen).collect()
    };
    let all = seen(&|_| true);
    let mixture = mixture::fit(&all)?;
    if mixture.groups.len() < 2 {
        return Err("one group only: these leaks do not separate good sides from leaking ones".into());
    }
    let (none, others) = mixture.shape();
    let share = mixture.share_within(limit);
    let mut within = [share; 3];
    for quarter in 0..4 {
        let rest = seen(&|side| super::selection::part(&side.serial, "groups") != quarter);
        let share = mixture::fit_groups(&rest, none, others).share_within(limit);
        within = [within[0], within[1].min(share), within[2].max(share)];
    }
    Ok(LabelModel { within, distance: mixture.distance(&all), mixture })
}
