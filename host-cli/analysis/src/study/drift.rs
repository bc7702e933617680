//! Drift of a calibrated value from one calibration to the next, and when the next is due.
//!
//! A straight line through values by date, with Student's interval for its slope. What a value may move before it
//! matters is the standard uncertainty that it was last calibrated with: moved by as much, half of the variance is
//! drift (our judgement, no source). The next calibration is due when the steepest slope inside the interval has moved
//! it that far.

use jiff::civil::Date;
use seathold_text::messages::counted;

use super::chart::{ControlChart, chart};
use super::linearity::RegressionLine;

/// A value with its date.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct DatedValue {
    /// When.
    pub on: Date,
    /// The value.
    pub value: f64,
    /// Its standard uncertainty, in the same unit.
    pub u: f64,
    /// The last day it is valid, where that was given.
    pub expires: Option<Date>,
}

/// The drift of a value.
#[derive(Clone, Debug, PartialEq)]
pub struct Drift {
    /// By date.
    pub found: Vec<DatedValue>,
    /// Days since the first, and value.
    pub points: Vec<(f64, f64)>,
    /// The line through them, days on its x.
    pub line: RegressionLine,
    /// How far it may move.
    pub allowed: f64,
    /// Days after the last until it has moved so far: by the slope found, and by the steepest one in the interval.
    pub lasts: [f64; 2],
    /// Control chart of the values in the order of dates.
    pub chart: ControlChart,
}

/// Longest time to the next calibration that is reported, in days: a file's own date of expiry comes long before.
pub const LONGEST: f64 = 3_650.0;

/// Computes it.
///
/// # Errors
/// In words, with fewer than three values, or all of the same day.
pub fn drift(mut found: Vec<DatedValue>, coverage: f64) -> Result<Drift, String> {
    if found.len() < 3 {
        let there = counted(found.len() as u64, "value");
        return Err(format!("{there}: a drift needs at least 3, of different days; calibrate again later"));
    }
    found.sort_by(|a, b| (a.on, a.value).partial_cmp(&(b.on, b.value)).unwrap_or(std::cmp::Ordering::Equal));
    let days = |on: Date| found.first().map_or(0.0, |first| f64::from((on - first.on).get_days()));
    let points: Vec<(f64, f64)> = found.iter().map(|f| (days(f.on), f.value)).collect();
    let line = RegressionLine::through(&points, coverage).ok_or("all values are of the same day")?;
    let values: Vec<f64> = found.iter().map(|f| f.value).collect();
    let chart = chart(&values)?;
    let allowed = found.last().map_or(0.0, |last| last.u);
    let steepest = line.slope.value.abs() + line.slope.half;
    let lasts = [line.slope.value.abs(), steepest].map(|slope| {
        // No drift at all lasts for ever.
        if slope > 0.0 { (allowed / slope).min(LONGEST) } else { LONGEST }
    });
    Ok(Drift { found, points, line, allowed, lasts, chart })
}

impl Drift {
    /// The day on which the next calibration is due: by the steepest slope in the interval, or because the last one
    /// expires, whichever is sooner; and whether it is the drift.
    pub fn due(&self) -> (Date, bool) {
        let days = jiff::Span::new().days(self.lasts[1].floor() as i64);
        let last = self.found.last();
        let drifted = last.map_or(Date::MIN, |last| last.on.saturating_add(days));
        match last.and_then(|last| last.expires) {
            Some(expires) if expires < drifted => (expires, false),
            _ => (drifted, true),
        }
    }
}
