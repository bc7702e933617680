//! From samples to a leak estimate with its uncertainty, and from that to a verdict. Numbers only: nothing here knows
//! of phases or valves.
//!
//! Samples are averaged into at most [`crate::limits::BLOCKS`] blocks as they come ([`BlockedTrace`]), in integers, so
//! that nothing is lost to rounding and memory does not grow. A [`Fit`] then works through the blocks a few at a time
//! and ends in a [`SlopeEstimate`]; [`LeakEstimate::new`] turns that into a leak with its budget; [`decide`](fn@decide)
//! into a verdict.
//!
//! A bound is written as a comparison, `if x > most { most } else { x }`: `f64::min` and `f64::max` would put the bound
//! in place of a NaN, which must stay one and fail, and leave open which of 0 and −0 they give, which may then differ
//! between host and controller.

#![allow(clippy::neg_cmp_op_on_partial_ord, reason = "`!(x > 0.0)` is meant: NaN must fail too")]

mod advise;
mod basis;
mod block_means;
mod conformance;
mod curve_prior;
mod decide;
mod diagnose;
mod fit;
mod gram;
mod interval;
mod leak_estimate;
mod leak_law;
mod predict;
mod quantile;
mod regression;
mod schedule;
mod step_detector;

pub use advise::{Advice, Contribution, Remedy, advise};
pub use block_means::BlockedTrace;
pub use conformance::{conformance_probability, normal_cdf};
pub use curve_prior::{Curve, CurvePrior, TauRange};
pub use decide::{CURVE_SHARE, Decision, decide};
pub use diagnose::diagnose;
pub use fit::{Compensation, Component, Fit, Settling, SlopeEstimate, fit};
pub(crate) use interval::BISECTIONS_MAX;
pub use interval::IntervalSolver;
pub use leak_estimate::{Budget, Conditions, LeakEstimate, resolution};
pub use leak_law::ReferredLeak;
pub use predict::{OutcomeProbabilities, Prediction, Window};
pub use quantile::{normal_quantile, student_quantile};
pub use schedule::Schedule;
pub use step_detector::StepDetector;
