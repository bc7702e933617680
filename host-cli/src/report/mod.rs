//! Evidence: what was tested, how, against what limit and with what result, as a page to hand over.
//!
//! [`Evidence`] is one run read from its recording; [`Standing`] is where a valve stands after all its runs, and
//! [`Selection`] what a register knows of several; [`valve`]
//! and [`batch`] put both into a [`Paper`], which knows headings, tables and pictures but not how they look; [`html`]
//! writes it as one self-contained file for screens and printers, [`pdf`] as sheets.
//!
//! A report decides nothing: verdicts are the sequencer's, as recorded, and each recording is replayed to see that the
//! sequencer still comes to the same.

pub mod batch;
mod evidence;
pub mod html;
mod method;
mod paper;
pub mod pdf;
mod standing;
mod story;
mod trace;
pub mod valve;

pub(crate) use evidence::hex;
pub use evidence::{Evidence, Seal, Whole};
pub use paper::{Block, Column, Paper, Table};
pub use standing::{Standing, by_valve};
pub use story::{Note, Selection, Story};
pub(crate) use trace::slope_at_limit;
