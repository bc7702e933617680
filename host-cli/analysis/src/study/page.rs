//! Pages of control charts and drifts.

use seathold_document::chart::{Chart, Scale, Series, Shade};
use seathold_document::{Block, Document, html};

use super::chart::{ControlChart as Control, RULES};
use super::drift::Drift;

/// The chart: values in order, mean, control limits, and the points that break a rule.
pub fn picture(values: &[f64], control: &Control) -> Chart {
    let (low, high) = (control.mean - 3.0 * control.sigma, control.mean + 3.0 * control.sigma);
    let points: Vec<(f64, f64)> = (1..).zip(values).map(|(number, value)| (f64::from(number), *value)).collect();
    let broken: Vec<(f64, f64)> = points
        .iter()
        .enumerate()
        .filter(|(i, _)| control.signals.iter().any(|(at, _)| at == i))
        .map(|(_, p)| *p)
        .collect();
    let about =
        format!("{} values in order with mean and control limits; {} break a rule.", values.len(), broken.len());
    let mut chart = Chart::new("Control chart", about);
    chart.x(Scale::fit("measurement", [0.0, values.len() as f64 + 1.0]));
    chart.y(Scale::fit("value", values.iter().copied().chain([low, high])));
    chart.line(&points, Series(0), "value").points(&points, Series(0), "");
    chart.rule_y(control.mean, "mean", Series(1));
    chart.rule_y(low, "lower limit", Series(2)).rule_y(high, "upper limit", Series(2));
    if !broken.is_empty() {
        chart.points(&broken, Series(3), "breaks a rule");
    }
    chart
}

/// Values by date with the line through them, its band, and how far the value may move.
pub fn drift(name: &str, drift: &Drift) -> Chart {
    let end = drift.points.last().map_or(0.0, |point| point.0);
    // As far as the next calibration, where that is not years away.
    let end = end + drift.lasts[1].min(end.max(1.0));
    let days: Vec<f64> = (0..=40).map(|step| end * f64::from(step) / 40.0).collect();
    let band: Vec<(f64, f64, f64)> = days
        .iter()
        .map(|day| {
            let at = drift.line.at(*day);
            (*day, at.value - at.half, at.value + at.half)
        })
        .collect();
    let line: Vec<(f64, f64)> = days.iter().map(|day| (*day, drift.line.at(*day).value)).collect();
    let last = drift.points.last().map_or(0.0, |point| point.1);
    let (low, high) = (last - drift.allowed, last + drift.allowed);
    let mut chart = Chart::new(name, format!("{name} by date: {} values, the line through them.", drift.points.len()));
    let first = drift.found.first().map(|f| f.on.to_string()).unwrap_or_default();
    chart.x(Scale::fit(format!("days since {first}"), [0.0, end]));
    let heights = band.iter().flat_map(|b| [b.1, b.2]).chain(drift.points.iter().map(|p| p.1)).chain([low, high]);
    chart.y(Scale::fit(name, heights));
    chart.between(&band, Shade::Light, "band of the line").line(&line, Series(0), "line");
    chart.points(&drift.points, Series(0), "found");
    chart.rule_y(low, "moved by its uncertainty", Series(2)).rule_y(high, "", Series(2));
    chart
}

/// The page of drifts; `text` is what the command prints.
pub fn drifts(charts: &[Chart], text: &str) -> String {
    let mut blocks = vec![Block::List(text.lines().map(|line| line.trim().to_owned()).collect())];
    let caption = "A straight line by least squares, with Student's band; dotted: the last value moved by its own \
                   standard uncertainty.";
    blocks.extend(charts.iter().map(|chart| Block::Figure(chart.picture(), caption.into())));
    html::page(&Document {
        title: "Drift of the calibrations".into(),
        blocks,
        foot: FOOT.into(),
        moment: String::new(),
        ..Document::default()
    })
}

/// The page of a daily check; `text` is what the command prints.
pub fn daily(charts: &[&(Vec<f64>, Control)], text: &str) -> String {
    let mut blocks = vec![Block::List(text.lines().map(|line| line.trim().to_owned()).collect())];
    let caption = "Individual values in mm³/s at 100 kPa; limits are three sigma from the mean moving range of the first ones \
                   (NIST/SEMATECH e-Handbook, 6.3.2.2).";
    blocks.extend(charts.iter().map(|(values, chart)| Block::Figure(picture(values, chart).picture(), caption.into())));
    html::page(&Document {
        title: "Daily check".into(),
        blocks,
        foot: FOOT.into(),
        moment: String::new(),
        ..Document::default()
    })
}

/// The page.
pub fn control(values: &[f64], control: &Control) -> String {
    let signal_text = |(point, rule): &(usize, u8)| {
        format!("point {}: rule {rule}, {}", point + 1, RULES.get(usize::from(*rule) - 1).unwrap_or(&""))
    };
    let signals: Vec<String> = control.signals.iter().map(signal_text).collect();
    let mut blocks = vec![Block::Figure(
        picture(values, control).picture(),
        "Individual values; limits are three sigma from the mean moving range (NIST/SEMATECH e-Handbook, 6.3.2.2)."
            .into(),
    )];
    blocks.push(if signals.is_empty() { Block::Text("No rule is broken.".into()) } else { Block::List(signals) });
    html::page(&Document {
        title: "Stability of the measurements".into(),
        blocks,
        foot: FOOT.into(),
        moment: String::new(),
        ..Document::default()
    })
}

const FOOT: &str = "Run rules: Nelson, J. Quality Technology 16(4), 1984.";
