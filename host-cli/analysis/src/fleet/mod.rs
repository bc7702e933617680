//! Many simulated valves, sampled from stated distributions.
//!
//! Valve number `n` of a fleet depends on the fleet's file, its seed and `n` alone: not on how many valves there are,
//! nor on the number of threads, nor on which thread ran what before.
//!
//! | file | subject |
//! |---|---|
//! | [`distribution`] | one distribution: its fields, rules and samples |
//! | [`spec`] | a fleet as a file |
//! | [`sampling`] | one valve sampled, and its true leak |
//! | [`test`](mod@test) | one valve tested |
//! | [`counts`] | all of them counted, against the true leaks |
//! | [`rows`] | `fleet.csv` |

pub mod counts;
pub mod distribution;
pub mod rows;
pub mod sampling;
pub mod spec;
pub mod test;
