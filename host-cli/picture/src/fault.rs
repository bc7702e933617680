//! Why a picture is refused.

/// Why a picture is refused.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum PictureFault {
    /// It has more bytes than are read.
    #[error("{bytes} bytes; {most} are allowed")]
    TooLong {
        /// How many it has.
        bytes: u64,
        /// How many it may have.
        most: u64,
    },
    /// It is no picture of a kind that is read.
    #[error("it is no {0} file, by what it begins with")]
    Kind(&'static str),
    /// It has more pixels than are read.
    #[error("{width} × {height} pixels; {most} are allowed")]
    TooManyPixels {
        /// Its width.
        width: u32,
        /// Its height.
        height: u32,
        /// How many it may have in all.
        most: u64,
    },
    /// It is too long for its width, or the other way round.
    #[error("{width} × {height} is too narrow: one side may be {most} times the other")]
    TooNarrow {
        /// Its width.
        width: u32,
        /// Its height.
        height: u32,
        /// How many times as long one side may be.
        most: u32,
    },
    /// It cannot be read to its end.
    #[error("it cannot be read: {0}")]
    Damaged(String),
    /// Something in a drawing is not allowed there.
    #[error("line {line}: {what}")]
    Drawing {
        /// The line.
        line: u32,
        /// What is not allowed.
        what: String,
    },
    /// A drawing that paints over itself again and again.
    #[error("it paints over itself more than {most} times; draw it with less, or save it as a PNG")]
    TooMuch {
        /// How often it may.
        most: f64,
    },
    /// A drawing in which nothing is drawn.
    #[error("nothing is drawn in it")]
    Empty,
    /// A kept photograph that is not as they are kept.
    #[error("it is not as photographs are kept: {0}")]
    NotAsKept(String),
}
