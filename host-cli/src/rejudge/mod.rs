//! Recordings judged again by another recipe, by the sequencer itself.
//!
//! [`course`] tells where a recorded run stood at each poll; [`again()`] runs its readings through the sequencer with
//! another recipe, and leaves out what that recipe would not have waited for. What was not recorded is never guessed:
//! a side that needs it is [`Unjudged`], with the reason. [`change`] compares the results with those recorded.
//! [`looks`] judges a side by many limits at once. [`overlay`]: sides of many runs in one picture.

pub mod again;
pub mod change;
pub mod course;
pub mod looks;
pub mod overlay;

pub use again::{Again, Look, Told, Unjudged, again};
