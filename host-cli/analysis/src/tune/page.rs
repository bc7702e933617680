//! Charts of the evidence for a selection.

use seathold_document::chart::{Chart, Scale, Series, Shade};
use seathold_document::{Block, Document, DocumentColumn, DocumentTable, html};
use statrs::distribution::{ContinuousCDF, Normal};

use super::mixture::Observation;
use super::rates::Rate;
use super::selection::Score;
use super::{TuningResult, report};

/// The operating curve with its bands.
pub fn curve(tuning: &TuningResult<'_>) -> Chart {
    let mut chart = Chart::new(
        "Operating curve",
        "Share of good and of leaking sides accepted, against the limit as a part of the recipe's, with 90 % bands.",
    );
    // Whole decades, which have ticks.
    chart.x(Scale::new("limit, as part of the recipe's", 0.1, 10.0).logarithmic());
    chart.y(Scale::new("accepted, %", 0.0, 100.0));
    for (number, (good, label, shade)) in
        [(true, "good sides", Shade::Light), (false, "leaking sides", Shade::Dark)].into_iter().enumerate()
    {
        let rates: Vec<(f64, Rate)> =
            TuningResult::LIMITS.iter().enumerate().map(|(at, part)| (*part, tuning.accepted(at, good))).collect();
        let band = |(part, rate): &(f64, Rate)| {
            let (low, high) = rate.interval(0.9).into_inner();
            (*part, low * 100.0, high * 100.0)
        };
        chart.between(&rates.iter().map(band).collect::<Vec<_>>(), shade, "");
        let line: Vec<(f64, f64)> = rates.iter().map(|(part, rate)| (*part, rate.share() * 100.0)).collect();
        chart.line(&line, Series(number), label);
    }
    chart.rule_x(1.0, "the recipe's limit", Series(2));
    chart
}

/// Time against risk: each candidate by its mean time and the upper end of its share of good sides not accepted.
pub fn times(tuning: &TuningResult<'_>) -> Chart {
    let scores: Vec<Score> =
        (0..tuning.grid.candidates().count()).map(|place| Score::of(tuning.sides, place)).collect();
    let wanted = tuning.risks.false_reject * 100.0;
    let point = |score: &Score| (score.mean_s(), score.false_reject.interval(tuning.coverage).end() * 100.0);
    let keeps = |score: &&Score| *score.false_accept.interval(tuning.coverage).end() <= tuning.risks.false_accept;
    let (safe, reckless): (Vec<&Score>, Vec<&Score>) = scores.iter().partition(keeps);
    let points = |scores: &[&Score]| scores.iter().map(|s| point(s)).collect::<Vec<(f64, f64)>>();
    let all = points(&scores.iter().collect::<Vec<_>>());
    let mut chart = Chart::new(
        "Time against risk",
        format!("{} recipes by mean time of a side and upper end of good sides not accepted.", all.len()),
    );
    chart.x(Scale::fit("mean time of a side, s", all.iter().map(|p| p.0).chain([0.0])));
    chart.y(Scale::fit("good not accepted (upper end), %", all.iter().map(|p| p.1).chain([0.0, wanted])));
    if !reckless.is_empty() {
        chart.points(&points(&reckless), Series(2), "accepts too many leaking sides");
    }
    chart.points(&points(&safe), Series(1), "accepts few enough");
    if let Some(score) = tuning.selection.candidate.and_then(|place| scores.get(place)) {
        chart.points(&[point(score)], Series(4), "chosen");
    }
    chart.rule_y(wanted, "wanted", Series(2));
    chart
}

/// Bars a decade of leak.
const BARS: f64 = 5.0;

/// Leaks of all sides, with the limit and the guard band about it.
pub fn leaks(tuning: &TuningResult<'_>) -> Chart {
    let limit = tuning.base.limit_pa_m3_s;
    // From a hundredth of the limit to thirty times it; what lies beyond is in the outermost bars.
    let (low, high) = (-2.0, 1.4);
    let count = ((high - low) * BARS) as usize;
    let mut bars = vec![(0.0, 0.0); count + 1];
    let seen: Vec<(Observation, f64)> = tuning.sides.iter().filter_map(|side| Some((side.seen?, side.good))).collect();
    for (seen, good) in &seen {
        let part = (seen.leak / limit).max(1e-9).log10();
        let at = (((part - low) * BARS).floor().max(0.0) as usize).min(count);
        if let Some(bar) = bars.get_mut(at) {
            *bar = (bar.0 + 1.0, bar.1 + 1.0 - good);
        }
    }
    let edge = |at: usize| 10f64.powf(low + at as f64 / BARS);
    let all: Vec<(f64, f64, f64)> = (0..).zip(&bars).map(|(at, bar)| (edge(at), edge(at + 1), bar.0)).collect();
    let leaking: Vec<(f64, f64, f64)> = (0..).zip(&bars).map(|(at, bar)| (edge(at), edge(at + 1), bar.1)).collect();
    let mut chart = Chart::new(
        "Leaks",
        format!("Leaks of {} sides as parts of the limit; leaking sides are dark, good ones light.", seen.len()),
    );
    chart.x(Scale::new("leak, as part of the limit (less and more in the outermost bars)", 0.01, edge(count + 1))
        .logarithmic());
    chart.y(Scale::fit("sides", bars.iter().map(|bar| bar.0).chain([0.0])));
    if let (Some(guard), Some(chosen)) = (guard(&seen, limit), &tuning.chosen) {
        let (accept, reject) = (factor(chosen.false_accept), factor(chosen.false_reject));
        let band = (1.0 - accept * guard, 1.0 + reject * guard);
        chart.band_x(band.0.max(0.01), band.1, "guard", Shade::Dark);
    }
    chart.bars(&all, Shade::Light, "good").bars(&leaking, Shade::Dark, "leaking");
    chart.rule_x(1.0, "limit", Series(2));
    chart
}

/// The median standard uncertainty of sides near the limit, as part of it.
fn guard(seen: &[(Observation, f64)], limit: f64) -> Option<f64> {
    let near = seen.iter().filter(|(seen, _)| (0.3..3.0).contains(&(seen.leak / limit)));
    let mut near: Vec<f64> = near.map(|(seen, _)| seen.u / limit).collect();
    near.sort_by(f64::total_cmp);
    near.get(near.len() / 2).copied()
}

/// How many standard uncertainties the guard band of a risk is wide.
fn factor(risk: f64) -> f64 {
    Normal::standard().inverse_cdf(1.0 - risk)
}

fn rates(tuning: &TuningResult<'_>) -> Block {
    let row = |(name, score): (&str, Score)| {
        let seconds = format!("{:.1}", score.mean_s());
        vec![name.to_owned(), score.false_accept.to_string(), score.false_reject.to_string(), seconds]
    };
    Block::Table(DocumentTable {
        caption: "Sides judged wrongly, with 90 % intervals".into(),
        columns: vec![
            DocumentColumn::words("", 3),
            DocumentColumn::words("leaking, accepted", 5),
            DocumentColumn::words("good, not accepted", 5),
            DocumentColumn::number("s a side", 2),
        ],
        rows: report::scores(tuning).into_iter().map(row).collect(),
    })
}

/// The page; `text` is what the command prints.
pub fn page(tuning: &TuningResult<'_>, text: &str) -> String {
    let listed = text.lines().take_while(|line| !line.starts_with("operating curve"));
    // Rates have a table of their own.
    let listed = listed.filter(|line| !line.contains("accepted in error"));
    let mut blocks = vec![Block::List(listed.map(|line| line.trim().to_owned()).collect()), rates(tuning)];
    if tuning.chosen.is_some() {
        let caption = "All sides by the chosen times and risks; bands cover with 90 %.";
        blocks.push(Block::Figure(curve(tuning).picture(), caption.into()));
    }
    let caption = "Last leak of each side as recorded. The guard band is that of the chosen risks and of the median \
                   uncertainty of sides between a third of the limit and three times it.";
    blocks.push(Block::Figure(leaks(tuning).picture(), caption.into()));
    let caption = "Every recipe on all sides. The choice itself was made without the valves held out.";
    blocks.push(Block::Figure(times(tuning).picture(), caption.into()));
    let title = "A test tuned from recorded runs".to_owned();
    html::page(&Document {
        title,
        blocks,
        foot: "Chosen by seathold tune.".into(),
        moment: String::new(),
        ..Document::default()
    })
}
