//! Charts of a side's readings.

use std::ops::RangeInclusive;

use seathold_document::Block;
use seathold_document::chart::{Chart, Envelope, Picture, Scale, Series, Shade};
use seathold_recording::Recording;
use seathold_sequencer::event::{Event, Phase};
use seathold_sequencer::input::{Reading, Side};
use seathold_text::messages::{phase_name, side_name, supply_end};

use super::Evidence;

/// Points kept of a line: enough for the widest picture.
const COLUMNS: usize = 700;

/// Most readings of a window that are held: those of a quarter of an hour at 100 a second. Of a longer one every
/// second, third and so on.
const WINDOW_MAX: usize = 100_000;

/// Most charts of a run. A run has two sides; one that has more of them was not made by a rig.
const TRACES_MAX: usize = 8;

/// What a side's charts are drawn from.
#[derive(Clone, Debug)]
pub struct SideTrace {
    /// The side.
    pub side: Side,
    /// Phases with their beginning and end, in seconds since the side began.
    pub phases: Vec<(Phase, f64, f64)>,
    /// Far-side gauge pressure in pascals against seconds since the side began.
    pub far: Vec<(f64, f64)>,
    /// The same of the supply side, where it has a transducer.
    pub supply: Vec<(f64, f64)>,
    /// The window that was judged, in seconds since the side began.
    pub window: Option<RangeInclusive<f64>>,
    /// The readings of the far side in it.
    pub measured: Vec<(f64, f64)>,
}

/// Takes a recording apart into sides. Events come with seconds since the first poll.
pub(super) fn trace(recording: &Recording, events: &[(f64, Event)]) -> Vec<SideTrace> {
    let origin = recording.polls.first().map_or(0, |p| p.at.as_ticks());
    let end = recording.length().as_ticks() as f64 / 1e6;
    let entered: Vec<(f64, Phase, Option<Side>)> = events
        .iter()
        .filter_map(|(at, event)| match event {
            Event::Entered { phase, side } => Some((*at, *phase, *side)),
            _ => None,
        })
        .collect();
    let mut traces: Vec<SideTrace> = Vec::new();
    for (i, (from, phase, side)) in entered.iter().enumerate() {
        let Some(side) = *side else { continue };
        // Nothing is measured while ends are swapped, and it can take long.
        if *phase == Phase::Swap {
            continue;
        }
        let to = entered.get(i + 1).map_or(end, |next| next.0);
        if traces.last().is_none_or(|last| last.side != side) {
            if traces.len() == TRACES_MAX {
                break;
            }
            let empty = (Vec::new(), Vec::new(), Vec::new());
            traces.push(SideTrace {
                side,
                phases: Vec::new(),
                far: empty.0,
                supply: empty.1,
                measured: empty.2,
                window: None,
            });
        }
        if let Some(last) = traces.last_mut() {
            last.phases.push((*phase, *from, to));
        }
    }
    for trace in &mut traces {
        let (Some(first), Some(last)) = (trace.phases.first(), trace.phases.last()) else { continue };
        let (from, to) = (first.1, last.2);
        let rig = &recording.header.rig;
        let inside = || {
            let polls = recording.polls.iter().take(recording.on_first_clock());
            polls
                .map(|poll| (poll.at.as_ticks().saturating_sub(origin) as f64 / 1e6, poll))
                .filter(move |(at, _)| *at >= from && *at <= to)
        };
        let far = || {
            inside().filter_map(|(at, poll)| match poll.inputs.far {
                Reading::Sample(s) => Some((at - from, f64::from(rig.far.pressure(s.counts).pascals()))),
                Reading::NoSample | Reading::SensorFault(_) => None,
            })
        };
        let supply = inside().filter_map(|(at, poll)| match (poll.inputs.supply, &rig.supply) {
            (Reading::Sample(s), Some(transducer)) => {
                Some((at - from, f64::from(transducer.pressure(s.counts).pascals())))
            }
            _ => None,
        });
        for phase in &mut trace.phases {
            phase.1 -= from;
            phase.2 -= from;
        }
        let ends = |wanted: &[Phase]| {
            let mut of = trace.phases.iter().filter(|(phase, ..)| wanted.contains(phase));
            let first = of.next()?;
            Some((first.1, of.next_back().unwrap_or(first).2))
        };
        let judged = events.iter().find_map(|(at, event)| match event {
            Event::SideFinished(result) if result.side == trace.side && *at >= from => result.estimate,
            _ => None,
        });
        if let (Some((_, over)), Some(estimate)) = (ends(&[Phase::Measure]), judged) {
            let from = over - f64::from(estimate.window_ms) / 1e3;
            let window = from..=over;
            let measured = || far().filter(|(t, _)| window.contains(t));
            trace.measured = measured().step_by(measured().count().div_ceil(WINDOW_MAX).max(1)).collect();
            trace.window = Some(window);
        }
        trace.far = thinned(far(), to - from);
        trace.supply = thinned(supply, to - from);
    }
    traces
}

/// A line with as many points as a picture shows.
fn thinned(points: impl Iterator<Item = (f64, f64)>, end: f64) -> Vec<(f64, f64)> {
    let mut envelope = Envelope::new(0.0, end, COLUMNS);
    points.for_each(|point| envelope.push(point));
    envelope.finish()
}

/// Both charts of a side below each other: the complete side, and the judged window close up, where there is one.
pub(super) fn figures(run: &Evidence, trace: &SideTrace) -> Vec<Block> {
    let size = (680.0, 250.0);
    let pictures = std::iter::once(whole(run, trace, size)).chain(judged(run, trace, size));
    pictures.map(|(picture, caption)| Block::Figure(picture, caption)).collect()
}

/// The same beside each other.
pub(super) fn pair(run: &Evidence, trace: &SideTrace) -> Block {
    let size = (335.0, 190.0);
    if let Some(judged) = judged(run, trace, size) {
        return Block::Pair(Box::new([whole(run, trace, size), judged]));
    }
    let (picture, caption) = whole(run, trace, (680.0, 180.0));
    Block::Figure(picture, caption)
}

fn whole(run: &Evidence, trace: &SideTrace, size: (f64, f64)) -> (Picture, String) {
    let units = run.units();
    let serial = &run.header.serial;
    let name = side_name(trace.side);
    let end = trace.phases.last().map_or(1.0, |p| p.2);
    let phases: Vec<String> =
        trace.phases.iter().map(|(phase, from, to)| format!("{} {:.1} s", phase_name(*phase), to - from)).collect();
    let top = trace.far.iter().map(|p| p.1).fold(0.0, f64::max);
    let about = format!(
        "Far-side pressure of {serial} on its {name} against time, with the phases of the test: {}. Greatest pressure \
         {}.",
        phases.join(", "),
        units.pressure(top as i32),
    );
    let scaled = |points: &[(f64, f64)]| -> Vec<(f64, f64)> {
        points.iter().map(|(t, p)| (*t, units.pressure_number(*p))).collect()
    };
    let (far, supply) = (scaled(&trace.far), scaled(&trace.supply));
    let mut chart = Chart::new(format!("Pressure, {name}"), about);
    chart.size(size.0, size.1);
    let ys = far.iter().chain(&supply).map(|p| p.1).chain([0.0]);
    chart.x(Scale::new("time since the side began (s)", 0.0, end));
    chart.y(Scale::fit(format!("gauge pressure ({})", units.pressure_unit()), ys));
    for (i, (phase, from, to)) in trace.phases.iter().enumerate() {
        let shade = match phase {
            Phase::Measure => Shade::Dark,
            _ if i % 2 == 0 => Shade::Light,
            _ => Shade::None,
        };
        chart.band_x(*from, *to, phase_name(*phase), shade);
    }
    if !supply.is_empty() {
        chart.line(&supply, Series(2), "supply side");
    }
    chart.line(&far, Series(0), "far side");
    (chart.picture(), format!("{serial}, {name} (end {} on supply): the whole test.", supply_end(trace.side)))
}

/// The judged window close up: readings, their means, and the measured slope beside the slope at the limit. There is
/// none where nothing was fitted.
fn judged(run: &Evidence, trace: &SideTrace, size: (f64, f64)) -> Option<(Picture, String)> {
    let serial = &run.header.serial;
    let name = side_name(trace.side);
    let (from, to) = trace.window.clone()?.into_inner();
    let estimate = run.side(trace.side)?.estimate?;
    let means = means(&trace.measured, from, to);
    let origin = means.first()?.1;
    let change = |points: &[(f64, f64)]| -> Vec<(f64, f64)> { points.iter().map(|(t, p)| (*t, p - origin)).collect() };
    let (readings, means) = (change(&trace.measured), change(&means));
    let (found, allowed) = (
        estimate.slope.pascals_per_second(),
        seathold_quantity::limit::slope_at_limit(&run.header.recipe, &run.header.rig),
    );
    // A fitted line goes through the mean of the readings; that of the limit begins where it does.
    let middle = readings.iter().map(|p| p.1).sum::<f64>() / readings.len().max(1) as f64;
    let begin = middle - found * (to - from) / 2.0;
    let line = |slope: f64| [(from, begin), (to, begin + slope * (to - from))];
    let about = format!(
        "Change of the trapped pressure of {serial} on its {name} over the judged window of {:.1} s. It changed by \
         {found:.3} Pa/s; a leak at the limit would change it by {allowed:.3} Pa/s.",
        to - from
    );
    let mut chart = Chart::new(format!("Trapped pressure, {name}"), about);
    chart.size(size.0, size.1);
    let lines = [(line(found), Series(1), "measured slope"), (line(allowed), Series(2), "slope at the limit")];
    let ys = readings.iter().chain(lines.iter().flat_map(|(points, ..)| points)).map(|p| p.1);
    chart.y(Scale::fit("change of pressure (Pa)", ys).ticks_about(5));
    chart.x(Scale::new("time since the side began (s)", from, to));
    chart.faint(&readings, "readings").points(&means, Series(0), "their means");
    for (points, series, label) in &lines {
        chart.line(points, *series, label);
    }
    let caption = format!(
        "{serial}, {name}: the judged window. Measured slope: {found:.2} Pa/s; at the limit it would be {allowed:.2} \
         Pa/s."
    );
    Some((chart.picture(), caption.replace(" -", " −")))
}

/// Means over twenty sections of the window.
fn means(readings: &[(f64, f64)], from: f64, to: f64) -> Vec<(f64, f64)> {
    let section = |t: f64| ((t - from) / (to - from) * 20.0).clamp(0.0, 19.0) as usize;
    let mean = |of: &[(f64, f64)]| {
        let n = of.len() as f64;
        (of.iter().map(|p| p.0).sum::<f64>() / n, of.iter().map(|p| p.1).sum::<f64>() / n)
    };
    readings.chunk_by(|a, b| section(a.0) == section(b.0)).map(mean).collect()
}
