//! A chart: elements in their own units, laid out as a picture.

use super::{Anchor, Ink, Mark, Picture, Scale, Stroke, envelope, width_of};

/// Height of letters.
const SMALL: f64 = 9.0;
/// Height of letters of axis names.
const NAME: f64 = 10.0;
/// Room for a line of key above the frame.
const KEY: f64 = 16.0;
/// From line to line of a key that has more than one.
const KEY_LINE: f64 = 12.0;
/// Length of a sample in the key.
const SAMPLE: f64 = 26.0;

/// Style of one of several series: each number has its own dash, ink and marker. 0 is solid black.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Series(pub usize);

impl Series {
    /// Colours after Okabe and Ito, "Color Universal Design" (2008; from memory), the dark ones only.
    const INKS: [Ink; 5] = [Ink::BLACK, Ink(0, 84, 147), Ink(176, 72, 0), Ink(0, 115, 85), Ink(140, 60, 120)];
    const DASHES: [&'static [f64]; 5] = [&[], &[6.0, 3.0], &[2.0, 2.0], &[8.0, 2.0, 2.0, 2.0], &[12.0, 3.0]];

    fn stroke(self, width: f64) -> Stroke {
        let n = self.0 % Self::INKS.len();
        Stroke { ink: Self::INKS[n], width, dash: Self::DASHES[n] }
    }

    /// The marker of its points.
    pub fn marker(self) -> Marker {
        [Marker::Dot, Marker::Ring, Marker::Cross, Marker::Triangle, Marker::Square][self.0 % 5]
    }
}

/// The sign at a point.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Marker {
    /// A filled circle.
    Dot,
    /// A hollow circle.
    Ring,
    /// A cross.
    Cross,
    /// A hollow triangle.
    Triangle,
    /// A filled square.
    Square,
}

/// How dark a band is.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Shade {
    /// White: only its label and edges are seen.
    None,
    /// Hardly grey.
    Light,
    /// Grey.
    Dark,
}

impl Shade {
    const fn ink(self) -> Ink {
        match self {
            Self::None => Ink::WHITE,
            Self::Light => Ink(240, 240, 240),
            Self::Dark => Ink(218, 218, 218),
        }
    }
}

#[derive(Clone, Debug)]
pub(super) enum Item {
    BandX(f64, f64, String, Shade),
    Between(Vec<(f64, f64, f64)>, Shade),
    Bars(Vec<(f64, f64, f64)>, Shade),
    Line(Vec<(f64, f64)>, Series),
    Faint(Vec<(f64, f64)>),
    RuleX(f64, String, Series),
    RuleY(f64, String, Series),
    Points(Vec<(f64, f64)>, Marker, Series),
    Spans(Vec<(f64, f64, f64)>, Series),
}

/// Style of a line of the key.
#[derive(Clone, Debug)]
pub(super) enum Sample {
    Faint,
    Line(Series),
    Marker(Marker, Series),
    Shade(Shade),
}

/// A chart being put together. Everything is given in its own units; order of calls is order of drawing, but for bands,
/// which lie under all else.
#[derive(Clone, Debug)]
pub struct Chart {
    pub(super) title: String,
    about: String,
    size: (f64, f64),
    pub(super) x: Scale,
    pub(super) y: Scale,
    pub(super) items: Vec<Item>,
    pub(super) key: Vec<(Sample, String)>,
}

impl Chart {
    /// An empty chart. `about` describes it in a sentence or two, for readers who do not see it.
    pub fn new(title: impl Into<String>, about: impl Into<String>) -> Self {
        let unit = || Scale::new("", 0.0, 1.0);
        let (title, about) = (title.into(), about.into());
        Self { title, about, size: (680.0, 260.0), x: unit(), y: unit(), items: Vec::new(), key: Vec::new() }
    }

    /// Another description, where it is only known once the data have been seen.
    pub fn about(&mut self, about: impl Into<String>) -> &mut Self {
        self.about = about.into();
        self
    }

    /// Width and height in points, instead of 680 × 260.
    pub fn size(&mut self, width: f64, height: f64) -> &mut Self {
        self.size = (width.max(160.0), height.max(100.0));
        self
    }

    /// The scale from left to right.
    pub fn x(&mut self, scale: Scale) -> &mut Self {
        self.x = scale;
        self
    }

    /// The scale from below upwards.
    pub fn y(&mut self, scale: Scale) -> &mut Self {
        self.y = scale;
        self
    }

    /// Ends of the scale from below upwards.
    pub fn y_ends(&self) -> (f64, f64) {
        self.y.ends()
    }

    /// A line through points in the order of x; a long one is thinned without losing a spike. An empty label stays out
    /// of the key, here and below.
    pub fn line(&mut self, points: &[(f64, f64)], series: Series, label: &str) -> &mut Self {
        self.items.push(Item::Line(points.to_vec(), series));
        self.name(Sample::Line(series), label)
    }

    /// A thin grey line, as for raw readings behind processed ones.
    pub fn faint(&mut self, points: &[(f64, f64)], label: &str) -> &mut Self {
        self.items.push(Item::Faint(points.to_vec()));
        self.name(Sample::Faint, label)
    }

    /// A line that keeps each value until the next point.
    pub fn step(&mut self, points: &[(f64, f64)], series: Series, label: &str) -> &mut Self {
        let mut corners: Vec<(f64, f64)> = Vec::with_capacity(points.len() * 2);
        for (x, y) in points {
            if let Some((_, before)) = corners.last().copied() {
                corners.push((*x, before));
            }
            corners.push((*x, *y));
        }
        self.items.push(Item::Line(corners, series));
        self.name(Sample::Line(series), label)
    }

    /// Bars from the foot of the chart: left edge, right edge, height.
    pub fn bars(&mut self, bars: &[(f64, f64, f64)], shade: Shade, label: &str) -> &mut Self {
        self.items.push(Item::Bars(bars.to_vec(), shade));
        self.name(Sample::Shade(shade), label)
    }

    /// A marker at each point.
    pub fn points(&mut self, points: &[(f64, f64)], series: Series, label: &str) -> &mut Self {
        self.items.push(Item::Points(points.to_vec(), series.marker(), series));
        self.name(Sample::Marker(series.marker(), series), label)
    }

    /// Upright spans with feet, as for uncertainties: x, low end, high end.
    pub fn spans(&mut self, spans: &[(f64, f64, f64)], series: Series) -> &mut Self {
        self.items.push(Item::Spans(spans.to_vec(), series));
        self
    }

    /// The area between two lines, as for confidence bands: x, low, high.
    pub fn between(&mut self, points: &[(f64, f64, f64)], shade: Shade, label: &str) -> &mut Self {
        self.items.push(Item::Between(points.to_vec(), shade));
        self.name(Sample::Shade(shade), label)
    }

    /// A range of the x scale, with its label in a lane above the frame: phases, batches.
    pub fn band_x(&mut self, from: f64, to: f64, label: &str, shade: Shade) -> &mut Self {
        self.items.push(Item::BandX(from, to, label.into(), shade));
        self
    }

    /// An upright line across the frame, labelled beside it.
    pub fn rule_x(&mut self, at: f64, label: &str, series: Series) -> &mut Self {
        self.items.push(Item::RuleX(at, label.into(), series));
        self
    }

    /// A level line across the frame, labelled above it: a limit.
    pub fn rule_y(&mut self, at: f64, label: &str, series: Series) -> &mut Self {
        self.items.push(Item::RuleY(at, label.into(), series));
        self
    }

    fn name(&mut self, sample: Sample, label: &str) -> &mut Self {
        if !label.is_empty() {
            self.key.push((sample, label.into()));
        }
        self
    }

    /// Lays everything out.
    pub fn picture(&self) -> Picture {
        let frame = self.frame();
        let mut marks = Vec::new();
        let bands = |item: &&Item| matches!(item, Item::BandX(..));
        for item in self.items.iter().filter(bands) {
            frame.band(item, &mut marks);
        }
        frame.axes(&mut marks);
        for item in self.items.iter().filter(|item| !bands(item)) {
            frame.item(item, &mut marks);
        }
        frame.outline(&mut marks);
        for item in &self.items {
            frame.words(item, &mut marks);
        }
        self.write_key(&frame, &mut marks);
        let (width, height) = self.size;
        Picture { width, height, title: self.title.clone(), about: self.about.clone(), marks }
    }

    fn frame(&self) -> Frame<'_> {
        let widest = self.y.ticks().iter().map(|(_, t)| width_of(t, SMALL)).fold(0.0, f64::max);
        let left = widest + if self.y.name().is_empty() { 10.0 } else { 26.0 };
        let right = self.size.0 - 12.0;
        let lane = self.lane(right - left);
        let key = match self.key_lines(left, right) {
            0 => 4.0,
            lines => KEY + KEY_LINE * (lines - 1) as f64,
        };
        let foot = if self.x.name().is_empty() { 18.0 } else { 32.0 };
        Frame { left, right, top: key + lane, bottom: self.size.1 - foot, lane, x: &self.x, y: &self.y }
    }

    /// Height of the lane of band labels: words are horizontal where all of them fit, else vertical.
    fn lane(&self, across: f64) -> f64 {
        let mut lane: f64 = 0.0;
        for item in &self.items {
            if let Item::BandX(from, to, label, _) = item
                && !label.is_empty()
            {
                let wide = (self.x.place(*to) - self.x.place(*from)) * across;
                let long = width_of(label, SMALL);
                lane = lane.max(if long + 4.0 <= wide {
                    14.0
                } else if wide >= SMALL {
                    long + 6.0
                } else {
                    0.0
                });
            }
        }
        lane
    }

    /// Where each entry of the key begins, and on which line: a new one where the last is full.
    fn key_places(&self, left: f64, right: f64) -> Vec<(f64, usize)> {
        let (mut x, mut line) = (left, 0);
        let mut place = |label: &str| {
            let wide = SAMPLE + 4.0 + width_of(label, SMALL);
            if x > left && x + wide > right {
                (x, line) = (left, line + 1);
            }
            let here = (x, line);
            x += wide + 16.0;
            here
        };
        self.key.iter().map(|(_, label)| place(label)).collect()
    }

    fn key_lines(&self, left: f64, right: f64) -> usize {
        self.key_places(left, right).last().map_or(0, |(_, line)| line + 1)
    }

    fn write_key(&self, frame: &Frame<'_>, marks: &mut Vec<Mark>) {
        let places = self.key_places(frame.left, frame.right);
        for ((sample, label), (x, line)) in self.key.iter().zip(places) {
            let y = 8.0 + KEY_LINE * line as f64;
            match sample {
                Sample::Faint => marks.push(Mark::Line { points: vec![(x, y), (x + SAMPLE, y)], stroke: FAINT }),
                Sample::Line(series) => {
                    marks.push(Mark::Line { points: vec![(x, y), (x + SAMPLE, y)], stroke: series.stroke(1.4) });
                }
                Sample::Marker(marker, series) => sign(*marker, *series, (x + SAMPLE / 2.0, y), marks),
                Sample::Shade(shade) => {
                    let corners = rectangle(x, y - 4.0, x + SAMPLE, y + 4.0);
                    marks.push(Mark::Area { points: corners.clone(), fill: shade.ink() });
                    marks.push(Mark::Line { points: closed(corners), stroke: HAIR });
                }
            }
            marks.push(words((x + SAMPLE + 4.0, y + 3.0), label, SMALL, Anchor::Start));
        }
    }
}

/// Raw readings.
const FAINT: Stroke = Stroke { ink: Ink(150, 150, 150), width: 0.6, dash: &[] };
/// Thin lines of frames and ticks.
const HAIR: Stroke = Stroke { ink: Ink::GREY, width: 0.7, dash: &[] };

fn rectangle(x1: f64, y1: f64, x2: f64, y2: f64) -> Vec<(f64, f64)> {
    vec![(x1, y1), (x2, y1), (x2, y2), (x1, y2)]
}

fn closed(mut points: Vec<(f64, f64)>) -> Vec<(f64, f64)> {
    points.extend(points.first().copied());
    points
}

fn words(at: (f64, f64), text: &str, size: f64, anchor: Anchor) -> Mark {
    Mark::Words { at, text: text.into(), size, anchor, upwards: false }
}

fn sign(marker: Marker, series: Series, (x, y): (f64, f64), marks: &mut Vec<Mark>) {
    let r = 2.8;
    let ink = series.stroke(1.0).ink;
    let outline = |points: Vec<(f64, f64)>| Mark::Line { points, stroke: Stroke { ink, width: 1.0, dash: &[] } };
    // A polygon of twelve corners is round at this size.
    let round = || {
        let corner = |i: i32| (f64::from(i) * 30.0).to_radians();
        (0..12).map(|i| (x + r * libm::cos(corner(i)), y + r * libm::sin(corner(i)))).collect::<Vec<_>>()
    };
    match marker {
        Marker::Dot => marks.push(Mark::Area { points: round(), fill: ink }),
        Marker::Ring => {
            marks.push(Mark::Area { points: round(), fill: Ink::WHITE });
            marks.push(outline(closed(round())));
        }
        Marker::Cross => {
            marks.push(outline(vec![(x - r, y - r), (x + r, y + r)]));
            marks.push(outline(vec![(x - r, y + r), (x + r, y - r)]));
        }
        Marker::Triangle => {
            let corners = vec![(x, y - r * 1.2), (x + r, y + r * 0.8), (x - r, y + r * 0.8)];
            marks.push(Mark::Area { points: corners.clone(), fill: Ink::WHITE });
            marks.push(outline(closed(corners)));
        }
        Marker::Square => {
            marks.push(Mark::Area { points: rectangle(x - r, y - r, x + r, y + r), fill: ink });
        }
    }
}

/// The plot area, and the mapping of values to positions.
struct Frame<'a> {
    left: f64,
    right: f64,
    top: f64,
    bottom: f64,
    lane: f64,
    x: &'a Scale,
    y: &'a Scale,
}

impl Frame<'_> {
    fn x(&self, value: f64) -> f64 {
        self.left + self.x.place(value) * (self.right - self.left)
    }

    fn y(&self, value: f64) -> f64 {
        self.bottom - self.y.place(value) * (self.bottom - self.top)
    }

    fn at(&self, point: (f64, f64)) -> (f64, f64) {
        (self.x(point.0), self.y(point.1))
    }

    fn band(&self, item: &Item, marks: &mut Vec<Mark>) {
        let Item::BandX(from, to, _, shade) = item else { return };
        if *shade != Shade::None {
            let points = rectangle(self.x(*from), self.top, self.x(*to), self.bottom);
            marks.push(Mark::Area { points, fill: shade.ink() });
        }
        if let Item::BandX(from, to, ..) = item {
            for x in [self.x(*from), self.x(*to)] {
                marks.push(Mark::Line {
                    points: vec![(x, self.top - self.lane), (x, self.bottom)],
                    stroke: Stroke { width: 0.4, ..HAIR },
                });
            }
        }
    }

    fn axes(&self, marks: &mut Vec<Mark>) {
        let grid = Stroke { ink: Ink::PALE, width: 0.6, dash: &[] };
        for (value, label) in self.x.ticks() {
            let x = self.x(value);
            marks.push(Mark::Line { points: vec![(x, self.top), (x, self.bottom)], stroke: grid });
            marks.push(Mark::Line { points: vec![(x, self.bottom), (x, self.bottom + 4.0)], stroke: HAIR });
            marks.push(words((x, self.bottom + 14.0), &label, SMALL, Anchor::Middle));
        }
        for (value, label) in self.y.ticks() {
            let y = self.y(value);
            marks.push(Mark::Line { points: vec![(self.left, y), (self.right, y)], stroke: grid });
            marks.push(Mark::Line { points: vec![(self.left - 4.0, y), (self.left, y)], stroke: HAIR });
            marks.push(words((self.left - 6.0, y + 3.2), &label, SMALL, Anchor::End));
        }
        if !self.x.name().is_empty() {
            marks.push(words(
                ((self.left + self.right) / 2.0, self.bottom + 28.0),
                self.x.name(),
                NAME,
                Anchor::Middle,
            ));
        }
        if !self.y.name().is_empty() {
            let at = (10.0, (self.top + self.bottom) / 2.0);
            let text = self.y.name().to_owned();
            marks.push(Mark::Words { at, text, size: NAME, anchor: Anchor::Middle, upwards: true });
        }
    }

    fn outline(&self, marks: &mut Vec<Mark>) {
        let corners = rectangle(self.left, self.top, self.right, self.bottom);
        marks.push(Mark::Line { points: closed(corners), stroke: HAIR });
    }

    fn line(&self, points: &[(f64, f64)], stroke: Stroke, marks: &mut Vec<Mark>) {
        // Two points for each point of paper are as fine as a page shows.
        let (from, to) = self.x.ends();
        let columns = (self.right - self.left) as usize;
        let points = envelope(points, from, to, columns).into_iter().map(|p| self.at(p)).collect();
        let points = without_middles(points);
        if points.len() > 1 {
            marks.push(Mark::Line { points, stroke });
        }
    }

    fn item(&self, item: &Item, marks: &mut Vec<Mark>) {
        match item {
            Item::Line(points, series) => self.line(points, series.stroke(1.2), marks),
            Item::Faint(points) => self.line(points, FAINT, marks),
            Item::Between(points, shade) => {
                let low = points.iter().map(|(x, low, _)| self.at((*x, *low)));
                let high = points.iter().rev().map(|(x, _, high)| self.at((*x, *high)));
                marks.push(Mark::Area { points: low.chain(high).collect(), fill: shade.ink() });
            }
            Item::Bars(bars, shade) => {
                for (from, to, height) in bars {
                    let corners = rectangle(self.x(*from), self.y(*height), self.x(*to), self.bottom);
                    marks.push(Mark::Area { points: corners.clone(), fill: shade.ink() });
                    marks.push(Mark::Line { points: closed(corners), stroke: HAIR });
                }
            }
            Item::Points(points, marker, series) => {
                for point in points {
                    sign(*marker, *series, self.at(*point), marks);
                }
            }
            Item::Spans(spans, series) => {
                let stroke = Stroke { dash: &[], ..series.stroke(1.0) };
                for (x, low, high) in spans {
                    let (x, low, high) = (self.x(*x), self.y(*low), self.y(*high));
                    marks.push(Mark::Line { points: vec![(x, low), (x, high)], stroke });
                    for y in [low, high] {
                        marks.push(Mark::Line { points: vec![(x - 3.0, y), (x + 3.0, y)], stroke });
                    }
                }
            }
            Item::RuleX(at, _, series) => {
                let x = self.x(*at);
                marks.push(Mark::Line { points: vec![(x, self.top), (x, self.bottom)], stroke: series.stroke(1.0) });
            }
            Item::RuleY(at, _, series) => {
                let y = self.y(*at);
                marks.push(Mark::Line { points: vec![(self.left, y), (self.right, y)], stroke: series.stroke(1.0) });
            }
            Item::BandX(..) => {}
        }
    }

    fn words(&self, item: &Item, marks: &mut Vec<Mark>) {
        match item {
            Item::BandX(from, to, label, _) => self.lane_label(self.x(*from), self.x(*to), label, marks),
            Item::RuleX(at, label, _) if !label.is_empty() => {
                let x = self.x(*at);
                let before = x + 4.0 + width_of(label, SMALL) > self.right;
                let (x, anchor) = if before { (x - 4.0, Anchor::End) } else { (x + 4.0, Anchor::Start) };
                marks.push(words((x, self.top + 11.0), label, SMALL, anchor));
            }
            Item::RuleY(at, label, _) if !label.is_empty() => {
                let y = self.y(*at);
                let y = if y - 12.0 < self.top { y + 11.0 } else { y - 4.0 };
                marks.push(words((self.right - 4.0, y), label, SMALL, Anchor::End));
            }
            _ => {}
        }
    }

    /// Horizontal where it fits, vertical where that fits, else left out.
    fn lane_label(&self, from: f64, to: f64, label: &str, marks: &mut Vec<Mark>) {
        let middle = (from + to) / 2.0;
        if width_of(label, SMALL) + 4.0 <= to - from {
            marks.push(words((middle, self.top - 4.0), label, SMALL, Anchor::Middle));
        } else if to - from >= SMALL {
            let at = (middle + 3.2, self.top - 4.0);
            marks.push(Mark::Words { at, text: label.into(), size: SMALL, anchor: Anchor::Start, upwards: true });
        }
    }
}

/// Without the points in the middle of a constant section: at the tenth of a point that charts are drawn to, they do
/// not show, and a page of many pressures at rest is half as long.
fn without_middles(points: Vec<(f64, f64)>) -> Vec<(f64, f64)> {
    let level = |at: usize| points.get(at).map(|point| (point.1 * 10.0).round());
    let middle = |at: usize| at > 0 && level(at - 1) == level(at) && level(at) == level(at + 1);
    (0..points.len()).filter(|at| !middle(*at)).map(|at| points[at]).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_level_stretch_is_its_ends() {
        let line = |ys: &[f64]| -> Vec<(f64, f64)> { ys.iter().enumerate().map(|(x, y)| (x as f64, *y)).collect() };
        let kept = |ys: &[f64]| -> Vec<f64> { without_middles(line(ys)).into_iter().map(|p| p.0).collect() };
        assert_eq!(kept(&[1.0, 1.0, 1.01, 0.99, 1.0]), [0.0, 4.0]);
        assert_eq!(kept(&[1.0, 1.0, 1.0, 5.0, 1.0, 1.0, 1.0]), [0.0, 2.0, 3.0, 4.0, 6.0]);
        assert_eq!(kept(&[1.0, 2.0, 3.0]), [0.0, 1.0, 2.0]);
        assert_eq!(kept(&[1.0, 1.0]), [0.0, 1.0]);
        assert_eq!(kept(&[]), [0.0; 0]);
    }

    /// A key that is too long for one line goes on below, above the frame, and nothing of it leaves the picture.
    #[test]
    fn a_key_has_as_many_lines_as_it_needs() {
        let drawn = |width: f64| {
            let mut chart = Chart::new("Key", "A chart with a long key.");
            chart.size(width, 200.0).y(Scale::new("y", 0.0, 1.0)).x(Scale::new("x", 0.0, 1.0));
            for (n, label) in ["readings", "their means", "slope found", "slope at the limit"].iter().enumerate() {
                chart.line(&[(0.0, 0.0), (1.0, 1.0)], Series(n), label);
            }
            let picture = chart.picture();
            let words = |mark: &Mark| match mark {
                Mark::Words { at, text, size, .. } if text.len() > 6 => Some((at.1, at.0 + width_of(text, *size))),
                _ => None,
            };
            let key: Vec<(f64, f64)> = picture.marks.iter().filter_map(words).collect();
            assert_eq!(key.len(), 4);
            let frame = chart.frame();
            assert!(key.iter().all(|(y, end)| *y < frame.top && *end <= width), "{key:?}");
            let mut lines: Vec<f64> = key.iter().map(|(y, _)| *y).collect();
            lines.dedup();
            lines.len()
        };
        assert_eq!([680.0, 335.0, 200.0].map(drawn), [1, 2, 4]);
    }
}
