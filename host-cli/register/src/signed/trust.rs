//! What signatures a merge asks for: a chain that has a key goes on by that key, or by one that it handed over to. What once is in a
//! chain stays, so it is asked before.

use rusqlite::Connection;
use seathold_signing::PublicKey;

use super::key_note::KeyNote;
use super::signer::Signature;

/// What a merge takes although no key vouches for it, because somebody answers for it.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct MergeTrust {
    /// Records that are not signed, of a bench that has a key.
    pub(crate) unsigned: bool,
    /// Keys that the one before did not hand over to, as it was lost.
    pub(crate) new_keys: Vec<PublicKey>,
    /// Everything: what is handed on out of a register, or only looked at.
    pub(crate) everything: bool,
    /// Records come in parts, so that those that state keys may come later.
    pub(crate) in_parts: bool,
}

impl MergeTrust {
    /// What somebody answers for: records that are not signed, keys that were not handed over to.
    pub fn answered_for(unsigned: bool, new_keys: Vec<PublicKey>) -> Self {
        Self { unsigned, new_keys, ..Self::default() }
    }

    /// Of records that are only looked at.
    pub fn everything() -> Self {
        Self { everything: true, ..Self::default() }
    }

    /// Of records that come in parts.
    pub fn in_parts() -> Self {
        Self { in_parts: true, ..Self::default() }
    }
}

/// The keys of a bench that two registers state.
pub(crate) struct KnownKeys<'a> {
    keys: Vec<(i64, PublicKey)>,
    trust: &'a MergeTrust,
}

impl<'a> KnownKeys<'a> {
    /// Those stated here and there; why not, where one of there is none, or came in without the one before.
    pub(crate) fn of(
        here: Option<&Connection>,
        there: Option<&Connection>,
        bench: &str,
        trust: &'a MergeTrust,
    ) -> rusqlite::Result<Result<Self, String>> {
        let mut notes: Vec<(i64, String, bool)> = Vec::new();
        for (db, is_here) in [(here, true), (there, false)] {
            let Some(db) = db else { continue };
            for (from, text) in key_notes(db, bench)? {
                if !notes.iter().any(|(known, ..)| *known == from) {
                    notes.push((from, text, is_here));
                }
            }
        }
        notes.sort_by_key(|(from, ..)| *from);
        let mut keys: Vec<(i64, PublicKey)> = Vec::new();
        for (from, text, is_here) in notes {
            let Some((note, key)) = KeyNote::read(&text) else {
                return Ok(Err(format!("record {from} states a key that is none")));
            };
            let handed_over = keys.last().is_none_or(|(_, before)| note.follows(bench, before));
            if !(handed_over || is_here || trust.everything || trust.new_keys.contains(&key)) {
                return Ok(Err(format!(
                    "record {from} states a key that the one before did not hand over to (fingerprint {}): ask the bench whether its \
                     key was lost; --new-key FILE.pub takes it",
                    key.fingerprint()
                )));
            }
            keys.push((from, key));
        }
        Ok(Ok(Self { keys, trust }))
    }

    /// Why a record is not taken, if it is not.
    pub(crate) fn fault(&self, number: i64, signature: Option<&Signature>) -> Option<String> {
        if self.trust.everything {
            return None;
        }
        let in_force = self.keys.iter().rev().find(|(from, _)| *from <= number);
        match (in_force, signature) {
            (Some((_, key)), Some(signature)) if key.hex() != signature.key => {
                Some(format!("record {number} is signed with another key than the one that was in force"))
            }
            (Some(_), None) if !self.trust.unsigned => Some(format!(
                "record {number} is not signed, and the bench has a key: ask the bench; --accept-unsigned takes what is not signed"
            )),
            (None, Some(_)) if !self.trust.in_parts => {
                Some(format!("record {number} is signed with a key that no record before states"))
            }
            _ => None,
        }
    }
}

/// The notes that state keys of a bench: number and text.
pub(super) fn key_notes(db: &Connection, bench: &str) -> rusqlite::Result<Vec<(i64, String)>> {
    let mut query = db.prepare("SELECT number, text FROM notes WHERE bench = ? AND kind = 'key' ORDER BY number")?;
    query.query_map([bench], |row| Ok((row.get(0)?, row.get(1)?)))?.collect()
}
