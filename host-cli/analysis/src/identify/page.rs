//! The page with charts: readings against the plant, and where it misses.

use seathold_document::chart::{Chart, Scale, Series, Shade};
use seathold_document::{Block, Document, DocumentColumn, DocumentTable, html};

use seathold_text::messages::phase_name;

use super::check::{Miss, Reading, is_hold};
use super::report::{self, Agreement, channel};
use super::{Identified, report::number};

/// Off by how much, over time, of the whole recording: over the noise.
pub fn over_noise(title: &str, readings: &[Reading]) -> Chart {
    let points: Vec<(f64, f64)> = readings.iter().map(|one| (one.at_s, one.over_noise)).collect();
    let mut chart = Chart::new(title, "Readings of the far side less the plant, over their noise, against time.");
    chart.x(Scale::fit("time, s", points.iter().map(|p| p.0)));
    chart.y(Scale::fit("readings less plant, over the noise", points.iter().map(|p| p.1).chain([-4.0, 4.0])));
    // Where the far side is held.
    for (from, to) in holds(readings) {
        chart.band_x(from, to, "held", Shade::Light);
    }
    chart.points(&points, Series(0), "");
    chart.rule_y(2.0, "", Series(2)).rule_y(-2.0, "", Series(2));
    chart
}

/// Off by how many pascals while the far side is held, side after side.
pub fn while_held(title: &str, readings: &[Reading]) -> Chart {
    let mut chart = Chart::new(title, "Readings of the far side less the plant while it is held, in Pa, against time.");
    let sides: Vec<Vec<(f64, f64)>> = holds(readings)
        .into_iter()
        .map(|(from, to)| {
            let inside = readings.iter().filter(|one| (from..=to).contains(&one.at_s));
            inside.map(|one| (one.at_s - from, one.off_pa)).collect()
        })
        .collect();
    let all = || sides.iter().flatten();
    chart.x(Scale::fit("time since venting, s", all().map(|p| p.0).chain([0.0])));
    chart.y(Scale::fit("readings less plant, Pa", all().map(|p| p.1).chain([-1.0, 1.0])));
    for (number, side) in sides.iter().enumerate() {
        chart.line(side, Series(number), if number == 0 { "first side held" } else { "second side held" });
    }
    chart.rule_y(0.0, "", Series(2));
    chart
}

/// From when to when the far side is held.
fn holds(readings: &[Reading]) -> Vec<(f64, f64)> {
    let mut all: Vec<(f64, f64)> = Vec::new();
    let mut held = false;
    for one in readings {
        match (is_hold(one.phase), held, all.last_mut()) {
            (true, true, Some(last)) => last.1 = one.at_s,
            (true, ..) => all.push((one.at_s, one.at_s)),
            (false, ..) => {}
        }
        held = is_hold(one.phase);
    }
    all
}

fn parameters(found: &Identified) -> Block {
    let row = |one: &super::Found| {
        vec![
            one.parameter.name.to_owned(),
            one.value_words(),
            one.interval_words(),
            one.before_words(),
            one.parameter.told_by.to_owned(),
        ]
    };
    Block::Table(DocumentTable {
        caption: "Fields of the valve file as found".into(),
        columns: vec![
            DocumentColumn::words("field", 3),
            DocumentColumn::number("value", 3),
            DocumentColumn::words("95 % interval", 5),
            DocumentColumn::number("before", 3),
            DocumentColumn::words("told by", 6),
        ],
        rows: found.found.iter().map(row).collect(),
    })
}

fn phases(caption: &str, misses: &[Miss]) -> Block {
    let row = |miss: &Miss| {
        vec![
            phase_name(miss.phase).to_owned(),
            channel(miss).to_owned(),
            format!("{:.2}", miss.over_noise),
            number(miss.rms_pa, 3),
            miss.count.to_string(),
        ]
    };
    Block::Table(DocumentTable {
        caption: caption.into(),
        columns: vec![
            DocumentColumn::words("phase", 3),
            DocumentColumn::words("side", 2),
            DocumentColumn::number("over the noise", 2),
            DocumentColumn::number("rms, Pa", 2),
            DocumentColumn::number("stretches", 2),
        ],
        rows: misses.iter().map(row).collect(),
    })
}

/// The page.
pub fn page(found: &Identified) -> String {
    let agreement = Agreement::of(found);
    let mut facts = vec![
        ("fitted".to_owned(), found.fitted.join(", ")),
        ("far side and cavity".to_owned(), report::trapped_words(found)),
        ("loss".to_owned(), report::loss_words(found)),
    ];
    facts.extend(report::noise_words(found).into_iter().map(|(name, words)| (name.to_owned(), words)));
    facts.push(("not fitted".into(), report::NOT_FITTED.into()));
    if found.widened > 1.0 {
        facts.push(("intervals widened by".into(), format!("{:.2}", found.widened)));
    }
    let mut blocks = Vec::new();
    match agreement {
        Agreement::Missed | Agreement::Conflict => {
            blocks.push(Block::Notice("Missed".into(), agreement.words().into()))
        }
        Agreement::NotChecked => blocks.push(Block::Notice("Not checked".into(), agreement.words().into())),
        Agreement::Within | Agreement::Roughly => blocks.push(Block::Text(agreement.words().into())),
    }
    blocks.push(Block::Facts(facts));
    blocks.push(parameters(found));
    for held in &found.held_out {
        blocks.push(Block::Heading(2, format!("Held out: {}", held.name)));
        blocks.push(Block::Text(report::held_words(held)));
        let caption =
            "A recording that took no part in the fit. Points beyond the dashed lines should be one in twenty.";
        blocks.push(Block::Figure(over_noise("Held out, over the noise", &held.shown).picture(), caption.into()));
        let caption = "What a test judges: the slope of this is the error of a leak tried on the plant.";
        blocks.push(Block::Figure(while_held("Held out, while held", &held.shown).picture(), caption.into()));
        blocks.push(phases("Held out, phase by phase", &held.misses));
    }
    blocks.push(Block::Heading(2, "Recordings fitted".into()));
    let caption = "The first of them.";
    blocks.push(Block::Figure(over_noise("Fitted, over the noise", &found.shown).picture(), caption.into()));
    blocks.push(Block::Figure(while_held("Fitted, while held", &found.shown).picture(), caption.into()));
    blocks.push(phases("Fitted, phase by phase", &found.misses));
    let title = "A bench identified from its recordings".to_owned();
    html::page(&Document {
        title,
        blocks,
        foot: "Fitted by seathold identify.".into(),
        moment: String::new(),
        ..Document::default()
    })
}
