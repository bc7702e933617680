//! A batch of valves: its list, what is left to do on it, and the guards against testing the wrong thing.
//!
//! | file | subject |
//! |---|---|
//! | [`list`] | lists of valves: files and patterns |
//! | [`serial`], [`check_digit`] | what a serial may be; check digits |
//! | [`similar_serials`] | serial numbers that are easily mistaken for each other |
//! | [`status`] | the status of each valve, from the register alone |

pub mod check_digit;
pub mod list;
pub mod serial;
pub mod similar_serials;
pub mod status;
