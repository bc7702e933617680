//! What a report is made of, without its appearance.

use seathold_language::Language;

use crate::bitmap::Bitmap;
use crate::chart::Picture;
use crate::matrix_code::MatrixCode;

/// A report without its appearance.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Document {
    /// Its title, also that of the file.
    pub title: String,
    /// A few words for the foot of printed pages.
    pub foot: String,
    /// When the newest run on it began (RFC 3339); empty when there is none.
    pub moment: String,
    /// Its language.
    pub language: Language,
    /// What is on it, in order.
    pub blocks: Vec<Block>,
}

/// A part of a report.
#[derive(Clone, Debug, PartialEq)]
pub enum Block {
    /// A heading; 2 is the highest below the title.
    Heading(u8, String),
    /// A paragraph.
    Text(String),
    /// A paragraph that must not be overlooked: a word or two, and the text.
    Notice(String, String),
    /// Pairs of name and value.
    Facts(Vec<(String, String)>),
    /// Several short texts.
    List(Vec<String>),
    /// A table.
    Table(DocumentTable),
    /// A table in letters that are read at arm's length.
    LargeTable(DocumentTable),
    /// A chart with its caption.
    Figure(Picture, String),
    /// Two charts beside each other, each with its caption; below each other where there is no room.
    Pair(Box<[(Picture, String); 2]>),
    /// A two-dimensional code with its caption.
    Code {
        /// The code; the text that it holds stays as it is.
        code: MatrixCode,
        /// What stands below it; may be empty.
        caption: String,
    },
    /// A mark with words beside it, such as who writes.
    Letterhead(Bitmap, String),
    /// A photograph with its caption.
    Photograph(Bitmap, String),
    /// What follows begins on a new page when printed.
    NewSheet,
}

impl Document {
    /// The same with every text of it changed.
    #[must_use]
    pub fn map_texts(mut self, change: impl Fn(&str) -> String) -> Self {
        let of = |text: &mut String| *text = change(text);
        let picture = |(picture, caption): (&mut Picture, &mut String)| {
            picture.texts().chain([caption]).for_each(of);
        };
        of(&mut self.title);
        of(&mut self.foot);
        for block in &mut self.blocks {
            match block {
                Block::Heading(_, text) | Block::Text(text) => of(text),
                Block::Notice(what, text) => [what, text].into_iter().for_each(of),
                Block::Facts(facts) => facts.iter_mut().flat_map(|(name, value)| [name, value]).for_each(of),
                Block::List(items) => items.iter_mut().for_each(of),
                Block::Table(table) | Block::LargeTable(table) => {
                    of(&mut table.caption);
                    table.columns.iter_mut().map(|column| &mut column.name).for_each(of);
                    table.rows.iter_mut().flatten().for_each(of);
                }
                Block::Figure(chart, caption) => picture((chart, caption)),
                Block::Pair(pair) => pair.iter_mut().for_each(|(chart, caption)| picture((chart, caption))),
                Block::Code { caption, .. } => of(caption),
                Block::Letterhead(bitmap, text) | Block::Photograph(bitmap, text) => {
                    [&mut bitmap.about, text].into_iter().for_each(of);
                }
                Block::NewSheet => {}
            }
        }
        self
    }

    /// The bitmap of a block.
    pub(super) fn bitmap(&self, block: usize) -> Option<&Bitmap> {
        match self.blocks.get(block)? {
            Block::Letterhead(bitmap, _) | Block::Photograph(bitmap, _) => Some(bitmap),
            _ => None,
        }
    }

    /// A chart, by the number of its block and its position there.
    pub(super) fn picture(&self, block: usize, place: usize) -> Option<&Picture> {
        match (self.blocks.get(block)?, place) {
            (Block::Figure(picture, _), 0) => Some(picture),
            (Block::Pair(pair), place) => pair.get(place).map(|(picture, _)| picture),
            _ => None,
        }
    }
}

/// A table. The first cell of each row names the row.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct DocumentTable {
    /// Its caption.
    pub caption: String,
    /// Its columns.
    pub columns: Vec<DocumentColumn>,
    /// Its rows; as many cells each as there are columns.
    pub rows: Vec<Vec<String>>,
}

/// A column of a table.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct DocumentColumn {
    /// Its heading.
    pub name: String,
    /// Whether it holds numbers, which line up at their ends.
    pub number: bool,
    /// Its share of the width, against the shares of the others.
    pub share: u8,
}

impl DocumentColumn {
    /// Words.
    pub fn words(name: &str, share: u8) -> Self {
        Self { name: name.into(), number: false, share }
    }

    /// Numbers.
    pub fn number(name: &str, share: u8) -> Self {
        Self { name: name.into(), number: true, share }
    }
}
