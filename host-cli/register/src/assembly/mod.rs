//! What is noted as the valves of a batch are put together: the steps, the fittings, the finished length.
//!
//! | file | subject |
//! |---|---|
//! | [`sealed`] | what notes seal of it, as text |
//! | [`keep`] | notes of it written |
//! | [`finished_lengths`] | finished lengths as they were forecast, and as they were measured |
//! | [`first_proof`] | the verdict of a valve's first proof, and how it was put together then |
//! | [`progress`] | what is done on each valve, and what holds it up, from the register alone |

pub mod finished_lengths;
pub mod first_proof;
pub mod keep;
pub mod progress;
pub mod sealed;
