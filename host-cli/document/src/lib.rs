#![doc = include_str!("../README.md")]

pub mod chart;
mod document;
pub mod html;
pub mod pdf;

pub use document::{Block, Document, DocumentColumn, DocumentTable};
