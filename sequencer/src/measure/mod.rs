//! From samples to a figure with its uncertainty, and from that to a verdict. Numbers only: nothing here knows of
//! phases or valves.
//!
//! Samples are folded into at most [`crate::limits::BLOCKS`] blocks as they come ([`Folded`]), in integers, so that
//! nothing is lost to rounding and memory does not grow. A [`Fit`] then works through the blocks a few at a time and
//! ends in an [`Estimate`]; [`figure`](Figure::new) turns that into a leak with its budget; [`decide`](fn@decide) into a verdict.

#![allow(clippy::neg_cmp_op_on_partial_ord, reason = "`!(x > 0.0)` is meant: NaN must fail too")]

mod advise;
mod basis;
mod conformance;
mod curve;
mod decide;
mod diagnose;
mod figure;
mod fit;
mod fold;
mod gram;
mod knock;
mod predict;
mod quantile;
mod schedule;
mod solve;
mod weigh;

pub use advise::{Advice, Remedy, Term, advise};
pub use conformance::{conformance_probability, normal_cdf};
pub use curve::{Band, Curve, Curves};
pub use decide::{Decision, decide};
pub use diagnose::diagnose;
pub use figure::{Budget, Conditions, Figure};
pub use fit::{Compensation, Estimate, Fit, Part, fit};
pub use fold::Folded;
pub use knock::Knock;
pub use predict::{Chances, Prediction, Window};
pub use quantile::{normal_quantile, student_quantile};
pub use schedule::Schedule;
pub(crate) use weigh::HALVINGS_MAX;
pub use weigh::Weighing;
