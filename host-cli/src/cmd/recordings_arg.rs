//! Recordings one after the other, from files or from the register: for commands that go through many.

use std::path::{Path, PathBuf};

use seathold_recording::Recording;
use seathold_register::{Access, Register, RunFilter};

use super::find::{RegisterArg, RunFilterArgs};
use crate::console::Console;
use crate::error::Error;
use crate::exit::Exit;

/// A recording's bytes.
#[derive(Debug)]
pub(super) struct RecordingBytes {
    /// Its name.
    pub(super) name: String,
    /// The run's name in every file, `BENCH/NUMBER`; empty for a file.
    pub(super) run: String,
    /// Batch it was run for, by its UUID; empty where it was for none, or is a file.
    pub(super) batch: String,
    /// The stand-alone file.
    pub(super) bytes: Vec<u8>,
}

/// The source of recordings.
#[derive(Debug)]
pub(super) enum RecordingsArg {
    /// Files.
    Files(Vec<PathBuf>),
    /// A register, and how many of its runs are selected.
    Register(Box<Register>, u64),
}

impl RecordingsArg {
    /// Files where any are named, otherwise the register. What was struck, or made with another valve than it says, teaches
    /// nothing: it is left out, and said.
    pub(super) fn open(
        files: &[PathBuf],
        filter: &RunFilterArgs,
        register: &RegisterArg,
        console: &mut Console<'_>,
    ) -> Result<Self, Error> {
        if files.is_empty() {
            let register = Register::open(&register.register, Access::Read)?;
            let all = register.count(&filter.filter(&register)?)?;
            let count = register.count(&uncorrected(filter, &register)?)?;
            if count < all {
                let runs = seathold_text::messages::counted(all - count, "run");
                writeln!(console.err, "{runs} left out: struck, or moved to another valve since")?;
            }
            return Ok(Self::Register(Box::new(register), count));
        }
        filter.only_serial()?;
        let files = super::named_files::recordings(files)?;
        if files.is_empty() {
            return Err(Error::usage("there is no recording (.hold) in the folders named"));
        }
        Ok(Self::Files(files))
    }

    /// How many there are.
    pub(super) fn count(&self) -> u64 {
        match self {
            Self::Files(files) => files.len() as u64,
            Self::Register(_, count) => *count,
        }
    }

    /// Reads them one at a time, in the order of names, or of dates in a register.
    pub(super) fn recordings(
        &self,
        filter: &RunFilterArgs,
    ) -> Result<Box<dyn Iterator<Item = Result<RecordingBytes, Error>> + '_>, Error> {
        Ok(match self {
            Self::Files(files) => Box::new(files.iter().map(|path| read(path))),
            Self::Register(register, _) => Box::new(register.runs(uncorrected(filter, register)?).map(|run| {
                let run = run?;
                let name = format!("run {}", register.short(&run.name()));
                let bytes = register.recording(run.id)?;
                Ok(RecordingBytes { name, run: run.name(), batch: run.batch.unwrap_or_default(), bytes })
            })),
        })
    }
}

impl RecordingsArg {
    /// Reads each recording, of one valve where one is asked for. What cannot be read is named, and does not stop the
    /// others: the exit code says so.
    pub(super) fn each(
        &self,
        filter: &RunFilterArgs,
        console: &mut Console<'_>,
        mut take: impl FnMut(&str, Recording) -> Result<(), Error>,
    ) -> Result<Exit, Error> {
        let mut exit = Exit::Good;
        for one in self.recordings(filter)? {
            let read = one.and_then(|one| match seathold_recording::read_bytes(&one.bytes) {
                Ok(recording) => Ok((one.name, recording)),
                Err(why) => Err(seathold_recording::Error::damaged(Path::new(&one.name), why).into()),
            });
            match read {
                Ok((_, recording))
                    if filter.serial.as_ref().is_some_and(|wanted| *wanted != recording.header.serial) => {}
                Ok((name, recording)) => take(&name, recording)?,
                Err(why) if why.is_of_one_file() => {
                    writeln!(console.err, "{why}; left out")?;
                    exit = Exit::Storage;
                }
                Err(why) => return Err(why),
            }
        }
        Ok(exit)
    }
}

fn uncorrected(filter: &RunFilterArgs, register: &Register) -> Result<RunFilter, Error> {
    Ok(RunFilter { uncorrected: true, ..filter.filter(register)? })
}

/// Bytes of recordings that are held at once: many of the usual length, but only a few that are as long as any may be.
const HELD_MAX: usize = 8 << 20;

/// Some recordings, and why others could not be read.
pub(super) type Few = (Vec<RecordingBytes>, Vec<Error>);

/// The next ones: at most so many, and fewer where they are long; neither when there are no more. A file that cannot
/// be read does not stop the others.
///
/// # Errors
/// When the register cannot be read.
pub(super) fn next_few(
    left: &mut dyn Iterator<Item = Result<RecordingBytes, Error>>,
    most: usize,
) -> Result<Few, Error> {
    let (mut some, mut unread, mut held) = (Vec::new(), Vec::new(), 0);
    while some.len() + unread.len() < most && held < HELD_MAX {
        match left.next() {
            None => break,
            Some(Ok(one)) => {
                held += one.bytes.len();
                some.push(one);
            }
            Some(Err(why)) if why.is_of_one_file() => unread.push(why),
            Some(Err(why)) => return Err(why),
        }
    }
    Ok((some, unread))
}

fn read(path: &Path) -> Result<RecordingBytes, Error> {
    let bytes = seathold_recording::file_bytes(path)?;
    Ok(RecordingBytes { name: path.display().to_string(), run: String::new(), batch: String::new(), bytes })
}
