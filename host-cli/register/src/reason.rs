//! Who changes what counts, when, and why: nothing of that is changed without.

use jiff::Timestamp;

use super::intake::note_fault;

/// Who corrects, when, and why.
#[derive(Clone, Copy, Debug)]
pub struct Correction<'a> {
    /// The reason.
    pub reason: &'a str,
    /// Who.
    pub operator: &'a str,
    /// When.
    pub now: Timestamp,
}

impl Correction<'_> {
    /// What is missing of it, if anything: who changes what counts says so.
    pub(crate) fn fault(&self) -> Option<String> {
        if self.reason.trim().is_empty() {
            return Some("the reason is empty; it is printed on the report".into());
        }
        if self.operator.trim().is_empty() {
            return Some("who corrects it? Give --operator".into());
        }
        note_fault(None, self.operator, None, self.reason)
    }
}
