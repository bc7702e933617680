#![doc = include_str!("../README.md")]

mod input;
pub mod limit;
pub mod list_file;
pub mod pipe_size;
mod quantity;

pub use input::{InputError, InputProblem, did_you_mean};
pub use quantity::{Dimension, Quantity, QuantityError, UnitDef};
