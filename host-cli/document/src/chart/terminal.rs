//! A chart as text, for a terminal.

use ratatui::buffer::Buffer;
use ratatui::layout::Rect;
use ratatui::style::Color;
use ratatui::symbols::Marker as Dots;
use ratatui::widgets::Widget;
use ratatui::widgets::canvas::{Canvas, Line};

use super::line_chart::{Item, Sample};
use super::{Chart, Marker, Series, Shade, envelope};

/// Columns of the frame; with the numbers in front a terminal of 80 columns holds it.
const COLUMNS: u16 = 64;
/// Rows of the frame.
const ROWS: u16 = 14;
/// Columns in front, for the upright scale.
const MARGIN: usize = 11;

impl Marker {
    const fn sign(self) -> &'static str {
        match self {
            Self::Dot => "●",
            Self::Ring => "○",
            Self::Cross => "×",
            Self::Triangle => "△",
            Self::Square => "■",
        }
    }
}

impl Shade {
    const fn fill(self) -> &'static str {
        match self {
            Self::None => " ",
            Self::Light => "░",
            Self::Dark => "▓",
        }
    }
}

/// The style of a line: the first in fine dots, others in signs of their own.
const fn line_sign(series: Series) -> Option<&'static str> {
    match series.0 % 5 {
        0 => None,
        1 => Some("•"),
        2 => Some("+"),
        3 => Some("*"),
        _ => Some("~"),
    }
}

impl Chart {
    /// The chart as lines of text, 76 columns wide. Bands between lines are left out: they would hide the lines.
    pub fn text(&self) -> String {
        let area = Rect::new(0, 0, COLUMNS, ROWS);
        let mut buffer = Buffer::empty(area);
        for item in &self.items {
            self.draw(item, area, &mut buffer);
        }
        let mut out = format!("{}\n", self.title);
        let bars = self.items.iter().any(|item| matches!(item, Item::Bars(..)));
        let shown = self.key.iter().filter(|(sample, _)| bars || !matches!(sample, Sample::Shade(_)));
        let key: Vec<String> = shown.filter_map(|(sample, label)| key(sample, label)).collect();
        if !key.is_empty() {
            out += &format!("{:MARGIN$}  {}\n", "", key.join("   "));
        }
        if !self.y.name().is_empty() {
            out += &format!("{:MARGIN$} {}\n", "", self.y.name());
        }
        let mut labels = vec![String::new(); usize::from(ROWS)];
        for (value, label) in self.y.ticks() {
            if let Some(place) = labels.get_mut(usize::from(row(self.y.place(value)))) {
                *place = label;
            }
        }
        for (row, label) in (0..ROWS).zip(&labels) {
            let cells: String = (0..COLUMNS).map(|column| buffer[(column, row)].symbol()).collect();
            let cells = cells.replace('\u{2800}', " ");
            let mark = if label.is_empty() { '│' } else { '┤' };
            out += format!("{label:>MARGIN$} {mark}{cells}").trim_end();
            out.push('\n');
        }
        let (mut strip, mut under) = (vec!['─'; usize::from(COLUMNS)], vec![' '; usize::from(COLUMNS) + MARGIN]);
        let mut free = 0;
        for (value, label) in self.x.ticks() {
            let at = usize::from(column(self.x.place(value)));
            if let Some(mark) = strip.get_mut(at) {
                *mark = '┬';
            }
            let from = at.saturating_sub(label.chars().count() / 2);
            if from >= free {
                free = from + label.chars().count() + 1;
                under.iter_mut().skip(from).zip(label.chars()).for_each(|(cell, c)| *cell = c);
            }
        }
        let text = |cells: &[char]| cells.iter().collect::<String>();
        out += &format!("{:>MARGIN$} └{}\n", "", text(&strip));
        out += format!("{:>MARGIN$}  {}", "", text(&under)).trim_end();
        out.push('\n');
        if !self.x.name().is_empty() {
            out += &format!("{:MARGIN$}  {}\n", "", self.x.name());
        }
        out
    }

    fn draw(&self, item: &Item, area: Rect, buffer: &mut Buffer) {
        let at = |(x, y): (f64, f64)| (column(self.x.place(x)), row(self.y.place(y)));
        match item {
            Item::Line(points, series) => match line_sign(*series) {
                None => self.dots(points, area, buffer),
                Some(sign) => self.signs(points, sign, buffer),
            },
            Item::Faint(points) => self.dots(points, area, buffer),
            Item::Points(points, marker, _) => points.iter().for_each(|point| put(buffer, at(*point), marker.sign())),
            Item::Bars(bars, shade) => {
                for (from, to, height) in bars.iter().filter(|bar| bar.2 > 0.0) {
                    let (left, top) = at((*from, *height));
                    // A bar keeps a column's distance from the next.
                    let right = column(self.x.place(*to)).max(left + 1);
                    (left..right)
                        .for_each(|column| (top..ROWS).for_each(|row| put(buffer, (column, row), shade.fill())));
                }
            }
            Item::Spans(spans, _) => {
                for (x, low, high) in spans {
                    let ((column, bottom), (_, top)) = (at((*x, *low)), at((*x, *high)));
                    (top..=bottom).for_each(|row| put(buffer, (column, row), "│"));
                }
            }
            Item::RuleX(x, label, _) => {
                let column = column(self.x.place(*x));
                (0..ROWS).for_each(|row| put_under(buffer, (column, row), "┊"));
                words(buffer, (column + 2).min(COLUMNS.saturating_sub(length(label))), 0, label);
            }
            Item::RuleY(y, label, _) => {
                let row = row(self.y.place(*y));
                (0..COLUMNS).for_each(|column| put_under(buffer, (column, row), "┈"));
                words(buffer, COLUMNS.saturating_sub(length(label)), row, label);
            }
            Item::BandX(from, to, label, _) => {
                let (left, right) = (column(self.x.place(*from)), column(self.x.place(*to)));
                (0..ROWS).for_each(|row| {
                    put_under(buffer, (left, row), "╎");
                    put_under(buffer, (right, row), "╎");
                });
                // A row below those of vertical lines, which are often in the band.
                words(buffer, left + 1, 1, label);
            }
            Item::Between(..) => {}
        }
    }

    /// A line in dots of a Braille cell: two by four in each column and row.
    fn dots(&self, points: &[(f64, f64)], area: Rect, buffer: &mut Buffer) {
        let (from, to) = self.x.ends();
        let points = envelope(points, from, to, usize::from(COLUMNS) * 2);
        let at = |(x, y): (f64, f64)| (self.x.place(x), self.y.place(y));
        Canvas::default()
            .marker(Dots::Braille)
            .x_bounds([0.0, 1.0])
            .y_bounds([0.0, 1.0])
            .paint(|context| {
                for pair in points.windows(2) {
                    let ((x1, y1), (x2, y2)) = (at(pair[0]), at(pair[1]));
                    context.draw(&Line { x1, y1, x2, y2, color: Color::Reset });
                }
            })
            .render(area, buffer);
    }

    /// A line in signs, one a column.
    fn signs(&self, points: &[(f64, f64)], sign: &str, buffer: &mut Buffer) {
        for pair in points.windows(2) {
            let at = |(x, y): (f64, f64)| (self.x.place(x), self.y.place(y));
            let ((x1, y1), (x2, y2)) = (at(pair[0]), at(pair[1]));
            let (from, to) = (column(x1), column(x2));
            for place in from..=to {
                let share = if to > from { f64::from(place - from) / f64::from(to - from) } else { 1.0 };
                put(buffer, (place, row(y1 + (y2 - y1) * share)), sign);
            }
        }
    }
}

/// A line of the key; a line of dots needs a sample of them.
fn key(sample: &Sample, label: &str) -> Option<String> {
    let sign = match sample {
        Sample::Faint => "⠤⠤",
        Sample::Line(series) => line_sign(*series).unwrap_or("⠤⠤"),
        Sample::Marker(marker, _) => marker.sign(),
        Sample::Shade(shade) => shade.fill(),
    };
    (!label.is_empty()).then(|| format!("{sign} {label}"))
}

fn column(place: f64) -> u16 {
    (place * f64::from(COLUMNS - 1)).round() as u16
}

fn row(place: f64) -> u16 {
    ROWS - 1 - (place * f64::from(ROWS - 1)).round() as u16
}

fn length(text: &str) -> u16 {
    u16::try_from(text.chars().count()).unwrap_or(COLUMNS).min(COLUMNS)
}

fn put(buffer: &mut Buffer, (column, row): (u16, u16), sign: &str) {
    if let Some(cell) = buffer.cell_mut((column, row)) {
        cell.set_symbol(sign);
    }
}

/// Cells still empty.
fn put_under(buffer: &mut Buffer, at: (u16, u16), sign: &str) {
    if buffer.cell(at).is_some_and(|cell| matches!(cell.symbol(), " " | "\u{2800}")) {
        put(buffer, at, sign);
    }
}

fn words(buffer: &mut Buffer, column: u16, row: u16, text: &str) {
    for (at, c) in (column..COLUMNS).zip(text.chars()) {
        put(buffer, (at, row), c.encode_utf8(&mut [0; 4]));
    }
}
