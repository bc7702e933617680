//! Certificates that were issued: each is a note in the chain, with its number and the hash of what it states.
//!
//! A number is that of its bench's certificate, counted from 1. It never repeats: it is taken in the transaction that writes the
//! note, and notes are never erased.

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
    /// How it is made out.
    pub manner: &'a CertificateManner,
    /// Who issues it.
    pub operator: &'a str,
    /// When.
    pub now: Timestamp,
}

impl Register {
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
                manner: head.manner,
                serials,
                batch: note.batch.clone().unwrap_or_default(),
                issued_at: note.written_at.clone(),
                issued_by: note.operator.clone(),
                record: note.name(),
                altered,
            });
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
        let issue = |db: &rusqlite::Transaction<'_>| {
            let certificate = next_number(db, &bench, new.prefix)?;
            let head = CertificateHead {
                sha256: sha256_of(&certificate),
                certificate: certificate.clone(),
                released_by: new.released_by.into(),
                key: new.key.into(),
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
        self.transact(issue).at(&path)
    }
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
