//! A paper as a PDF file: the same content as the page, broken into sheets here.
//!
//! A file a step: `letters` knows how wide words are and where lines break; `flow` turns blocks into
//! strips, each as wide as the sheet, and says which belong together; `sheets` stacks strips on sheets; `draw` writes
//! them. Every word belongs to a `parts::Part`, which is what a screen reader goes by.
//!
//! What is written keeps PDF/A-2a (ISO 19005-2) and PDF/UA-1 (ISO 14289-1) as far as `krilla` checks them: fonts inside,
//! nothing fetched, tagged, with a title and an outline. The same paper gives the same bytes: the file's date is that of
//! its newest run, and nothing else depends on time or place.

mod draw;
mod flow;
mod letters;
mod parts;
mod sheets;
mod tables;

use std::fmt;

use super::Paper;

/// A size of sheet.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, clap::ValueEnum)]
pub enum Sheet {
    /// 210 mm × 297 mm (ISO 216).
    #[default]
    A4,
    /// 8.5 in × 11 in (ANSI/ASME Y14.1).
    Letter,
}

impl Sheet {
    /// Width and height in points of 1/72 inch.
    pub const fn size(self) -> (f32, f32) {
        match self {
            Self::A4 => (595.276, 841.890),
            Self::Letter => (612.0, 792.0),
        }
    }

    /// What is left of the width between the margins.
    const fn across(self) -> f32 {
        self.size().0 - 2.0 * MARGIN
    }

    /// What is left of the height above the foot.
    const fn down(self) -> f32 {
        self.size().1 - MARGIN - FOOT
    }
}

/// Free on the left, on the right and at the top: 15 mm.
const MARGIN: f32 = 42.52;
/// Free at the bottom, with the foot in it.
const FOOT: f32 = 54.0;

/// Why a paper cannot be written as PDF.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Unwritable(String);

impl fmt::Display for Unwritable {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "cannot be written as PDF: {}; .html takes it", self.0)
    }
}

impl std::error::Error for Unwritable {}

/// The bytes of the file.
///
/// # Errors
/// When a limit of the format is met, such as a name of more than 32 767 bytes.
pub fn document(paper: &Paper, sheet: Sheet) -> Result<Vec<u8>, Unwritable> {
    let letters = letters::Letters::new().ok_or_else(|| Unwritable("its own font cannot be read".into()))?;
    let flow = flow::Flow::of(paper, &letters, sheet);
    let stacked = sheets::stack(&flow, sheet.down());
    draw::write(paper, &flow, &stacked, &letters, sheet)
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;
    use crate::report::{Block, Column, Table};

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
            (words(), rows).prop_map(|(caption, rows)| Block::Table(Table {
                caption,
                columns: vec![Column::words("Name", 1), Column::number("Number", 2), Column::words("Rest", 5)],
                rows,
            })),
            Just(Block::NewSheet),
        ]
    }

    fn paper() -> impl Strategy<Value = Paper> {
        let blocks = prop::collection::vec(block(), 0..12);
        (words(), words(), blocks).prop_map(|(title, foot, blocks)| Paper {
            title,
            foot,
            moment: "2026-03-02T09:00:00Z".into(),
            blocks,
        })
    }

    /// Every sign but blanks.
    fn signs(text: &str) -> String {
        text.chars().filter(|c| !c.is_whitespace()).collect()
    }

    proptest! {
        #![proptest_config(ProptestConfig { cases: 12, failure_persistence: None, ..ProptestConfig::default() })]

        /// Any paper can be written, twice to the same bytes, in any size.
        #[test]
        fn any_paper_can_be_written(paper in paper()) {
            let [a4, again, letter] = [Sheet::A4, Sheet::A4, Sheet::Letter].map(|sheet| document(&paper, sheet).unwrap());
            prop_assert!(a4.starts_with(b"%PDF-") && a4 == again && a4 != letter);
        }
    }

    proptest! {
        #![proptest_config(ProptestConfig { cases: 48, failure_persistence: None, ..ProptestConfig::default() })]

        /// No strip is lost, twice on paper, out of order, over another, or over the foot.
        #[test]
        fn strips_stand_below_one_another_and_above_the_foot(paper in paper()) {
            let letters = letters::Letters::new().unwrap();
            let flow = flow::Flow::of(&paper, &letters, Sheet::A4);
            let stacked = sheets::stack(&flow, Sheet::A4.down());
            let mut order = Vec::new();
            for sheet in &stacked {
                let mut below = 0.0_f32;
                for placed in sheet {
                    prop_assert!(placed.top >= below - 0.01);
                    below = placed.top + placed.strip(&flow).height;
                    prop_assert!(below <= Sheet::A4.down() + 0.01, "{} of {}", below, Sheet::A4.down());
                    order.extend((!placed.again).then_some(placed.index));
                }
                prop_assert!(!sheet.is_empty());
            }
            prop_assert_eq!(order, (0..flow.strips.len()).collect::<Vec<_>>());
        }

        /// Breaking into lines loses and adds nothing but blanks, and no line is too wide.
        #[test]
        fn lines_hold_all_words(text in words(), width in 30.0_f32..500.0, indent in 0.0_f32..20.0) {
            let letters = letters::Letters::new().unwrap();
            let text = letters.shown(&text);
            let lines = letters.lines(letters::PLAIN, 9.0, &text, width, indent);
            prop_assert_eq!(signs(&lines.concat()), signs(&text));
            for (i, line) in lines.iter().enumerate() {
                let room = if i == 0 { width - indent } else { width };
                let wide = letters.width(letters::PLAIN, 9.0, line.trim_end());
                prop_assert!(wide <= room + 0.01 || line.chars().count() == 1, "{} in {}: {}", wide, room, line);
            }
        }
    }

    #[test]
    fn a_text_beyond_the_format_is_refused_with_a_reason() {
        let title = "x".repeat(40_000);
        let moment = "2026-03-02T09:00:00Z".into();
        let paper = Paper { title, foot: String::new(), moment, blocks: Vec::new() };
        let why = document(&paper, Sheet::A4).map(|bytes| bytes.len()).unwrap_err().to_string();
        assert!(why.contains("cannot be written as PDF") && why.contains("TooLongString"), "{why}");
    }
}
