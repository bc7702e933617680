//! Certificates that were issued: each is a note in the chain, with its number and the hash of what it states.
//!
//! A number is that of its bench's certificate, counted from 1. It never repeats: it is taken in the transaction that writes the
//! note, and notes are never erased.

use std::collections::HashMap;

use jiff::Timestamp;
use rusqlite::Connection;
use serde::Serialize;

use super::certificate::{CertificateHead, CertificateManner};
use crate::Register;
use crate::append::insert_note;
use crate::assembly::sealed;
use crate::error::{Error, RegisterError, WithPath};
use crate::intake::list_fault;
use crate::note::{NewNote, NoteKind};

/// A certificate in the register.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct CertificateRecord {
    /// Its number.
    pub certificate: String,
    /// SHA-256 over what it states.
    pub sha256: String,
    /// Who released it.
    pub released_by: String,
    /// Public part of the key it was signed with, in hexadecimal digits; empty where it was not.
    pub key: String,
    /// Whether it was made of a selection of the batch's records.
    pub selection: bool,
    /// How it was made out.
    #[serde(flatten)]
    pub manner: CertificateManner,
    /// Its valves.
    pub serials: Vec<String>,
    /// UUID of the batch.
    pub batch: String,
    /// When it was issued, RFC 3339.
    pub issued_at: String,
    /// By whom.
    pub issued_by: String,
    /// The record, as `BENCH/NUMBER`.
    pub record: String,
    /// What is wrong with the record, where it is not what was sealed.
    pub altered: Option<String>,
    /// Whether another record has the same number: of a bench whose name ends alike, or made up.
    pub number_twice: bool,
}

/// A certificate to be issued.
#[derive(Clone, Copy, Debug)]
pub struct NewCertificate<'a> {
    /// UUID of the batch.
    pub batch: &'a str,
    /// Its valves.
    pub serials: &'a [&'a str],
    /// What its number begins with; may be empty.
    pub prefix: &'a str,
    /// Who released it; may be empty.
    pub released_by: &'a str,
    /// Public part of the key it is signed with; empty where it is not.
    pub key: &'a str,
    /// Whether the register has a selection of the batch's records only.
    pub selection: bool,
    /// How it is made out.
    pub manner: &'a CertificateManner,
    /// Where the chains ended when what it states was read: a record of its valves since then is not stated.
    pub read_at: &'a [ChainEnd],
    /// Who issues it.
    pub operator: &'a str,
    /// When.
    pub now: Timestamp,
}

/// The end of a bench's chain.
pub type ChainEnd = (String, i64);

impl Register {
    /// Where the chains end now.
    ///
    /// # Errors
    /// When the register cannot be read.
    pub fn chain_ends(&self) -> Result<Vec<ChainEnd>, Error> {
        let chains = self.chains()?.into_iter();
        Ok(chains.map(|chain| (chain.bench, i64::try_from(chain.last).unwrap_or(i64::MAX))).collect())
    }

    /// The certificates that were issued, the oldest first.
    ///
    /// # Errors
    /// When the register cannot be read.
    pub fn certificates(&self) -> Result<Vec<CertificateRecord>, Error> {
        let mut found = Vec::new();
        for note in self.notes_where("kind = 'certificate' AND ?1 IS NULL AND ?2 IS NULL", (None, None))? {
            let Some(head) = sealed::head::<CertificateHead>(&note.text) else { continue };
            let serials = match &note.serial {
                Some(serial) => vec![serial.clone()],
                None => sealed::lines(&note.text).unwrap_or_default(),
            };
            let altered = self.altered(&note.bench, note.number)?;
            found.push(CertificateRecord {
                certificate: head.certificate,
                sha256: head.sha256,
                released_by: head.released_by,
                key: head.key,
                selection: head.selection,
                manner: head.manner,
                serials,
                batch: note.batch.clone().unwrap_or_default(),
                issued_at: note.written_at.clone(),
                issued_by: note.operator.clone(),
                record: note.name(),
                altered,
                number_twice: false,
            });
        }
        let mut seen: HashMap<String, u32> = HashMap::new();
        found.iter().for_each(|known| *seen.entry(known.certificate.clone()).or_default() += 1);
        for known in &mut found {
            known.number_twice = seen.get(&known.certificate).is_some_and(|times| *times > 1);
        }
        Ok(found)
    }

    /// Issues a certificate: takes the next number, has what it states made out with it, and seals the hash of that. When this
    /// returns, the number is used, whatever becomes of the page.
    ///
    /// # Errors
    /// When nobody issues it, or the register cannot be written.
    pub fn issue_certificate(
        &mut self,
        new: NewCertificate<'_>,
        sha256_of: impl FnOnce(&str) -> String,
    ) -> Result<String, Error> {
        let (path, bench) = (self.path.clone(), self.bench.clone());
        let wrong = new
            .operator
            .trim()
            .is_empty()
            .then(|| "who issues it? Give --operator".to_owned())
            .or_else(|| new.serials.is_empty().then(|| "of which valve?".into()))
            .or_else(|| list_fault(&format!("{}{}{}", new.prefix, new.released_by, new.operator)));
        if let Some(why) = wrong {
            return Err(Error::register(&path, RegisterError::Refused(why)));
        }
        let one = match new.serials {
            [one] => Some((*one).to_owned()),
            _ => None,
        };
        let mut meanwhile = None;
        let issue = |db: &rusqlite::Transaction<'_>| {
            meanwhile = record_since(db, new.batch, new.serials, new.read_at)?;
            if meanwhile.is_some() {
                return Ok(String::new());
            }
            let certificate = next_number(db, &bench, new.prefix)?;
            let head = CertificateHead {
                sha256: sha256_of(&certificate),
                certificate: certificate.clone(),
                released_by: new.released_by.into(),
                key: new.key.into(),
                selection: new.selection,
                manner: new.manner.clone(),
            };
            let lines: &[&str] = if one.is_some() { &[] } else { new.serials };
            let note = NewNote {
                kind: NoteKind::Certificate,
                batch: Some(new.batch.into()),
                serial: one.clone(),
                about: None,
                operator: new.operator.into(),
                text: sealed::text(&head, lines),
            };
            insert_note(db, &bench, &note, new.now)?;
            Ok(certificate)
        };
        let certificate = self.transact(issue).at(&path)?;
        match meanwhile {
            Some(record) => {
                let why = format!("record {} was written meanwhile, of these valves: begin again", self.short(&record));
                Err(Error::register(&path, RegisterError::Refused(why)))
            }
            None => Ok(certificate),
        }
    }
}

/// A record of these valves, or of their batch as a whole, that is newer than the ends of chains; certificates are none.
fn record_since(db: &Connection, batch: &str, serials: &[&str], ends: &[ChainEnd]) -> rusqlite::Result<Option<String>> {
    let mut benches = db.prepare("SELECT bench FROM benches")?;
    let benches: Vec<String> = benches.query_map([], |row| row.get(0))?.collect::<rusqlite::Result<_>>()?;
    let text = "SELECT number, serial, batch FROM runs WHERE bench = ?1 AND number > ?2 UNION ALL \
                SELECT number, serial, batch FROM notes WHERE bench = ?1 AND number > ?2 AND kind <> 'certificate'";
    let mut newer = db.prepare(text)?;
    for bench in benches {
        let end = ends.iter().find(|(known, _)| *known == bench).map_or(0, |(_, end)| *end);
        let row = |row: &rusqlite::Row<'_>| {
            Ok((row.get::<_, i64>(0)?, row.get::<_, Option<String>>(1)?, row.get::<_, Option<String>>(2)?))
        };
        for found in newer.query_map(rusqlite::params![bench, end], row)? {
            let (number, serial, of) = found?;
            let concerns = match &serial {
                Some(serial) => serials.contains(&serial.as_str()),
                None => of.as_deref() == Some(batch),
            };
            if concerns {
                return Ok(Some(format!("{bench}/{number}")));
            }
        }
    }
    Ok(None)
}

/// "SH-b3e0c1-0007": the prefix, the end of the bench's UUID, which is random, and the count of its certificates.
fn next_number(db: &Connection, bench: &str, prefix: &str) -> rusqlite::Result<String> {
    let count = "SELECT count(*) FROM notes WHERE kind = 'certificate' AND bench = ?1";
    let issued: i64 = db.query_row(count, [bench], |row| row.get(0))?;
    let of_bench: String = bench.chars().filter(char::is_ascii_alphanumeric).collect();
    let of_bench = &of_bench[of_bench.len().saturating_sub(6)..];
    let prefix = if prefix.is_empty() { String::new() } else { format!("{prefix}-") };
    Ok(format!("{prefix}{of_bench}-{:04}", issued + 1))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::Access;
    use crate::valves::ValveRecord;

    /// A rework that is noted while a certificate is made out is not passed over.
    #[test]
    fn a_record_written_meanwhile_stops_a_certificate() {
        let folder = tempfile::tempdir().unwrap();
        let mut register = Register::open(&folder.path().join("bench.sqlite"), Access::Make).unwrap();
        let now: Timestamp = "2026-03-02T10:00:00Z".parse().unwrap();
        let valve = |serial: &str| ValveRecord { serial: serial.into(), ..ValveRecord::default() };
        let valves = [valve("HM-001"), valve("HM-002")];
        let batch = register.open_batch("spring", &valves, "", "Ada", now).unwrap().batch;
        let read_at = register.chain_ends().unwrap();
        let rework = |serial: &str| NewNote {
            kind: NoteKind::Rework,
            batch: Some(batch.clone()),
            serial: Some(serial.into()),
            about: None,
            operator: "Ada".into(),
            text: "new seat".into(),
        };
        register.note(&rework("HM-002"), now).unwrap();
        let manner = CertificateManner::default();
        let mut issue = |serial: &str, read_at: &[ChainEnd]| {
            let new = NewCertificate {
                batch: &batch,
                serials: &[serial],
                prefix: "TW",
                released_by: "",
                key: "",
                manner: &manner,
                selection: false,
                read_at,
                operator: "Ada",
                now,
            };
            register.issue_certificate(new, |_| "0".repeat(64))
        };
        let why = issue("HM-002", &read_at).unwrap_err().to_string();
        assert!(why.contains("record 2 was written meanwhile, of these valves"), "{why}");
        // Of another valve it does not matter; and no number was used.
        assert!(issue("HM-001", &read_at).unwrap().ends_with("-0001"));
        let ends = register.chain_ends().unwrap();
        assert_eq!(ends[0].1, 3);
    }
}
