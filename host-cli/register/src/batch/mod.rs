//! A batch of valves: its list, what is left to do on it, and the guards against testing the wrong thing.
//!
//! | file | subject |
//! |---|---|
//! | [`columns`] | the columns of a list as shops write it |
//! | [`list`] | lists of valves: files and patterns |
//! | [`sealed_list`] | what notes seal of a batch's valves |
//! | [`requirement`] | what a valve must meet |
//! | [`serial`], [`check_digit`] | what a serial may be; check digits |
//! | [`similar_serials`] | serial numbers that are easily mistaken for each other |
//! | [`counted_runs`] | which runs count for which valve |
//! | [`run_marks`] | what is to be said beside a run |
//! | [`status`] | the status of each valve, from the register alone |

pub mod check_digit;
pub mod columns;
pub mod counted_runs;
pub mod list;
pub mod requirement;
pub mod run_marks;
pub mod sealed_list;
pub mod serial;
pub mod similar_serials;
pub mod status;
