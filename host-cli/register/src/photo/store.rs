//! The folder beside a register that its photographs lie in, each by its hash.

use std::io::Write;
use std::path::{Path, PathBuf};

use seathold_recording::file::{NewFile, Replace, read_at_most};
use seathold_recording::hash::sha256;

use crate::error::Error;

/// Longest file that is read, in bytes; none that is kept is as long.
const PHOTO_MAX: u64 = 8 << 20;

/// A photograph that was looked for.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum FoundPhoto {
    /// Its bytes, which have its hash.
    Here(Vec<u8>),
    /// There is none of this name.
    Missing,
    /// What is there is not what was kept, and why.
    Altered(String),
}

/// `bench.sqlite.photos` beside `bench.sqlite`.
pub fn folder(register: &Path) -> PathBuf {
    let mut name = register.as_os_str().to_owned();
    name.push(".photos");
    name.into()
}

fn path(folder: &Path, hash: &str) -> PathBuf {
    folder.join(format!("{hash}.jpg"))
}

/// The photograph of this hash.
pub fn find(folder: &Path, hash: &str) -> FoundPhoto {
    let path = path(folder, hash);
    match std::fs::symlink_metadata(&path) {
        Err(why) if why.kind() == std::io::ErrorKind::NotFound => return FoundPhoto::Missing,
        Err(why) => return FoundPhoto::Altered(format!("cannot be read: {why}")),
        // A link leads to somebody else's file, a pipe would be waited for.
        Ok(there) if !there.is_file() => return FoundPhoto::Altered("is no plain file".into()),
        Ok(_) => {}
    }
    match read_at_most(&path, PHOTO_MAX) {
        Ok(bytes) if sha256(&bytes) == hash => FoundPhoto::Here(bytes),
        Ok(_) => FoundPhoto::Altered("does not have its hash".into()),
        Err(why) => FoundPhoto::Altered(format!("cannot be read: {why}")),
    }
}

/// Keeps one: it is on the disk when this returns, whole and by its hash. One that is here is left, and one that was altered
/// is put right.
///
/// # Errors
/// When it cannot be written.
pub fn keep(folder: &Path, bytes: &[u8]) -> Result<String, Error> {
    let hash = sha256(bytes);
    if find(folder, &hash) == FoundPhoto::Here(bytes.to_vec()) {
        return Ok(hash);
    }
    let path = path(folder, &hash);
    let unwritten = |why| Error::file("write", &path, why);
    let (new, mut file) = NewFile::create(&path, Replace::Any)?;
    file.write_all(bytes).and_then(|()| file.sync_all()).map_err(unwritten)?;
    drop(file);
    new.finish()?;
    // The name is in the folder, and the folder's own in the one that the register is in.
    for folder in [Some(folder), folder.parent()].into_iter().flatten() {
        sync_folder(if folder.as_os_str().is_empty() { Path::new(".") } else { folder }).map_err(unwritten)?;
    }
    Ok(hash)
}

#[cfg(unix)]
fn sync_folder(folder: &Path) -> std::io::Result<()> {
    std::fs::File::open(folder)?.sync_all()
}

/// Elsewhere a folder cannot be opened as a file.
#[cfg(not(unix))]
fn sync_folder(_: &Path) -> std::io::Result<()> {
    Ok(())
}
