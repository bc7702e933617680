//! How sure it is of each side that it is good.

use super::mixture::{self, Mixture, Seen};
use super::sweep::{Outcome, Sided};

/// What is known of a side, and how.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Counts {
    /// Known to be good.
    pub good: usize,
    /// Known to leak.
    pub leaking: usize,
    /// Fell too fast for a figure: taken as leaking.
    pub fell: usize,
    /// Weighed by the mixture.
    pub weighed: usize,
    /// Left out: of these nothing is known.
    pub left_out: usize,
}

/// Groups found among the figures, and how far to trust them.
#[derive(Clone, Debug, PartialEq)]
pub struct Groups {
    /// The groups.
    pub mixture: Mixture,
    /// Share of sides within the limit: by all figures, and the least and greatest without one quarter of the valves.
    pub within: [f64; 3],
    /// How far the figures lie from what the groups say, and how far one in a hundred samples would.
    pub distance: (f64, f64),
}

/// What the weights rest on.
#[derive(Clone, Debug, PartialEq)]
pub struct Grounds {
    /// Sides by what is known of them.
    pub counts: Counts,
    /// The mixture, or why there is none; `None` where it was not asked for.
    pub groups: Option<Result<Groups, String>>,
}

impl Grounds {
    /// Whether any weight rests on a mixture.
    pub fn is_weighed(&self) -> bool {
        self.counts.weighed > 0
    }
}

/// Gives each side its weight, and leaves out those of which nothing is known. Without `mixture` only what is known
/// counts.
pub fn weigh(
    sides: &mut Vec<Sided>,
    known: impl Fn(&Sided) -> Option<bool>,
    mixture: bool,
    limit_pa_m3_s: f64,
) -> Grounds {
    let mut counts = Counts::default();
    let groups = mixture.then(|| groups(sides, limit_pa_m3_s));
    sides.retain_mut(|side| {
        let (good, count) = match (known(side), &groups, side.seen) {
            (Some(true), ..) => (1.0, &mut counts.good),
            (Some(false), ..) => (0.0, &mut counts.leaking),
            (None, Some(_), None) if side.recorded.0 == Outcome::Leaking => (0.0, &mut counts.fell),
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
    Grounds { counts, groups }
}

fn groups(sides: &[Sided], limit: f64) -> Result<Groups, String> {
    let seen = |keep: &dyn Fn(&Sided) -> bool| -> Vec<Seen> {
        sides.iter().filter(|side| keep(side)).filter_map(|side| side.seen).collect()
    };
    let all = seen(&|_| true);
    let mixture = mixture::fit(&all)?;
    if mixture.groups.len() < 2 {
        return Err("one group only: nothing in these figures tells good sides from leaking ones".into());
    }
    let (none, others) = mixture.shape();
    let share = mixture.share_within(limit);
    let mut within = [share; 3];
    for quarter in 0..4 {
        let rest = seen(&|side| super::choice::part(&side.serial, "groups") != quarter);
        let share = mixture::fit_groups(&rest, none, others).share_within(limit);
        within = [within[0], within[1].min(share), within[2].max(share)];
    }
    Ok(Groups { within, distance: mixture.distance(&all), mixture })
}
