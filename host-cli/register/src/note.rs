//! Valves as batches list them, and what people noted: plain data.

use serde::Serialize;

use crate::assembly::sealed;
use crate::customer::{certificate, order};
use crate::override_note::override_words;
use crate::photo::sealed as photo;
use crate::signed::key_note;

/// A valve in the register.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize)]
pub struct ValveRecord {
    /// Serial number.
    pub serial: String,
    /// "air", "hand", or empty where not given.
    pub actuation: String,
    /// Nominal size.
    pub dn: Option<u32>,
    /// Anything else.
    pub notes: String,
    /// Greatest leak that its batch allows it: a leak, or a class; empty where that is not stated.
    pub limit: String,
    /// Recipe that its batch has for it; empty where that is not stated.
    pub recipe: String,
}

/// The kind of a note.
#[derive(Clone, Copy, Debug, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum NoteKind {
    /// A batch was opened: with its list of valves.
    Opened,
    /// A valve was reworked: its earlier results no longer count.
    Rework,
    /// A valve was taken out of its batch.
    SetAside,
    /// What valves of a batch are, or must meet, was stated anew.
    Requirement,
    /// A valve was to be tested although the run does not fit it: somebody answers for it.
    Override,
    /// Valves were added to a batch: with their list.
    Added,
    /// A run was struck: it counts for no valve.
    Struck,
    /// A run was moved: another valve than the one it was recorded for was on the rig.
    Moved,
    /// One person left the batch and another came.
    Handover,
    /// The steps of assembly of a batch were stated.
    Steps,
    /// A step of assembly was done, on a valve or on several.
    StepDone,
    /// Which fittings are to go to which valve.
    Paired,
    /// A valve was bolted up.
    Bolted,
    /// What a customer's document is to say of a batch or a valve was stated.
    Order,
    /// A certificate was issued.
    Certificate,
    /// The key was stated that records are signed with.
    Key,
    /// A photograph was kept.
    Photo,
    /// Anything else.
    Remark,
    /// A batch was closed.
    Closed,
}

impl NoteKind {
    /// Whether a note of it can be struck: then it counts no more.
    pub const fn can_be_struck(self) -> bool {
        self.is_of_assembly() || matches!(self, Self::Photo)
    }

    /// Whether it is of how valves are put together.
    pub const fn is_of_assembly(self) -> bool {
        matches!(self, Self::Steps | Self::StepDone | Self::Paired | Self::Bolted)
    }
}

/// A note to be written.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct NewNote {
    /// What it is.
    pub kind: NoteKind,
    /// UUID of the batch.
    pub batch: Option<String>,
    /// The valve.
    pub serial: Option<String>,
    /// The run that was the reason, as `BENCH/NUMBER`.
    pub about: Option<String>,
    /// Who writes it.
    pub operator: String,
    /// The text.
    pub text: String,
}

/// A note in the register.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct NoteRecord {
    /// UUID of the bench.
    pub bench: String,
    /// Its number in that bench's chain.
    pub number: i64,
    /// What it is.
    pub kind: NoteKind,
    /// UUID of the batch.
    pub batch: Option<String>,
    /// The valve.
    pub serial: Option<String>,
    /// The run that was the reason, as `BENCH/NUMBER`.
    pub about: Option<String>,
    /// Who wrote it.
    pub operator: String,
    /// When.
    pub written_at: String,
    /// The text.
    pub text: String,
}

/// Somebody's name in a sentence, or that it was not stated.
pub fn name_or_none(name: &str) -> &str {
    if name.is_empty() { "name not stated" } else { name }
}

impl NoteRecord {
    /// The word before the record it is about: what was struck or moved is that record itself.
    pub const fn about_word(&self) -> &'static str {
        match self.kind {
            NoteKind::Struck | NoteKind::Moved => "record",
            _ => "after record",
        }
    }

    /// By whom.
    pub fn by(&self) -> &str {
        name_or_none(&self.operator)
    }

    /// Its name in every file: `BENCH/NUMBER`.
    pub fn name(&self) -> String {
        format!("{}/{}", self.bench, self.number)
    }
}

impl NoteRecord {
    /// Its text as people read it.
    pub fn words(&self) -> String {
        let own = || self.text.clone();
        match (self.kind, &self.serial) {
            (NoteKind::Moved, Some(serial)) => format!("to {serial}: {}", self.text),
            (NoteKind::Override, _) => override_words(&self.text).to_owned(),
            (NoteKind::Steps, _) => sealed::steps_words(&self.text).unwrap_or_else(own),
            (NoteKind::StepDone, serial) => sealed::done_words(&self.text, serial.as_deref()).unwrap_or_else(own),
            (NoteKind::Paired, _) => sealed::paired_words(&self.text).unwrap_or_else(own),
            (NoteKind::Order, _) => order::words(&self.text).unwrap_or_else(own),
            (NoteKind::Certificate, serial) => certificate::words(&self.text, serial.as_deref()).unwrap_or_else(own),
            (NoteKind::Key, _) => key_note::words(&self.text).unwrap_or_else(own),
            (NoteKind::Photo, _) => photo::words(&self.text).unwrap_or_else(own),
            (NoteKind::Bolted, _) => sealed::bolted_words(&self.text).unwrap_or_else(own),
            _ => own(),
        }
    }
}

/// The kind of a note in plain words.
pub const fn note_words(kind: NoteKind) -> &'static str {
    match kind {
        NoteKind::Opened => "batch opened",
        NoteKind::Rework => "reworked",
        NoteKind::SetAside => "set aside",
        NoteKind::Requirement => "requirement stated",
        NoteKind::Override => "override",
        NoteKind::Added => "valves added",
        NoteKind::Struck => "struck",
        NoteKind::Moved => "run moved",
        NoteKind::Handover => "handover",
        NoteKind::Steps => "steps stated",
        NoteKind::StepDone => "step done",
        NoteKind::Paired => "fittings paired",
        NoteKind::Bolted => "bolted up",
        NoteKind::Order => "order stated",
        NoteKind::Certificate => "certificate issued",
        NoteKind::Key => "key stated",
        NoteKind::Photo => "photograph",
        NoteKind::Remark => "remark",
        NoteKind::Closed => "batch closed",
    }
}
