//! The bench's key in use: what is appended is signed in the transaction that appends it.

use std::cell::RefCell;
use std::path::{Path, PathBuf};

use jiff::Timestamp;
use rusqlite::{Connection, OptionalExtension, Transaction, params};
use seathold_signing::{Locked, PublicKey, SigningKey, public_path};

use super::key_note::KeyNote;
use super::signed_text;
use crate::append::{insert_note, next};
use crate::error::{Error, RegisterError, WithPath};
use crate::record::seal_of;
use crate::transaction::{one, transact};
use crate::{NewNote, NoteKind, Register};

/// The bench's key, as it lies beside the register.
#[derive(Debug)]
pub(crate) enum BenchSigner {
    /// There is none.
    None,
    /// It can be used.
    Key(Box<SigningKey>),
    /// It cannot, and why.
    Unusable(String),
}

thread_local! {
    /// Records that this thread wrote unsigned, of a bench that has a key.
    static UNSIGNED: RefCell<(u64, String)> = const { RefCell::new((0, String::new())) };
}

/// How many records this thread has written since it was last asked that are not signed, of a bench that has a key; and why.
pub fn take_unsigned() -> (u64, String) {
    UNSIGNED.with(RefCell::take)
}

/// A signature of a record's seal.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Signature {
    /// The key, in hexadecimal digits.
    pub key: String,
    /// The signature, in hexadecimal digits.
    pub signature: String,
}

/// Where the key of a register lies: beside it.
pub(crate) fn key_path(register: &Path) -> PathBuf {
    let mut name = register.as_os_str().to_owned();
    name.push(".key");
    name.into()
}

impl BenchSigner {
    /// What lies beside a register.
    pub(crate) fn beside(register: &Path) -> Self {
        let path = key_path(register);
        if !path.exists() {
            return Self::None;
        }
        Self::read(&path)
    }

    fn read(path: &Path) -> Self {
        match SigningKey::read(path) {
            Ok(Locked::No(key)) => Self::Key(Box::new(key)),
            Ok(Locked::Yes(_)) => {
                let why = "it is under a passphrase, which nobody could give at each record";
                Self::Unusable(format!("{}: {why}", path.display()))
            }
            Err(why) => Self::Unusable(why.to_string().trim_start_matches("command line: ").to_owned()),
        }
    }
}

impl Signature {
    /// That of a record, where there is one.
    pub(crate) fn of(db: &Connection, bench: &str, number: i64) -> rusqlite::Result<Option<Self>> {
        let text = "SELECT key, signature FROM signatures WHERE bench = ? AND number = ?";
        let row = |row: &rusqlite::Row<'_>| Ok(Self { key: row.get(0)?, signature: row.get(1)? });
        db.prepare_cached(text)?.query_row(params![bench, number], row).optional()
    }

    /// Keeps it.
    pub(crate) fn insert(&self, db: &Connection, bench: &str, number: i64) -> rusqlite::Result<()> {
        let text = "INSERT INTO signatures (bench, number, key, signature) VALUES (?, ?, ?, ?)";
        one(db.prepare_cached(text)?.execute(params![bench, number, self.key, self.signature])?)
    }

    /// Whether its key made it, of this record.
    pub(crate) fn holds(&self, bench: &str, number: i64, seal: &str) -> bool {
        let key = PublicKey::from_hex(&self.key);
        key.is_some_and(|key| key.verifies(&signed_text(bench, number, seal), &self.signature))
    }
}

impl Register {
    /// Does `what` in one transaction, and signs the records of this bench that it appended.
    pub(crate) fn transact<T>(
        &mut self,
        what: impl FnOnce(&Transaction<'_>) -> rusqlite::Result<T>,
    ) -> rusqlite::Result<T> {
        let (bench, signer, path) = (&self.bench, &self.signer, &self.path);
        let mut unsigned = 0;
        let done = transact(&mut self.db, |change| {
            let (first, _) = next(change, bench)?;
            let done = what(change)?;
            unsigned = sign(change, bench, first, signer, path)?;
            Ok(done)
        })?;
        if unsigned > 0 {
            let why = match &self.signer {
                BenchSigner::Unusable(why) => why.clone(),
                BenchSigner::None => format!("{}: it is not there", key_path(&self.path).display()),
                BenchSigner::Key(_) => format!("{}: it is not the one that is stated", key_path(&self.path).display()),
            };
            UNSIGNED.with_borrow_mut(|(count, last)| (*count, *last) = (*count + unsigned, why));
        }
        Ok(done)
    }

    /// Finishes a change of keys that was cut short: the new key is stated, and has not got its name yet.
    pub(crate) fn finish_change_of_keys(&mut self) -> Result<(), Error> {
        let path = key_path(&self.path);
        if !beside(&path, ".new").exists() {
            return Ok(());
        }
        // Whoever makes one just now finishes it.
        let lock = beside(&path, ".lock");
        let held = std::fs::File::create(&lock).map_err(|why| Error::file("make", &lock, why))?;
        if held.try_lock().is_err() {
            return Ok(());
        }
        self.finish_change_of_keys_held()
    }

    fn finish_change_of_keys_held(&mut self) -> Result<(), Error> {
        let made = beside(&key_path(&self.path), ".new");
        if !made.exists() {
            return Ok(());
        }
        let stated = key_in_force(&self.db, self.version, &self.bench).at(&self.path)?;
        match BenchSigner::read(&made) {
            BenchSigner::Key(key) if stated == Some(key.public()) => {
                put_in_place(&self.path, Timestamp::now())?;
                self.signer = BenchSigner::Key(key);
            }
            _ => {}
        }
        Ok(())
    }

    /// Why records of this bench are not signed with the key beside it; none where they are, or where there is none.
    ///
    /// # Errors
    /// When the register cannot be read.
    pub fn not_signed(&self) -> Result<Option<String>, Error> {
        match &self.signer {
            BenchSigner::None => {
                let stated = key_in_force(&self.db, self.version, &self.bench).at(&self.path)?;
                let path = key_path(&self.path);
                Ok(stated.map(|_| format!("{}: it is not there", path.display())))
            }
            BenchSigner::Unusable(why) => Ok(Some(why.clone())),
            BenchSigner::Key(key) => {
                let stated = key_in_force(&self.db, self.version, &self.bench).at(&self.path)?;
                let other = stated != Some(key.public());
                let why = "it is not the one that the register states; `seathold register key` makes one";
                Ok(other.then(|| format!("{}: {why}", key_path(&self.path).display())))
            }
        }
    }

    /// The bench's own key, where it is there and in force.
    pub fn bench_key(&self) -> Option<&SigningKey> {
        match (&self.signer, key_in_force(&self.db, self.version, &self.bench)) {
            (BenchSigner::Key(key), Ok(Some(stated))) if stated == key.public() => Some(key),
            _ => None,
        }
    }

    /// Makes a key for this bench and states it: its records are signed from here on. The key before it, where it is still there,
    /// hands over to it, and is renamed, never lost.
    ///
    /// # Errors
    /// When a file of that name is there, or the register cannot be written.
    pub fn make_key(&mut self, operator: &str, now: Timestamp) -> Result<PublicKey, Error> {
        let path = key_path(&self.path);
        // One after the other: of two at once the second hands over from the first's.
        let lock = beside(&path, ".lock");
        let held = std::fs::File::create(&lock).map_err(|why| Error::file("make", &lock, why))?;
        held.lock().map_err(|why| Error::file("lock", &lock, why))?;
        self.signer = BenchSigner::beside(&self.path);
        self.finish_change_of_keys_held()?;
        let before = self.bench_key().cloned();
        let made = beside(&path, ".new");
        let _ = std::fs::remove_file(&made);
        let _ = std::fs::remove_file(public_path(&made));
        let key = SigningKey::make(&made, None)?;
        let note = NewNote {
            kind: NoteKind::Key,
            batch: None,
            serial: None,
            about: None,
            operator: operator.into(),
            text: KeyNote::new(&self.bench, &key.public(), before.as_ref()).text(),
        };
        if let Some(why) = crate::intake::note_fault(None, operator, None, &note.text) {
            return Err(Error::register(&self.path, RegisterError::Refused(why)));
        }
        // First the note, then the file gets its name: were it the other way round and the power went in between, the key before
        // could no longer hand over. What is left undone then is done when the register is next written to.
        let (public, bench, file) = (key.public(), self.bench.clone(), self.path.clone());
        self.signer = BenchSigner::Key(Box::new(key));
        self.transact(|change| insert_note(change, &bench, &note, now)).at(&file)?;
        put_in_place(&self.path, now)?;
        Ok(public)
    }
}

/// Gives a new key the name of the bench's key; the one before is renamed.
fn put_in_place(register: &Path, now: Timestamp) -> Result<(), Error> {
    let path = key_path(register);
    let made = beside(&path, ".new");
    for (from, to) in [(public_path(&made), public_path(&path)), (made, path)] {
        if to.exists() {
            // Whatever is there already stays.
            let named = |n: u32| {
                beside(
                    &to,
                    &format!(".until-{}{}", now.as_second(), if n == 0 { String::new() } else { format!("-{n}") }),
                )
            };
            let old = (0..).map(named).find(|old| !old.exists()).unwrap_or_else(|| named(0));
            std::fs::rename(&to, &old).map_err(|why| Error::file("rename", &to, why))?;
        }
        std::fs::rename(&from, &to).map_err(|why| Error::file("make", &to, why))?;
    }
    Ok(())
}

fn beside(path: &Path, ending: &str) -> PathBuf {
    let mut name = path.as_os_str().to_owned();
    name.push(ending);
    name.into()
}

/// Signs what a transaction appended to this bench's chain with the key in force; how many of them could not be, where there is one. Another
/// program may have changed keys since this one looked: then the file is read again.
fn sign(change: &Connection, bench: &str, first: i64, signer: &BenchSigner, register: &Path) -> rusqlite::Result<u64> {
    let (end, _) = next(change, bench)?;
    if end == first {
        return Ok(0);
    }
    let in_force = match key_stated_since(change, bench, first)? {
        Some(stated) => Some(stated),
        None => key_in_force(change, u32::MAX, bench)?,
    };
    let Some(in_force) = in_force else { return Ok(0) };
    let fits = |signer: &BenchSigner| match signer {
        BenchSigner::Key(key) if key.public() == in_force => Some(key.clone()),
        _ => None,
    };
    let path = key_path(register);
    // Between the note of a new key and its file's name it has another.
    let again = || fits(&BenchSigner::beside(register)).or_else(|| fits(&BenchSigner::read(&beside(&path, ".new"))));
    let Some(key) = fits(signer).or_else(again) else { return Ok(end.abs_diff(first)) };
    for number in first..end {
        let seal = seal_of(change, bench, number)?.ok_or(rusqlite::Error::QueryReturnedNoRows)?;
        let signature = key.sign(&signed_text(bench, number, &seal));
        Signature { key: in_force.hex(), signature }.insert(change, bench, number)?;
    }
    Ok(0)
}

/// The key that a bench's records are signed with: that of the last signature, since a key signs the note that states it. None before
/// version 4 of the tables.
fn key_in_force(db: &Connection, version: u32, bench: &str) -> rusqlite::Result<Option<PublicKey>> {
    if version < super::SINCE {
        return Ok(None);
    }
    let text = "SELECT key FROM signatures WHERE bench = ? ORDER BY number DESC LIMIT 1";
    let last: Option<String> = db.prepare_cached(text)?.query_row([bench], |row| row.get(0)).optional()?;
    Ok(last.and_then(|key| PublicKey::from_hex(&key)))
}

/// The last key that a record states from this number on.
fn key_stated_since(db: &Connection, bench: &str, first: i64) -> rusqlite::Result<Option<PublicKey>> {
    let text = "SELECT text FROM notes WHERE bench = ? AND number >= ? AND kind = 'key' ORDER BY number DESC LIMIT 1";
    let last: Option<String> =
        db.prepare_cached(text)?.query_row(params![bench, first], |row| row.get(0)).optional()?;
    Ok(last.and_then(|text| KeyNote::read(&text)).map(|(_, key)| key))
}
