//! What would decide an undecided result, in words.

use seathold_recording::{Header, Summary};
use seathold_sequencer::input::Side;
use seathold_sequencer::measure::{Advice, Remedy, advise};
use seathold_sequencer::verdict::Verdict;
use seathold_text::messages::contribution_name;

/// What would decide each side of a run that stayed undecided.
pub fn of_sides(summary: &Summary, header: &Header) -> Vec<(Side, Advice)> {
    let rig = header.rig.validate().ok();
    let Some(recipe) = rig.and_then(|rig| header.recipe.validate(&rig).ok()) else { return Vec::new() };
    let undecided = summary.sides.iter().filter(|side| side.verdict == Verdict::Undecided);
    undecided.filter_map(|s| Some((s.side, advise(&s.estimate?, recipe.limit(), recipe.schedule())))).collect()
}

/// What to do first, and what else would do.
pub fn words(advice: &Advice) -> String {
    let share = (advice.share * 100.0).round();
    let dominant =
        format!("most of the uncertainty is {} ({share} % of the variance)", contribution_name(advice.dominant));
    let longer = match advice.window_s {
        Some(s) => format!("a window of about {}", seconds(s)),
        None => "no longer window".into(),
    };
    let less = |what: &str, ratio: Option<f64>| ratio.map(|r| format!("{what} down to {:.0} %", r * 100.0));
    let first = match advice.remedy {
        Remedy::Outlast => {
            return format!(
                "measure {}: the gas may go on settling for that long, so nothing shorter decides, and the ± above may \
                 not hold. That is twice the calibrated time constant, or the longest one allowed for where none is: then \
                 `seathold calibrate blank` finds it",
                advice.window_s.map_or("longer".into(), |s| format!("for {} at least", seconds(s)))
            );
        }
        Remedy::Longer => format!("measure longer: {longer} would probably do"),
        Remedy::Quieter => format!("make it quieter: {} would do", less("noise", advice.noise_to).unwrap_or_default()),
        Remedy::SmallerVolume => {
            format!("make the far volume smaller: {} would do", less("volume", advice.volume_to).unwrap_or_default())
        }
        Remedy::Calibrate => "calibrate better: with a better known volume and sensor gain this window would do".into(),
        Remedy::SteadierTemperature => {
            "keep the temperature steadier (shelter, longer soak), or fit a thermometer: then this window would do"
                .into()
        }
        Remedy::BlankRun => {
            "measure the background leak better, by a longer blank run: then this window would do".into()
        }
        Remedy::NearerTarget => {
            "trap the gas nearer the test pressure (longer soak, or the regulator set higher by what \
                                 cooling takes): then this window would do"
                .into()
        }
        Remedy::Settle => {
            return "let the gas rest longer before measuring (soak, settle): the leak came out below zero by more than its \
                    uncertainty, so the curve does not fit the readings"
                .into();
        }
        Remedy::TooNear => {
            return format!(
                "{dominant}. The leak lies too near the limit for its uncertainty: no time, and neither noise nor \
                 volume alone, would separate them at these risks. Rework the valve, or agree on wider risks"
            );
        }
    };
    let mut others = Vec::new();
    if advice.remedy != Remedy::Longer {
        others.push(match advice.window_s {
            Some(s) => format!("a window of about {} would do too", seconds(s)),
            None => "no longer window would do".into(),
        });
    }
    if advice.remedy != Remedy::Quieter {
        others.extend(less("noise", advice.noise_to).map(|t| format!("{t} would do too")));
    }
    if advice.remedy != Remedy::SmallerVolume {
        others.extend(less("volume", advice.volume_to).map(|t| format!("{t} would do too")));
    }
    let others = if others.is_empty() { String::new() } else { format!("; {}", others.join("; ")) };
    format!("{first}. {}{}{others}", dominant[..1].to_uppercase(), &dominant[1..])
}

fn seconds(s: f64) -> String {
    if s < 120.0 { format!("{} s", s.ceil()) } else { format!("{} min", (s / 60.0).ceil()) }
}
