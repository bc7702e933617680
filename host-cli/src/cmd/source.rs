//! Recordings one after the other, from files or from the register: for commands that go through many.

use std::path::{Path, PathBuf};

use super::find::{In, Wanted};
use crate::error::Error;
use crate::register::{Access, Register};

/// A recording's bytes.
#[derive(Debug)]
pub(super) struct Bytes {
    /// What people call it.
    pub(super) name: String,
    /// The run as other records call it, `BENCH/NUMBER`; empty for a file.
    pub(super) run: String,
    /// Batch it was run for, by its UUID; empty where it was for none, or is a file.
    pub(super) batch: String,
    /// The stand-alone file.
    pub(super) bytes: Vec<u8>,
}

/// Where recordings come from.
#[derive(Debug)]
pub(super) enum Source {
    /// Files.
    Files(Vec<PathBuf>),
    /// A register, and how many of its runs are wanted.
    Register(Box<Register>, u64),
}

impl Source {
    /// Files where any are named, otherwise the register.
    pub(super) fn open(files: &[PathBuf], wanted: &Wanted, place: &In) -> Result<Self, Error> {
        if files.is_empty() {
            let register = Register::open(&place.register, Access::Read)?;
            let count = register.count(&wanted.filter(&register)?)?;
            return Ok(Self::Register(Box::new(register), count));
        }
        wanted.only_serial()?;
        let files = super::recordings(files)?;
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
        wanted: &Wanted,
    ) -> Result<Box<dyn Iterator<Item = Result<Bytes, Error>> + '_>, Error> {
        Ok(match self {
            Self::Files(files) => Box::new(files.iter().map(|path| read(path))),
            Self::Register(register, _) => Box::new(register.runs(wanted.filter(register)?).map(|run| {
                let run = run?;
                let name = format!("run {}", register.short(&run.name()));
                let bytes = register.recording(run.id)?;
                Ok(Bytes { name, run: run.name(), batch: run.batch.unwrap_or_default(), bytes })
            })),
        })
    }
}

fn read(path: &Path) -> Result<Bytes, Error> {
    let bytes = std::fs::read(path).map_err(|why| Error::file("read", path, why))?;
    Ok(Bytes { name: path.display().to_string(), run: String::new(), batch: String::new(), bytes })
}
