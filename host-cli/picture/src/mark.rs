//! A shop's mark as a small PNG: black on white, or coloured, without transparency and without anything of its file but pixels.

use std::sync::Arc;

use image::codecs::png::{CompressionType, FilterType, PngEncoder};
use image::{DynamicImage, ExtendedColorType, ImageEncoder, ImageFormat, RgbImage, RgbaImage};

use crate::decoded::{NARROW_MAX, decode, kind};
use crate::{PictureFault, drawing};

/// Longest file of a bitmap, in bytes.
pub const BITMAP_BYTES_MAX: u64 = 4 << 20;
/// Most pixels of one.
const BITMAP_PIXELS_MAX: u64 = 8_000_000;
/// What decoding one may take, in bytes.
const BITMAP_MEMORY_MAX: u64 = 72 << 20;

/// How wide it is on a page at most, in millimetres.
pub const WIDTH_MM: f64 = 40.0;
/// How high.
pub const HEIGHT_MM: f64 = 15.0;

/// How wide it is at most, in pixels: 600 to the inch.
const WIDTH_PX: u32 = 945;
/// How high.
const HEIGHT_PX: u32 = 354;

/// Longest PNG of one, in bytes: it is twice in each certificate, as what is seen and as a file. One that takes more is made
/// smaller by steps of √2.
pub const PNG_BYTES_MAX: usize = 40 << 10;

/// A mark.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct ShopMark {
    /// A PNG, the same bytes for the same file.
    pub png: Arc<[u8]>,
    /// Its width in pixels.
    pub width: u32,
    /// Its height in pixels.
    pub height: u32,
}

impl ShopMark {
    /// Reads an SVG drawing.
    ///
    /// # Errors
    /// Why it is refused.
    pub fn from_drawing(bytes: &[u8]) -> Result<Self, PictureFault> {
        Self::written(&drawing::pixels(bytes, (WIDTH_PX, HEIGHT_PX))?)
    }

    /// Reads a PNG bitmap.
    ///
    /// # Errors
    /// Why it is refused.
    pub fn from_bitmap(bytes: &[u8]) -> Result<Self, PictureFault> {
        if bytes.len() as u64 > BITMAP_BYTES_MAX {
            return Err(PictureFault::TooLong { bytes: bytes.len() as u64, most: BITMAP_BYTES_MAX });
        }
        if kind(bytes) != Some(ImageFormat::Png) {
            return Err(PictureFault::Kind("PNG"));
        }
        let (image, orientation) = decode(bytes, ImageFormat::Png, BITMAP_PIXELS_MAX, BITMAP_MEMORY_MAX)?;
        let mut rgba = DynamicImage::ImageRgba8(image.into_rgba8());
        rgba.apply_orientation(orientation);
        Self::written(&rgba.into_rgba8())
    }

    /// On white, of a size that fits, as a PNG that is not too long.
    fn written(rgba: &RgbaImage) -> Result<Self, PictureFault> {
        let on_white = on_white(rgba);
        let (wide, high) = (f64::from(on_white.width()), f64::from(on_white.height()));
        let mut scale = (f64::from(WIDTH_PX) / wide).min(f64::from(HEIGHT_PX) / high).min(1.0);
        loop {
            let size = [wide, high].map(|side| (side * scale).round().max(1.0) as u32);
            let small = smaller(&on_white, size);
            let png = png(&small)?;
            if png.len() <= PNG_BYTES_MAX {
                return Ok(Self { png: png.into(), width: small.width(), height: small.height() });
            }
            scale *= std::f64::consts::FRAC_1_SQRT_2;
        }
    }

    /// Its width and height on a page, in millimetres.
    pub fn size_mm(&self) -> (f64, f64) {
        let (wide, high) = (f64::from(self.width), f64::from(self.height));
        let scale = (WIDTH_MM / wide).min(HEIGHT_MM / high);
        (wide * scale, high * scale)
    }
}

/// How much longer one side of a mark may be than the other.
pub(crate) const fn is_too_narrow(width: f32, height: f32) -> bool {
    width.max(height) > width.min(height) * NARROW_MAX as f32
}

pub(crate) fn on_white(rgba: &RgbaImage) -> RgbImage {
    RgbImage::from_fn(rgba.width(), rgba.height(), |x, y| {
        let [red, green, blue, alpha] = rgba.get_pixel(x, y).0;
        let over = |ink: u8| {
            let sum = u32::from(ink) * u32::from(alpha) + 255 * (255 - u32::from(alpha));
            u8::try_from((sum + 127) / 255).unwrap_or(u8::MAX)
        };
        image::Rgb([over(red), over(green), over(blue)])
    })
}

fn smaller(image: &RgbImage, [width, height]: [u32; 2]) -> RgbImage {
    if (width, height) == image.dimensions() {
        return image.clone();
    }
    image::imageops::thumbnail(image, width, height)
}

/// The same bytes for the same pixels: grey where there is no colour.
fn png(image: &RgbImage) -> Result<Vec<u8>, PictureFault> {
    let is_grey = image.pixels().all(|pixel| pixel.0[0] == pixel.0[1] && pixel.0[1] == pixel.0[2]);
    let grey: Vec<u8>;
    let (samples, colour) = if is_grey {
        grey = image.pixels().map(|pixel| pixel.0[0]).collect();
        (grey.as_slice(), ExtendedColorType::L8)
    } else {
        (image.as_raw().as_slice(), ExtendedColorType::Rgb8)
    };
    let mut bytes = Vec::new();
    PngEncoder::new_with_quality(&mut bytes, CompressionType::Best, FilterType::Adaptive)
        .write_image(samples, image.width(), image.height(), colour)
        .map_err(|why| PictureFault::Damaged(why.to_string()))?;
    Ok(bytes)
}
