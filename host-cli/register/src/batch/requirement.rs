//! What a valve of a batch must meet, and whether a run was judged by it.

use seathold_quantity::limit::{self, Limit};
use seathold_sequencer::units::Reference;

use crate::RunRow;
use crate::note::ValveRecord;
use crate::override_note::same_limit;

/// The greatest leak that a valve may have, counted at this reference; `None` where its batch does not say.
///
/// # Errors
/// What is wrong with what the batch says.
pub fn limit_of(valve: &ValveRecord, reference: Reference) -> Result<Option<Limit>, String> {
    if valve.limit.is_empty() {
        return Ok(None);
    }
    limit::parse(&valve.limit, valve.dn, reference).map(Some)
}

/// A limit that does not fit: what a run was judged by, and what its valve must meet, Pa·m³/s.
#[derive(Clone, Copy, Debug, PartialEq, serde::Serialize)]
pub struct LimitMisfit {
    /// By this the run was judged.
    pub judged_by_pa_m3_s: f64,
    /// This the valve must meet.
    pub required_pa_m3_s: f64,
}

/// Whether a run was judged by another limit than its valve must meet, counted at the reference of the run's recipe.
pub fn misfit(run: &RunRow, required_pa_m3_s: f64) -> Option<LimitMisfit> {
    let misfit = LimitMisfit { judged_by_pa_m3_s: run.limit_pa_m3_s, required_pa_m3_s };
    (!same_limit(run.limit_pa_m3_s, required_pa_m3_s)).then_some(misfit)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_class_goes_by_the_valves_own_size() {
        let of = |limit: &str, dn| {
            let valve = ValveRecord { limit: limit.into(), dn, ..ValveRecord::default() };
            limit_of(&valve, Reference::ISO_8778).map(|limit| limit.map(|limit| limit.leak.pa_m3_s()))
        };
        let small = of("ISO 5208 rate B by DN", Some(25)).unwrap().unwrap();
        let large = of("ISO 5208 rate B by DN", Some(50)).unwrap().unwrap();
        assert!(same_limit(small, 7.5e-4) && same_limit(large, 15e-4), "{small} {large}");
        assert_eq!(of("", Some(25)), Ok(None));
        assert!(of("ISO 5208 rate B", None).unwrap_err().contains("needs the size"));
    }
}
