//! Times and risks chosen from recorded runs whose truth is known.
//!
//! [`truth`]: which sides are good. [`rates`]: error rates with exact bounds. [`sweep`]: every side by every candidate
//! recipe. [`choice`]: the shortest test that keeps the risks, cross-validated and held against runs it never saw. [`page`]: the
//! same in pictures.

pub mod choice;
pub mod page;
pub mod rates;
pub mod sweep;
pub mod truth;
