//! A control chart as a page.

use super::chart::{Chart as Control, RULES};
use crate::picture::{Chart, Picture, Scale, Series};
use crate::report::{Block, Paper, html};

/// The picture: values in order, mean, control limits, and the points that break a rule.
pub fn picture(values: &[f64], control: &Control) -> Picture {
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
    chart.picture()
}

/// The page.
pub fn control(values: &[f64], control: &Control) -> String {
    let told = |(point, rule): &(usize, u8)| {
        format!("point {}: rule {rule}, {}", point + 1, RULES.get(usize::from(*rule) - 1).unwrap_or(&""))
    };
    let signals: Vec<String> = control.signals.iter().map(told).collect();
    let mut blocks = vec![Block::Figure(
        picture(values, control),
        "Individual values; limits are three sigma from the mean moving range (NIST/SEMATECH e-Handbook, 6.3.2.2)."
            .into(),
    )];
    blocks.push(if signals.is_empty() { Block::Text("No rule is broken.".into()) } else { Block::List(signals) });
    html::page(&Paper { title: "Stability of the measuring".into(), blocks, foot: FOOT.into(), moment: String::new() })
}

const FOOT: &str = "Run rules: Nelson, J. Quality Technology 16(4), 1984.";
