//! Checking the signatures of a chain.

use rayon::prelude::*;
use rusqlite::{Connection, params};
use seathold_signing::PublicKey;

use super::key_note::KeyNote;
use super::signer::Signature;
use super::trust::key_notes;
use crate::record::seal_of;

/// Signatures checked in parallel.
const TOGETHER: usize = 4096;

/// A key that a chain states.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct BenchKey {
    /// The record that states it.
    pub from: i64,
    /// The key.
    pub key: PublicKey,
    /// Whether the one before handed over to it; also of the first, before which there is none.
    pub handed_over: bool,
}

/// The signatures of a chain.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct SignedChain {
    /// Its keys, one after the other.
    pub keys: Vec<BenchKey>,
    /// Records that are signed with the key that was in force.
    pub signed: u64,
    /// How many should be, and are not: after the first key.
    pub unsigned: u64,
    /// The first of them.
    pub first_unsigned: Option<i64>,
    /// Records before the first key that nothing links to what it signed: others between are missing, as in a selection.
    pub unlinked: u64,
}

impl SignedChain {
    /// Whether whoever has this key can trust the whole chain to those who had it: it is one of the chain's, and each later one was
    /// handed over to. What is before is sealed by what it signed.
    pub fn vouched_for(&self, key: &PublicKey) -> bool {
        let mut later = self.keys.iter().skip_while(|known| known.key != *key);
        let goes_on = later.next().is_some() && later.all(|known| known.handed_over);
        goes_on && self.unsigned == 0 && self.unlinked == 0
    }
}

/// Checks the signatures of a chain whose seals are valid; the number of the first record whose signature is not, with what is wrong.
pub(crate) fn signed_chain(
    db: &Connection,
    version: u32,
    bench: &str,
) -> rusqlite::Result<Result<SignedChain, (i64, String)>> {
    let mut chain = SignedChain::default();
    if version < super::SINCE {
        return Ok(Ok(chain));
    }
    chain.keys = match keys(db, bench)? {
        Ok(keys) => keys,
        Err(fault) => return Ok(Err(fault)),
    };
    let text = "SELECT s.number, s.key, s.signature, coalesce(r.seal, n.seal) FROM signatures s \
                LEFT JOIN runs r ON r.bench = s.bench AND r.number = s.number \
                LEFT JOIN notes n ON n.bench = s.bench AND n.number = s.number \
                WHERE s.bench = ?1 AND s.number > ?2 ORDER BY s.number LIMIT ?3";
    let mut query = db.prepare(text)?;
    let mut last = 0;
    let mut numbers = Vec::new();
    loop {
        let row = |row: &rusqlite::Row<'_>| {
            let signature = Signature { key: row.get(1)?, signature: row.get(2)? };
            Ok((row.get::<_, i64>(0)?, signature, row.get::<_, Option<String>>(3)?))
        };
        let some: Vec<(i64, Signature, Option<String>)> =
            query.query_map(params![bench, last, TOGETHER as i64], row)?.collect::<rusqlite::Result<_>>()?;
        let Some((newest, ..)) = some.last() else { break };
        last = *newest;
        let look = |(number, signature, seal): &(i64, Signature, Option<String>)| {
            let in_force = chain.keys.iter().rev().find(|key| key.from <= *number);
            match seal {
                None => Some("has a signature, and is not here".to_owned()),
                Some(seal) => fault(signature, in_force, bench, *number, seal),
            }
        };
        let found: Vec<Option<String>> = some.par_iter().map(look).collect();
        if let Some(((number, ..), Some(what))) = some.iter().zip(found).find(|(_, found)| found.is_some()) {
            return Ok(Err((*number, what)));
        }
        chain.signed += some.len() as u64;
        numbers.extend(some.into_iter().map(|(number, ..)| number));
    }
    let Some(first) = chain.keys.first().map(|key| key.from) else { return Ok(Ok(chain)) };
    let text = "SELECT number FROM runs WHERE bench = ?1 AND number >= ?2 UNION ALL \
                SELECT number FROM notes WHERE bench = ?1 AND number >= ?2 ORDER BY number";
    let mut query = db.prepare(text)?;
    for number in query.query_map(params![bench, first], |row| row.get::<_, i64>(0))? {
        let number = number?;
        if numbers.binary_search(&number).is_err() {
            chain.unsigned += 1;
            chain.first_unsigned = chain.first_unsigned.or(Some(number));
        }
    }
    let text = "SELECT number FROM runs WHERE bench = ?1 AND number < ?2 UNION ALL \
                SELECT number FROM notes WHERE bench = ?1 AND number < ?2 ORDER BY number DESC";
    let mut query = db.prepare(text)?;
    let mut linked = first;
    for number in query.query_map(params![bench, first], |row| row.get::<_, i64>(0))? {
        match number? {
            before if before == linked - 1 => linked = before,
            _ => chain.unlinked += 1,
        }
    }
    Ok(Ok(chain))
}

/// The keys that a chain states, or the record that states one that is none.
fn keys(db: &Connection, bench: &str) -> rusqlite::Result<Result<Vec<BenchKey>, (i64, String)>> {
    let mut keys: Vec<BenchKey> = Vec::new();
    for (from, text) in key_notes(db, bench)? {
        let Some((note, key)) = KeyNote::read(&text) else {
            return Ok(Err((from, "states a key that is none".into())));
        };
        let handed_over = keys.last().is_none_or(|before| note.follows(bench, &before.key));
        keys.push(BenchKey { from, key, handed_over });
    }
    Ok(Ok(keys))
}

/// What is wrong with the last signature of a chain, if anything, and of which record it is.
pub(crate) fn last_signature_fault(
    db: &Connection,
    version: u32,
    bench: &str,
) -> rusqlite::Result<Option<(i64, String)>> {
    if version < super::SINCE {
        return Ok(None);
    }
    let text = "SELECT max(number) FROM signatures WHERE bench = ?";
    let last: Option<i64> = db.query_row(text, [bench], |row| row.get(0))?;
    let keys = match (last, keys(db, bench)?) {
        (_, Err(fault)) => return Ok(Some(fault)),
        (None, Ok(keys)) => {
            return Ok(keys.last().map(|key| (key.from, "states a key, and nothing is signed with it".into())));
        }
        (Some(_), Ok(keys)) => keys,
    };
    let number = last.unwrap_or_default();
    let (signature, seal) = (Signature::of(db, bench, number)?, seal_of(db, bench, number)?);
    let in_force = keys.iter().rev().find(|key| key.from <= number);
    let what = match (signature, seal) {
        (Some(signature), Some(seal)) => fault(&signature, in_force, bench, number, &seal),
        _ => Some("has a signature, and is not here".into()),
    };
    Ok(what.map(|what| (number, what)))
}

/// What is wrong with the signature of a record, if anything.
fn fault(signature: &Signature, in_force: Option<&BenchKey>, bench: &str, number: i64, seal: &str) -> Option<String> {
    if !signature.holds(bench, number, seal) {
        return Some("has a signature that its key did not make".into());
    }
    match in_force {
        Some(key) if key.key.hex() == signature.key => None,
        Some(_) => Some("is signed with another key than the one that was in force".into()),
        None => Some("is signed with a key that no record before states".into()),
    }
}
