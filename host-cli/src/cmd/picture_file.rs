//! Files of pictures, read only where they are files: a pipe would be waited for.

use std::path::Path;

use seathold_config::shop::Shop;
use seathold_picture::mark::{BITMAP_BYTES_MAX, ShopMark};
use seathold_picture::{DRAWING_BYTES_MAX, PictureFault};
use seathold_recording::file::read_at_most;

use crate::error::Error;

/// The bytes of a plain file, which has at most so many.
pub(super) fn plain_file(path: &Path, most: u64) -> Result<Vec<u8>, Error> {
    let there = std::fs::metadata(path).map_err(|why| Error::file("read", path, why))?;
    if !there.is_file() {
        let what = if there.is_dir() { "it is a folder" } else { "it is no plain file" };
        return Err(Error::file("read", path, std::io::Error::other(what)));
    }
    Ok(read_at_most(path, most)?)
}

/// A shop's mark, made harmless; none where it has none.
pub(super) fn shop_mark(shop: &Shop, shop_file: &Path) -> Result<Option<ShopMark>, Error> {
    let Some(path) = &shop.mark else { return Ok(None) };
    let is_drawing = path.extension().is_some_and(|ending| ending.eq_ignore_ascii_case("svg"));
    let read = if is_drawing {
        ShopMark::from_drawing(&plain_file(path, DRAWING_BYTES_MAX)?)
    } else {
        ShopMark::from_bitmap(&plain_file(path, BITMAP_BYTES_MAX)?)
    };
    let why = |why: PictureFault| Error::usage(format!("{}: mark: {}: {why}", shop_file.display(), path.display()));
    read.map(Some).map_err(why)
}
