//! Files and folders named on the command line.

use std::path::PathBuf;

use crate::error::Error;

/// Files as named, and every recording of folders, in the order of their names.
pub(super) fn recordings(paths: &[PathBuf]) -> Result<Vec<PathBuf>, Error> {
    with_endings(paths, &[seathold_recording::EXTENSION])
}

/// Files as named, and of folders those whose names end so.
pub(super) fn with_endings(paths: &[PathBuf], endings: &[&str]) -> Result<Vec<PathBuf>, Error> {
    let mut files = Vec::new();
    for path in paths {
        if !path.is_dir() {
            files.push(path.clone());
            continue;
        }
        let entries = std::fs::read_dir(path).map_err(|why| Error::file("read", path, why))?;
        let mut inside = Vec::new();
        for entry in entries {
            inside.push(entry.map_err(|why| Error::file("read", path, why))?.path());
        }
        inside.retain(|p| p.extension().is_some_and(|e| endings.iter().any(|ending| e == *ending)));
        inside.sort();
        files.extend(inside);
    }
    Ok(files)
}
