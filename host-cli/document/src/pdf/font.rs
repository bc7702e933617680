//! Widths of words, and line breaks.

use krilla::text::{Font, GlyphId, KrillaGlyph};
use skrifa::instance::{LocationRef, Size};
use skrifa::metrics::GlyphMetrics;
use skrifa::{FontRef, MetadataProvider};

/// The font weight.
pub(super) type Weight = usize;
/// Running text.
pub(super) const PLAIN: Weight = 0;
/// Headings and names.
pub(super) const BOLD: Weight = 1;

/// DejaVu Sans Condensed 2.37, cut down to Latin, Greek, Cyrillic and signs, and without hints, which no printer needs.
/// Its licence is beside it.
const FILES: [&[u8]; 2] =
    [include_bytes!("font/DejaVuSansCondensed.ttf"), include_bytes!("font/DejaVuSansCondensed-Bold.ttf")];

/// The two faces.
pub(super) struct Fonts {
    faces: [Face; 2],
}

struct Face {
    read: FontRef<'static>,
    metrics: GlyphMetrics<'static>,
    written: Font,
    per_em: f32,
    /// Replacement for missing glyphs.
    unknown: (GlyphId, f32),
}

impl Face {
    fn of(file: &'static [u8]) -> Option<Self> {
        let read = FontRef::new(file).ok()?;
        let metrics = read.glyph_metrics(Size::unscaled(), LocationRef::default());
        let written = Font::new(file.into(), 0)?;
        let per_em = written.units_per_em();
        let unknown = read.charmap().map('\u{FFFD}').or_else(|| read.charmap().map('?'))?;
        let wide = metrics.advance_width(unknown)? / per_em;
        Some(Self { unknown: (GlyphId::new(unknown.to_u32()), wide), read, metrics, written, per_em })
    }

    /// The glyph of a character and its width in font sizes.
    fn glyph(&self, of: char) -> (GlyphId, f32) {
        let found = self.read.charmap().map(of).filter(|glyph| glyph.to_u32() != 0);
        let measured = found.and_then(|glyph| Some((glyph, self.metrics.advance_width(glyph)?)));
        measured.map_or(self.unknown, |(glyph, wide)| (GlyphId::new(glyph.to_u32()), wide / self.per_em))
    }
}

impl Fonts {
    /// `None` if the fonts that are built in cannot be read, which a test rules out.
    pub(super) fn new() -> Option<Self> {
        let [plain, bold] = FILES;
        Some(Self { faces: [Face::of(plain)?, Face::of(bold)?] })
    }

    pub(super) fn font(&self, weight: Weight) -> Font {
        self.faces[weight].written.clone()
    }

    /// Whether there is a glyph for a character.
    pub(super) fn has(&self, weight: Weight, of: char) -> bool {
        self.faces[weight].read.charmap().map(of).is_some_and(|glyph| glyph.to_u32() != 0)
    }

    /// A text as a PDF can hold it: blanks for line ends, and a replacement for what the format cannot hold.
    pub(super) fn shown(&self, text: &str) -> String {
        let shown = |c: char| match c {
            '\u{E000}'..='\u{F8FF}' | '\u{FEFF}' | '\u{FFF0}'..='\u{FFFB}' | '\u{FFFE}' | '\u{FFFF}' => '\u{FFFD}',
            // The planes for private use, and those with nothing in them.
            '\u{E0000}'.. => '\u{FFFD}',
            c if c.is_whitespace() && c != '\u{A0}' => ' ',
            c if c.is_control() => '\u{FFFD}',
            c => c,
        };
        text.chars().map(shown).collect()
    }

    /// The same for a heading, which must not be empty.
    pub(super) fn title(&self, text: &str) -> String {
        let shown = self.shown(text);
        if shown.trim().is_empty() { "–".into() } else { shown }
    }

    /// Glyphs of a line; the text must be [`Fonts::shown`].
    pub(super) fn glyphs(&self, weight: Weight, text: &str) -> Vec<KrillaGlyph> {
        let face = &self.faces[weight];
        let glyph = |(at, c): (usize, char)| {
            let (glyph, wide) = face.glyph(c);
            KrillaGlyph::new(glyph, wide, 0.0, 0.0, 0.0, at..at + c.len_utf8(), None)
        };
        text.char_indices().map(glyph).collect()
    }

    /// Width of a line in points. No kerning: a page of numbers does not need it.
    pub(super) fn width(&self, weight: Weight, size: f32, text: &str) -> f32 {
        text.chars().map(|c| self.faces[weight].glyph(c).1).sum::<f32>() * size
    }

    /// Lines no wider than `width`, the first one less by `indent`. They end at blanks, which stay with the line
    /// before, so that words stay separate in copied text; what has no blank is cut where necessary.
    pub(super) fn lines(&self, weight: Weight, size: f32, text: &str, width: f32, indent: f32) -> Vec<String> {
        let mut lines = vec![String::new()];
        let mut room = width - indent;
        for word in text.split_inclusive(' ') {
            let wide = self.width(weight, size, word.trim_end());
            let fresh = lines.last().is_none_or(String::is_empty);
            if wide > room && !(fresh && lines.len() > 1) && (wide <= width || !fresh) {
                lines.push(String::new());
                room = width;
            }
            if wide <= room {
                room -= self.width(weight, size, word);
                lines.last_mut().expect("there is a line from the beginning").push_str(word);
                continue;
            }
            for c in word.chars() {
                let wide = self.faces[weight].glyph(c).1 * size;
                let line = lines.last().map_or("", String::as_str);
                if wide > room && c != ' ' && !line.is_empty() {
                    lines.push(String::new());
                    room = width;
                }
                room -= wide;
                lines.last_mut().expect("there is a line from the beginning").push(c);
            }
        }
        lines
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Everything the program says by itself can be shown, and names of people in the alphabets that read from left to
    /// right.
    #[test]
    fn the_fonts_have_what_reports_say() {
        let fonts = Fonts::new().unwrap();
        for face in &fonts.faces {
            for c in "AZaz09 .,;:()[]<>%&/_\"'*#@+=|−–—±×·²³µ°≤≥√τΔπ…•→ÄÖÜäöüßéèñçåøŁŻžšİğΑΩαωЯЖяж".chars()
            {
                assert!(face.read.charmap().map(c).is_some_and(|g| g.to_u32() != 0), "no sign for {c}");
            }
        }
    }

    #[test]
    fn lines_break_at_blanks_and_only_cut_what_has_none() {
        let fonts = Fonts::new().unwrap();
        let lines = |text, width| fonts.lines(PLAIN, 10.0, text, width, 0.0);
        assert_eq!(lines("far side and supply side", 60.0), ["far side and ", "supply side"]);
        assert_eq!(lines("", 60.0), [""]);
        let cut = lines("0123456789abcdef0123456789abcdef", 60.0);
        assert!(cut.len() > 2 && cut.concat() == "0123456789abcdef0123456789abcdef", "{cut:?}");
    }
}
