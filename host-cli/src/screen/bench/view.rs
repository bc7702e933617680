//! What the bench screen shows: one current figure of each thing, and nothing of a side that is over.

use std::collections::VecDeque;

use seathold_quantity::limit;
use seathold_recording::Header;
use seathold_recording::plain::shown;
use seathold_sequencer::event::{Event, Phase};
use seathold_sequencer::input::{ChannelState, Reading, Side, Sides};
use seathold_sequencer::poll_loop::PollRecord;
use seathold_sequencer::recipe::RawRecipe;
use seathold_sequencer::rig::RawRig;
use seathold_sequencer::step::Status;
use seathold_sequencer::time::Instant;
use seathold_sequencer::verdict::{SideResult, Verdict};
use seathold_text::messages::UnitFormat;

use crate::rig::OperatorQuestion;

/// Points of a curve that are kept; then every second one goes.
const POINTS_MAX: usize = 4_000;

/// Lines of the log that are kept.
const LINES_MAX: usize = 8;

/// A leak with the half-width of its interval, in Pa·m³/s.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct CurrentFigure {
    pub(super) leak: f64,
    pub(super) expanded: f64,
}

/// A valve of the batch.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct ListedValve {
    /// Its serial number.
    pub serial: String,
    /// Where it stands, in a word or two.
    pub stands: &'static str,
}

/// The question that waits for the person.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Asked {
    pub(super) question: OperatorQuestion,
    /// To be scanned as the answer.
    pub(super) tag: Option<String>,
}

/// Everything that is shown.
#[derive(Debug)]
pub(super) struct BenchView {
    pub(super) units: UnitFormat,
    pub(super) serial: String,
    /// Kind, recipe, rig and adapter.
    pub(super) of: String,
    pub(super) sides_run: Sides,
    pub(super) recipe: RawRecipe,
    pub(super) rig: RawRig,
    pub(super) status: Option<Status>,
    /// Whether that is what the controller says now.
    pub(super) reached: bool,
    pub(super) at: Instant,
    pub(super) entered: (Phase, Instant),
    /// The side that the curve is of.
    pub(super) side: Option<Side>,
    /// Seconds and gauge pascals of the far side.
    pub(super) trace: Vec<(f64, f64)>,
    every: u32,
    skipped: u32,
    /// When each phase of the side began, in seconds.
    pub(super) phases: Vec<(f64, Phase)>,
    pub(super) figure: Option<CurrentFigure>,
    pub(super) sides: [Option<SideResult>; 2],
    pub(super) verdict: Option<Option<Verdict>>,
    pub(super) lines: VecDeque<String>,
    pub(super) asked: Option<Asked>,
    pub(super) typed: String,
    pub(super) list: Vec<ListedValve>,
}

impl BenchView {
    /// Before anything has happened.
    pub(super) fn new(units: UnitFormat, header: &Header) -> Self {
        let kind = match header.recipe.actuation {
            seathold_sequencer::recipe::Actuation::Air => "air-operated",
            seathold_sequencer::recipe::Actuation::Hand => "hand-operated",
        };
        Self {
            units,
            serial: shown(&header.serial).into_owned(),
            of: format!("{kind}, {}, {}", shown(&header.recipe_name), shown(&header.rig_name)),
            sides_run: header.sides,
            recipe: header.recipe,
            rig: header.rig,
            status: None,
            reached: true,
            at: Instant::from_ticks(0),
            entered: (Phase::StartUp, Instant::from_ticks(0)),
            side: None,
            trace: Vec::new(),
            every: 1,
            skipped: 0,
            phases: Vec::new(),
            figure: None,
            sides: [None; 2],
            verdict: None,
            lines: VecDeque::new(),
            asked: None,
            typed: String::new(),
            list: Vec::new(),
        }
    }

    /// A line of the log.
    pub(super) fn say(&mut self, text: &str) {
        for line in text.lines().filter(|line| self.lines.back().is_none_or(|last| last != *line)).collect::<Vec<_>>() {
            // Not through the console: what acts on the screen is made harmless here.
            self.lines.push_back(shown(line).into_owned());
        }
        while self.lines.len() > LINES_MAX {
            self.lines.pop_front();
        }
    }

    pub(super) fn see(&mut self, at: Instant, event: &Event) {
        self.forget_other_clock(at);
        match event {
            Event::Entered { phase, side } => {
                self.entered = (*phase, at);
                if side.is_some() && *side != self.side {
                    (self.side, self.figure) = (*side, None);
                    self.trace.clear();
                    self.phases.clear();
                    (self.every, self.skipped) = (1, 0);
                }
                if *phase == Phase::Measure {
                    self.figure = None;
                }
                self.phases.push((seconds(at), *phase));
            }
            Event::InterimEstimate(estimate) => {
                self.figure =
                    Some(CurrentFigure { leak: estimate.leak.pa_m3_s(), expanded: estimate.expanded.pa_m3_s() });
            }
            Event::Restarted(_) => self.figure = None,
            Event::SideFinished(result) => {
                self.figure = result.estimate.map(|estimate| CurrentFigure {
                    leak: estimate.leak.pa_m3_s(),
                    expanded: estimate.expanded.pa_m3_s(),
                });
                self.sides[usize::from(result.side == Side::Second)] = Some(*result);
            }
            Event::RunFinished { verdict, .. } => self.verdict = Some(Some(*verdict)),
            Event::Aborted | Event::Faulted(_) => self.verdict = Some(None),
            _ => {}
        }
    }

    pub(super) fn poll(&mut self, record: &PollRecord, status: &Status) {
        self.forget_other_clock(record.at);
        (self.status, self.at) = (Some(*status), record.at);
        let Reading::Sample(sample) = record.inputs.far else { return };
        self.skipped += 1;
        if self.side.is_none() || self.skipped < self.every {
            return;
        }
        self.skipped = 0;
        let pa = f64::from(self.rig.far.pressure(sample.counts).pascals());
        self.trace.push((seconds(record.at), pa));
        if self.trace.len() >= POINTS_MAX {
            let mut odd = false;
            self.trace.retain(|_| {
                odd = !odd;
                odd
            });
            self.every *= 2;
        }
    }

    /// A clock that goes back is that of a controller that was reset: what was drawn until then is not of this moment.
    fn forget_other_clock(&mut self, at: Instant) {
        if at < self.at {
            (self.at, self.side, self.figure) = (at, None, None);
            self.trace.clear();
            self.phases.clear();
        }
    }

    /// Whether the far side reads so little that the recipe takes it for vented; none where it is not read.
    pub(super) fn reads_vented(&self) -> Option<bool> {
        match self.status?.far {
            ChannelState::Pressure(pressure) => Some(pressure.pascals() <= self.recipe.vent_below_pa as i32),
            ChannelState::Unknown | ChannelState::SensorFault => None,
        }
    }

    /// Where the window that is measured began: its time and pressure.
    pub(super) fn window(&self) -> Option<(f64, f64)> {
        let (began, _) = *self.phases.last().filter(|(_, phase)| *phase == Phase::Measure)?;
        self.trace.iter().find(|(at, _)| *at >= began).copied()
    }

    /// How fast the pressure falls at the limit, in Pa/s.
    pub(super) fn slope_at_limit(&self) -> f64 {
        limit::slope_at_limit(&self.recipe, &self.rig)
    }
}

pub(super) fn seconds(at: Instant) -> f64 {
    at.as_ticks() as f64 / 1e6
}
