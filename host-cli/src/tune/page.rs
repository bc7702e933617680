//! What a choice rests on, as a page with pictures.

use super::choice::{Choice, Risks, Score};
use super::rates::Rate;
use super::sweep::{Grid, Outcome, Sided};
use crate::picture::{Chart, Picture, Scale, Series, Shade};
use crate::report::{Block, Paper, html};

/// Share of good or of leaking sides that a candidate accepts, at each part of the limit.
pub fn accepted(sides: &[Sided], candidate: usize, at: usize, good: bool) -> Rate {
    let mut rate = Rate::default();
    for side in sides.iter().filter(|side| side.good == good) {
        let outcome = side.curve.get(candidate).and_then(|curve| curve.get(at));
        rate.see(outcome == Some(&Outcome::Tight));
    }
    rate
}

/// The operating curve with its bands.
fn curve(sides: &[Sided], grid: &Grid, candidate: usize) -> Picture {
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
            grid.limits.iter().enumerate().map(|(at, part)| (*part, accepted(sides, candidate, at, good))).collect();
        let band = |(part, rate): &(f64, Rate)| {
            let (low, high) = rate.interval(0.9);
            (*part, low * 100.0, high * 100.0)
        };
        chart.between(&rates.iter().map(band).collect::<Vec<_>>(), shade, "");
        let line: Vec<(f64, f64)> = rates.iter().map(|(part, rate)| (*part, rate.share() * 100.0)).collect();
        chart.line(&line, Series(number), label);
    }
    chart.rule_x(1.0, "the recipe's limit", Series(2));
    chart.picture()
}

/// Time against risk: each candidate by its mean time and the upper end of its share of good sides not accepted.
fn times(sides: &[Sided], grid: &Grid, choice: &Choice, risks: Risks) -> Picture {
    let scores: Vec<Score> = (0..grid.candidates().count()).map(|place| Score::of(sides, place)).collect();
    let point = |score: &Score| (score.mean_s(), score.false_reject.interval(0.9).1 * 100.0);
    let all: Vec<(f64, f64)> = scores.iter().map(point).collect();
    let mut chart = Chart::new(
        "Time against risk",
        format!("{} candidates by mean time of a side and upper end of good sides not accepted.", all.len()),
    );
    chart.x(Scale::fit("mean time of a side, s", all.iter().map(|p| p.0).chain([0.0])));
    let heights = all.iter().map(|p| p.1).chain([0.0, risks.false_reject * 100.0]);
    chart.y(Scale::fit("good not accepted (upper end), %", heights));
    chart.points(&all, Series(0), "candidate");
    if let Some(score) = choice.candidate.and_then(|place| scores.get(place)) {
        chart.points(&[point(score)], Series(3), "chosen");
    }
    chart.rule_y(risks.false_reject * 100.0, "wanted", Series(2));
    chart.picture()
}

/// The page; `text` is what the command tells.
pub fn page(sides: &[Sided], grid: &Grid, choice: &Choice, risks: Risks, text: &str) -> String {
    let told = text.lines().take_while(|line| !line.starts_with("operating curve"));
    let mut blocks = vec![Block::List(told.map(|line| line.trim().to_owned()).collect())];
    if let Some(candidate) = choice.candidate {
        let caption = "All labelled sides by the chosen times and risks; bands are Clopper-Pearson, 90 %.";
        blocks.push(Block::Figure(curve(sides, grid, candidate), caption.into()));
    }
    let caption = "Every candidate on all labelled sides. The choice itself was made without the valves held out.";
    blocks.push(Block::Figure(times(sides, grid, choice, risks), caption.into()));
    let title = "A test tuned from recorded runs".to_owned();
    html::page(&Paper { title, blocks, foot: "Chosen by seathold tune.".into(), moment: String::new() })
}
