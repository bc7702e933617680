//! Recordings written while the run goes on.

use std::fs::{File, OpenOptions};
use std::io::{self, BufWriter, Write};
use std::path::{Path, PathBuf};

use seathold_sequencer::poll_loop::PollRecord;
use serde::{Deserialize, Serialize};
use sha2::{Digest, Sha256};

use super::frame::{self, FrameKind};
use super::limits::{EVENTS_MAX, FILE_MAX, HEADER_MAX, PAYLOAD_MAX, POLLS_MAX};
use super::polls::{BLOCK, PollBlock};
use super::value::{NameTable, RecordValue};
use super::{Discontinuity, Header, Poll, RecordingGap};
use crate::FileError;

/// The last frame.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub(super) struct EndFrame {
    /// Polls in the recording.
    pub(super) polls: u64,
    /// SHA-256 over every byte before this frame.
    pub(super) sha256: [u8; 32],
}

/// Passes bytes on and hashes them.
struct HashingWriter<W> {
    to: W,
    hash: Sha256,
    written: u64,
}

impl<W: Write> Write for HashingWriter<W> {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        let written = self.to.write(bytes)?;
        self.hash.update(&bytes[..written]);
        self.written += written as u64;
        Ok(written)
    }

    fn flush(&mut self) -> io::Result<()> {
        self.to.flush()
    }
}

/// Turns polls into the bytes of a recording.
struct Encoder<W> {
    to: HashingWriter<W>,
    names: NameTable,
    known: usize,
    waiting: Vec<Poll>,
    /// The events of those, by their index.
    events: Vec<(u32, RecordValue)>,
    polls: u64,
    /// In the whole recording.
    all_events: usize,
}

/// Room left for the last block and the end.
const RESERVE: u64 = PAYLOAD_MAX as u64 + 1_024;

fn bytes_of<T: Serialize>(value: &T) -> io::Result<Vec<u8>> {
    postcard::to_stdvec(value).map_err(io::Error::other)
}

impl<W: Write> Encoder<W> {
    fn new(to: W, header: &Header) -> io::Result<Self> {
        let mut to = HashingWriter { to, hash: Sha256::new(), written: 0 };
        frame::write_head(&mut to)?;
        let mut names = NameTable::default();
        let node = names.tree(header).ok_or_else(|| io::Error::other("the header cannot be encoded"))?;
        let payload = bytes_of(&(names.since(0), node))?;
        if payload.len() > HEADER_MAX {
            return Err(io::Error::other(format!("the header is longer than {HEADER_MAX} bytes: shorten its texts")));
        }
        frame::write_frame(&mut to, FrameKind::Header, &payload)?;
        to.flush()?;
        let known = names.len();
        Ok(Self { to, names, known, waiting: Vec::with_capacity(BLOCK), events: Vec::new(), polls: 0, all_events: 0 })
    }

    fn push(&mut self, record: &PollRecord) -> io::Result<()> {
        let place = self.waiting.len() as u32;
        self.all_events += record.events.len();
        let polls = self.polls + u64::from(place);
        // What is written must be readable.
        if polls >= POLLS_MAX as u64 || self.all_events > EVENTS_MAX || self.to.written >= FILE_MAX - RESERVE {
            return Err(io::Error::other(format!(
                "it is full: a recording has at most {POLLS_MAX} polls, {EVENTS_MAX} events and {FILE_MAX} bytes"
            )));
        }
        for event in &record.events {
            let tree = self.names.tree(event);
            let tree = tree.ok_or_else(|| io::Error::other("an event cannot be encoded"))?;
            self.events.push((place, tree));
        }
        self.waiting.push(record.into());
        if self.waiting.len() == BLOCK { self.write_block() } else { Ok(()) }
    }

    fn push_break(&mut self, why: Discontinuity) -> io::Result<()> {
        if !self.waiting.is_empty() {
            self.write_block()?;
        }
        frame::write_frame(&mut self.to, FrameKind::Break, &bytes_of(&RecordingGap { polls: self.polls, why })?)?;
        self.to.flush()
    }

    fn write_block(&mut self) -> io::Result<()> {
        let block = PollBlock::pack(&self.waiting);
        frame::write_frame(
            &mut self.to,
            FrameKind::Polls,
            &bytes_of(&(self.names.since(self.known), block, &self.events))?,
        )?;
        self.polls += self.waiting.len() as u64;
        self.known = self.names.len();
        self.waiting.clear();
        self.events.clear();
        // What has been written should survive a crash of the program, if not of the machine.
        self.to.flush()
    }

    fn finish(mut self) -> io::Result<W> {
        if !self.waiting.is_empty() {
            self.write_block()?;
        }
        let end = EndFrame { polls: self.polls, sha256: self.to.hash.clone().finalize().into() };
        frame::write_frame(&mut self.to, FrameKind::End, &bytes_of(&end)?)?;
        self.to.flush()?;
        Ok(self.to.to)
    }
}

/// A recording being written: `NAME.hold.part` until it is complete, `NAME.hold` from then on. One that is dropped
/// stays `.part`.
pub struct Writer {
    encoder: Encoder<BufWriter<File>>,
    part: PathBuf,
    path: PathBuf,
}

impl std::fmt::Debug for Writer {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Writer").field("part", &self.part).finish_non_exhaustive()
    }
}

impl Writer {
    /// Begins a recording that will be `path`. Makes the folder; never writes over anything.
    ///
    /// # Errors
    /// When either name is taken, or the file cannot be made.
    pub fn create(path: &Path, header: &Header) -> Result<Self, FileError> {
        let part = part_of(path);
        // What is written must be readable.
        if let Some((what, most)) = header.beyond() {
            let why = io::Error::other(format!("a recording has at most {most} {what}: shorten it"));
            return Err(FileError::new("make", path, why));
        }
        if path.exists() {
            return Err(FileError::new("make", path, io::ErrorKind::AlreadyExists.into()));
        }
        if let Some(folder) = path.parent().filter(|p| !p.as_os_str().is_empty()) {
            std::fs::create_dir_all(folder).map_err(|why| FileError::new("make", folder, why))?;
        }
        let file = OpenOptions::new().write(true).create_new(true).open(&part);
        let file = file.map_err(|why| FileError::new("make", &part, why))?;
        // Whoever had the name when it was looked for may have been done by then.
        if path.exists() {
            drop(file);
            std::fs::remove_file(&part).map_err(|why| FileError::new("remove", &part, why))?;
            return Err(FileError::new("make", path, io::ErrorKind::AlreadyExists.into()));
        }
        // Held for as long as this program lives, however it ends: who finds the file can tell whether anybody still writes
        // it. Elsewhere than on Unix a lock would keep others from reading it.
        if cfg!(unix) {
            let _ = file.try_lock();
        }
        let encoder = Encoder::new(BufWriter::new(file), header).map_err(|why| FileError::new("write", &part, why))?;
        Ok(Self { encoder, part, path: path.into() })
    }

    /// Adds a poll.
    ///
    /// # Errors
    /// When the file cannot be written.
    pub fn push(&mut self, record: &PollRecord) -> Result<(), FileError> {
        self.encoder.push(record).map_err(|why| FileError::new("write", &self.part, why))
    }

    /// Adds a discontinuity here.
    ///
    /// # Errors
    /// When the file cannot be written.
    pub fn push_break(&mut self, why: Discontinuity) -> Result<(), FileError> {
        self.encoder.push_break(why).map_err(|error| FileError::new("write", &self.part, error))
    }

    /// Writes the end, syncs, and gives the file its name.
    ///
    /// # Errors
    /// When the file cannot be written, synced or renamed; it then stays `.part`.
    pub fn finish(self) -> Result<PathBuf, FileError> {
        let Self { encoder, part, path } = self;
        let written = encoder.finish().and_then(|to| to.into_inner().map_err(io::IntoInnerError::into_error));
        written.and_then(|file| file.sync_all()).map_err(|why| FileError::new("write", &part, why))?;
        if path.exists() {
            return Err(FileError::new("make", &path, io::ErrorKind::AlreadyExists.into()));
        }
        std::fs::rename(&part, &path).map_err(|why| FileError::new("rename", &part, why))?;
        Ok(path)
    }

    /// The file's present name.
    pub fn part(&self) -> &Path {
        &self.part
    }
}

/// `NAME.hold` → `NAME.hold.part`.
fn part_of(path: &Path) -> PathBuf {
    let mut name = path.as_os_str().to_owned();
    name.push(".part");
    name.into()
}
