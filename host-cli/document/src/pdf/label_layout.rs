//! Where the code and the lines of a label go, and how large.

use super::PageFormat;
use super::font::{BOLD, Fonts, PLAIN, Weight};
use super::label::{Label, LabelLine, LabelProblem, Lettering};
use crate::matrix_code::{MatrixCode, is_unprintable};

/// A millimetre in points.
pub(super) const MM: f32 = 72.0 / 25.4;
/// A dot of a printer of 300 to the inch: a module that is a whole number of them has straight edges there.
const DOT: f32 = 72.0 / 300.0;
/// Free at the edges, as much as a label printer may be off (common practice, no source).
const EDGE: f32 = 1.0 * MM;
/// Least and greatest size of a module: 0.34 mm and 2 mm. Smaller ones are not read by every hand-held reader (common practice, no
/// source).
const MODULE_DOTS: std::ops::RangeInclusive<f32> = 4.0..=24.0;
/// The greatest size of a detail, in points; a name is 2.6 times that.
const DETAIL_MOST: f32 = 30.0;
/// Details whose sizes differ by no more than this get one.
const ALIKE: f32 = 0.7;
/// Height of a line, in font sizes: ascent and descent of the face.
const LINE: f32 = 1.17;
/// The base line within it.
const BASE: f32 = 0.93;
/// A name below this size is broken into lines before it becomes smaller.
const BREAK_BELOW: f32 = 11.0;
/// Most lines that one text is broken into.
const LINES_MAX: usize = 3;

impl Lettering {
    const fn weight(self) -> Weight {
        match self {
            Self::Name | Self::Result => BOLD,
            Self::Detail => PLAIN,
        }
    }

    /// Against the others.
    const fn share(self) -> f32 {
        match self {
            Self::Name => 2.6,
            Self::Result => 1.8,
            Self::Detail => 1.0,
        }
    }

    /// The least size that is legible, in points (*judgement*).
    const fn least(self) -> f32 {
        match self {
            Self::Name | Self::Result => 7.0,
            Self::Detail => 5.0,
        }
    }
}

/// A line as it is drawn.
pub(super) struct PlacedLine {
    /// Which of the label's lines it is of.
    pub(super) of: usize,
    pub(super) x: f32,
    pub(super) base: f32,
    pub(super) weight: Weight,
    pub(super) size: f32,
    pub(super) text: String,
}

/// A label as it is drawn.
pub(super) struct PlacedLabel {
    /// Upper left corner of the code's quiet zone, and the size of a module.
    pub(super) code: Option<(f32, f32, f32)>,
    pub(super) lines: Vec<PlacedLine>,
}

/// Where lines may stand.
#[derive(Clone, Copy)]
struct Room {
    x: f32,
    y: f32,
    width: f32,
    height: f32,
    /// Whether lines are centred, below a code that is.
    centred: bool,
}

/// Places everything on a label.
pub(super) fn place(label: &Label, fonts: &Fonts, format: PageFormat) -> Result<PlacedLabel, LabelProblem> {
    for line in label.lines.iter().filter(|line| !line.may_be_cut) {
        let odd = |c: &char| is_unprintable(*c) || (*c != ' ' && !fonts.has(line.lettering.weight(), *c));
        if let Some(c) = line.text.chars().find(odd) {
            return Err(LabelProblem::Character(line.text.clone(), c));
        }
    }
    let (code, room) = match &label.code {
        Some(code) => split(code, format).map(|(code, room)| (Some(code), room))?,
        None => (None, whole(format)),
    };
    // The largest letters with which all lines go in.
    let shares: f32 = shown_lines(label).map(|(_, line)| line.lettering.share() * LINE).sum();
    let mut unit = (room.height / shares.max(1.0)).min(DETAIL_MOST);
    loop {
        let fitted = fit_all(label, fonts, room.width, unit)?;
        let height: f32 = fitted.iter().map(FittedLine::height).sum();
        if height <= room.height + 0.01 {
            return Ok(PlacedLabel { code, lines: stacked(label, fonts, &fitted, room) });
        }
        if unit < Lettering::Detail.least() / 2.0 {
            return Err(LabelProblem::TooHigh);
        }
        unit *= 0.96;
    }
}

/// The code on one side, the lines on the other: beside each other on a wide label, else below each other.
fn split(code: &MatrixCode, format: PageFormat) -> Result<((f32, f32, f32), Room), LabelProblem> {
    let (width, height) = format.size;
    let is_wide = width >= 1.25 * height;
    let free = if is_wide { (height - 2.0 * EDGE).min(0.46 * width) } else { (width - 2.0 * EDGE).min(0.55 * height) };
    let side = code.side() as f32;
    let dots = (free / side / DOT).floor().min(*MODULE_DOTS.end());
    if dots < *MODULE_DOTS.start() {
        return Err(LabelProblem::CodeTooLarge { needs_mm: side * MODULE_DOTS.start() * DOT / MM, has_mm: free / MM });
    }
    let taken = side * dots * DOT;
    let on_dots = |at: f32| (at / DOT).round() * DOT;
    // The quiet zone parts code and words already.
    Ok(if is_wide {
        let x = on_dots(EDGE) + taken;
        let room = Room { x, y: EDGE, width: width - x - 1.5 * EDGE, height: height - 2.0 * EDGE, centred: false };
        ((on_dots(EDGE), on_dots((height - taken) / 2.0), dots * DOT), room)
    } else {
        let y = on_dots(EDGE) + taken;
        let room = Room { x: 1.5 * EDGE, y, width: width - 3.0 * EDGE, height: height - y - EDGE, centred: true };
        ((on_dots((width - taken) / 2.0), on_dots(EDGE), dots * DOT), room)
    })
}

/// All of a label without a code.
fn whole(format: PageFormat) -> Room {
    let (width, height) = format.size;
    Room { x: 1.5 * EDGE, y: EDGE, width: width - 3.0 * EDGE, height: height - 2.0 * EDGE, centred: false }
}

/// A line's size, and the lines that it is broken into.
struct FittedLine {
    of: usize,
    size: f32,
    lines: Vec<String>,
}

impl FittedLine {
    fn height(&self) -> f32 {
        self.size * LINE * self.lines.len() as f32
    }
}

/// The lines that say something.
fn shown_lines(label: &Label) -> impl Iterator<Item = (usize, &LabelLine)> {
    label.lines.iter().enumerate().filter(|(_, line)| !line.text.trim().is_empty())
}

fn fit_all(label: &Label, fonts: &Fonts, width: f32, unit: f32) -> Result<Vec<FittedLine>, LabelProblem> {
    let one = |(of, line)| fit(line, fonts, width, unit).map(|(size, lines)| FittedLine { of, size, lines });
    let mut fitted: Vec<FittedLine> = shown_lines(label).map(one).collect::<Result<_, _>>()?;
    let is_detail = |line: &FittedLine| label.lines[line.of].lettering == Lettering::Detail;
    let sizes = || fitted.iter().filter(|line| is_detail(line)).map(|line| line.size);
    let (least, most) = (sizes().fold(f32::INFINITY, f32::min), sizes().fold(0.0, f32::max));
    if least >= ALIKE * most {
        fitted.iter_mut().filter(|line| is_detail(line)).for_each(|line| line.size = least);
    }
    Ok(fitted)
}

fn fit(line: &LabelLine, fonts: &Fonts, width: f32, unit: f32) -> Result<(f32, Vec<String>), LabelProblem> {
    let (weight, least) = (line.lettering.weight(), line.lettering.least());
    let wanted = (line.lettering.share() * unit).max(least);
    let size_of = |text: &str| wanted.min(width / fonts.width(weight, 1.0, text).max(0.1));
    let text = fonts.shown(&line.text);
    let text = text.trim();
    let enough = if line.lettering == Lettering::Detail { least } else { BREAK_BELOW.min(wanted) };
    let mut best = (size_of(text), vec![text.to_owned()]);
    for many in 2..=LINES_MAX {
        if best.0 >= enough || (line.may_be_cut && line.lettering == Lettering::Detail) {
            break;
        }
        let lines = broken(text, many, |part| fonts.width(weight, 1.0, part));
        let size = lines.iter().map(|part| size_of(part)).fold(wanted, f32::min);
        if size > best.0 {
            best = (size, lines);
        }
    }
    if best.0 >= least {
        return Ok(best);
    }
    if line.may_be_cut {
        return Ok((least, vec![cut(text, |part| fonts.width(weight, least, part) <= width)]));
    }
    Err(LabelProblem::TooLong { text: line.text.clone(), size: best.0, least })
}

/// At most so many lines, as even as can be. They end after a blank or a sign, never within letters or digits, so that no blank is
/// read into a name.
fn broken(text: &str, many: usize, width: impl Fn(&str) -> f32) -> Vec<String> {
    let ends = |c: char| matches!(c, ' ' | '-' | '/' | '.' | '_' | '+' | ')' | '#' | ',');
    let parts: Vec<&str> = text.split_inclusive(ends).collect();
    let whole = width(text);
    let mut lines = vec![String::new()];
    for part in parts {
        let line = lines.last().map_or("", String::as_str);
        // A part goes onto the line on which more than half of it belongs.
        let middle = width(&lines.concat()) + width(part) / 2.0;
        if !line.is_empty() && lines.len() < many && middle > whole * lines.len() as f32 / many as f32 {
            lines.push(String::new());
        }
        if let Some(last) = lines.last_mut() {
            last.push_str(part);
        }
    }
    lines.into_iter().map(|line| line.trim().to_owned()).collect()
}

/// As much of the beginning as fits, with a sign that something was left out.
fn cut(text: &str, fits: impl Fn(&str) -> bool) -> String {
    let mut kept = String::new();
    for c in text.chars() {
        kept.push(c);
        if !fits(&format!("{kept}…")) {
            kept.pop();
            break;
        }
    }
    format!("{}…", kept.trim_end())
}

fn stacked(label: &Label, fonts: &Fonts, fitted: &[FittedLine], room: Room) -> Vec<PlacedLine> {
    let height: f32 = fitted.iter().map(FittedLine::height).sum();
    let many = fitted.len().max(1) as f32;
    let left = (room.height - height).max(0.0);
    let gap = (left / (many + 1.0)).min(4.0);
    let mut top = room.y + (left - gap * (many - 1.0)) / 2.0;
    let mut placed = Vec::new();
    for FittedLine { of, size, lines } in fitted {
        let weight = label.lines[*of].lettering.weight();
        for text in lines {
            let free = (room.width - fonts.width(weight, *size, text)).max(0.0);
            let x = if room.centred { room.x + free / 2.0 } else { room.x };
            placed.push(PlacedLine { of: *of, x, base: top + BASE * size, weight, size: *size, text: text.clone() });
            top += LINE * size;
        }
        top += gap;
    }
    placed
}
