//! What to record or to relax where no recipe keeps the risks.

use seathold_text::messages::counted;

use super::TuningResult;
use super::rates::Rate;
use super::selection::{HELD_OUT, Score, fewest, nearest};

/// The greatest risk that can be asked for.
const RISK_MAX: f64 = 0.5;

/// One of the two risks, as the nearest recipe keeps or does not keep it.
struct AskedRisk {
    option: &'static str,
    sides: &'static str,
    rate: Rate,
    risk: f64,
}

impl AskedRisk {
    fn reached(&self, coverage: f64) -> f64 {
        *self.rate.interval(coverage).end()
    }

    /// What to do, where it is not kept.
    fn step(&self, coverage: f64) -> Option<String> {
        let Self { option, sides, rate, risk } = self;
        if self.reached(coverage) <= *risk {
            return None;
        }
        let relaxed = self.relaxed(coverage);
        let relax =
            relaxed.map_or_else(String::new, |relaxed| format!(", or relax {option} to \"{}\"", percent(relaxed)));
        if rate.valves == 0 {
            let least = with_held_out(fewest(*risk, coverage));
            return Some(format!("record some {least} valves with {sides} sides: these runs have none with a label"));
        }
        if rate.share() >= *risk {
            let share = percent(rate.share());
            return Some(format!(
                "{share} of {sides} sides go wrong by it, and more runs like these will not make it less than {}: try \
                 longer --settle and --measure{relax}",
                percent(*risk)
            ));
        }
        let more =
            rate.valves_for(*risk, coverage).map(|valves| with_held_out(valves.saturating_sub(rate.valves.into())));
        Some(match more {
            Some(more) => {
                format!("record about {} valves more with {sides} sides, at the same rate{relax}", more.max(1))
            }
            None => {
                format!("too near {} for any number of runs: try longer --settle and --measure{relax}", percent(*risk))
            }
        })
    }

    /// The risk that these runs show to be kept, rounded up to two digits.
    fn relaxed(&self, coverage: f64) -> Option<f64> {
        let reached = self.reached(coverage).max(self.risk);
        let scale = 10f64.powf(1.0 - reached.log10().floor());
        Some((reached * scale * (1.0 - 1e-12)).ceil() / scale).filter(|relaxed| *relaxed <= RISK_MAX)
    }
}

/// One valve in four is held out.
fn with_held_out(valves: u64) -> u64 {
    (valves as f64 / (1.0 - HELD_OUT)).ceil() as u64
}

fn percent(ratio: f64) -> String {
    format!("{} %", seathold_text::layout::percent(ratio))
}

/// The steps, likeliest first; none where a recipe was chosen.
pub(super) fn steps(tuning: &TuningResult<'_>) -> Vec<String> {
    if tuning.chosen.is_some() {
        return Vec::new();
    }
    let (risks, coverage) = (tuning.risks, tuning.coverage);
    let candidates = tuning.grid.candidates().count();
    let Some((place, score)) = nearest(tuning.sides, candidates, risks, coverage) else { return Vec::new() };
    let Some(recipe) = tuning.grid.candidates().nth(place).map(|c| tuning.grid.recipe(tuning.base, c)) else {
        return Vec::new();
    };
    let Score { false_accept, false_reject, unjudged, .. } = score;
    let asked = [
        AskedRisk { option: "--false-accept", sides: "leaking", rate: false_accept, risk: risks.false_accept },
        AskedRisk { option: "--false-reject", sides: "good", rate: false_reject, risk: risks.false_reject },
    ];
    let [accept, reject] = &asked;
    let mut steps = vec![format!(
        "nearest is settle {} s, measure at most {} s, risks {} and {}: of leaking sides at most {} accepted, of good \
         ones at most {} not, as far as these runs show",
        f64::from(recipe.settle_ms) / 1e3,
        f64::from(recipe.measure_ms_max) / 1e3,
        recipe.false_accept,
        recipe.false_reject,
        percent(accept.reached(coverage)),
        percent(reject.reached(coverage)),
    )];
    if unjudged > 0 {
        steps.push(format!(
            "not recorded long enough for it, and so counted as wrong: {}; record with measure_min and measure_max of {} s \
             or more",
            counted(unjudged, "side"),
            f64::from(recipe.measure_ms_max) / 1e3
        ));
    }
    steps.extend(asked.iter().filter_map(|risk| risk.step(coverage)));
    if asked.iter().any(|risk| risk.reached(coverage) > risk.risk && risk.relaxed(coverage).is_some()) {
        steps.push("a risk relaxed to fit these runs is to be held against others".into());
    }
    steps
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Clopper and Pearson by hand: none wrong of `n` ends at `1 − tail^(1/n)`.
    #[test]
    fn says_how_many_more() {
        let asked =
            |wrong, of, risk| AskedRisk { option: "--false-accept", sides: "leaking", rate: Rate::of(wrong, of), risk };
        // 2.5 % of tail: 10 valves end at 0.3085, and 72 are needed for 5 %; of 83 more, 62 are chosen from.
        let said = asked(0, 10, 0.05).step(0.95).unwrap();
        assert_eq!(
            said,
            "record about 83 valves more with leaking sides, at the same rate, or relax --false-accept to \"31 %\""
        );
        assert_eq!(fewest(0.05, 0.95), 72);
        assert_eq!(asked(0, 73, 0.05).step(0.95), None);
        let said = asked(8, 10, 0.05).step(0.95).unwrap();
        assert!(said.starts_with("80 % of leaking sides go wrong by it") && !said.contains("relax"), "{said}");
        let said = asked(0, 0, 0.05).step(0.95).unwrap();
        assert_eq!(said, "record some 96 valves with leaking sides: these runs have none with a label");
    }
}
