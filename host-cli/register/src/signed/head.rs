//! Heads: where a chain ended at a time. One that is kept elsewhere shows later that nothing was cut off or made anew.

use rusqlite::OptionalExtension;
use seathold_signing::PublicKey;
use serde::{Deserialize, Serialize};

use super::signer::Signature;
use crate::Register;
use crate::error::{Error, WithPath};
use crate::open::genesis;

/// The kind and version of a head in a file.
pub const SCHEMA: &str = "seathold/register-head/1";

/// Where a chain ends.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Head {
    /// Its kind and version.
    pub schema: String,
    /// UUID of the bench.
    pub bench: String,
    /// Its name.
    pub name: String,
    /// Number of the last record; 0 where there is none.
    pub number: i64,
    /// The seal of that record.
    pub seal: String,
    /// Public part of the key that signed it, in hexadecimal digits; empty where it is not signed.
    #[serde(default)]
    pub key: String,
    /// The signature, in hexadecimal digits.
    #[serde(default)]
    pub signature: String,
}

/// What became of a head.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum SinceHead {
    /// The record is here as it was, and so many came after it.
    Here(u64),
    /// The bench's chain ends before it, at this record: records were cut off, or the file is an older copy.
    Cut(i64),
    /// There is another record of that number: the chain was made anew, or went apart.
    Another,
    /// It is not among the records here, which are a selection.
    NotSelected,
    /// Nothing of that bench is here.
    NoBench,
}

impl Head {
    /// Whether it is signed by the key it names; none where it names none.
    pub fn signature_holds(&self) -> Option<bool> {
        let signature = Signature { key: self.key.clone(), signature: self.signature.clone() };
        (!self.key.is_empty()).then(|| signature.holds(&self.bench, self.number, &self.seal))
    }

    /// The key it names.
    pub fn public_key(&self) -> Option<PublicKey> {
        PublicKey::from_hex(&self.key)
    }
}

impl Register {
    /// The heads of all chains here, the file's own first.
    ///
    /// # Errors
    /// When the register cannot be read.
    pub fn heads(&self) -> Result<Vec<Head>, Error> {
        let chains = self.chains()?.into_iter();
        chains
            .map(|chain| {
                let number = i64::try_from(chain.last).unwrap_or(i64::MAX);
                let signature = match self.version >= super::SINCE {
                    true => Signature::of(&self.db, &chain.bench, number).at(&self.path)?,
                    false => None,
                };
                let (key, signature) = signature.map(|found| (found.key, found.signature)).unwrap_or_default();
                let (bench, name, seal) = (chain.bench, chain.name, chain.seal);
                Ok(Head { schema: SCHEMA.into(), bench, name, number, seal, key, signature })
            })
            .collect()
    }

    /// What became of a head since it was kept.
    ///
    /// # Errors
    /// When the register cannot be read.
    pub fn since_head(&self, bench: &str, number: i64, seal: &str) -> Result<SinceHead, Error> {
        let Some(chain) = self.chains()?.into_iter().find(|chain| chain.bench == bench) else {
            return Ok(SinceHead::NoBench);
        };
        let last = i64::try_from(chain.last).unwrap_or(i64::MAX);
        let here = if number == 0 { Some(genesis(bench)) } else { self.seal_at(bench, number)? };
        Ok(match here {
            Some(here) if here == seal => SinceHead::Here(last.abs_diff(number)),
            Some(_) => SinceHead::Another,
            None if number > last => SinceHead::Cut(last),
            None => SinceHead::NotSelected,
        })
    }

    /// By going through the tables: no index may hide it.
    fn seal_at(&self, bench: &str, number: i64) -> Result<Option<String>, Error> {
        let text = "SELECT seal FROM runs NOT INDEXED WHERE bench = ?1 AND number = ?2 \
                    UNION ALL SELECT seal FROM notes NOT INDEXED WHERE bench = ?1 AND number = ?2";
        self.db.query_row(text, rusqlite::params![bench, number], |row| row.get(0)).optional().at(&self.path)
    }
}
