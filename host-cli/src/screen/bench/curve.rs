//! The far side's pressure: of the whole side, and while it is measured of the window, with the limit's fall as a wedge.

use ratatui::buffer::Buffer;
use ratatui::layout::Rect;
use ratatui::style::Color;
use ratatui::symbols::Marker;
use ratatui::widgets::Widget;
use ratatui::widgets::canvas::{Canvas, Line};

use super::view::{BenchView, seconds};
use crate::plot::phase_strip;

/// Columns in front, for the scale.
const MARGIN: u16 = 12;

/// Shares of the wedge's width at which a line of it is drawn.
const HATCHES: u32 = 24;

pub(super) fn draw(view: &BenchView, area: Rect, buffer: &mut Buffer) {
    let Some(last) = view.trace.last() else { return };
    if area.height < 3 || area.width <= MARGIN + 8 {
        return;
    }
    let chart = Rect { x: area.x + MARGIN, width: area.width - MARGIN - 1, height: area.height - 1, ..area };
    let window = view.window();
    let (from, points) = match window {
        Some((began, _)) => (began, view.trace.partition_point(|(at, _)| *at < began)),
        None => (view.trace[0].0, 0),
    };
    let points = &view.trace[points..];
    let deadline = view.status.and_then(|status| status.deadline).map_or(last.0, seconds);
    // While it is measured as far as the window may last, and at first a tenth of it, so that something is seen to move.
    let to = match window {
        Some(_) => last.0.max(from + 0.1 * (deadline - from)),
        None => last.0,
    }
    .max(from + 1.0);
    let fold = |start, pick: fn(f64, f64) -> f64| points.iter().fold(start, |so_far, (_, pa)| pick(so_far, *pa));
    let (low, high) = match window {
        Some((_, began_at)) => {
            let limit_end = began_at + view.slope_at_limit() * (to - from);
            let (low, high) = (fold(limit_end, f64::min), fold(began_at, f64::max));
            (low - 0.1 * (high - low), high + 0.1 * (high - low))
        }
        None => (fold(0.0, f64::min), fold(f64::from(view.recipe.target_pa), f64::max) * 1.05),
    };
    // In the window noise would hide the fall: a point is the mean of a column's readings.
    let smoothed = match window {
        Some(_) => column_means(points, (from, to), usize::from(chart.width)),
        None => points.to_vec(),
    };
    Canvas::default()
        .marker(Marker::Braille)
        .x_bounds([from, to])
        .y_bounds([low, high])
        .paint(|context| {
            if let Some((_, began_at)) = window {
                let end = began_at + view.slope_at_limit() * (to - from);
                context.draw(&Line { x1: from, y1: began_at, x2: to, y2: end, color: Color::Reset });
                // Below the line is a fall that is too fast.
                for hatch in 1..=HATCHES {
                    let x = from + (to - from) * f64::from(hatch) / f64::from(HATCHES);
                    let y = began_at + view.slope_at_limit() * (x - from);
                    context.draw(&Line { x1: x, y1: y - 0.04 * (high - low), x2: x, y2: y, color: Color::Reset });
                }
            }
            for pair in smoothed.windows(2) {
                let [(x1, y1), (x2, y2)] = [pair[0], pair[1]];
                context.draw(&Line { x1, y1, x2, y2, color: Color::Reset });
            }
        })
        .render(chart, buffer);
    let label = |pa: f64| format!("{:>10} │", view.units.pressure(pa.round() as i32));
    // Falls of some hundred pascals are no matter of a bar's third decimal.
    let fall = |pa: f64| match window {
        Some((_, began_at)) => format!("{:>7.0} Pa │", pa - began_at),
        None => label(pa),
    };
    let style = ratatui::style::Style::new();
    for row in 0..chart.height {
        let text = match row {
            0 => label(high),
            r if r + 1 == chart.height => fall(low),
            _ => format!("{:>10} │", ""),
        };
        buffer.set_stringn(area.x, area.y + row, text, usize::from(MARGIN), style);
    }
    let below = area.bottom() - 1;
    let caption = match window {
        Some((began, _)) => format!("{:.0} s measured; hatched: faster than the limit", last.0 - began),
        None => phase_strip(&view.phases, (from, to), usize::from(chart.width)),
    };
    buffer.set_stringn(chart.x, below, caption, usize::from(chart.width), style);
}

/// The mean of the readings in each column.
fn column_means(points: &[(f64, f64)], (from, to): (f64, f64), columns: usize) -> Vec<(f64, f64)> {
    let column = |at: f64| ((at - from) / (to - from) * columns as f64) as usize;
    points
        .chunk_by(|a, b| column(a.0) == column(b.0))
        .map(|chunk| {
            let n = chunk.len() as f64;
            (chunk.iter().map(|p| p.0).sum::<f64>() / n, chunk.iter().map(|p| p.1).sum::<f64>() / n)
        })
        .collect()
}
