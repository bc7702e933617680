//! A recording's far-side pressure as a text chart, with the phases underneath.

use ratatui::buffer::Buffer;
use ratatui::layout::Rect;
use ratatui::style::Color;
use ratatui::symbols::Marker;
use ratatui::widgets::Widget;
use ratatui::widgets::canvas::{Canvas, Line};
use seathold_document::chart::Envelope;
use seathold_recording::Recording;
use seathold_sequencer::event::{Event, Phase};
use seathold_sequencer::input::Reading;
use seathold_text::messages::{UnitFormat, phase_name};

/// Columns and rows of the chart itself.
const COLUMNS: u16 = 66;
const ROWS: u16 = 12;
/// Dots a column has in Braille.
const DOTS: usize = 2;
/// Columns in front, for the pressure scale.
const MARGIN: usize = 11;

/// The chart. Empty when there is nothing to draw.
pub fn plot(recording: &Recording, units: &UnitFormat) -> String {
    // Gone through twice: a long recording has more readings than there is reason to hold.
    let Some(first) = trace(recording).next() else { return String::new() };
    let (last, low, high) = trace(recording)
        .fold((first.0, 0.0_f64, 1.0_f64), |(_, low, high), (seconds, p)| (seconds, low.min(p), high.max(p)));
    let (start, end) = (first.0, last.max(first.0 + 1e-3));
    let bounds = [low, high + (high - low) * 0.02];
    let area = Rect::new(0, 0, COLUMNS, ROWS);
    let mut buffer = Buffer::empty(area);
    let mut envelope = Envelope::new(start, end, usize::from(COLUMNS) * DOTS);
    trace(recording).for_each(|point| envelope.push(point));
    let envelope = envelope.finish();
    Canvas::default()
        .marker(Marker::Braille)
        .x_bounds([start, end])
        .y_bounds(bounds)
        .paint(|context| {
            for pair in envelope.windows(2) {
                let [(x1, y1), (x2, y2)] = [pair[0], pair[1]];
                context.draw(&Line { x1, y1, x2, y2, color: Color::Reset });
            }
        })
        .render(area, &mut buffer);

    let mut out = String::new();
    for row in 0..ROWS {
        let label = match row {
            0 => units.pressure(high as i32),
            r if r + 1 == ROWS => units.pressure(if low.abs() < high / 500.0 { 0 } else { low as i32 }),
            _ => String::new(),
        };
        let cells: String = (0..COLUMNS).map(|column| buffer[(column, row)].symbol()).collect();
        let cells: String = cells.chars().map(|c| if c == '\u{2800}' { ' ' } else { c }).collect();
        out.push_str(format!("{label:>MARGIN$} │{cells}").trim_end());
        out.push('\n');
    }
    out.push_str(&format!("{:>MARGIN$} └{}\n", "", phases(recording, start, end)));
    let seconds = format!("{:.0} s", end - start);
    let gap = usize::from(COLUMNS) - 3;
    out.push_str(&format!("{:>MARGIN$}  0 s{seconds:>gap$}\n", ""));
    out
}

/// Time in seconds and gauge pressure in pascals of every far-side reading.
fn trace(recording: &Recording) -> impl Iterator<Item = (f64, f64)> {
    let transducer = recording.header.rig.far;
    let origin = recording.polls.first().map_or(0, |p| p.at.as_ticks());
    recording.polls.iter().take(recording.on_first_clock()).filter_map(move |poll| match poll.inputs.far {
        Reading::Sample(sample) => {
            let seconds = poll.at.as_ticks().saturating_sub(origin) as f64 / 1e6;
            Some((seconds, f64::from(transducer.pressure(sample.counts).pascals())))
        }
        Reading::NoSample | Reading::SensorFault(_) => None,
    })
}

/// The phases as a strip under the picture.
fn phases(recording: &Recording, start: f64, end: f64) -> String {
    let origin = recording.polls.first().map_or(0, |p| p.at.as_ticks());
    let drawn = recording.on_first_clock();
    let entered: Vec<(f64, Phase)> = recording
        .numbered_events()
        .take_while(|(number, ..)| *number < drawn)
        .filter_map(|(_, at, event)| match event {
            Event::Entered { phase, .. } => Some((at.as_ticks().saturating_sub(origin) as f64 / 1e6, phase)),
            _ => None,
        })
        .collect();
    phase_strip(&entered, (start, end), usize::from(COLUMNS))
}

/// Phases by the second they were entered in: names where they fit, a mark where each begins.
pub(crate) fn phase_strip(entered: &[(f64, Phase)], (start, end): (f64, f64), columns: usize) -> String {
    let column = |t: f64| (((t - start) / (end - start) * columns as f64) as usize).min(columns);
    let mut strip = vec!['─'; columns];
    for (i, (at, phase)) in entered.iter().enumerate() {
        let (from, to) = (column(*at), entered.get(i + 1).map_or(columns, |(next, _)| column(*next)));
        if let Some(mark) = strip.get_mut(from) {
            *mark = '┴';
        }
        let name = phase_name(*phase);
        if to.saturating_sub(from) > name.chars().count() {
            for (cell, c) in strip[from + 1..].iter_mut().zip(name.chars()) {
                *cell = if c == ' ' { '─' } else { c };
            }
        }
    }
    strip.into_iter().collect()
}
