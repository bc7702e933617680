//! A batch of valves: its list, what is left to do on it, and the guards against testing the wrong thing.
//!
//! | file | subject |
//! |---|---|
//! | [`list`] | lists of valves: files and patterns |
//! | [`digits`] | check digits |
//! | [`alike`] | serial numbers that are easily taken for one another |
//! | [`standing`] | where each valve stands, from the register alone |

pub mod alike;
pub mod digits;
pub mod list;
pub mod standing;
