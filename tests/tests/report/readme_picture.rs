//! The picture of a run in README: drawn from a committed recording by the charts of the reports.
//!
//! `SNAPSHOTS=overwrite cargo test -p seathold-tests --test report readme_picture` draws it anew; look at it before you commit
//! it.

use std::path::Path;

use seathold_document::Block;
use seathold_document::chart::{Anchor, Ink, Mark, Picture};
use seathold_report::{Evidence, batch, by_valve};
use seathold_sequencer::input::Side;
use seathold_text::messages::{side_name, supply_end, verdict_word};

/// Room for the title, and for the line above each side's charts.
const TITLE: f64 = 34.0;
const HEADING: f64 = 24.0;
/// Around and between the charts.
const MARGIN: f64 = 14.0;

/// A mark moved to the right and down.
fn moved(mark: &Mark, dx: f64, dy: f64) -> Mark {
    let all = |points: &[(f64, f64)]| points.iter().map(|(x, y)| (x + dx, y + dy)).collect();
    match mark.clone() {
        Mark::Line { points, stroke } => Mark::Line { points: all(&points), stroke },
        Mark::Area { points, fill } => Mark::Area { points: all(&points), fill },
        Mark::Words { at: (x, y), text, size, anchor, upwards } => {
            Mark::Words { at: (x + dx, y + dy), text, size, anchor, upwards }
        }
    }
}

fn words(x: f64, y: f64, text: String, size: f64) -> Mark {
    Mark::Words { at: (x, y), text, size, anchor: Anchor::Start, upwards: false }
}

/// Title, and a row for each side: its verdict, the whole test, the judged window.
fn drawn() -> String {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("recordings/current/scratched-seat-a.hold");
    let runs = [Evidence::read(&path).unwrap()];
    let valves = by_valve(&runs);
    let run = &runs[0];
    let pairs = batch::document("README", &valves, None).blocks.into_iter().filter_map(|block| match block {
        Block::Pair(pair) => Some(*pair),
        _ => None,
    });

    let mut marks =
        vec![words(MARGIN, 24.0, format!("Valve {}: {}", valves[0].serial, valves[0].word().to_uppercase()), 16.0)];
    let (mut width, mut height) = (0.0_f64, TITLE);
    let mut about = Vec::new();
    for (side, pair) in [Side::First, Side::Second].into_iter().zip(pairs) {
        let result = run.side(side).unwrap();
        let judged = format!(
            "{} side, end {} on supply: {}, {}",
            if side == Side::First { "First" } else { "Second" },
            supply_end(side),
            verdict_word(result.verdict),
            run.units().leak(result.estimate.as_ref().unwrap()),
        );
        let limit = run.units().limit(run.header.recipe.limit_pa_m3_s);
        marks.push(words(MARGIN, height + 16.0, format!("{judged}; limit {limit}"), 12.0));
        height += HEADING;
        let mut x = MARGIN;
        for (picture, _) in &pair {
            marks.extend(picture.marks.iter().map(|mark| moved(mark, x, height)));
            about.push(picture.about.clone());
            x += picture.width + MARGIN;
        }
        width = width.max(x);
        height += pair[0].0.height.max(pair[1].0.height) + MARGIN;
        assert!(about[about.len() - 2].contains(side_name(side)));
    }
    // A page may be dark; the charts are drawn for white paper.
    let paper = vec![(0.0, 0.0), (width, 0.0), (width, height), (0.0, height)];
    marks.insert(0, Mark::Area { points: paper, fill: Ink::WHITE });
    let title = format!("A run of both sides of valve {}", valves[0].serial);
    let svg = Picture { width, height, title, about: about.join(" "), marks }.svg("run").into_string();
    // In a page its style sheet chooses the letters. An element a line, for whoever reads a difference.
    svg.replacen("<svg ", "<svg font-family=\"Arial, Liberation Sans, Helvetica, sans-serif\" ", 1)
        .replace("><", ">\n<")
        + "\n"
}

#[test]
fn the_picture_in_readme_is_what_the_program_draws() {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("../docs/images/run.svg");
    snapbox::assert_data_eq!(drawn(), snapbox::Data::read_from(&path, Some(snapbox::data::DataFormat::Text)).raw());
    let readme = Path::new(env!("CARGO_MANIFEST_DIR")).join("../README.md");
    let shown = std::fs::read_to_string(readme).unwrap().contains("](docs/images/run.svg)");
    assert!(shown, "README shows no docs/images/run.svg");
}
