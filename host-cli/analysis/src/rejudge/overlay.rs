//! Sides of many runs in one chart: trapped pressure from the moment the valve was shut, and the residuals of the fit.

use seathold_document::chart::{Chart, Scale, Series};
use seathold_document::{Block, Document, html};
use seathold_quantity::limit::slope_at_limit;
use seathold_recording::Recording;
use seathold_recording::timeline::Timeline;
use seathold_sequencer::event::Phase;
use seathold_sequencer::input::{Reading, Side};
use seathold_sequencer::measure::{Curve, LeakEstimate};

use crate::study::linearity::RegressionLine;

/// Points kept of a line: means of so many sections, since noise would hide the curvature of interest.
const STRETCHES: f64 = 80.0;
/// Sides kept of each sort: more make a chart black, and memory must not grow with the number of runs.
const KEPT: usize = 40;

/// A side, as it is drawn.
#[derive(Clone, Debug, PartialEq)]
pub struct OverlayTrace {
    /// Its verdict is another than the one recorded.
    pub changed: bool,
    /// Seconds since the valve was shut, and trapped pressure above that at the end of settling, Pa.
    pub fall: Vec<(f64, f64)>,
    /// When settling ended, s; where it never did, the end.
    pub settled: f64,
    /// Seconds since the window began, and the residuals of the readings in it, Pa; empty without an estimate.
    /// Where the side cannot be judged now, those of the recorded one.
    pub left: Vec<(f64, f64)>,
    /// Slope that a leak at the limit makes, Pa/s.
    pub at_limit: f64,
}

/// Most readings of a window that are held: those of a quarter of an hour at 100 a second.
const WINDOW_MAX: usize = 100_000;

/// Takes a side out of a recording. `estimate` is the one it is judged by now. `None` where the valve was never shut.
pub fn trace(
    recording: &Recording,
    timeline: &Timeline,
    side: Side,
    estimate: Option<&LeakEstimate>,
    changed: bool,
) -> Option<OverlayTrace> {
    let from = timeline.entered(Phase::Vent, Some(side), 0)?;
    let until = timeline.entered(Phase::SafeVent, Some(side), from).unwrap_or(timeline.whole);
    let rig = &recording.header.rig;
    let origin = recording.polls.range(from..until).next()?.at.as_ticks();
    let readings = || {
        recording.polls.range(from..until).filter_map(|poll| match poll.inputs.far {
            Reading::Sample(sample) => {
                let seconds = poll.at.as_ticks().saturating_sub(origin) as f64 / 1e6;
                // Not rounded to whole pascals, which would show as steps.
                Some((seconds, f64::from(sample.counts) * rig.far.pa_per_count))
            }
            Reading::NoSample | Reading::SensorFault(_) => None,
        })
    };
    let last = readings().last()?.0;
    let measure = timeline.entered(Phase::Measure, Some(side), from).filter(|at| *at < until);
    let measure = measure.and_then(|at| recording.polls.get(at));
    let settled = measure.map_or(last, |poll| poll.at.as_ticks().saturating_sub(origin) as f64 / 1e6);
    let fall = means(readings(), last);
    // All lines meet there: the change before, by gas and valve, is many times that of a leak after.
    let zero = fall.iter().find(|(t, _)| *t >= settled).or(fall.last())?.1;
    let fall = fall.into_iter().map(|(t, p)| (t, p - zero)).collect();
    let left = estimate.map_or_else(Vec::new, |estimate| {
        let length = f64::from(estimate.window_ms) / 1e3;
        let window = || readings().map(|(t, p)| (t - settled, p)).filter(|(t, _)| (0.0..=length).contains(t));
        // What is drawn is means; of a very long window not every reading is held for them.
        let window: Vec<(f64, f64)> = window().step_by(window().count().div_ceil(WINDOW_MAX).max(1)).collect();
        means(residuals(&window, estimate.curve).into_iter(), length)
    });
    let at_limit = slope_at_limit(&recording.header.recipe, rig);
    Some(OverlayTrace { changed, fall, settled, left, at_limit })
}

/// Means over sections of the time up to `end`.
fn means(points: impl Iterator<Item = (f64, f64)>, end: f64) -> Vec<(f64, f64)> {
    // The last reading belongs to the last section: alone it would be all noise.
    let stretch = |t: f64| (t / end * STRETCHES).min(STRETCHES - 1.0) as usize;
    // Of each section: which it is, how many points, sums of times and pressures.
    let mut sums: Vec<(usize, f64, f64, f64)> = Vec::new();
    for (t, p) in points {
        let section = stretch(t);
        match sums.last_mut() {
            Some((last, n, times, pressures)) if section <= *last => {
                (*n, *times, *pressures) = (*n + 1.0, *times + t, *pressures + p);
            }
            _ => sums.push((section, 1.0, t, p)),
        }
    }
    sums.into_iter().map(|(_, n, times, pressures)| (times / n, pressures / n)).collect()
}

/// The residuals of some points from a curve fitted by least squares.
fn residuals(points: &[(f64, f64)], curve: Curve) -> Vec<(f64, f64)> {
    let off_line = |points: &[(f64, f64)]| -> Vec<(f64, f64)> {
        let line = RegressionLine::through(points, 0.5);
        points.iter().map(|(t, p)| (*t, p - line.map_or(0.0, |line| line.at(*t).value))).collect()
    };
    let left = off_line(points);
    let Curve::Transient { tau_s } = curve else { return left };
    // What the line leaves of the transient is what it adds to the line (Frisch, Waugh and Lovell).
    let transient: Vec<(f64, f64)> = points.iter().map(|(t, _)| (*t, (-t / tau_s).exp())).collect();
    let transient = off_line(&transient);
    let squares: f64 = transient.iter().map(|(_, e)| e * e).sum();
    let products: f64 = transient.iter().zip(&left).map(|((_, e), (_, p))| e * p).sum();
    let a = if squares > 0.0 { products / squares } else { 0.0 };
    left.iter().zip(&transient).map(|((t, p), (_, e))| (*t, p - a * e)).collect()
}

/// Sides for a page, as many as are kept.
#[derive(Clone, Debug, Default)]
pub struct Overlay {
    same: Vec<OverlayTrace>,
    changed: Vec<OverlayTrace>,
    seen: usize,
}

impl Overlay {
    /// Whether another one of this sort would be kept.
    pub fn wants(&self, changed: bool) -> bool {
        (if changed { &self.changed } else { &self.same }).len() < KEPT
    }

    /// Counts so many sides, drawn or not.
    pub fn see(&mut self, sides: usize) {
        self.seen += sides;
    }

    /// Adds one, while there is room for it.
    pub fn push(&mut self, trace: OverlayTrace) {
        if self.wants(trace.changed) {
            (if trace.changed { &mut self.changed } else { &mut self.same }).push(trace);
        }
    }

    fn all(&self) -> impl Iterator<Item = &OverlayTrace> {
        self.same.iter().chain(&self.changed)
    }

    fn draw(&self, chart: &mut Chart, of: impl Fn(&OverlayTrace) -> Vec<(f64, f64)>) {
        for (number, trace) in self.same.iter().enumerate() {
            chart.faint(&of(trace), if number == 0 { "verdict as recorded" } else { "" });
        }
        for (number, trace) in self.changed.iter().enumerate() {
            chart.line(&of(trace), Series(0), if number == 0 { "another verdict" } else { "" });
        }
    }

    /// Trapped pressure of all sides since the valve was shut.
    pub fn falls(&self) -> Chart {
        let about = format!("Trapped pressure of {} sides since the valve was shut.", self.all().count());
        let mut chart = Chart::new("Traces, aligned on the shut valve", about);
        let end = self.all().filter_map(|trace| trace.fall.last()).map(|point| point.0).fold(1.0, f64::max);
        chart.x(Scale::fit("time since the valve was shut, s", [0.0, end]));
        // A side that leaks grossly would press all others flat: it is cut off at the foot.
        let after = |trace: &OverlayTrace| -> Vec<f64> {
            trace.fall.iter().filter(|(t, _)| *t >= trace.settled).map(|point| point.1).collect()
        };
        let mut lows: Vec<f64> = self.all().map(|trace| after(trace).into_iter().fold(0.0, f64::min)).collect();
        lows.sort_by(f64::total_cmp);
        let settled = self.all().map(|trace| trace.settled).fold(f64::INFINITY, f64::min);
        let limit = self.all().next().map_or(0.0, |trace| trace.at_limit) * (end - settled);
        let low = lows.get(lows.len() / 4).copied().unwrap_or(-1.0).min(limit);
        let high = self.all().flat_map(after).fold(0.0, f64::max);
        // As much above as below: what is before the end of settling comes in from the top.
        let high = high.max(-low / 2.0);
        chart.y(Scale::fit("pressure above that after settling, Pa", [low, high]));
        let (low, high) = chart.y_ends();
        self.draw(&mut chart, |trace| {
            let inside = |(_, p): &(f64, f64)| (low..=high).contains(p);
            trace.fall.iter().copied().filter(inside).collect()
        });
        chart.line(&[(settled, 0.0), (end, limit)], Series(2), "at the limit");
        chart
    }

    /// The residuals of the readings.
    pub fn residuals(&self) -> Chart {
        let count = self.all().filter(|trace| !trace.left.is_empty()).count();
        let mut chart =
            Chart::new("Residuals", format!("Residuals of the readings from the fitted curve, {count} sides."));
        let end = self.all().filter_map(|trace| trace.left.last()).map(|point| point.0).fold(1.0, f64::max);
        chart.x(Scale::fit("time since the window began, s", [0.0, end]));
        chart.y(Scale::fit("residual, Pa", self.all().flat_map(|trace| &trace.left).map(|point| point.1)));
        self.draw(&mut chart, |trace| trace.left.clone());
        chart.rule_y(0.0, "", Series(1));
        chart
    }

    /// The page; `text` is what the command prints of all runs.
    pub fn page(&self, text: &str) -> String {
        let mut blocks = vec![Block::List(text.lines().map(|line| line.trim().to_owned()).collect())];
        let drawn = self.all().count();
        if drawn == 0 {
            blocks.push(Block::Text("In none of these runs was the valve shut: there is nothing to draw.".into()));
        } else {
            let note = format!("{drawn} of {} sides; black: verdict changed.", self.seen);
            let falls = format!("{note} Lines that leave the frame continue to fall.");
            blocks.push(Block::Figure(self.falls().picture(), falls));
            let residuals = "Means over sections of the window. A curve that fits leaves no curvature.";
            if self.all().any(|trace| !trace.left.is_empty()) {
                blocks.push(Block::Figure(self.residuals().picture(), residuals.into()));
            }
        }
        let (title, foot) = ("Re-evaluated recordings".to_owned(), "Re-evaluated by seathold rejudge.".to_owned());
        html::page(&Document { title, blocks, foot, moment: String::new(), ..Document::default() })
    }
}
