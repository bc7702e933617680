//! A document, block by block, as strips.

use super::PageFormat;
use super::font::Fonts;
use super::layout::{DocumentLayout, LARGE, SMALL};
use super::tables;
use crate::{Block, Document};

/// All of a document.
pub(super) fn lay_out<'a>(document: &Document, fonts: &'a Fonts, format: PageFormat) -> DocumentLayout<'a> {
    let mut layout = DocumentLayout::new(fonts, format);
    layout.heading(1, &document.title);
    let mut fresh = false;
    for (number, block) in document.blocks.iter().enumerate() {
        let first = layout.strips.len();
        let before = number.checked_sub(1).and_then(|before| document.blocks.get(before));
        match block {
            Block::Heading(level, text) => layout.heading(*level, text),
            Block::Text(text) => layout.text(text, matches!(before, Some(Block::Heading(..)))),
            Block::Notice(what, text) => layout.notice(what, text),
            Block::Facts(facts) => layout.facts(facts),
            Block::List(items) => layout.list(items),
            Block::Table(table) => tables::add(&mut layout, table, SMALL),
            Block::LargeTable(table) => tables::add(&mut layout, table, LARGE),
            Block::Figure(picture, caption) => {
                let strips = layout.figure((number, 0), (0.0, layout.across), picture, caption);
                layout.add(strips, 9.0);
            }
            Block::Pair(pair) => layout.pair(number, pair),
            Block::Code { code, caption } => layout.code(number, code, caption),
            Block::Letterhead(mark, text) => layout.letterhead(number, mark, text),
            Block::Photograph(photograph, caption) => layout.photograph(number, photograph, caption),
            Block::NewSheet => fresh = true,
        }
        if let Some(strip) = layout.strips.get_mut(first) {
            strip.fresh = std::mem::take(&mut fresh);
        }
    }
    layout
}
