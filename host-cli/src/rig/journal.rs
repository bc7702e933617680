//! What is acknowledged to the controller, on disk first: the controller then drops it. A run whose host was killed is
//! resumed from here. It lies beside the recording as `NAME.hold.link` and is removed when that is complete.
//!
//! One line of JSON with the header, then frames of the link as the controller sends them: a welcome for each session,
//! records, gaps; and between them the commands sent.

use std::fs::{File, OpenOptions};
use std::io::{self, BufRead, BufReader, BufWriter, Read, Write};
use std::path::{Path, PathBuf};

use seathold_recording::Header;
use seathold_recording::file::read_at_most;
use seathold_recording::limits::{FILE_MAX, HEADER_MAX};
use seathold_sequencer::event::Event;
use seathold_sequencer::input::Command;
use seathold_sequencer::link::frame::{self, Deframer, Frame};
use seathold_sequencer::link::message::{Record, ResumePoint, ToHost};
use seathold_sequencer::link::polls::{Packer, Polls};
use seathold_sequencer::time::Instant;
use serde::{Deserialize, Serialize};

use super::client::{ClientEvent, RecordContent};
use crate::error::Error;

/// The first line.
#[derive(Clone, Debug, Serialize, Deserialize)]
struct Head {
    header: Header,
    from: u32,
}

/// First byte of a command sent: no message of a controller begins with it.
const SENT: u8 = 0xfe;

/// Longest journal that is read: some times the longest recording.
const LONGEST: u64 = 4 * FILE_MAX;

/// Longest first line: a header's, as JSON.
const HEAD_MAX: u64 = 4 * HEADER_MAX as u64;

/// A journal being written.
#[derive(Debug)]
pub struct Journal {
    file: BufWriter<File>,
    path: PathBuf,
}

/// A journal read back.
#[derive(Debug)]
pub struct JournalState {
    /// The recording's header.
    pub header: Header,
    /// Records below belong to an earlier run.
    pub from: u32,
    /// All events received.
    pub events: Vec<ClientEvent>,
    /// Commands sent, in order.
    pub sent: Vec<Command>,
    /// Where to resume.
    pub have: ResumePoint,
}

/// `NAME.hold` → `NAME.hold.link`.
pub fn beside(recording: &Path) -> PathBuf {
    let mut name = recording.as_os_str().to_owned();
    name.push(".link");
    name.into()
}

impl Journal {
    /// Begins one.
    ///
    /// # Errors
    /// When the file exists or cannot be written.
    pub fn create(recording: &Path, header: &Header, from: u32) -> Result<Self, Error> {
        let path = beside(recording);
        let file = OpenOptions::new().write(true).create_new(true).open(&path);
        let mut file = BufWriter::new(file.map_err(|why| Error::file("make", &path, why))?);
        let head = serde_json::to_string(&Head { header: header.clone(), from }).map_err(io::Error::other);
        head.and_then(|head| writeln!(file, "{head}").and_then(|()| file.flush()))
            .map_err(|why| Error::file("write", &path, why))?;
        Ok(Self { file, path })
    }

    /// Continues an existing one.
    ///
    /// # Errors
    /// When it cannot be written.
    pub fn reopen(recording: &Path) -> Result<Self, Error> {
        let path = beside(recording);
        let file = OpenOptions::new().append(true).open(&path).map_err(|why| Error::file("write", &path, why))?;
        let mut file = BufWriter::new(file);
        // Ends a frame that was cut short.
        file.write_all(&[0]).map_err(|why| Error::file("write", &path, why))?;
        Ok(Self { file, path })
    }

    /// Stores events. On return they survive a crash of this program, if not of the machine.
    ///
    /// # Errors
    /// When it cannot be written.
    pub fn keep(&mut self, events: &[ClientEvent]) -> Result<(), Error> {
        self.write(events).map_err(|why| Error::file("write", &self.path, why))
    }

    /// Stores a command that is about to be sent, so that whoever resumes the run knows it for its own.
    ///
    /// # Errors
    /// When it cannot be written.
    pub fn keep_command(&mut self, command: Command) -> Result<(), Error> {
        let mut bytes = Frame::new();
        let message = postcard::to_stdvec(&(SENT, command)).map_err(io::Error::other);
        message
            .and_then(|message| frame::encode_bytes(&message, &mut bytes).map_err(|_| io::Error::other("too long")))
            .and_then(|()| self.file.write_all(&bytes))
            .and_then(|()| self.file.flush())
            .map_err(|why| Error::file("write", &self.path, why))
    }

    fn write(&mut self, events: &[ClientEvent]) -> io::Result<()> {
        let mut bytes = Frame::new();
        for one in events {
            match one {
                ClientEvent::Connected { welcome, .. } => put(&mut self.file, &ToHost::Welcome(*welcome), &mut bytes)?,
                ClientEvent::Gap { from, to } => {
                    put(&mut self.file, &ToHost::Gap { from: *from, to: *to }, &mut bytes)?
                }
                ClientEvent::Record { number, what } => {
                    let body = body(what)?;
                    put(&mut self.file, &ToHost::Record { number: *number, body: &body }, &mut bytes)?;
                }
                ClientEvent::OtherVersion(_)
                | ClientEvent::NoKey
                | ClientEvent::OtherKey
                | ClientEvent::Lost(_)
                | ClientEvent::StartPressed
                | ClientEvent::Answer(_) => {}
            }
        }
        self.file.flush()
    }

    /// The recording is complete: this is not needed any more.
    pub fn remove(self) {
        drop(self.file);
        // One that cannot be removed is reported when a recording of its name is begun again.
        let _ = std::fs::remove_file(self.path);
    }
}

fn put(file: &mut impl Write, message: &ToHost<'_>, bytes: &mut Frame) -> io::Result<()> {
    frame::encode(message, bytes).map_err(|_| io::Error::other("a record has outgrown its frame"))?;
    file.write_all(bytes)
}

fn body(kept: &RecordContent) -> io::Result<Vec<u8>> {
    let encoded = match kept {
        RecordContent::Began(recipe) => postcard::to_stdvec(&Record::<Event>::RecipeLoaded(*recipe)),
        RecordContent::Event(at, event) => postcard::to_stdvec(&Record::Event { at: *at, event: event.clone() }),
        RecordContent::Polls(polls) => {
            let mut writer = Packer::default();
            if !polls.iter().all(|poll| writer.push(poll)) {
                return Err(io::Error::other("a series has outgrown its record"));
            }
            postcard::to_stdvec(&Record::<Event>::Polls(writer.series().unwrap_or_default()))
        }
        RecordContent::Other { unreadable: false } => {
            let time: Record<'_> = Record::TimeSet { at: Instant::from_ticks(0), unix_ms: 0 };
            postcard::to_stdvec(&time)
        }
        RecordContent::Other { unreadable: true } => return Ok(Vec::new()),
    };
    encoded.map_err(io::Error::other)
}

/// The header alone.
///
/// # Errors
/// When it cannot be read.
pub fn head(recording: &Path) -> Result<Header, Error> {
    let path = beside(recording);
    let mut line = String::new();
    let read = File::open(&path).and_then(|file| BufReader::new(file.take(HEAD_MAX)).read_line(&mut line));
    read.map_err(|why| Error::file("read", &path, why))?;
    let head: Head = serde_json::from_str(&line).map_err(|why| Error::file("read", &path, io::Error::other(why)))?;
    Ok(head.header)
}

/// Reads a journal as far as it is intact.
///
/// # Errors
/// When it cannot be read, or its first line is not valid.
pub fn read(recording: &Path) -> Result<JournalState, Error> {
    let path = beside(recording);
    let bytes = read_at_most(&path, LONGEST)?;
    let bad = |what: &str| Error::file("read", &path, io::Error::new(io::ErrorKind::InvalidData, what.to_owned()));
    let end = bytes.iter().position(|&byte| byte == b'\n').ok_or_else(|| bad("it has no header"))?;
    let head: Head = serde_json::from_slice(&bytes[..end]).map_err(|why| bad(&format!("its header: {why}")))?;
    let mut deframer = Deframer::default();
    let mut have: Option<ResumePoint> = None;
    let (mut events, mut sent) = (Vec::new(), Vec::new());
    for &byte in &bytes[end + 1..] {
        let Some(message) = deframer.push(byte) else { continue };
        if let Ok((SENT, command)) = postcard::from_bytes::<(u8, Command)>(message) {
            sent.push(command);
            continue;
        }
        match postcard::from_bytes::<ToHost<'_>>(message) {
            Ok(ToHost::Welcome(welcome)) => {
                let restarted = have.is_some_and(|have| have.boot != welcome.boot);
                if have.is_none() || restarted {
                    have = Some(ResumePoint { boot: welcome.boot, next: 0 });
                }
                events.push(ClientEvent::Connected { welcome, restarted });
            }
            Ok(ToHost::Gap { from, to }) => {
                have = have.map(|have| ResumePoint { next: to, ..have });
                events.push(ClientEvent::Gap { from, to });
            }
            Ok(ToHost::Record { number, body }) => {
                have = have.map(|have| ResumePoint { next: number.wrapping_add(1), ..have });
                events.push(ClientEvent::Record { number, what: kept(body) });
            }
            _ => {}
        }
    }
    let have = have.ok_or_else(|| bad("it ends before the controller had answered"))?;
    Ok(JournalState { header: head.header, from: head.from, events, sent, have })
}

fn kept(body: &[u8]) -> RecordContent {
    match postcard::from_bytes::<Record<'_>>(body) {
        Ok(Record::RecipeLoaded(recipe)) => RecordContent::Began(recipe),
        Ok(Record::Event { at, event }) => RecordContent::Event(at, event),
        Ok(Record::Polls(series)) => RecordContent::Polls(Polls::new(series).collect()),
        Ok(Record::TimeSet { .. } | Record::RigChanged { .. }) => RecordContent::Other { unreadable: false },
        Err(_) => RecordContent::Other { unreadable: true },
    }
}
