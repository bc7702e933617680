//! Evidence: what was tested, how, against what limit and with what result, as a page to hand over.
//!
//! [`Evidence`] is one run read from its recording; [`ValveHistory`] is a valve's result after all its runs, and
//! [`RunSelection`] what a register knows of several; [`valve`] and [`batch`] put both into a [`Document`], which has
//! headings, tables and charts but no appearance; [`html`] writes it as one self-contained file for screens and
//! printers, [`pdf`] as pages.
//!
//! A report decides nothing: verdicts are the sequencer's, as recorded, and each recording is replayed to see that the
//! sequencer still comes to the same.

pub mod batch;
mod document;
mod evidence;
mod history;
pub mod html;
mod method;
pub mod pdf;
mod trace;
pub mod valve;
mod valve_history;

pub use document::{Block, Document, DocumentColumn, DocumentTable};
pub(crate) use evidence::hex;
pub use evidence::{Evidence, Integrity, RegisterEntry};
pub use history::{RegisterHistory, ReportNote, RunSelection};
pub(crate) use trace::slope_at_limit;
pub use valve_history::{ValveHistory, by_valve};
