//! Whether the ends were swapped between the sides: what a run has to show for it.

use seathold_recording::{Header, Summary};
use seathold_sequencer::input::{Side, Sides};
use seathold_sequencer::verdict::SideResult;

/// The tag of an end, as it is scanned: the serial number, a stroke and the end.
pub fn tag(serial: &str, side: Side) -> String {
    let end = match side {
        Side::First => 'A',
        Side::Second => 'B',
    };
    format!("{serial}/{end}")
}

/// What shows which end was on the supply side, for a run of both sides or with tags.
pub fn proof(header: &Header) -> Option<&'static str> {
    match header.sides {
        Sides::Both if header.end_tags => {
            Some("no side began before the tag of the end on the supply side had been scanned")
        }
        Sides::Both => Some(
            "on the operator's word; the controller saw at most the guard opened and shut, and no reading shows which \
             end was where",
        ),
        Sides::First | Sides::Second if header.end_tags => {
            Some("one side alone, which began only when the tag of the end on the supply side had been scanned")
        }
        Sides::First | Sides::Second => None,
    }
}

/// A leak that is there on both sides and the same within its uncertainty: through stem, body or rig, or the same side twice.
/// The intervals are those of the two results; that they overlap is no test of significance, and this a warning only.
pub fn warning(summary: &Summary, header: &Header) -> Option<&'static str> {
    let last = |side| summary.sides.iter().rev().find(|result: &&SideResult| result.side == side)?.estimate.as_ref();
    let (first, second) = (last(Side::First)?, last(Side::Second)?);
    let leaks = |estimate: &seathold_sequencer::measure::LeakEstimate| {
        estimate.leak.pa_m3_s() > 2.0 * estimate.expanded.pa_m3_s()
    };
    let apart = (first.leak.pa_m3_s() - second.leak.pa_m3_s()).abs();
    let same = apart <= first.expanded.pa_m3_s().hypot(second.expanded.pa_m3_s());
    (!header.end_tags && leaks(first) && leaks(second) && same)
        .then_some("the same would be seen had the ends not been swapped: look, or scan end tags (--end-tags)")
}
