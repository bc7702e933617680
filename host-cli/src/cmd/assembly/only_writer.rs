//! One program at a time writes a file that is replaced as it grows: a lock beside it, for as long as the program lives.

use std::fs::{File, OpenOptions, TryLockError};
use std::path::{Path, PathBuf};

use crate::error::Error;

/// How often a lock that its holder removes just then is asked for again.
const TRIES: usize = 100;

/// The right to write a file. However the program ends it ends with it; what may remain is an empty file.
#[derive(Debug)]
pub(super) struct OnlyWriter {
    path: PathBuf,
    _locked: File,
}

impl OnlyWriter {
    /// Of this file.
    ///
    /// # Errors
    /// When another program has it, or nothing can be written beside it.
    pub(super) fn of(file: &Path) -> Result<Self, Error> {
        let mut name = file.as_os_str().to_owned();
        name.push(".lock");
        let path = PathBuf::from(name);
        let taken = || Error::usage(format!("{}: another program is measuring into it", file.display()));
        if let Some(folder) = path.parent().filter(|folder| !folder.as_os_str().is_empty()) {
            std::fs::create_dir_all(folder).map_err(|why| Error::file("make", folder, why))?;
        }
        for _ in 0..TRIES {
            let opened = OpenOptions::new().create(true).write(true).truncate(false).open(&path);
            let locked = opened.map_err(|why| Error::file("make", &path, why))?;
            match locked.try_lock() {
                Ok(()) if is_there(&path, &locked) => return Ok(Self { path, _locked: locked }),
                // Removed between opening and locking.
                Ok(()) => {}
                Err(TryLockError::WouldBlock) => return Err(taken()),
                Err(TryLockError::Error(why)) => return Err(Error::file("lock", &path, why)),
            }
        }
        Err(taken())
    }
}

/// Whether the file that was opened is still the one of that name.
#[cfg(unix)]
fn is_there(path: &Path, opened: &File) -> bool {
    use std::os::unix::fs::MetadataExt;
    let number = |of: std::io::Result<std::fs::Metadata>| of.ok().map(|of| (of.dev(), of.ino()));
    number(std::fs::metadata(path)) == number(opened.metadata())
}

/// Elsewhere an open file is not removed.
#[cfg(not(unix))]
fn is_there(_: &Path, _: &File) -> bool {
    true
}

impl Drop for OnlyWriter {
    fn drop(&mut self) {
        // Still locked; if it cannot be removed, it is empty and in nobody's way.
        let _ = std::fs::remove_file(&self.path);
    }
}
