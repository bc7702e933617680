//! A label, without its size and its places.

use crate::matrix_code::MatrixCode;

/// How a line of a label is set.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Lettering {
    /// What the label is read for, as large as can be.
    Name,
    /// A word that must be seen as soon as that.
    Result,
    /// Anything else.
    Detail,
}

/// A line of a label.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct LabelLine {
    /// Its words.
    pub text: String,
    /// How they are set.
    pub lettering: Lettering,
    /// Whether the end may be left out where there is no room; else a label without room for it is refused.
    pub may_be_cut: bool,
}

impl LabelLine {
    /// One that is never cut.
    pub fn complete(lettering: Lettering, text: impl Into<String>) -> Self {
        Self { text: text.into(), lettering, may_be_cut: false }
    }

    /// One that may be cut.
    pub fn detail(text: impl Into<String>) -> Self {
        Self { text: text.into(), lettering: Lettering::Detail, may_be_cut: true }
    }
}

/// A label.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Label {
    /// What it is of, for the outline and for errors.
    pub name: String,
    /// Its code, if it has one.
    pub code: Option<MatrixCode>,
    /// What stands beside it, in order.
    pub lines: Vec<LabelLine>,
}

/// Why a label cannot be made.
#[derive(Clone, Debug, PartialEq)]
pub(super) enum LabelProblem {
    /// A text that must be complete is too long at the least legible size.
    TooLong { text: String, size: f32, least: f32 },
    /// All lines together are too high at the least legible size.
    TooHigh,
    /// The code.
    CodeTooLarge { needs_mm: f32, has_mm: f32 },
    /// A character that cannot be printed in a text that must be complete.
    Character(String, char),
}
