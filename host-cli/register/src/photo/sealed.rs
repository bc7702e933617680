//! What a note seals of a photograph: a line of JSON.

use seathold_recording::plain::lines;
use serde::{Deserialize, Serialize};

/// Longest caption, in characters.
pub const CAPTION_MAX: usize = 200;

/// The copy that is kept of a photograph.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct KeptPhoto {
    /// SHA-256 of its file, as 64 hexadecimal digits; what the file is called, too.
    pub sha256: String,
    /// Its width in pixels.
    pub width: u32,
    /// Its height.
    pub height: u32,
}

/// A photograph.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct PhotoHead {
    /// SHA-256 of its file, as 64 hexadecimal digits; what the file is called, too.
    pub sha256: String,
    /// What it shows; may be empty.
    #[serde(default)]
    pub caption: String,
    /// Its width in pixels.
    pub width: u32,
    /// Its height.
    pub height: u32,
}

impl PhotoHead {
    /// What a note says; none where that is no photograph. Whatever another register seals, its hash is one, and no path.
    pub fn of(text: &str) -> Option<Self> {
        serde_json::from_str::<Self>(text).ok()?.sound()
    }

    /// Of a step of assembly.
    pub fn of_step(step: &str, kept: &KeptPhoto) -> Option<Self> {
        let KeptPhoto { sha256, width, height } = kept.clone();
        Self { sha256, caption: format!("Step {step}"), width, height }.sound()
    }

    fn sound(self) -> Option<Self> {
        let head = self;
        let is_hash = head.sha256.len() == 64 && head.sha256.bytes().all(|b| matches!(b, b'0'..=b'9' | b'a'..=b'f'));
        let sound = is_hash && head.width > 0 && head.height > 0 && head.caption.chars().count() <= CAPTION_MAX;
        // In the text that is sealed a control character is written in letters, and would come out as itself.
        sound.then(|| Self { caption: lines(&head.caption).replace('\n', " "), ..head })
    }
}

/// A note's text as people read it.
pub(crate) fn words(text: &str) -> Option<String> {
    let PhotoHead { sha256, caption, width, height } = PhotoHead::of(text)?;
    let caption = if caption.is_empty() { "without a caption".into() } else { caption };
    Some(format!("{caption}; {width} × {height} pixels, SHA-256 {sha256}"))
}
