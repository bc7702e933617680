//! Blocks as strips: each as wide as the page, and as high as its content.

use super::PageFormat;
use super::font::{BOLD, Fonts, PLAIN, Weight};
use super::tagging::{Role, TagId, TagList};
use crate::Bitmap;
use crate::chart::Picture;
use crate::matrix_code::{MatrixCode, PAGE_MODULE_MM};

/// Font size of running text, in points.
pub(super) const BODY: f32 = 9.0;
/// The same in tables and captions.
pub(super) const SMALL: f32 = 8.0;
/// The same in tables that are read at arm's length.
pub(super) const LARGE: f32 = 12.0;
/// Line spacing, in font sizes.
const LEADING: f32 = 1.36;
/// Free at either edge of a notice.
const EDGE: f32 = 8.0;
/// Width of the thick bar beside a notice.
const BAR: f32 = 4.0;

/// Whether a page break may follow a strip.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub(super) enum KeepWithNext {
    /// A page may end here.
    No,
    /// It may where there is no better break.
    Loose,
    /// Only when what belongs together is higher than a page.
    Firm,
}

impl KeepWithNext {
    pub(super) const fn next(self) -> Self {
        match self {
            Self::No => Self::Loose,
            Self::Loose | Self::Firm => Self::Firm,
        }
    }
}

/// An element of a strip. Positions are in points from its upper left corner.
#[derive(Clone, Debug, PartialEq)]
pub(super) enum Piece {
    /// Words on one line.
    Words { x: f32, base: f32, weight: Weight, size: f32, text: String, part: TagId },
    /// A black or grey box: rules, bars, frames.
    Ink { x: f32, y: f32, width: f32, height: f32, grey: u8 },
    /// A chart of the document, by the number of its block and its position there.
    Picture { block: usize, place: usize, x: f32, y: f32, scale: f32, part: TagId },
    /// A bitmap of the document, by the number of its block.
    Bitmap { block: usize, x: f32, y: f32, width: f32, height: f32, part: TagId },
    /// A two-dimensional code of the document, by the number of its block, with modules of a size.
    Code { block: usize, x: f32, y: f32, module: f32, part: TagId },
}

/// Elements side by side.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Strip {
    pub(super) height: f32,
    /// Space above it, except at the top of a page.
    pub(super) before: f32,
    pub(super) hold: KeepWithNext,
    /// Begins a page.
    pub(super) fresh: bool,
    /// The table head that is repeated when a page begins with this strip.
    pub(super) head: Option<usize>,
    /// The heading that begins here, for the outline: its level and words.
    pub(super) heading: Option<(u8, String)>,
    pub(super) pieces: Vec<Piece>,
}

impl Strip {
    pub(super) fn of(height: f32, pieces: Vec<Piece>) -> Self {
        Self { height, before: 0.0, hold: KeepWithNext::No, fresh: false, head: None, heading: None, pieces }
    }
}

/// A document as strips.
pub(super) struct DocumentLayout<'a> {
    pub(super) strips: Vec<Strip>,
    pub(super) heads: Vec<Strip>,
    pub(super) parts: TagList,
    pub(super) fonts: &'a Fonts,
    pub(super) across: f32,
    pub(super) down: f32,
}

/// Line spacing.
pub(super) fn line_height(size: f32) -> f32 {
    size * LEADING
}

/// The base line within a line's height.
pub(super) fn base(size: f32) -> f32 {
    // Ascent and descent of the face are 0.93 and 0.24; what is left is shared out.
    size * (LEADING + 0.93 - 0.24) / 2.0
}

impl<'a> DocumentLayout<'a> {
    /// An empty one.
    pub(super) fn new(fonts: &'a Fonts, format: PageFormat) -> Self {
        let (across, down) = (format.across(), format.down());
        DocumentLayout { strips: Vec::new(), heads: Vec::new(), parts: TagList::default(), fonts, across, down }
    }

    /// Lines of one part, a strip each.
    pub(super) fn lines(&self, x: f32, width: f32, weight: Weight, size: f32, text: &str, part: TagId) -> Vec<Strip> {
        let text = self.fonts.shown(text);
        let line = |text: String| {
            let words = Piece::Words { x, base: base(size), weight, size, text, part };
            Strip::of(line_height(size), vec![words])
        };
        self.fonts.lines(weight, size, &text, width, 0.0).into_iter().map(line).collect()
    }

    /// Adds strips with space before them; neither the first nor the last line stands alone.
    pub(super) fn add(&mut self, mut strips: Vec<Strip>, before: f32) {
        let many = strips.len();
        for (i, strip) in strips.iter_mut().enumerate() {
            if strip.hold == KeepWithNext::No && many > 1 && (i == 0 || i + 2 == many) {
                strip.hold = KeepWithNext::Loose;
            }
        }
        if let Some(first) = strips.first_mut() {
            first.before = before;
        }
        self.strips.append(&mut strips);
    }

    pub(super) fn heading(&mut self, level: u8, text: &str) {
        let (size, before) = match level {
            1 => (16.0, 0.0),
            2 => (12.0, 18.0),
            _ => (10.0, 12.0),
        };
        let text = self.fonts.title(text);
        let part = self.parts.add(Role::Heading(level, text.clone()), None);
        let mut strips = self.lines(0.0, self.across, BOLD, size, &text, part);
        if let Some(first) = strips.first_mut() {
            first.heading = Some((level, text));
        }
        if let Some(last) = strips.last_mut() {
            if level == 2 {
                last.pieces.push(Piece::Ink { x: 0.0, y: last.height, width: self.across, height: 0.8, grey: 0 });
            }
            last.height += if level == 1 { 6.0 } else { 3.0 };
        }
        for strip in &mut strips {
            strip.hold = KeepWithNext::Firm;
        }
        self.add(strips, before);
    }

    /// The first text below a heading is about what follows, and stays with it where it can.
    pub(super) fn text(&mut self, text: &str, opening: bool) {
        let part = self.parts.add(Role::Paragraph, None);
        let strips = self.lines(0.0, self.across, PLAIN, BODY, text, part);
        self.add(strips, 5.0);
        if let (true, Some(last)) = (opening, self.strips.last_mut()) {
            last.hold = KeepWithNext::Loose;
        }
    }

    /// A frame with a thick bar, the first words bold.
    pub(super) fn notice(&mut self, what: &str, text: &str) {
        let part = self.parts.add(Role::Paragraph, None);
        let (left, room) = (BAR + EDGE, self.across - BAR - 2.0 * EDGE);
        let what = self.fonts.shown(what) + " ";
        let mut strips = self.lines(left, room, BOLD, BODY, &what, part);
        // The rest begins on the line where the bold words end.
        let ends = match strips.last().and_then(|strip| strip.pieces.first()) {
            Some(Piece::Words { text, .. }) => self.fonts.width(BOLD, BODY, text) + 2.0,
            _ => 0.0,
        };
        let text = self.fonts.shown(text);
        for (i, text) in self.fonts.lines(PLAIN, BODY, &text, room, ends).into_iter().enumerate() {
            let x = if i == 0 { left + ends } else { left };
            let words = Piece::Words { x, base: base(BODY), weight: PLAIN, size: BODY, text, part };
            match strips.last_mut() {
                Some(last) if i == 0 => last.pieces.push(words),
                _ => strips.push(Strip::of(line_height(BODY), vec![words])),
            }
        }
        let many = strips.len();
        for (i, strip) in strips.iter_mut().enumerate() {
            if i == 0 {
                strip.height += 5.0;
                lower(&mut strip.pieces, 5.0);
            }
            if i + 1 == many {
                strip.height += 5.0;
            }
            let height = strip.height;
            let mut ink = |x, y, width, height| strip.pieces.push(Piece::Ink { x, y, width, height, grey: 0 });
            ink(0.0, 0.0, BAR, height);
            ink(self.across - 0.7, 0.0, 0.7, height);
            if i == 0 {
                ink(0.0, 0.0, self.across, 0.7);
            }
            if i + 1 == many {
                ink(0.0, height - 0.7, self.across, 0.7);
            } else {
                strip.hold = KeepWithNext::Loose;
            }
        }
        self.add(strips, 7.0);
    }

    pub(super) fn facts(&mut self, facts: &[(String, String)]) {
        let list = self.parts.add(Role::Facts, None);
        let widest = facts.iter().map(|(name, _)| self.fonts.width(BOLD, BODY, &self.fonts.shown(name)));
        let names = widest.fold(0.0, f32::max).min(self.across * 0.4);
        let left = names + 12.0;
        for (i, (name, value)) in facts.iter().enumerate() {
            let item = self.parts.add(Role::Item, Some(list));
            let label = self.parts.add(Role::Label, Some(item));
            let body = self.parts.add(Role::Body, Some(item));
            let names = self.lines(0.0, names, BOLD, BODY, name, label);
            let values = self.lines(left, self.across - left, PLAIN, BODY, value, body);
            self.add(beside(names, values), if i == 0 { 6.0 } else { 1.5 });
        }
    }

    pub(super) fn list(&mut self, items: &[String]) {
        let list = self.parts.add(Role::List, None);
        for (i, text) in items.iter().enumerate() {
            let item = self.parts.add(Role::Item, Some(list));
            let label = self.parts.add(Role::Label, Some(item));
            let body = self.parts.add(Role::Body, Some(item));
            let dot = self.lines(3.0, 10.0, PLAIN, BODY, "•", label);
            let text = self.lines(14.0, self.across - 14.0, PLAIN, BODY, text, body);
            self.add(beside(dot, text), if i == 0 { 5.0 } else { 2.0 });
        }
    }

    /// A chart and the lines below it, as wide as the space from `x` on, unless that is too high.
    pub(super) fn figure(
        &mut self,
        (block, place): (usize, usize),
        (x, across): (f32, f32),
        picture: &Picture,
        caption: &str,
    ) -> Vec<Strip> {
        let group = self.parts.add(Role::Group, None);
        let about = self.fonts.shown(&format!("{}. {}", picture.title, picture.about));
        let figure = self.parts.add(Role::Figure(about), Some(group));
        let caption_part = self.parts.add(Role::Caption, Some(group));
        let caption = self.lines(x, across, PLAIN, SMALL, caption, caption_part);
        let (width, height) = (picture.width as f32, picture.height as f32);
        let scale = (across / width).min(self.down * 0.8 / height);
        let drawn = Piece::Picture { block, place, x, y: 0.0, scale, part: figure };
        let mut strips = vec![Strip::of(height * scale + 3.0, vec![drawn])];
        strips.extend(caption);
        let many = strips.len();
        strips.iter_mut().take(many - 1).for_each(|strip| strip.hold = KeepWithNext::Firm);
        strips
    }

    /// A code and the lines below it.
    pub(super) fn code(&mut self, block: usize, code: &MatrixCode, caption: &str) {
        let group = self.parts.add(Role::Group, None);
        let part = self.parts.add(Role::Figure(self.fonts.shown(&code.about())), Some(group));
        let module = (PAGE_MODULE_MM * 72.0 / 25.4) as f32;
        let module = module.min(self.across.min(self.down * 0.8) / code.side() as f32);
        let drawn = Piece::Code { block, x: 0.0, y: 0.0, module, part };
        let mut strips = vec![Strip::of(code.side() as f32 * module, vec![drawn])];
        if !caption.is_empty() {
            let caption_part = self.parts.add(Role::Caption, Some(group));
            strips[0].hold = KeepWithNext::Firm;
            strips.append(&mut self.lines(0.0, self.across, PLAIN, SMALL, caption, caption_part));
        }
        self.add(strips, 9.0);
    }

    /// A bitmap as large as it is to be, or as there is room for, and its size.
    fn bitmap(&mut self, block: usize, bitmap: &Bitmap, (across, down): (f32, f32)) -> (Piece, (f32, f32)) {
        let part = self.parts.add(Role::Figure(self.fonts.shown(&bitmap.about)), None);
        let (wide, high) = (points(bitmap.size_mm.0), points(bitmap.size_mm.1));
        let scale = (across / wide).min(down / high).min(1.0);
        let (width, height) = (wide * scale, high * scale);
        (Piece::Bitmap { block, x: 0.0, y: 0.0, width, height, part }, (width, height))
    }

    /// A mark, and words to the right of it, in the middle of its height.
    pub(super) fn letterhead(&mut self, block: usize, mark: &Bitmap, text: &str) {
        let (mark, (width, height)) = self.bitmap(block, mark, (self.across / 2.0, self.down / 4.0));
        let part = self.parts.add(Role::Paragraph, None);
        let left = width + 12.0;
        let lines = self.lines(left, self.across - left, PLAIN, BODY, text, part);
        let words: f32 = lines.iter().map(|line| line.height).sum();
        if words > height {
            // More words than there is room for beside it.
            self.add(vec![Strip { hold: KeepWithNext::Firm, ..Strip::of(height, vec![mark]) }], 7.0);
            let strips = self.lines(0.0, self.across, PLAIN, BODY, text, part);
            self.add(strips, 3.0);
            return;
        }
        let mut pieces = vec![mark];
        let mut above = (height - words) / 2.0;
        for mut line in lines {
            lower(&mut line.pieces, above);
            above += line.height;
            pieces.append(&mut line.pieces);
        }
        self.add(vec![Strip::of(height, pieces)], 7.0);
    }

    /// A photograph and the lines below it.
    pub(super) fn photograph(&mut self, block: usize, photograph: &Bitmap, caption: &str) {
        let (drawn, (_, height)) = self.bitmap(block, photograph, (self.across, self.down * 0.8));
        let caption_part = self.parts.add(Role::Paragraph, None);
        let mut strips = vec![Strip::of(height + 3.0, vec![drawn])];
        strips.append(&mut self.lines(0.0, self.across, PLAIN, SMALL, caption, caption_part));
        let many = strips.len();
        strips.iter_mut().take(many - 1).for_each(|strip| strip.hold = KeepWithNext::Firm);
        self.add(strips, 9.0);
    }

    /// Two charts of one size beside each other.
    pub(super) fn pair(&mut self, block: usize, [first, second]: &[(Picture, String); 2]) {
        let gap = 14.0;
        let half = (self.across - gap) / 2.0;
        let left = self.figure((block, 0), (0.0, half), &first.0, &first.1);
        let right = self.figure((block, 1), (half + gap, half), &second.0, &second.1);
        self.add(beside(left, right), 9.0);
    }
}

/// Two columns of lines, put beside each other.
fn beside(left: Vec<Strip>, right: Vec<Strip>) -> Vec<Strip> {
    let (mut longer, shorter) = if left.len() > right.len() { (left, right) } else { (right, left) };
    for (strip, other) in longer.iter_mut().zip(shorter) {
        let mut pieces = other.pieces;
        pieces.append(&mut strip.pieces);
        strip.pieces = pieces;
    }
    longer
}

/// Points of 1/72 inch.
fn points(mm: f64) -> f32 {
    (mm * 72.0 / 25.4) as f32
}

/// Moves pieces down.
pub(super) fn lower(pieces: &mut [Piece], by: f32) {
    for piece in pieces {
        match piece {
            Piece::Words { base, .. } => *base += by,
            Piece::Ink { y, .. } | Piece::Picture { y, .. } | Piece::Bitmap { y, .. } | Piece::Code { y, .. } => {
                *y += by
            }
        }
    }
}
