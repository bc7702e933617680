#![doc = include_str!("../README.md")]

mod decoded;
mod drawing;
mod drawing_check;
mod fault;
pub mod mark;
pub mod photograph;

pub use drawing::DRAWING_BYTES_MAX;
pub use fault::PictureFault;
