//! Pictures to try: made here, so that none of anybody's is in the tree.

use image::codecs::jpeg::JpegEncoder;
use image::codecs::png::PngEncoder;
use image::{ExtendedColorType, ImageEncoder, Rgb, RgbImage};

/// A drawing as a shop has one.
pub const DRAWING: &str = "<svg xmlns=\"http://www.w3.org/2000/svg\" viewBox=\"0 0 80 30\"><title>Tidewater</title>\
    <defs><linearGradient id=\"sea\"><stop offset=\"0\" stop-color=\"#048\"/><stop offset=\"1\" stop-color=\"#8cf\"/>\
    </linearGradient></defs><rect width=\"80\" height=\"30\" rx=\"4\" fill=\"url(#sea)\"/>\
    <circle cx=\"15\" cy=\"15\" r=\"9\" fill=\"#fff\"/></svg>";

fn picture(width: u32, height: u32, shade: u8) -> RgbImage {
    let small = |n: u32, of: u32| u8::try_from(n * 255 / of).unwrap_or(u8::MAX);
    RgbImage::from_fn(width, height, |x, y| Rgb([small(x, width), small(y, height), shade]))
}

/// A PNG of a size; another shade is another picture.
pub fn png(width: u32, height: u32, shade: u8) -> Vec<u8> {
    let mut bytes = Vec::new();
    let image = picture(width, height, shade);
    PngEncoder::new(&mut bytes).write_image(&image, width, height, ExtendedColorType::Rgb8).unwrap();
    bytes
}

/// A JPEG of a size, as a camera writes it: with where it was taken.
pub fn jpeg(width: u32, height: u32, shade: u8) -> Vec<u8> {
    let mut bytes = Vec::new();
    let image = picture(width, height, shade);
    JpegEncoder::new_with_quality(&mut bytes, 90).encode(&image, width, height, ExtendedColorType::Rgb8).unwrap();
    let data = b"Exif\0\0MM\0\x2a\0\0\0\x08\0\0\0\0\0\0GPS 54.1234 N 8.5678 E";
    let length = u16::try_from(data.len() + 2).unwrap().to_be_bytes();
    bytes.splice(2..2, [&[0xff, 0xe1][..], &length, data].concat());
    bytes
}
