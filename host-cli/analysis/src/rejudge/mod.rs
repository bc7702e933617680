//! Re-evaluation of recordings by another recipe, by the sequencer itself.
//!
//! [`timeline`](seathold_recording::timeline) gives the phase of a recorded run at each poll; [`rerun()`] runs its readings through the sequencer
//! with another recipe, and leaves out what that recipe would not have waited for. What was not recorded is never
//! guessed: a side that needs it is [`Unjudged`], with the reason. [`change`] compares the results with those recorded.
//! [`looks`] evaluates a side by many limits at once. [`overlay`]: sides of many runs in one picture.

pub mod change;
pub mod looks;
pub mod overlay;
pub mod rerun;

pub use rerun::{InterimLook, Rerun, RerunSide, Unjudged, rerun};
