//! Bitmaps in a document: files that were written by this program, with the size they have on a page and what they show, in words.

use std::fmt;
use std::sync::Arc;

/// The kind of a bitmap's file.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum BitmapKind {
    /// PNG.
    Png,
    /// JPEG.
    Jpeg,
}

impl BitmapKind {
    /// "image/png".
    pub const fn mime_type(self) -> &'static str {
        match self {
            Self::Png => "image/png",
            Self::Jpeg => "image/jpeg",
        }
    }
}

/// A bitmap.
#[derive(Clone, PartialEq)]
pub struct Bitmap {
    /// Its file.
    pub bytes: Arc<[u8]>,
    /// The kind of that.
    pub kind: BitmapKind,
    /// Its width and height on a page, in millimetres; smaller where there is no room.
    pub size_mm: (f64, f64),
    /// What it shows, for whoever cannot see it.
    pub about: String,
}

impl fmt::Debug for Bitmap {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let Self { bytes, kind, size_mm, about } = self;
        write!(f, "Bitmap({about:?}, {kind:?}, {} bytes, {size_mm:?} mm)", bytes.len())
    }
}

impl Bitmap {
    /// As large as fits into so many millimetres, by its pixels.
    pub fn fitting(
        bytes: Arc<[u8]>,
        kind: BitmapKind,
        pixels: (u32, u32),
        within_mm: (f64, f64),
        about: String,
    ) -> Self {
        let (wide, high) = (f64::from(pixels.0.max(1)), f64::from(pixels.1.max(1)));
        let scale = (within_mm.0 / wide).min(within_mm.1 / high);
        Self { bytes, kind, size_mm: (wide * scale, high * scale), about }
    }
}
