//! A photograph of a valve as a JPEG: upright, not too large, and without anything beside its pixels, such as where it was taken.

use image::codecs::jpeg::JpegEncoder;
use image::{DynamicImage, ExtendedColorType, ImageFormat};

use crate::PictureFault;
use crate::decoded::{decode, kind};

/// Longest file that is read, in bytes.
pub const FILE_BYTES_MAX: u64 = 20 << 20;
/// Most pixels of one.
pub const PIXELS_MAX: u64 = 50_000_000;
/// What decoding one may take, in bytes.
const MEMORY_MAX: u64 = 256 << 20;
/// Longest side of what is kept, in pixels.
pub const SIDE_MAX: u32 = 1_600;
/// How well it is kept, of 100 (common practice, no source).
const QUALITY: u8 = 85;
/// Longest JPEG that is kept, in bytes: no photograph of that size takes a third of it.
pub const KEPT_BYTES_MAX: u64 = 8 << 20;

/// A photograph as it is kept.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Photograph {
    /// A JPEG, the same bytes for the same file.
    pub jpeg: Vec<u8>,
    /// Its width in pixels.
    pub width: u32,
    /// Its height in pixels.
    pub height: u32,
}

impl Photograph {
    /// Reads a JPEG or PNG file.
    ///
    /// # Errors
    /// Why it is refused.
    pub fn read(bytes: &[u8]) -> Result<Self, PictureFault> {
        if bytes.len() as u64 > FILE_BYTES_MAX {
            return Err(PictureFault::TooLong { bytes: bytes.len() as u64, most: FILE_BYTES_MAX });
        }
        let kind = kind(bytes).ok_or(PictureFault::Kind("JPEG or PNG"))?;
        let (image, orientation) = decode(bytes, kind, PIXELS_MAX, MEMORY_MAX)?;
        let longest = image.width().max(image.height());
        let image = if longest > SIDE_MAX { image.thumbnail(SIDE_MAX, SIDE_MAX) } else { image };
        let mut rgb = on_white(image);
        rgb.apply_orientation(orientation);
        let (width, height) = (rgb.width(), rgb.height());
        let mut jpeg = Vec::new();
        JpegEncoder::new_with_quality(&mut jpeg, QUALITY)
            .encode(rgb.as_bytes(), width, height, ExtendedColorType::Rgb8)
            .map_err(|why| PictureFault::Damaged(why.to_string()))?;
        Ok(Self { jpeg, width, height })
    }
}

/// Three colours of eight bits, on white where something was transparent.
fn on_white(image: DynamicImage) -> DynamicImage {
    if !image.color().has_alpha() {
        return DynamicImage::ImageRgb8(image.into_rgb8());
    }
    let rgba = image.into_rgba8();
    DynamicImage::ImageRgb8(crate::mark::on_white(&rgba))
}

/// That a JPEG is one as they are kept, of this size: from another register anything may come. It has nothing beside its
/// pixels, and can be read to its end.
///
/// # Errors
/// What is not so.
pub fn check_kept(jpeg: &[u8], (width, height): (u32, u32)) -> Result<(), PictureFault> {
    let not = |what: &str| PictureFault::NotAsKept(what.into());
    if jpeg.len() as u64 > KEPT_BYTES_MAX {
        return Err(PictureFault::TooLong { bytes: jpeg.len() as u64, most: KEPT_BYTES_MAX });
    }
    nothing_beside(jpeg).map_err(not)?;
    if width.max(height) > SIDE_MAX {
        return Err(not("larger than any that is kept"));
    }
    let pixels_max = u64::from(SIDE_MAX) * u64::from(SIDE_MAX);
    let (image, _) = decode(jpeg, ImageFormat::Jpeg, pixels_max, pixels_max * 4)?;
    if (image.width(), image.height()) != (width, height) {
        return Err(not("of another size than its note says"));
    }
    Ok(())
}

/// Walks the segments of a JPEG (ISO/IEC 10918-1, B.1 and B.2): tables, one baseline frame, its scans; of applications only JFIF's.
fn nothing_beside(jpeg: &[u8]) -> Result<(), &'static str> {
    let mut rest = jpeg.strip_prefix(&[0xff, 0xd8]).ok_or("no JPEG")?;
    loop {
        let (marker, after) = match rest {
            [0xff, marker, after @ ..] => (*marker, after),
            _ => return Err("cut short, or with something between its segments"),
        };
        if marker == 0xd9 {
            return if after.is_empty() { Ok(()) } else { Err("with something behind its end") };
        }
        let [high, low, ..] = after else { return Err("cut short") };
        let length = usize::from(u16::from_be_bytes([*high, *low]));
        let segment = after.get(2..length).ok_or("cut short")?;
        match marker {
            0xe0 if segment.starts_with(b"JFIF\0") && segment.len() == 14 => {}
            // Tables, their interval, the frame, a scan.
            0xdb | 0xc4 | 0xdd | 0xc0 | 0xda => {}
            _ => return Err("with more in it than its pixels, or in another way"),
        }
        rest = after.get(length..).ok_or("cut short")?;
        if marker == 0xda {
            rest = behind_scan(rest);
        }
    }
}

/// What follows the data of a scan: there 0xff is followed by 0, or is a mark to restart by.
fn behind_scan(data: &[u8]) -> &[u8] {
    let is_end = |pair: &[u8]| pair.first() == Some(&0xff) && !matches!(pair.get(1), Some(0 | 0xd0..=0xd7));
    let at = data.windows(2).position(is_end).unwrap_or(data.len());
    data.get(at..).unwrap_or_default()
}
