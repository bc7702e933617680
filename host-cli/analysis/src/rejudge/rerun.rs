//! A recording's readings through the sequencer with another recipe.
//!
//! From the moment the valve is shut until it is opened into the vent, the outputs are the same whatever the phase, so
//! the readings are those of any recipe. A recipe that decides sooner than the recorded one continues at the recorded
//! venting: the polls in between are left out, and clock and sample numbers continue without a gap. So are most of
//! those while ends are swapped. A recipe that measures longer cannot be judged; nor one that would have filled in
//! another way.

use seathold_recording::timeline::Timeline;
use seathold_recording::{Poll, PollCursor, Recording};
use seathold_sequencer::event::{Event, Phase};
use seathold_sequencer::input::{Command, Inputs, Reading, Sample, Side, Sides};
use seathold_sequencer::measure::LeakEstimate;
use seathold_sequencer::recipe::{FIELDS, RawRecipe, Recipe};
use seathold_sequencer::rig::Rig;
use seathold_sequencer::step::Sequencer;
use seathold_sequencer::time::Instant;
use seathold_sequencer::verdict::SideResult;

/// Why a side cannot be judged from what was recorded.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Unjudged {
    /// The recipe would have measured longer than was recorded.
    Longer {
        /// How long the trapped pressure was recorded after the valve was shut and the supply side vented, ms.
        recorded_ms: u64,
    },
    /// The recipe would have done something else before the valve was shut, or after it was opened.
    Otherwise {
        /// Its phase where the recording has another.
        now: Phase,
        /// The recorded phase.
        recorded: Phase,
        /// Fields of the recipe that differ and may be the cause.
        fields: Vec<&'static str>,
    },
    /// The recording ends, or breaks, before the side does.
    Ends,
    /// The recording has no run in it.
    NoRun,
    /// The recipe does not fit the rig in the recording, or is wrong as a whole.
    Invalid(String),
}

impl std::fmt::Display for Unjudged {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Self::Longer { recorded_ms } => {
                let seconds = *recorded_ms as f64 / 1e3;
                write!(f, "it would have measured longer than the {seconds:.1} s that were recorded")
            }
            Self::Otherwise { now, recorded, fields } => {
                let (now, recorded) =
                    (seathold_text::messages::phase_name(*now), seathold_text::messages::phase_name(*recorded));
                write!(f, "it would have been in {now} where the recorded run was in {recorded}")?;
                if fields.is_empty() { Ok(()) } else { write!(f, " (other: {})", fields.join(", ")) }
            }
            Self::Ends => write!(f, "the recording ends before the side does"),
            Self::NoRun => write!(f, "there is no run in the recording"),
            Self::Invalid(why) => write!(f, "the recipe does not fit: {why}"),
        }
    }
}

/// A look at the growing window.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct InterimLook {
    /// Time since the supply side was vented, ms: settling and measuring so far.
    pub after_ms: u32,
    /// The estimate.
    pub estimate: LeakEstimate,
}

/// The sequencer's result of a side with another recipe.
#[derive(Clone, Debug, PartialEq)]
pub struct RerunSide {
    /// The side.
    pub side: Side,
    /// The looks before the last, in order.
    pub looks: Vec<InterimLook>,
    /// When the side was over, as [`InterimLook::after_ms`].
    pub ended_ms: u32,
    /// The result, or why there is none.
    pub result: Result<SideResult, Unjudged>,
}

/// The sequencer's result of a run with another recipe.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Rerun {
    /// Each side that the recorded run began, in order.
    pub sides: Vec<RerunSide>,
    /// Polls that went through the sequencer.
    pub polls: u64,
}

impl Rerun {
    /// Events of a side.
    pub fn side(&self, side: Side) -> Option<&RerunSide> {
        self.sides.iter().find(|finished| finished.side == side)
    }
}

/// Runs a recording through the sequencer with another recipe. Each side is independent: one that cannot be judged does
/// not prevent the other.
pub fn rerun(recording: &Recording, timeline: &Timeline, rig: Rig, recipe: Recipe) -> Rerun {
    let mut rerun = Rerun::default();
    let Some((_, asked)) = timeline.start else { return rerun };
    let began = |side: &Side| timeline.entered(Phase::Precheck, Some(*side), 0).is_some();
    let wanted: Vec<Side> = [Side::First, Side::Second].into_iter().filter(began).collect();
    let mut from = 0;
    while let Some(first) = wanted.get(from) {
        let sides = match (asked, first) {
            (Sides::Both, Side::Second) => Sides::Second,
            (asked, _) => asked,
        };
        let mut run = RerunState::new(recording, timeline, rig, recipe, sides);
        run.go();
        rerun.polls += run.polls;
        let finished = run.finished;
        let done = finished.len().max(1);
        rerun.sides.extend(finished);
        from += done;
    }
    rerun
}

/// How far the beginning of soaking may move, µs: two moments at which the rate is taken.
const SLACK: u64 = 200_000;

/// Polls kept at either end of the wait for swapped ends: two seconds at 100 a second, many times longer than the
/// sequencer's memory of readings at rest.
const WAITED: usize = 200;

/// Whether the trapped pressure is only observed: outputs are the same in all of these.
const fn is_measuring(phase: Phase) -> bool {
    matches!(phase, Phase::Vent | Phase::Settle | Phase::Measure)
}

/// Readings with a clock and sample numbers that continue over what is left out.
#[derive(Debug, Default)]
struct Splice {
    /// Subtracted from the recorded clock, µs; wraps, as polls may also come again.
    ticks: u64,
    /// Subtracted from the numbers of far side, supply and thermometer.
    numbers: [u32; 3],
    last: [Option<u32>; 3],
    /// A channel that has not been read since the last cut.
    cut: [bool; 3],
}

impl Splice {
    /// Poll `taken` follows on `left`, whatever was recorded between them.
    fn join(&mut self, polls: &mut PollCursor<'_>, left: usize, taken: usize) {
        let mut at = |number: usize| polls.get(number).map_or(0, |poll| poll.at.as_ticks());
        let period = at(taken).saturating_sub(at(taken.saturating_sub(1)));
        let between = at(taken).wrapping_sub(at(left)).wrapping_sub(period);
        self.ticks = self.ticks.wrapping_add(between);
        self.cut = [true; 3];
    }

    fn feed(&mut self, poll: &Poll) -> (Instant, Inputs) {
        let mut inputs = poll.inputs;
        for (channel, reading) in [&mut inputs.far, &mut inputs.supply, &mut inputs.thermometer].into_iter().enumerate()
        {
            if let Reading::Sample(sample) = reading {
                *sample = self.renumber(channel, *sample);
            }
        }
        (Instant::from_ticks(poll.at.as_ticks().wrapping_sub(self.ticks)), inputs)
    }

    fn renumber(&mut self, channel: usize, sample: Sample) -> Sample {
        if let (true, Some(last)) = (self.cut[channel], self.last[channel]) {
            self.numbers[channel] = sample.number.wrapping_sub(last.wrapping_add(1));
        }
        self.cut[channel] = false;
        let number = sample.number.wrapping_sub(self.numbers[channel]);
        self.last[channel] = Some(number);
        Sample { number, ..sample }
    }
}

struct RerunState<'a> {
    recording: &'a Recording,
    /// For looking at polls beside the ones gone through.
    aside: PollCursor<'a>,
    timeline: &'a Timeline,
    sequencer: Sequencer,
    sides: Sides,
    recipe: Recipe,
    splice: Splice,
    polls: u64,
    side: Option<Side>,
    looks: Vec<InterimLook>,
    finished: Vec<RerunSide>,
    /// When settling began, and when the side was over, on the spliced clock, µs.
    settled: u64,
    over: Option<u64>,
    /// Poll at which the recorded run began to soak, while this one still fills.
    soak_lag: Option<usize>,
}

impl<'a> RerunState<'a> {
    fn new(recording: &'a Recording, timeline: &'a Timeline, rig: Rig, recipe: Recipe, sides: Sides) -> Self {
        Self {
            recording,
            aside: recording.polls.cursor(),
            timeline,
            sequencer: Sequencer::new(rig, Some(recipe)),
            sides,
            recipe,
            splice: Splice::default(),
            polls: 0,
            side: None,
            looks: Vec::new(),
            finished: Vec::new(),
            settled: 0,
            over: None,
            soak_lag: None,
        }
    }

    fn go(&mut self) {
        let (mut polls, timeline) = (self.recording.polls.cursor(), self.timeline);
        let Some((start, asked)) = timeline.start else { return };
        let first = if self.sides == Sides::Second { Side::Second } else { Side::First };
        let last = if self.sides == Sides::Both && timeline.entered(Phase::Precheck, Some(Side::Second), 0).is_some() {
            Side::Second
        } else {
            first
        };
        // The valve is opened into the vent first where that had not been done; then a side begins.
        let begun = timeline.entered(Phase::Precheck, None, start).unwrap_or(start);
        let (mut number, mut segment) = (0, 0);
        // Up to this poll both runs stay where they are, unless something happens in this one.
        let mut steady = 0;
        let mut events = Default::default();
        while number < timeline.whole
            && let Some(poll) = polls.get(number)
        {
            let (now, mut inputs) = self.splice.feed(poll);
            if number == start {
                inputs.command = Some(Command::Start(self.sides));
            }
            // There is no rig: no output is set.
            let _ = self.sequencer.step_into(now, &inputs, &mut events);
            self.polls += 1;
            if events.is_empty() && number < steady {
                number += 1;
                continue;
            }
            for event in &events {
                self.handle_event(event, now);
            }
            if self.finished.last().is_some_and(|finished| finished.side == last) {
                return;
            }
            segment = timeline.segment_at(number, segment);
            let (is, was) = (self.sequencer.phase(), timeline.segments.get(segment).map(|segment| segment.phase));
            let alike = was.is_some_and(|was| was == is || (is_measuring(was) && is_measuring(is)));
            let left = timeline.segments.get(segment + 1).map_or(timeline.whole, |segment| segment.from);
            steady = if alike && is != Phase::Swap { left.saturating_sub(1) } else { 0 };
            let next = if number == begun && asked != self.sides && first == Side::Second {
                // On to the other side of a run of both: as if it had begun with it.
                timeline.entered(Phase::Precheck, Some(Side::Second), number).map(|entered| entered + 1)
            } else {
                match was {
                    Some(Phase::Swap) if is == Phase::Swap => Some(self.past_waiting(segment, number)),
                    Some(_) if alike => Some(number + 1),
                    // The rate of rise is taken every tenth of a second, and what was left out before moves those
                    // moments: soaking begins a moment sooner or later, but lasts as recorded.
                    Some(Phase::Soak)
                        if is == Phase::Fill
                            && self
                                .between(timeline.segments.get(segment).map_or(0, |segment| segment.from), number)
                                < SLACK =>
                    {
                        Some(number + 1)
                    }
                    Some(Phase::Fill) if is == Phase::Soak => timeline
                        .entered(Phase::Soak, None, number)
                        .filter(|entered| self.between(number, *entered) < SLACK)
                        .map(|entered| entered + 1),
                    Some(was) if is_measuring(was) && is == Phase::SafeVent => {
                        timeline.entered(Phase::SafeVent, None, number).map(|entered| entered + 1)
                    }
                    Some(was) if is_measuring(is) && was == Phase::SafeVent => {
                        return self.give_up(first, Unjudged::Longer { recorded_ms: self.watched_ms(segment) });
                    }
                    Some(was) => return self.give_up(first, self.otherwise(is, was)),
                    None => Some(number + 1),
                }
            };
            let soak_lag = self.soak_lag.take();
            let next = match (soak_lag, is, was) {
                (Some(entered), Phase::Soak, Some(Phase::Soak)) => Some(entered + 1),
                (soak_lag, Phase::Fill, Some(Phase::Soak)) => {
                    self.soak_lag = soak_lag.or_else(|| timeline.segments.get(segment).map(|segment| segment.from));
                    next
                }
                _ => next,
            };
            let Some(next) = next else { break };
            if next != number + 1 {
                self.splice.join(&mut self.aside, number, next);
            }
            number = next;
        }
        self.give_up(first, Unjudged::Ends);
    }

    /// The poll after this one while ends are swapped. Nothing is moved and nothing measured, however long it takes, so
    /// all but the ends of the wait are left out, up to the first poll at which anything happened.
    fn past_waiting(&self, segment: usize, number: usize) -> usize {
        let (segments, polls) = (&self.timeline.segments, &self.recording.polls);
        let next = number + 1;
        if segments.get(segment).is_none_or(|segment| number != segment.from + WAITED) {
            return next;
        }
        let end = segments.get(segment + 1).map_or(self.timeline.whole, |segment| segment.from);
        let commanded = polls.range(next..end).position(|poll| poll.inputs.command.is_some());
        let commanded = commanded.map_or(end, |polls| next + polls);
        let happens = self.recording.event_log.next_poll(next).unwrap_or(end);
        commanded.min(happens).saturating_sub(WAITED).max(next)
    }

    fn since_settling(&self, ticks: u64) -> u32 {
        u32::try_from(ticks.saturating_sub(self.settled) / 1_000).unwrap_or(u32::MAX)
    }

    /// Time between two polls, µs.
    fn between(&mut self, earlier: usize, later: usize) -> u64 {
        let mut at = |number: usize| self.aside.get(number).map_or(0, |poll| poll.at.as_ticks());
        at(later).saturating_sub(at(earlier))
    }

    fn handle_event(&mut self, event: &Event, now: Instant) {
        match event {
            Event::Entered { phase: Phase::Settle, side } => {
                self.side = side.or(self.side);
                self.settled = now.as_ticks();
                self.over = None;
            }
            Event::Entered { phase: Phase::SafeVent, .. } => {
                self.over.get_or_insert(now.as_ticks());
            }
            Event::Entered { side: Some(side), .. } => self.side = Some(*side),
            Event::InterimEstimate(estimate) => {
                let after_ms = self.since_settling(now.as_ticks());
                self.looks.push(InterimLook { after_ms, estimate: *estimate });
            }
            Event::SideFinished(result) => {
                let looks = std::mem::take(&mut self.looks);
                let ended_ms = self.since_settling(self.over.unwrap_or(now.as_ticks()));
                self.finished.push(RerunSide { side: result.side, looks, ended_ms, result: Ok(*result) });
            }
            _ => {}
        }
    }

    /// The current side, or the one that never began, has no result.
    fn give_up(&mut self, first: Side, why: Unjudged) {
        let side = self.side.unwrap_or(first);
        if self.finished.iter().any(|finished| finished.side == side) {
            // Between the sides: what follows is tried by itself.
            return;
        }
        let looks = std::mem::take(&mut self.looks);
        let ended_ms = looks.last().map_or(0, |look| look.after_ms);
        self.finished.push(RerunSide { side, looks, ended_ms, result: Err(why) });
    }

    /// From the first measuring phase before this segment to the segment, ms.
    fn watched_ms(&self, segment: usize) -> u64 {
        let segments = self.timeline.segments.get(..=segment).unwrap_or_default();
        let back = segments
            .iter()
            .rev()
            .skip(1)
            .take_while(|segment| matches!(segment.phase, Phase::Settle | Phase::Measure))
            .count();
        let at = |place: usize| {
            let poll = segments.get(place).and_then(|segment| self.recording.polls.get(segment.from));
            poll.map_or(0, |poll| poll.at.as_ticks())
        };
        at(segment).saturating_sub(at(segment - back.min(segment))) / 1_000
    }

    fn otherwise(&self, now: Phase, recorded: Phase) -> Unjudged {
        Unjudged::Otherwise { now, recorded, fields: differing(&self.recording.header.recipe, self.recipe.raw()) }
    }
}

/// Fields in which two recipes differ, by name.
pub(crate) fn differing(one: &RawRecipe, other: &RawRecipe) -> Vec<&'static str> {
    let numbers = FIELDS.iter().filter(|field| (field.get)(one) != (field.get)(other)).map(|field| field.name);
    let choices = [("actuation", one.actuation != other.actuation), ("model", one.model != other.model)];
    let choices = choices.into_iter().filter(|(_, differs)| *differs).map(|(name, _)| name);
    numbers.chain(choices).collect()
}
