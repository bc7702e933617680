//! A document as a PDF file: the same content as the HTML page, with page breaks.
//!
//! A file a step: `font` has widths and line breaks; `layout` turns blocks into
//! strips, each as wide as the page, and says which belong together; `pagination` stacks strips on pages; `draw` writes
//! them. [`labels`] are pages of their own size, a label each. Every word belongs to a `tagging::TagId`, for screen readers.
//!
//! What is written keeps PDF/A-2a (ISO 19005-2), or with files in it PDF/A-3a (ISO 19005-3), and PDF/UA-1 (ISO 14289-1) as far as `krilla` checks them: fonts
//! inside, nothing fetched, tagged, with a title and an outline. The same document gives the same bytes: the file's
//! date is that of its newest run, and nothing else depends on time or place.

pub mod attached;
mod blocks;
mod draw;
mod font;
mod label;
mod label_layout;
pub mod labels;
mod layout;
mod pagination;
mod tables;
mod tagging;

use std::fmt;

use super::Document;

/// A page size.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum PageSize {
    /// 210 mm × 297 mm (ISO 216).
    #[default]
    A4,
    /// 8.5 in × 11 in (ANSI/ASME Y14.1).
    Letter,
}

impl PageSize {
    /// Width and height in points of 1/72 inch.
    pub const fn size(self) -> (f32, f32) {
        match self {
            Self::A4 => (595.276, 841.890),
            Self::Letter => (612.0, 792.0),
        }
    }

    const fn format(self) -> PageFormat {
        PageFormat { size: self.size(), margin: MARGIN, foot: FOOT }
    }
}

/// A page's size, and what of it stays free, in points.
#[derive(Clone, Copy, Debug, PartialEq)]
struct PageFormat {
    size: (f32, f32),
    /// On the left, on the right and at the top.
    margin: f32,
    /// At the bottom, with the foot in it; without any there is no foot.
    foot: f32,
}

impl PageFormat {
    /// Width between the margins.
    const fn across(self) -> f32 {
        self.size.0 - 2.0 * self.margin
    }

    /// Height above the foot.
    const fn down(self) -> f32 {
        self.size.1 - self.margin - self.foot
    }
}

/// Free on the left, on the right and at the top: 15 mm.
const MARGIN: f32 = 42.52;
/// Free at the bottom, with the foot in it.
const FOOT: f32 = 54.0;

/// A file in a PDF, for a program to read: what the pages show, as data.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct AttachedFile {
    /// Its name.
    pub name: String,
    /// Its kind, as "application/json".
    pub mime_type: &'static str,
    /// What it is, in words.
    pub about: String,
    /// Its bytes.
    pub bytes: Vec<u8>,
}

/// Why a document cannot be written as PDF.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct PdfError(String);

impl fmt::Display for PdfError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "cannot be written as PDF: {}; .html takes it", self.0)
    }
}

impl std::error::Error for PdfError {}

/// The bytes of the file.
///
/// # Errors
/// When a limit of the format is met, such as a name of more than 32 767 bytes.
pub fn document(document: &Document, sheet: PageSize) -> Result<Vec<u8>, PdfError> {
    document_with(document, sheet, &[])
}

/// The same with files in it: then it keeps PDF/A-3a (ISO 19005-3), which allows them.
///
/// # Errors
/// As above; and when two files have one name.
pub fn document_with(document: &Document, sheet: PageSize, attached: &[AttachedFile]) -> Result<Vec<u8>, PdfError> {
    let fonts = font::Fonts::new().ok_or_else(|| PdfError("its own font cannot be read".into()))?;
    let format = sheet.format();
    let layout = blocks::lay_out(document, &fonts, format);
    let stacked = pagination::stack(&layout, format.down());
    draw::write(document, &layout, &stacked, &fonts, format, attached)
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;
    use crate::{Bitmap, BitmapKind, Block, DocumentColumn, DocumentTable, MatrixCode};

    /// Three grey pixels as a PNG, of any size on the page.
    fn bitmap() -> impl Strategy<Value = Bitmap> {
        let bytes = include_bytes!("three_pixels.png").as_slice();
        (1.0..400.0, 1.0..400.0, words()).prop_map(move |(wide, high, about)| Bitmap {
            bytes: bytes.into(),
            kind: BitmapKind::Png,
            size_mm: (wide, high),
            about,
        })
    }

    /// Any words at all, with a leaning to what is hard: nothing to break at, and signs no font has.
    fn words() -> impl Strategy<Value = String> {
        prop_oneof!["[a-z ]{0,300}", "[a-f0-9]{60,600}", "\\PC{0,40}", any::<String>()]
    }

    fn block() -> impl Strategy<Value = Block> {
        let rows = prop::collection::vec(prop::collection::vec(words(), 3), 0..30);
        prop_oneof![
            (2u8..4, words()).prop_map(|(level, text)| Block::Heading(level, text)),
            words().prop_map(Block::Text),
            (words(), words()).prop_map(|(what, text)| Block::Notice(what, text)),
            prop::collection::vec((words(), words()), 0..6).prop_map(Block::Facts),
            prop::collection::vec(words(), 0..6).prop_map(Block::List),
            (words(), rows).prop_map(|(caption, rows)| Block::Table(DocumentTable {
                caption,
                columns: vec![
                    DocumentColumn::words("Name", 1),
                    DocumentColumn::number("Number", 2),
                    DocumentColumn::words("Rest", 5)
                ],
                rows,
            })),
            (prop::collection::vec(prop::collection::vec(words(), 2), 0..30)).prop_map(|rows| Block::LargeTable(
                DocumentTable {
                    caption: "Large".into(),
                    columns: vec![DocumentColumn::words("Name", 1), DocumentColumn::number("Number", 1)],
                    rows,
                }
            )),
            ("[A-Za-z0-9 -]{1,200}", words())
                .prop_map(|(text, caption)| Block::Code { code: MatrixCode::new(&text).unwrap(), caption }),
            (bitmap(), words()).prop_map(|(mark, text)| Block::Letterhead(mark, text)),
            (bitmap(), words()).prop_map(|(photograph, caption)| Block::Photograph(photograph, caption)),
            Just(Block::NewSheet),
        ]
    }

    fn document() -> impl Strategy<Value = Document> {
        let blocks = prop::collection::vec(block(), 0..12);
        (words(), words(), blocks).prop_map(|(title, foot, blocks)| Document {
            title,
            foot,
            moment: "2026-03-02T09:00:00Z".into(),
            blocks,
            ..Document::default()
        })
    }

    /// Every sign but blanks.
    fn signs(text: &str) -> String {
        text.chars().filter(|c| !c.is_whitespace()).collect()
    }

    proptest! {
        #![proptest_config(ProptestConfig { cases: 12, failure_persistence: None, ..ProptestConfig::default() })]

        /// Any document can be written, twice to the same bytes, in any size.
        #[test]
        fn any_document_can_be_written(document in document()) {
            let [a4, again, letter] = [PageSize::A4, PageSize::A4, PageSize::Letter].map(|sheet| super::document(&document, sheet).unwrap());
            prop_assert!(a4.starts_with(b"%PDF-") && a4 == again && a4 != letter);
        }
    }

    proptest! {
        #![proptest_config(ProptestConfig { cases: 48, failure_persistence: None, ..ProptestConfig::default() })]

        /// No strip is lost, twice on paper, out of order, over another, or over the foot.
        #[test]
        fn strips_stand_below_one_another_and_above_the_foot(document in document()) {
            let fonts = font::Fonts::new().unwrap();
            let down = PageSize::A4.format().down();
            let layout = blocks::lay_out(&document, &fonts, PageSize::A4.format());
            let stacked = pagination::stack(&layout, down);
            let mut order = Vec::new();
            for sheet in &stacked {
                let mut below = 0.0_f32;
                for placed in sheet {
                    prop_assert!(placed.top >= below - 0.01);
                    below = placed.top + placed.strip(&layout).height;
                    prop_assert!(below <= down + 0.01, "{} of {}", below, down);
                    order.extend((!placed.again).then_some(placed.index));
                }
                prop_assert!(!sheet.is_empty());
            }
            prop_assert_eq!(order, (0..layout.strips.len()).collect::<Vec<_>>());
        }

        /// Breaking into lines loses and adds nothing but blanks, and no line is too wide.
        #[test]
        fn lines_hold_all_words(text in words(), width in 30.0_f32..500.0, indent in 0.0_f32..20.0) {
            let fonts = font::Fonts::new().unwrap();
            let text = fonts.shown(&text);
            let lines = fonts.lines(font::PLAIN, 9.0, &text, width, indent);
            prop_assert_eq!(signs(&lines.concat()), signs(&text));
            for (i, line) in lines.iter().enumerate() {
                let room = if i == 0 { width - indent } else { width };
                let wide = fonts.width(font::PLAIN, 9.0, line.trim_end());
                prop_assert!(wide <= room + 0.01 || line.chars().count() == 1, "{} in {}: {}", wide, room, line);
            }
        }
    }

    /// A picture that nobody described still is one for whoever hears the page.
    #[test]
    fn a_picture_without_words_can_be_written() {
        for about in ["", " ", "\u{200b}"] {
            let bytes = include_bytes!("three_pixels.png").as_slice().into();
            let picture = Bitmap { bytes, kind: BitmapKind::Png, size_mm: (9.0, 3.0), about: about.into() };
            let blocks = vec![Block::Photograph(picture, String::new())];
            let (title, moment) = ("Title".into(), "2026-03-02T09:00:00Z".into());
            let document = Document { title, moment, blocks, ..Document::default() };
            super::document(&document, PageSize::A4).unwrap();
        }
    }

    #[test]
    fn a_text_beyond_the_format_is_refused_with_a_reason() {
        let title = "x".repeat(40_000);
        let moment = "2026-03-02T09:00:00Z".into();
        let document = Document { title, foot: String::new(), moment, blocks: Vec::new(), ..Document::default() };
        let why = super::document(&document, PageSize::A4).map(|bytes| bytes.len()).unwrap_err().to_string();
        assert!(why.contains("cannot be written as PDF") && why.contains("TooLongString"), "{why}");
    }
}
