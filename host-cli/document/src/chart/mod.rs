//! Charts for pages, drawn as a list of strokes, areas and words.
//!
//! A [`Chart`] takes elements in their own units (lines, steps, bars, points, bands, rules) and lays them out; the
//! result is a [`Picture`], which knows only lines, areas and words in points. [`Picture::svg`] writes it into an HTML
//! page; the PDF pages draw the same list. So the two never differ. [`Chart::text`] draws the same elements as text.
//!
//! Rules for every chart:
//!
//! - it is readable without colour: series differ in dash or marker, bands in shade and label;
//! - a screen reader can say what it shows: a title and a description are asked for by [`Chart::new`];
//! - the same data give the same bytes: coordinates have one decimal, and nothing depends on time or place;
//! - a long line costs no more than a short one: two points for each column of the paper ([`envelope()`]).
//!
//! Our own rather than a plotting crate: those that draw SVG write no title, description or role, measure words by a
//! font of the machine (so that the bytes differ from machine to machine), and know nothing of dashes, phases or PDF;
//! all we would use of them is the arithmetic of round ticks.
//!
//! ```
//! use seathold_document::chart::{Chart, Scale, Series};
//! let curve: Vec<(f64, f64)> = (0..=100).map(|i| (f64::from(i), f64::from(i * i))).collect();
//! let mut chart = Chart::new("Squares", "The squares of the numbers up to 100.");
//! chart.x(Scale::fit("number", [0.0, 100.0])).y(Scale::fit("square", curve.iter().map(|p| p.1)));
//! chart.line(&curve, Series(0), "square").rule_y(5_000.0, "half way", Series(1));
//! let svg = chart.picture().svg("squares");
//! assert!(svg.0.starts_with("<svg") && svg.0.contains("<title"));
//! ```

mod envelope;
mod line_chart;
mod scale;
mod svg;
mod terminal;

pub use envelope::{Envelope, envelope};
pub use line_chart::{Chart, Marker, Series, Shade};
pub use scale::Scale;

/// A finished picture. Coordinates are in points (1/72 inch on paper, a pixel on a screen), from the upper left corner.
#[derive(Clone, Debug, PartialEq)]
pub struct Picture {
    /// Width.
    pub width: f64,
    /// Height.
    pub height: f64,
    /// What it is, in a few words.
    pub title: String,
    /// What it shows, for readers who do not see it.
    pub about: String,
    /// What to draw, in this order.
    pub marks: Vec<Mark>,
}

impl Picture {
    /// Every text of it.
    pub(crate) fn texts(&mut self) -> impl Iterator<Item = &mut String> {
        let words = self.marks.iter_mut().filter_map(|mark| match mark {
            Mark::Words { text, .. } => Some(text),
            Mark::Line { .. } | Mark::Area { .. } => None,
        });
        [&mut self.title, &mut self.about].into_iter().chain(words)
    }
}

/// A drawn element.
#[derive(Clone, Debug, PartialEq)]
pub enum Mark {
    /// A line through points.
    Line {
        /// The points.
        points: Vec<(f64, f64)>,
        /// How it is drawn.
        stroke: Stroke,
    },
    /// A closed area without an outline.
    Area {
        /// Its corners.
        points: Vec<(f64, f64)>,
        /// What it is filled with.
        fill: Ink,
    },
    /// Words on one line.
    Words {
        /// Where their base line begins, is centred or ends.
        at: (f64, f64),
        /// The words.
        text: String,
        /// Font size.
        size: f64,
        /// Which part of them is at `at`.
        anchor: Anchor,
        /// Turned a quarter to the left, so that they read upwards.
        upwards: bool,
    },
}

/// How a line is drawn.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Stroke {
    /// Its colour.
    pub ink: Ink,
    /// Its width in points.
    pub width: f64,
    /// Lengths of dashes and gaps in points; empty for a solid line.
    pub dash: &'static [f64],
}

/// A colour as red, green and blue. Those of [`Series`] are distinguishable with any colour vision, and none
/// carries a meaning that dash, marker or label do not carry too.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Ink(pub u8, pub u8, pub u8);

impl Ink {
    /// Lines and words.
    pub const BLACK: Self = Self(0, 0, 0);
    /// Frames and ticks.
    pub const GREY: Self = Self(110, 110, 110);
    /// Grid lines.
    pub const PALE: Self = Self(222, 222, 222);
    /// Markers that are hollow.
    pub const WHITE: Self = Self(255, 255, 255);
}

/// Which part of words is at a position.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Anchor {
    /// They begin there.
    Start,
    /// They are centred there.
    Middle,
    /// They end there.
    End,
}

/// Approximate width of words: an average of sans-serif faces, since no font is at hand. Layout leaves room for error.
pub(crate) fn width_of(text: &str, size: f64) -> f64 {
    text.chars().count() as f64 * size * 0.54
}
