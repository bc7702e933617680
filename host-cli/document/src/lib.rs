#![doc = include_str!("../README.md")]

mod bitmap;
pub mod chart;
mod document;
pub mod html;
mod matrix_code;
pub mod pdf;

pub use bitmap::{Bitmap, BitmapKind};
pub use document::{Block, Document, DocumentColumn, DocumentTable};
pub use matrix_code::{CODE_BYTES_MAX, CodeError, MatrixCode, QUIET_ZONE};
