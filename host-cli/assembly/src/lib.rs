//! Valves put together: lengths of end fittings, and which two make a valve of the right length.
//!
//! | module | subject |
//! |---|---|
//! | [`length`] | lengths, exact to the nanometre |
//! | [`measured_parts`] | lists of measured parts |
//! | [`typed_lengths`] | a list as it grows, reading by reading |
//! | [`length_unit`] | units of length as lists and people write them |
//! | [`list_columns`] | which columns of a list are read |
//! | [`reading`] | one reading, as it stands in a cell |
//! | `reading_scatter` | how far readings of one part scatter, and which contradict each other |
//! | [`repeatability`] | how far readings scatter, of several lists, against what is stated |
//! | [`likely_length`] | how long parts are likely to be, when they are chosen by their readings |
//! | [`finished_length`] | the finished length of a valve, its uncertainty, and whether it conforms |
//! | [`forecast`] | valves as they would be put together |
//! | [`extremes_inward`] | fittings to bodies as shops do it |
//! | [`nested_pairs`] | the most pairs of numbers whose sums lie in an interval, exactly |
//! | [`closest_pairs`] | so many of them as close to a wanted sum as can be, exactly |
//! | `few_parts` | few fittings to bodies of different lengths, exactly |
//! | [`exchange`] | bodies of different lengths: parts exchanged as long as it helps |
//! | `rematch` | many parts reassigned at once |
//! | [`pairing`] | as many conforming valves as possible, and what would help what is left over |
//! | [`length_class`] | classes of lengths, as parts are laid out |
//! | [`steps`] | steps of assembly, and what is written down of each |
//! | [`tightening_order`] | the order in which bolts are tightened |

pub mod closest_pairs;
pub mod exchange;
pub mod extremes_inward;
mod few_parts;
pub mod finished_length;
pub mod forecast;
pub mod length;
pub mod length_class;
pub mod length_unit;
pub mod likely_length;
pub mod list_columns;
pub mod measured_parts;
pub mod nested_pairs;
pub mod pairing;
pub mod reading;
mod reading_scatter;
mod rematch;
pub mod repeatability;
pub mod steps;
pub mod tightening_order;
pub mod typed_lengths;
