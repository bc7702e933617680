//! Files and folders named on the command line.

use std::path::{Path, PathBuf};

use seathold_quantity::{InputError, InputProblem};
use seathold_recording as recording;

use crate::error::Error;

/// Files as named, and every recording of folders, in the order of their names.
pub(super) fn recordings(paths: &[PathBuf]) -> Result<Vec<PathBuf>, Error> {
    with_endings(paths, &[recording::EXTENSION])
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

/// Where a file goes that was given as `--out FILE|FOLDER`: into a folder under a name of its own, or as named. A name
/// with the file's own ending is a file, and one without any is a folder, whether it is there yet or not.
///
/// # Errors
/// For a name with another ending, which may be meant as either.
pub(super) fn place(out: &Path, ending: &str, own_name: &str) -> Result<PathBuf, Error> {
    if is_folder(out) {
        return Ok(out.join(own_name));
    }
    if out.extension().is_some_and(|other| other != ending) && !out.exists() {
        return Err(Error::usage(format!(
            "--out {0}: a file here ends in .{ending}; for a folder of that name say --out {0}/",
            out.display()
        )));
    }
    // Something that is there and no folder is left as it is, which the writing says.
    Ok(out.to_owned())
}

/// Whether a name given as `--out FILE|FOLDER` is a folder: one that is there, one with a slash at its end, or a name
/// without an ending of which there is nothing yet.
pub(super) fn is_folder(out: &Path) -> bool {
    out.is_dir()
        || out.as_os_str().to_string_lossy().ends_with(std::path::is_separator)
        || (out.extension().is_none() && !out.exists())
}

/// A file that cannot be used for what was asked, and why.
pub(super) fn unfit(path: &Path, message: String) -> Error {
    Error::Input(InputError {
        origin: path.display().to_string(),
        problems: vec![InputProblem { line: None, message }],
    })
}

/// A recording given twice is one run: with itself it agrees better than two runs do.
pub(super) fn refuse_copies(paths: &[PathBuf]) -> Result<(), Error> {
    let mut seen: Vec<(String, &Path)> = Vec::new();
    for path in paths {
        let hash = recording::hash::sha256(&recording::file_bytes(path)?);
        if let Some((_, first)) = seen.iter().find(|(known, _)| *known == hash) {
            return Err(unfit(path, format!("the same recording as {}: give every run once", first.display())));
        }
        seen.push((hash, path));
    }
    Ok(())
}
