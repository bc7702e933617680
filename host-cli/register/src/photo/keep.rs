//! Photographs kept, listed, struck, and brought along from another register.

use std::path::{Path, PathBuf};

use jiff::Timestamp;
use rusqlite::{Connection, params};
use seathold_recording::bounds::text_fault;

use super::sealed::{CAPTION_MAX, PhotoHead};
use super::store::{self, FoundPhoto};
use crate::Register;
use crate::append::insert_note;
use crate::assembly::sealed::{self, DoneHead};
use crate::error::{Error, WithPath};
use crate::intake::note_fault;
use crate::note::{NewNote, NoteKind, NoteRecord};
use crate::transaction::transact;

/// Most photographs of a valve in a batch; those that were struck do not count.
pub const PHOTOS_MAX: usize = 6;

/// Notes that count: none of those that were struck.
const COUNTED: &str = "NOT EXISTS (SELECT 1 FROM notes s WHERE s.kind = 'struck' \
                       AND s.about = notes.bench || '/' || notes.number)";

/// A photograph to be kept. That it is harmless is for the caller to see to.
#[derive(Clone, Copy, Debug)]
pub struct NewPhoto<'a> {
    /// Its file, JPEG.
    pub jpeg: &'a [u8],
    /// Its width and height in pixels.
    pub size: (u32, u32),
    /// What it shows; may be empty.
    pub caption: &'a str,
}

/// Of which valve, who keeps it, and when.
#[derive(Clone, Copy, Debug)]
pub struct PhotoBy<'a> {
    /// UUID of the batch.
    pub batch: &'a str,
    /// The valve.
    pub serial: &'a str,
    /// Who.
    pub operator: &'a str,
    /// When.
    pub now: Timestamp,
}

/// A photograph on record.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct PhotoRecord {
    /// The note.
    pub note: NoteRecord,
    /// What it seals.
    pub head: PhotoHead,
    /// The record, as short as it can be.
    pub short: String,
    /// Where the file lies, if it is here.
    pub folder: PathBuf,
}

impl PhotoRecord {
    /// Of a note; none where it is of no photograph.
    pub fn of(note: &NoteRecord, register: &Register) -> Option<Self> {
        let head = match note.kind {
            NoteKind::Photo => PhotoHead::of(&note.text),
            NoteKind::StepDone => {
                let done: DoneHead = sealed::head(&note.text)?;
                PhotoHead::of_step(&done.step, done.photo?.kept?.as_ref())
            }
            _ => None,
        }?;
        let (short, folder) = (register.short(&note.name()), store::folder(register.path()));
        Some(Self { note: note.clone(), head, short, folder })
    }

    /// The photograph.
    pub fn find(&self) -> FoundPhoto {
        store::find(&self.folder, &self.head.sha256)
    }
}

/// What became of the photographs of another register's notes.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct PhotosBrought {
    /// How many were copied.
    pub copied: usize,
    /// Those that are not here, by their records.
    pub not_here: Vec<PhotoRecord>,
}

impl Register {
    /// The photographs on record that were not struck, those of steps of assembly among them, the oldest first: of a batch, of a valve, or all.
    ///
    /// # Errors
    /// When the register cannot be read.
    pub fn photos(&self, batch: Option<&str>, serial: Option<&str>) -> Result<Vec<PhotoRecord>, Error> {
        let condition = format!(
            "kind IN ('photo', 'step-done') AND {COUNTED} AND (?1 IS NULL OR batch = ?1) AND (?2 IS NULL OR serial = ?2)"
        );
        let notes = self.notes_where(&condition, (batch, serial))?;
        Ok(notes.iter().filter_map(|note| PhotoRecord::of(note, self)).collect())
    }

    /// Keeps a photograph: first the file, and then the note that seals its hash. Gives the number of the record.
    ///
    /// # Errors
    /// When the valve is not of the batch or has as many as it may, it is kept already, the caption is too long or acts on a
    /// screen, or the file or the register cannot be written.
    pub fn keep_photo(&mut self, photo: NewPhoto<'_>, by: PhotoBy<'_>) -> Result<i64, Error> {
        let head = PhotoHead {
            sha256: seathold_recording::hash::sha256(photo.jpeg),
            caption: photo.caption.trim().into(),
            width: photo.size.0,
            height: photo.size.1,
        };
        let listed = self.valves_of(by.batch)?.iter().any(|valve| valve.serial == by.serial);
        let mut known = self.photos(Some(by.batch), Some(by.serial))?;
        known.retain(|known| known.note.kind == NoteKind::Photo);
        let again = known.iter().find(|known| known.head.sha256 == head.sha256);
        let wrong = text_fault("caption", &head.caption, CAPTION_MAX)
            .or_else(|| note_fault(Some(by.serial), by.operator, None, ""))
            .or_else(|| (!listed).then(|| format!("{} is not on the list of this batch", by.serial)))
            .or_else(|| by.operator.trim().is_empty().then(|| "who says so? Give --operator".into()))
            .or_else(|| again.map(|known| format!("it is kept already: record {}", known.short)))
            .or_else(|| (known.len() >= PHOTOS_MAX).then(|| full(by.serial)));
        self.refuse(wrong)?;
        store::keep(&store::folder(self.path()), photo.jpeg)?;
        let note = NewNote {
            kind: NoteKind::Photo,
            batch: Some(by.batch.into()),
            serial: Some(by.serial.into()),
            about: None,
            operator: by.operator.into(),
            // Texts and numbers: nothing that JSON cannot write.
            text: serde_json::to_string(&head).unwrap_or_default(),
        };
        let (path, bench) = (self.path.clone(), self.bench.clone());
        // Another program may have kept some meanwhile.
        let number = transact(&mut self.db, |change| {
            let room = count(change, by.batch, by.serial)? < PHOTOS_MAX;
            if room { insert_note(change, &bench, &note, by.now).map(Some) } else { Ok(None) }
        });
        let number = number.at(&path)?;
        self.refuse(number.is_none().then(|| full(by.serial)))?;
        Ok(number.unwrap_or_default())
    }

    /// Copies what the notes that are here refer to and what lies beside another register, after its notes were merged; or
    /// says what is not there either. `None` is asked where nothing but this register is there.
    ///
    /// # Errors
    /// When the register cannot be read, or a photograph cannot be written.
    pub fn bring_photos(&self, from: Option<&Path>) -> Result<PhotosBrought, Error> {
        let mut brought = PhotosBrought::default();
        let here = store::folder(self.path());
        for photo in self.photos(None, None)? {
            if let FoundPhoto::Here(_) = photo.find() {
                continue;
            }
            let there = from.map(|from| store::find(&store::folder(from), &photo.head.sha256));
            match there {
                Some(FoundPhoto::Here(bytes)) => {
                    store::keep(&here, &bytes)?;
                    brought.copied += 1;
                }
                _ => brought.not_here.push(photo),
            }
        }
        Ok(brought)
    }
}

fn full(serial: &str) -> String {
    format!("{serial} has {PHOTOS_MAX} photographs, the most there may be; `batch strike` strikes one")
}

fn count(db: &Connection, batch: &str, serial: &str) -> rusqlite::Result<usize> {
    let text = format!("SELECT count(*) FROM notes WHERE kind = 'photo' AND {COUNTED} AND batch = ? AND serial = ?");
    let count: i64 = db.query_row(&text, params![batch, serial], |row| row.get(0))?;
    Ok(usize::try_from(count).unwrap_or(usize::MAX))
}
