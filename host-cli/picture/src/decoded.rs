//! PNG and JPEG read under limits: pixels are counted before any is decoded.

use std::io::Cursor;

use image::metadata::Orientation;
use image::{DynamicImage, ImageDecoder, ImageFormat, ImageReader, Limits};

use crate::PictureFault;

/// How far one side may be longer than the other.
pub(crate) const NARROW_MAX: u32 = 50;

/// The kind of a file by its first bytes: of JPEG start of image and the next marker (ISO/IEC 10918-1, B.1.1.3), of PNG its signature
/// (ISO/IEC 15948, 5.2).
pub(crate) fn kind(bytes: &[u8]) -> Option<ImageFormat> {
    if bytes.starts_with(&[0xff, 0xd8, 0xff]) {
        Some(ImageFormat::Jpeg)
    } else if bytes.starts_with(b"\x89PNG\r\n\x1a\n") {
        Some(ImageFormat::Png)
    } else {
        None
    }
}

/// The pixels of a file, with which way up it is to be.
pub(crate) fn decode(
    bytes: &[u8],
    kind: ImageFormat,
    pixels_max: u64,
    memory_max: u64,
) -> Result<(DynamicImage, Orientation), PictureFault> {
    let damaged = |why: image::ImageError| PictureFault::Damaged(why.to_string());
    let mut reader = ImageReader::with_format(Cursor::new(bytes), kind);
    let mut limits = Limits::default();
    limits.max_alloc = Some(memory_max);
    reader.limits(limits.clone());
    let mut decoder = reader.into_decoder().map_err(damaged)?;
    let (width, height) = decoder.dimensions();
    if width == 0 || height == 0 {
        return Err(PictureFault::Empty);
    }
    if u64::from(width) * u64::from(height) > pixels_max {
        return Err(PictureFault::TooManyPixels { width, height, most: pixels_max });
    }
    if width.max(height) / width.min(height) > NARROW_MAX {
        return Err(PictureFault::TooNarrow { width, height, most: NARROW_MAX });
    }
    limits.reserve(decoder.total_bytes()).map_err(damaged)?;
    // A note of the camera's that cannot be read says nothing of how it was held.
    let orientation = decoder.orientation().unwrap_or(Orientation::NoTransforms);
    Ok((DynamicImage::from_decoder(decoder).map_err(damaged)?, orientation))
}
