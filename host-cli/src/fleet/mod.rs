//! Many simulated valves, drawn from stated distributions.
//!
//! Valve number `n` of a fleet depends on the fleet's file, its seed and `n` alone: not on how many valves there are,
//! nor on the number of threads, nor on which thread ran what before.
//!
//! | file | subject |
//! |---|---|
//! | [`spread`] | one distribution: its fields, rules and draws |
//! | [`spec`] | a fleet as a file |
//! | [`draw`] | one valve drawn, and what it truly leaks |
//! | [`test`](mod@test) | one valve tested |
//! | [`tally`] | all of them counted, against the truth |
//! | [`rows`] | `fleet.csv` |

pub mod draw;
pub mod rows;
pub mod spec;
pub mod spread;
pub mod tally;
pub mod test;
