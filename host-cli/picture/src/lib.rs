//! Pictures of others made harmless: whatever a file holds, what goes on is pixels, written anew.
//!
//! | file | subject |
//! |---|---|
//! | `mark` | a shop's mark, from a drawing or a bitmap, as a small PNG |
//! | `drawing` | an SVG drawing as pixels |
//! | `drawing_check` | what may be in one, before anything draws it |
//! | `photograph` | a photograph of a valve, as a JPEG without anything beside its pixels |
//! | `decoded` | PNG and JPEG read under limits |
//! | `fault` | why one is refused |

mod decoded;
mod drawing;
mod drawing_check;
mod fault;
pub mod mark;
pub mod photograph;

pub use drawing::DRAWING_BYTES_MAX;
pub use fault::PictureFault;
