//! The bench screen as it is drawn: what to do now on top, then what is known of the pressure, the curve, the figure, the time, the log.
//!
//! Letters, shapes and reversed fields carry everything: no colour is needed, and none is used.

use ratatui::buffer::Buffer;
use ratatui::layout::{Constraint, Layout, Rect};
use ratatui::style::{Modifier, Style};
use ratatui::text::Line;
use ratatui::widgets::{Paragraph, Widget, Wrap};
use seathold_recording::plain::shown;
use seathold_sequencer::event::{Disconnect, Phase};
use seathold_sequencer::input::Side;
use seathold_text::messages::{self, supply_end};
use tui_big_text::{BigText, PixelSize};

use super::super::{channel_words, left_at_most};
use super::curve;
use super::headline::headline;
use super::view::{Asked, BenchView, ListedValve};
use crate::rig::OperatorQuestion;

/// The least that everything has room in.
const COLUMNS_MIN: u16 = 60;
/// See above.
const ROWS_MIN: u16 = 20;

/// From this width on there is a column for both sides.
const WIDE: u16 = 100;

/// Draws all of it.
pub(super) fn draw(view: &BenchView, area: Rect, buffer: &mut Buffer) {
    if area.width < COLUMNS_MIN || area.height < ROWS_MIN {
        small(view, area, buffer);
        return;
    }
    let (size, rows) = letters(area);
    let parts = [
        Constraint::Length(1),
        Constraint::Length(rows),
        Constraint::Length(2),
        Constraint::Length(1),
        Constraint::Min(5),
        Constraint::Length(2),
        Constraint::Length(1),
        Constraint::Length(if area.height >= 30 { 5 } else { 2 }),
        Constraint::Length(1),
    ];
    let [top, large, below, pressure, body, figure, time, log, answer] = Layout::vertical(parts).areas(area);
    let now = headline(view);
    let limit = view.units.limit(view.recipe.limit_pa_m3_s);
    let title = format!("   limit {limit} at {}", view.units.pressure(view.recipe.target_pa as i32));
    // The limit is not to be pushed off the screen by a long name.
    let room = usize::from(area.width).saturating_sub(title.chars().count() + 2);
    let title = format!(" {}{title}", shortened(&view.serial, room));
    two_ends(title, format!("{} ", view.of), top, buffer);
    let big = BigText::builder()
        .pixel_size(size)
        .style(Style::new().add_modifier(Modifier::BOLD))
        .lines(vec![now.large.into()])
        .centered()
        .build();
    big.render(large, buffer);
    Paragraph::new(now.below).centered().wrap(Wrap { trim: true }).render(below, buffer);
    let reversed = Style::new().add_modifier(Modifier::REVERSED | Modifier::BOLD);
    Paragraph::new(pressure_line(view)).centered().style(reversed).render(pressure, buffer);
    if area.width >= WIDE {
        let [curve, list] = Layout::horizontal([Constraint::Min(COLUMNS_MIN), Constraint::Length(34)]).areas(body);
        curve::draw(view, curve, buffer);
        let sides = sides(view);
        let [above, below] = Layout::vertical([Constraint::Length(4), Constraint::Min(0)]).areas(list);
        Paragraph::new(sides).wrap(Wrap { trim: false }).render(above, buffer);
        list_lines(view, below, buffer);
    } else {
        curve::draw(view, body, buffer);
    }
    figure_lines(view, figure, buffer);
    time_line(view, time, buffer);
    log_lines(view, log, buffer);
    Paragraph::new(answer_line(view)).style(Style::new().add_modifier(Modifier::BOLD)).render(answer, buffer);
}

/// Where there is no room for letters and curve: what to do with all its words, the pressure and the answer; what is lost at the end is of
/// which valve.
fn small(view: &BenchView, area: Rect, buffer: &mut Buffer) {
    let now = headline(view);
    let limit = view.units.limit(view.recipe.limit_pa_m3_s);
    let mut lines = vec![Line::from(now.large).style(Style::new().add_modifier(Modifier::BOLD))];
    lines.extend(
        [pressure_line(view), answer_line(view), now.below, format!("{}, limit {limit}", view.serial)].map(Line::from),
    );
    lines.extend(view.lines.back().map(|line| Line::from(line.as_str())));
    Paragraph::new(lines).wrap(Wrap { trim: true }).render(area, buffer);
}

/// A text of so many characters at most, with a sign where some are missing.
fn shortened(text: &str, room: usize) -> String {
    if text.chars().count() <= room {
        return text.to_owned();
    }
    text.chars().take(room.saturating_sub(1)).chain(['…']).collect()
}

/// The largest letters that the longest words have room in, and their rows.
fn letters(area: Rect) -> (PixelSize, u16) {
    /// "DO NOT TOUCH".
    const LONGEST: u16 = 12;
    if area.width >= 8 * LONGEST && area.height >= 36 {
        (PixelSize::Full, 8)
    } else if area.width >= 8 * LONGEST {
        (PixelSize::HalfHeight, 4)
    } else {
        (PixelSize::Quadrant, 4)
    }
}

/// Text at both ends of a row; where there is no room for both, the first goes before.
fn two_ends(left: String, right: String, area: Rect, buffer: &mut Buffer) {
    let room = usize::from(area.width).saturating_sub(left.chars().count() + 2);
    Paragraph::new(left).render(area, buffer);
    let right: String =
        if right.chars().count() > room { shortened(right.trim_end(), room.saturating_sub(1)) + " " } else { right };
    if room > 12 {
        let width = right.chars().count() as u16;
        Paragraph::new(right).render(Rect { x: area.right() - width, width, ..area }, buffer);
    }
}

/// What the far side reads, and whether a fitting may be touched.
fn pressure_line(view: &BenchView) -> String {
    let Some(status) = &view.status else { return "far side not read yet: treat it as PRESSURISED".into() };
    if !view.reached {
        return "not read now: treat as PRESSURISED, touch no fitting".into();
    }
    let reads = channel_words(status.far, &view.units);
    let begins = matches!(&view.asked, Some(asked) if asked.question == OperatorQuestion::Begin);
    let is = match status.disconnect {
        // Nothing has been let in by this run: hand bleed and gauge say whether a valve may be put on.
        Disconnect::Pressurised if begins && view.reads_vented() == Some(true) => {
            "not proved empty: gauge at zero first"
        }
        Disconnect::Pressurised => "treat as PRESSURISED: touch no fitting",
        Disconnect::CavityUnknown => "reads empty, the CAVITY may hold pressure",
        Disconnect::ReadsEmpty => "reads empty: bleed and gauge before a fitting",
        Disconnect::Confirmed => "empty by screen and gauge: may be loosened",
    };
    format!("{reads}   {is}")
}

/// Leak and limit as a scale, from no leak to twice the limit: the interval closes in on one side of the limit's mark.
fn figure_lines(view: &BenchView, area: Rect, buffer: &mut Buffer) {
    let limit = view.recipe.limit_pa_m3_s;
    let side = |side| format!("{}, end {} on supply", messages::side_name(side), supply_end(side));
    let side = view.side.map_or_else(String::new, side);
    if !view.reached {
        Paragraph::new(" leak     not known: no link").render(area, buffer);
        return;
    }
    let Some(figure) = view.figure else {
        // What is known by then is of the side before.
        if let (Some(Side::Second), Some(first)) = (view.side, &view.sides[0]) {
            let first = format!(" {}: {}", messages::side_name(Side::First), view.units.judged(first));
            Paragraph::new(vec![Line::from(first), Line::from(format!(" {side}"))]).render(area, buffer);
            return;
        }
        Paragraph::new(format!(" leak     no figure yet   {side}")).render(area, buffer);
        return;
    };
    let text = format!(" leak     {}   {side}", view.units.plus_minus(figure.leak, figure.expanded));
    let width = usize::from(area.width.saturating_sub(12));
    let at = |leak: f64| ((leak / (2.0 * limit)).clamp(0.0, 1.0) * (width - 1) as f64).round() as usize;
    let (low, high, mid, mark) =
        (at(figure.leak - figure.expanded), at(figure.leak + figure.expanded), at(figure.leak), at(limit));
    let scale: String = (0..width)
        .map(|column| match column {
            c if c == mid => '●',
            c if c == mark => '┃',
            c if (low..=high).contains(&c) => '━',
            _ => '·',
        })
        .collect();
    // An interval that goes on beyond the scale is said to.
    let beyond = if figure.leak + figure.expanded > 2.0 * limit { "»" } else { " " };
    Paragraph::new(vec![Line::from(text), Line::from(format!("          {scale}{beyond}"))]).render(area, buffer);
}

/// As many whole entries of the log's end as there is room for, broken between words; of one that has more than all the room its
/// beginning.
fn log_lines(view: &BenchView, area: Rect, buffer: &mut Buffer) {
    let width = usize::from(area.width).saturating_sub(2);
    let room = usize::from(area.height);
    let mut entries: Vec<Vec<String>> = Vec::new();
    for line in &view.lines {
        let mut rows: Vec<String> = Vec::new();
        let mut row = String::new();
        for word in line.split(' ') {
            if !row.is_empty() && row.chars().count() + 1 + word.chars().count() > width {
                rows.push(std::mem::take(&mut row));
                row.push_str("  ");
            } else if !row.is_empty() {
                row.push(' ');
            }
            row.push_str(word);
        }
        rows.push(row);
        entries.push(rows);
    }
    let mut shown: Vec<Vec<String>> = Vec::new();
    for mut rows in entries.into_iter().rev() {
        let taken: usize = shown.iter().map(Vec::len).sum();
        if taken + rows.len() > room {
            if shown.is_empty() && room > 0 {
                rows.truncate(room);
                if let Some(last) = rows.last_mut() {
                    *last = shortened(&format!("{last} …"), width);
                }
                shown.push(rows);
            }
            break;
        }
        shown.push(rows);
    }
    let rows: Vec<Line<'_>> = shown.iter().rev().flatten().map(|row| Line::from(format!(" {row}"))).collect();
    Paragraph::new(rows).render(area, buffer);
}

/// The phase's progress and the time left.
fn time_line(view: &BenchView, area: Rect, buffer: &mut Buffer) {
    let Some(deadline) = view.status.filter(|_| view.reached).and_then(|status| status.deadline) else { return };
    let (began, now) = (view.entered.1.as_ticks(), view.at.as_ticks());
    let end = deadline.as_ticks();
    let text = left_at_most(end.saturating_sub(now));
    let width = usize::from(area.width).saturating_sub(text.chars().count() + 14);
    let share = (now.saturating_sub(began) as f64 / end.saturating_sub(began).max(1) as f64).min(1.0);
    let full = (share * width as f64).round() as usize;
    let bar: String = (0..width).map(|column| if column < full { '█' } else { '░' }).collect();
    Paragraph::new(format!(" time     {bar}  {text}")).render(area, buffer);
}

fn sides(view: &BenchView) -> Vec<Line<'static>> {
    [Side::First, Side::Second]
        .into_iter()
        .zip(&view.sides)
        .map(|(side, result)| {
            let what = match result {
                Some(result) => view.units.judged(result),
                None if view.side == Some(side) => "under test".into(),
                None => "-".into(),
            };
            Line::from(format!(" {}: {what}", messages::side_name(side)))
        })
        .collect()
}

/// The valves of the batch about the one on the rig, which is marked.
fn list_lines(view: &BenchView, area: Rect, buffer: &mut Buffer) {
    let rows = usize::from(area.height);
    let of_rig = |valve: &ListedValve| shown(&valve.serial) == view.serial;
    let on_rig = view.list.iter().position(of_rig).unwrap_or(0);
    let from = on_rig.saturating_sub(rows / 2).min(view.list.len().saturating_sub(rows));
    let row = |valve: &ListedValve| {
        let serial: String = shown(&valve.serial).chars().take(18).collect();
        let (mark, stands) = if of_rig(valve) { ('▶', "on the rig") } else { (' ', valve.stands) };
        Line::from(format!(" {mark} {serial:18} {stands}"))
    };
    Paragraph::new(view.list.iter().skip(from).take(rows).map(row).collect::<Vec<_>>()).render(area, buffer);
}

/// What is to be typed, and what has been.
fn answer_line(view: &BenchView) -> String {
    if !view.reached {
        return format!(" no answer is taken without a link; a and Enter aborts: {}▏", view.typed);
    }
    let how = match &view.asked {
        Some(Asked { tag: Some(tag), .. }) => format!("scan {tag}"),
        Some(Asked { question: OperatorQuestion::Begin, .. }) => "Enter begins".into(),
        Some(_) => "Enter when done".into(),
        None if view
            .status
            .is_some_and(|s| matches!(s.phase, Phase::Fault | Phase::EmergencyStopped | Phase::Trapped)) =>
        {
            return format!(" >>> ack and Enter acknowledges: {}▏", view.typed);
        }
        None => return format!(" a and Enter aborts: {}▏", view.typed),
    };
    format!(" >>> {how}, a and Enter aborts: {}▏", view.typed)
}
