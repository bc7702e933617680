//! A recording as the fit sees it: what was switched when, and the readings as means of short stretches.
//!
//! A stretch is a single reading while something has just been switched or the ball may move, and grows with the time since
//! then to a second: nothing that happens in the plant is averaged away, and a long hold stays short.

use seathold_recording::Recording;
use seathold_recording::timeline::Timeline;
use seathold_sequencer::event::Phase;
use seathold_sequencer::input::{Command, Prompt, Reading, Side, Sides};
use seathold_sequencer::output::Outputs;
use seathold_sequencer::recipe::Actuation;
use seathold_sequencer::rig::{RawRig, Transducer};

/// What was done to the plant.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Act {
    /// Outputs were set.
    Set(Outputs),
    /// The valve was turned round.
    SwapEnds,
}

/// A transducer.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Place {
    /// On the far side.
    Far,
    /// On the supply side.
    Supply,
}

/// A stretch of readings of one transducer.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Stretch {
    /// Times of the first and the last reading, µs from the beginning.
    pub from: u64,
    /// See above.
    pub to: u64,
    /// How many.
    pub count: u32,
    /// Their mean, gauge, in Pa.
    pub mean: f64,
    /// The phase they fell into.
    pub phase: Phase,
    /// Whether the valve had been turned round.
    pub second: bool,
}

impl Stretch {
    /// Its middle, in seconds from the beginning.
    pub fn at_s(&self) -> f64 {
        (self.from + self.to) as f64 * 0.5e-6
    }
}

/// Stretches of readings one by one: (s, Pa).
pub type Quiet = Vec<Vec<(f64, f64)>>;

/// A recording, ready to be fitted.
#[derive(Clone, Debug)]
pub struct RunReadings {
    /// The file.
    pub name: String,
    /// The serial of the valve in it.
    pub serial: String,
    /// What was done, in the order of time, µs from the beginning.
    pub acts: Vec<(u64, Act)>,
    /// Readings of the far side.
    pub far: Vec<Stretch>,
    /// Readings of the supply side; none where it has no transducer.
    pub supply: Vec<Stretch>,
    /// Readings one by one, (s, Pa), while hardly anything happens; for the noise.
    pub quiet: [Quiet; 2],
    /// The moments at which pressures are asked of a plant, in order.
    pub(super) asks: Vec<Ask>,
    /// Pascals a count, of both.
    pub per_count: [f64; 2],
    /// Usual time between readings, s.
    pub period_s: f64,
    /// Usual time between polls, s: a reading is that much older than its poll, at most.
    pub poll_s: f64,
    /// Whether the second side alone was tested.
    pub second_only: bool,
    /// The rig it was made on.
    pub rig: RawRig,
    /// The recipe's test pressure, gauge, Pa.
    pub target_pa: f64,
}

/// Readings are taken one by one so long after a switching, and after the ball was told to move, s.
const FINE_S: f64 = 0.6;
const FINE_BALL_S: f64 = 1.6;
/// After that a stretch is this share of the time since.
const SHARE: f64 = 0.1;
/// The longest stretch, s.
const LONGEST_S: f64 = 1.0;
/// Stretches of one channel that are fitted at most: an hour at rest has four thousand.
pub const STRETCHES_MAX: usize = 40_000;

/// Longest recording that is fitted, µs: a plant is simulated over all of it, hundreds of times.
const LASTS_MAX_US: u64 = 4 * 3_600 * 1_000_000;

impl RunReadings {
    /// Reads it.
    ///
    /// # Errors
    /// In words, without the file's name: why it cannot be fitted.
    pub fn new(name: &str, recording: &Recording) -> Result<Self, String> {
        let header = &recording.header;
        if header.recipe.actuation == Actuation::Hand {
            return Err(
                "actuation is \"hand\": when a lever was moved is not recorded, so only air-operated valves can be \
                 fitted"
                    .into(),
            );
        }
        if let Some(gap) = recording.breaks.first() {
            return Err(format!("after poll {}: {}; a fit needs all of it", gap.polls, gap.why));
        }
        if recording.damage.is_some() {
            return Err("it is damaged; a fit needs all of it".into());
        }
        let timeline = Timeline::of(recording);
        let summary = recording.summary();
        if !summary.faults.is_empty() {
            return Err("a fault ended it; a fit needs runs in which all went as it should".into());
        }
        let begin = timeline.entered(Phase::Precheck, None, 0).ok_or("no test was begun in it")?;
        let begin_at = recording.polls.first().map_or(0, |poll| poll.at.as_ticks());
        if timeline.entered(Phase::Measure, None, begin).is_none() {
            return Err("nothing was measured in it".into());
        }
        let rig = header.rig;
        rig.validate().map_err(|errors| format!("its rig: {errors}"))?;
        let mut builder = Builder::new(&rig);
        let mut acts = Vec::new();
        let (mut segment, mut outputs, mut last_at, mut second) = (0, Outputs::REST, begin_at, false);
        let mut gaps = Vec::new();
        for (number, poll) in recording.polls.iter().enumerate() {
            let ticks = poll.at.as_ticks();
            if ticks < last_at {
                return Err(format!("the clock went back at poll {number}"));
            }
            if ticks - begin_at > LASTS_MAX_US {
                return Err("it lasts longer than four hours, and a plant would be simulated for as long".into());
            }
            if ticks > last_at {
                gaps.push(ticks - last_at);
            }
            last_at = ticks;
            let at = ticks - begin_at;
            segment = timeline.segment_at(number, segment);
            let phase = timeline.segments.get(segment).map_or(Phase::Ready, |one| one.phase);
            // The reading of this poll is of the valve as it is confirmed to be mounted.
            if poll.inputs.command == Some(Command::Confirm(Prompt::SwapEnds)) && !second {
                second = true;
                acts.push((at, Act::SwapEnds));
                builder.switched(at, false);
            }
            let here = Here { at, phase, second, begun: number >= begin };
            for (place, reading) in [(Place::Far, poll.inputs.far), (Place::Supply, poll.inputs.supply)] {
                match reading {
                    Reading::Sample(sample) => builder.reading(place, &here, sample.counts)?,
                    Reading::SensorFault(_) => return Err(format!("a transducer failed at poll {number}")),
                    Reading::NoSample => {}
                }
            }
            if poll.outputs != outputs {
                builder.switched(at, poll.outputs.pilot != outputs.pilot);
                outputs = poll.outputs;
                acts.push((at, Act::Set(outputs)));
            }
        }
        gaps.sort_unstable();
        let poll_s = gaps.get(gaps.len() / 2).map_or(0.01, |gap| *gap as f64 * 1e-6);
        let Builder { far, supply, .. } = builder;
        let ([far, supply], [far_quiet, supply_quiet], period_s) = {
            let (far, far_quiet, period_s) = far.finish();
            let (supply, supply_quiet, _) = supply.finish();
            ([far, supply], [far_quiet, supply_quiet], period_s)
        };
        if far.len() < 50 {
            return Err(format!("too few readings of the far side: {}", far.len()));
        }
        let asks = asks([&far, &supply]);
        Ok(Self {
            asks,
            name: name.into(),
            serial: header.serial.clone(),
            acts,
            far,
            supply,
            quiet: [far_quiet, supply_quiet],
            per_count: [rig.far.pa_per_count, rig.supply.map_or(1.0, |supply| supply.pa_per_count)],
            period_s: period_s.unwrap_or(poll_s),
            poll_s,
            second_only: header.sides == Sides::Second,
            rig,
            target_pa: f64::from(header.recipe.target_pa),
        })
    }

    /// The stretches of both channels.
    pub fn channels(&self) -> [&[Stretch]; 2] {
        [&self.far, &self.supply]
    }

    /// How many sides were tested.
    pub fn sides(&self) -> usize {
        if self.far.iter().any(|stretch| stretch.second) { 2 } else { 1 }
    }

    /// The side a stretch fell into, as the end of the valve that was away from the supply.
    pub const fn side(&self, second: bool) -> Side {
        if second || self.second_only { Side::Second } else { Side::First }
    }
}

/// A moment at which a pressure is wanted: of which channel and stretch, with which weight.
#[derive(Clone, Copy, Debug)]
pub(super) struct Ask {
    pub(super) at: u64,
    pub(super) channel: usize,
    pub(super) stretch: usize,
    pub(super) weight: f64,
}

/// By Simpson's rule over each stretch; they are short against what happens in them.
fn asks(stretches: [&[Stretch]; 2]) -> Vec<Ask> {
    let mut asks = Vec::with_capacity(2 * (stretches[0].len() + stretches[1].len()));
    for (channel, stretches) in stretches.into_iter().enumerate() {
        for (stretch, it) in stretches.iter().enumerate() {
            let mut ask = |at, weight| asks.push(Ask { at, channel, stretch, weight });
            if it.to > it.from {
                ask(it.from, 1.0 / 6.0);
                ask((it.from + it.to) / 2, 4.0 / 6.0);
                ask(it.to, 1.0 / 6.0);
            } else {
                ask(it.from, 1.0);
            }
        }
    }
    asks.sort_by_key(|ask| ask.at);
    asks
}

/// Where a reading falls.
struct Here {
    at: u64,
    phase: Phase,
    second: bool,
    /// The first precheck has begun: before it a valve may have come with anything in it.
    begun: bool,
}

/// Whether only the plant and its outputs decide what is read here. Between two sides and after the last a person has hands on the
/// bleed and the valve, when exactly is not recorded, and what the gas then does goes on into the second side's precheck.
const fn is_fitted(here: &Here) -> bool {
    match here.phase {
        Phase::Precheck => !here.second,
        Phase::Fill | Phase::Soak | Phase::Isolate | Phase::Vent | Phase::Settle | Phase::Measure | Phase::SafeVent => {
            true
        }
        _ => false,
    }
}

/// Both channels as they are read.
struct Builder {
    far: ChannelBuilder,
    supply: ChannelBuilder,
}

impl Builder {
    fn new(rig: &RawRig) -> Self {
        Self { far: ChannelBuilder::new(rig.far), supply: ChannelBuilder::new(rig.supply.unwrap_or(Transducer::DEMO)) }
    }

    fn reading(&mut self, place: Place, here: &Here, counts: i32) -> Result<(), String> {
        if !here.begun || !is_fitted(here) {
            return Ok(());
        }
        match place {
            Place::Far => self.far.reading(here, counts),
            Place::Supply => self.supply.reading(here, counts),
        }
    }

    fn switched(&mut self, at: u64, ball: bool) {
        self.far.switched(at, ball);
        self.supply.switched(at, ball);
    }
}

/// One channel as it is read.
struct ChannelBuilder {
    transducer: Transducer,
    done: Vec<Stretch>,
    open: Option<Stretch>,
    switched: u64,
    ball: Option<u64>,
    quiet: Quiet,
    last: Option<u64>,
    gaps: Vec<u64>,
    quiet_since: u64,
    in_quiet: bool,
}

impl ChannelBuilder {
    const fn new(transducer: Transducer) -> Self {
        Self {
            transducer,
            done: Vec::new(),
            open: None,
            switched: 0,
            ball: None,
            quiet: Vec::new(),
            last: None,
            gaps: Vec::new(),
            quiet_since: 0,
            in_quiet: false,
        }
    }

    fn reading(&mut self, here: &Here, counts: i32) -> Result<(), String> {
        let pascals = (f64::from(counts) - f64::from(self.transducer.zero_counts)) * self.transducer.pa_per_count;
        if let Some(last) = self.last {
            self.gaps.push(here.at - last);
        }
        self.last = Some(here.at);
        self.quiet_reading(here, pascals);
        let since = here.at.saturating_sub(self.switched) as f64 * 1e-6;
        let moving = self.ball.is_some_and(|ball| ((here.at - ball) as f64) < FINE_BALL_S * 1e6);
        let longest = if since < FINE_S || moving { 0.0 } else { (SHARE * since).min(LONGEST_S) };
        let goes_on = self.open.filter(|open| {
            open.phase == here.phase
                && open.second == here.second
                && ((here.at - open.from) as f64) * 1e-6 <= longest
                // Both ends and the middle are asked of the plant: readings must be even.
                && here.at - open.to < 500_000
        });
        match goes_on {
            Some(mut open) => {
                open.mean += (pascals - open.mean) / f64::from(open.count + 1);
                open.count += 1;
                open.to = here.at;
                self.open = Some(open);
            }
            None => {
                self.close()?;
                let Here { at, phase, second, .. } = *here;
                self.open = Some(Stretch { from: at, to: at, count: 1, mean: pascals, phase, second });
            }
        }
        Ok(())
    }

    /// Readings for the noise: of precheck, and of a measurement from five seconds on.
    fn quiet_reading(&mut self, here: &Here, pascals: f64) {
        let quiet = match here.phase {
            Phase::Precheck => true,
            Phase::Measure => here.at.saturating_sub(self.quiet_since) > 5_000_000,
            _ => {
                self.quiet_since = here.at;
                false
            }
        };
        let reading = (here.at as f64 * 1e-6, pascals);
        match (quiet, self.in_quiet, self.quiet.last_mut()) {
            (true, true, Some(stretch)) => stretch.push(reading),
            (true, ..) => self.quiet.push(vec![reading]),
            (false, ..) => {}
        }
        self.in_quiet = quiet;
    }

    fn switched(&mut self, at: u64, ball: bool) {
        // A stretch does not go on over a switching: it is closed by the next reading, since nothing is averaged then.
        self.switched = at;
        if ball {
            self.ball = Some(at);
        }
    }

    fn close(&mut self) -> Result<(), String> {
        if self.done.len() >= STRETCHES_MAX {
            return Err(format!("it is longer than can be fitted: {STRETCHES_MAX} stretches of readings"));
        }
        self.done.extend(self.open.take());
        Ok(())
    }

    fn finish(mut self) -> (Vec<Stretch>, Quiet, Option<f64>) {
        self.done.extend(self.open.take());
        self.quiet.retain(|stretch| stretch.len() >= 12);
        self.gaps.sort_unstable();
        let period = self.gaps.get(self.gaps.len() / 2).map(|gap| *gap as f64 * 1e-6);
        (self.done, self.quiet, period.filter(|period| *period > 0.0))
    }
}
