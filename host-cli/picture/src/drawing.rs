//! An SVG drawing as pixels. What draws it is given a text that was written anew, of what [`crate::drawing_check`] lets through.

use image::RgbaImage;
use resvg::tiny_skia::{Pixmap, Transform};
use resvg::usvg::{Group, Node, Options, Rect, Tree};

use crate::mark::is_too_narrow;
use crate::{PictureFault, drawing_check};

/// Longest drawing, in bytes.
pub const DRAWING_BYTES_MAX: u64 = 256 << 10;

/// How often a drawing may paint over all of itself: what it takes grows with that, and with nothing else that is not bounded.
const SURFACES_MAX: f64 = 150.0;

/// As large as fits into so many pixels.
pub(crate) fn pixels(bytes: &[u8], (across, down): (u32, u32)) -> Result<RgbaImage, PictureFault> {
    if bytes.len() as u64 > DRAWING_BYTES_MAX {
        return Err(PictureFault::TooLong { bytes: bytes.len() as u64, most: DRAWING_BYTES_MAX });
    }
    let text = std::str::from_utf8(bytes).map_err(|_| PictureFault::Damaged("it is not UTF-8".into()))?;
    let harmless = drawing_check::harmless(text)?;
    let tree = Tree::from_str(&harmless, &Options::default()).map_err(|why| PictureFault::Damaged(why.to_string()))?;
    let (width, height) = (tree.size().width(), tree.size().height());
    if is_too_narrow(width, height) {
        let [width, height] = [width, height].map(|side| side.round() as u32);
        return Err(PictureFault::TooNarrow { width, height, most: crate::decoded::NARROW_MAX });
    }
    let whole = Rect::from_xywh(0.0, 0.0, width, height).ok_or(PictureFault::Empty)?;
    let surfaces = painted(tree.root(), whole) / (f64::from(width) * f64::from(height));
    if surfaces > SURFACES_MAX {
        return Err(PictureFault::TooMuch { most: SURFACES_MAX });
    }
    let scale = (across as f32 / width).min(down as f32 / height);
    let whole = |side: f32, most: u32| ((side * scale).round() as u32).clamp(1, most);
    let (wide, high) = (whole(width, across), whole(height, down));
    let mut pixmap = Pixmap::new(wide, high).ok_or(PictureFault::Empty)?;
    resvg::render(&tree, Transform::from_scale(scale, scale), &mut pixmap.as_mut());
    if pixmap.pixels().iter().all(|pixel| pixel.alpha() == 0) {
        return Err(PictureFault::Empty);
    }
    let samples = pixmap.pixels().iter().flat_map(|pixel| {
        let straight = pixel.demultiply();
        [straight.red(), straight.green(), straight.blue(), straight.alpha()]
    });
    RgbaImage::from_raw(wide, high, samples.collect()).ok_or(PictureFault::Empty)
}

/// How much is painted, at most: of each path the box round it, and of each layer once more.
fn painted(group: &Group, whole: Rect) -> f64 {
    let seen = |of: Rect| {
        let across = of.right().min(whole.right()) - of.left().max(whole.left());
        let down = of.bottom().min(whole.bottom()) - of.top().max(whole.top());
        f64::from(across.max(0.0)) * f64::from(down.max(0.0))
    };
    let of = |node: &Node| match node {
        Node::Group(inner) => {
            let layer = if inner.should_isolate() { seen(inner.abs_stroke_bounding_box()) } else { 0.0 };
            layer + painted(inner, whole)
        }
        other => seen(other.abs_stroke_bounding_box()),
    };
    group.children().iter().map(of).sum()
}
