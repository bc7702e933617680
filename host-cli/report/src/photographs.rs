//! Photographs of a valve on its report. One that is missing, or is not what was kept, is named and not shown.

use seathold_document::{Bitmap, BitmapKind, Block};
use seathold_picture::photograph::check_kept;
use seathold_register::name_or_none;
use seathold_register::photo::keep::PhotoRecord;
use seathold_register::photo::store::FoundPhoto;

use crate::moment::moment;

/// How large one is on a page at most, in millimetres: two on one below each other.
const SIZE_MM: (f64, f64) = (120.0, 90.0);

/// Why a photograph cannot be shown.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct PhotoFault {
    /// Whether there is a file, and it is not what was kept; else there is none.
    pub altered: bool,
    /// Which it is and what is wrong, in words.
    pub what: String,
}

/// The bytes of a photograph, which are as they were sealed, and harmless.
///
/// # Errors
/// Why it cannot be shown.
pub fn shown(photo: &PhotoRecord) -> Result<Vec<u8>, PhotoFault> {
    let head = &photo.head;
    let fault = |altered, why: &str| {
        let what = format!("photograph of {} (record {}): {why}; SHA-256 {}", serial(photo), photo.short, head.sha256);
        PhotoFault { altered, what }
    };
    match photo.find() {
        FoundPhoto::Here(bytes) => match check_kept(&bytes, (head.width, head.height)) {
            Ok(()) => Ok(bytes),
            Err(why) => Err(fault(true, &why.to_string())),
        },
        FoundPhoto::Missing => Err(fault(false, "not beside this register")),
        FoundPhoto::Altered(why) => Err(fault(true, &format!("its file {why}"))),
    }
}

fn serial(photo: &PhotoRecord) -> &str {
    photo.note.serial.as_deref().unwrap_or("no valve")
}

/// Each with its caption, when, by whom, and its hash.
pub(crate) fn blocks(photos: &[PhotoRecord]) -> Vec<Block> {
    photos.iter().map(block).collect()
}

fn block(photo: &PhotoRecord) -> Block {
    let head = &photo.head;
    let bytes = match shown(photo) {
        Ok(bytes) => bytes,
        Err(fault) => {
            let what = if fault.altered { "Photograph altered" } else { "Photograph missing" };
            return Block::Notice(what.into(), fault.what);
        }
    };
    let caption = if head.caption.is_empty() { String::new() } else { format!("{}. ", head.caption) };
    let about = format!("Photograph of {}. {caption}", serial(photo));
    let text = format!(
        "{caption}{}, by {}; record {}; SHA-256 {}",
        moment(&photo.note.written_at),
        name_or_none(&photo.note.operator),
        photo.short,
        head.sha256
    );
    let size = (head.width, head.height);
    let bitmap = Bitmap::fitting(bytes.into(), BitmapKind::Jpeg, size, SIZE_MM, about.trim_end().into());
    Block::Photograph(bitmap, text)
}
