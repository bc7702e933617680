//! Flash of a simulated controller: in memory, or in a file that outlasts the program as flash outlasts a reset.

use std::fs::{File, OpenOptions};
use std::io::{self, Read, Seek, SeekFrom, Write};
use std::path::Path;

use embedded_storage::nor_flash::{
    ErrorType, NorFlash, NorFlashError, NorFlashErrorKind, ReadNorFlash, check_erase, check_read, check_write,
};
use seathold_sequencer::store::Store;

/// A sector, as on the parts that the images are for.
const SECTOR: usize = 4_096;

/// Two sectors of flash, erased and programmed as flash is.
#[derive(Debug)]
pub struct SimFlash {
    bytes: Vec<u8>,
    file: Option<File>,
}

/// What can go wrong with it.
#[derive(Debug)]
pub enum SimFlashError {
    /// Outside of it, or no whole units.
    Flash(NorFlashErrorKind),
    /// The file.
    File(io::Error),
}

impl NorFlashError for SimFlashError {
    fn kind(&self) -> NorFlashErrorKind {
        match self {
            Self::Flash(kind) => *kind,
            Self::File(_) => NorFlashErrorKind::Other,
        }
    }
}

impl From<NorFlashErrorKind> for SimFlashError {
    fn from(kind: NorFlashErrorKind) -> Self {
        Self::Flash(kind)
    }
}

impl SimFlash {
    /// Erased, and gone with the program.
    pub fn in_memory() -> Self {
        Self { bytes: vec![0xFF; 2 * SECTOR], file: None }
    }

    /// In a file, which is made, erased, where there is none.
    ///
    /// # Errors
    /// When the file cannot be opened or read, or is of another length: it is something else then.
    pub fn in_file(path: &Path) -> io::Result<Self> {
        let mut file = OpenOptions::new().read(true).write(true).create(true).truncate(false).open(path)?;
        let mut bytes = Vec::new();
        // More than it may have is enough to know that it is something else.
        let _ = (&mut file).take(2 * SECTOR as u64 + 1).read_to_end(&mut bytes)?;
        match bytes.len() {
            0 => {
                bytes = vec![0xFF; 2 * SECTOR];
                file.write_all(&bytes)?;
            }
            n if n == 2 * SECTOR => {}
            _ => {
                let why = format!("it is no memory of a simulated controller, which has {} bytes", 2 * SECTOR);
                return Err(io::Error::other(why));
            }
        }
        Ok(Self { bytes, file: Some(file) })
    }

    /// With a store over both of its sectors.
    pub fn store(self) -> Option<Store<Self>> {
        Store::new(self, [0, SECTOR as u32], SECTOR as u32).ok()
    }

    /// Puts a changed part into the file.
    fn keep(&mut self, at: usize, length: usize) -> Result<(), SimFlashError> {
        let Some(file) = &mut self.file else { return Ok(()) };
        let part = &self.bytes[at..at + length];
        file.seek(SeekFrom::Start(at as u64))
            .and_then(|_| file.write_all(part))
            .and_then(|()| file.sync_data())
            .map_err(SimFlashError::File)
    }
}

impl ErrorType for SimFlash {
    type Error = SimFlashError;
}

impl ReadNorFlash for SimFlash {
    const READ_SIZE: usize = 1;

    fn read(&mut self, offset: u32, bytes: &mut [u8]) -> Result<(), Self::Error> {
        check_read(self, offset, bytes.len())?;
        bytes.copy_from_slice(&self.bytes[offset as usize..][..bytes.len()]);
        Ok(())
    }

    fn capacity(&self) -> usize {
        self.bytes.len()
    }
}

impl NorFlash for SimFlash {
    const WRITE_SIZE: usize = 256;
    const ERASE_SIZE: usize = SECTOR;

    fn erase(&mut self, from: u32, to: u32) -> Result<(), Self::Error> {
        check_erase(self, from, to)?;
        let (from, to) = (from as usize, to as usize);
        self.bytes[from..to].fill(0xFF);
        self.keep(from, to - from)
    }

    fn write(&mut self, offset: u32, bytes: &[u8]) -> Result<(), Self::Error> {
        check_write(self, offset, bytes.len())?;
        let at = offset as usize;
        // Programming only clears bits.
        for (cell, byte) in self.bytes[at..].iter_mut().zip(bytes) {
            *cell &= byte;
        }
        self.keep(at, bytes.len())
    }
}
