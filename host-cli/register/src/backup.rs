//! Copies of a register that can be relied on: consistent whatever others write meanwhile, checked before an older one goes.

use std::path::{Path, PathBuf};

use jiff::Timestamp;
use jiff::tz::TimeZone;

use crate::error::{Error, RegisterError, WithPath};
use crate::signed::head::Head;
use crate::verify::Verification;
use crate::{Access, Register};

/// A copy that was made.
#[derive(Debug)]
pub struct Backup {
    /// The file.
    pub file: PathBuf,
    /// Where its chains end.
    pub heads: Vec<Head>,
    /// Older copies that were removed, as more than were to be kept.
    pub removed: Vec<PathBuf>,
}

/// What stands between a register's name and the ending of a copy: "20260302T093000Z".
const STAMP: &str = "%Y%m%dT%H%M%SZ";

impl Register {
    /// Copies the register into a folder, under its name and the time, and removes the oldest copies of it there beyond so many. A copy
    /// gets its name once every record in it was verified; before that nothing is removed.
    ///
    /// # Errors
    /// When it cannot be copied, a copy of that second is there, or what was copied is not valid; no older copy is touched then.
    pub fn back_up(&self, folder: &Path, keep: usize, now: Timestamp) -> Result<Backup, Error> {
        std::fs::create_dir_all(folder).map_err(|why| Error::file("make", folder, why))?;
        let stem = stem_of(&self.path);
        let stamp = TimeZone::UTC.to_datetime(now).strftime(STAMP).to_string();
        let file = folder.join(format!("{stem}-{stamp}.sqlite"));
        if file.exists() {
            return Err(Error::file("make", &file, std::io::ErrorKind::AlreadyExists.into()));
        }
        let part = folder.join(format!("{stem}-{stamp}.sqlite.part"));
        let _ = std::fs::remove_file(&part);
        let heads = self.copied(&part).inspect_err(|_| {
            let _ = std::fs::remove_file(&part);
        })?;
        std::fs::File::open(&part).and_then(|copy| copy.sync_all()).map_err(|why| Error::file("write", &part, why))?;
        std::fs::rename(&part, &file).map_err(|why| Error::file("rename", &part, why))?;
        let mut copies = copies(folder, &stem)?;
        copies.sort();
        let surplus = copies.len().saturating_sub(keep.max(1));
        let removed: Vec<PathBuf> = copies.drain(..surplus).collect();
        for old in &removed {
            std::fs::remove_file(old).map_err(|why| Error::file("remove", old, why))?;
            let _ = std::fs::remove_dir_all(crate::photo::store::folder(old));
        }
        Ok(Backup { file, heads, removed })
    }

    /// Copies what is there now, and checks every record of the copy.
    fn copied(&self, to: &Path) -> Result<Vec<Head>, Error> {
        let target = to.to_string_lossy();
        self.db.execute("VACUUM INTO ?", [target.as_ref()]).at(to)?;
        let copy = Self::open(to, Access::Read)?;
        let wrong = match copy.verify(|_| true)? {
            Verification::Valid(_) => return copy.heads(),
            Verification::Broken(record) => {
                format!("record {} of bench {} {}", record.number, record.name, record.what)
            }
            Verification::Unsound(what) => what,
        };
        Err(Error::register(&self.path, RegisterError::Damaged(format!("{wrong}; no copy was kept, and none removed"))))
    }
}

fn stem_of(path: &Path) -> String {
    path.file_stem().map_or_else(|| "bench".into(), |stem| stem.to_string_lossy().into_owned())
}

/// The copies of a register in a folder: of this name, a time, and nothing else.
fn copies(folder: &Path, stem: &str) -> Result<Vec<PathBuf>, Error> {
    let unread = |why| Error::file("read", folder, why);
    let mut found = Vec::new();
    for entry in std::fs::read_dir(folder).map_err(unread)? {
        let entry = entry.map_err(unread)?;
        let name = entry.file_name().to_string_lossy().into_owned();
        let stamp = name.strip_prefix(stem).and_then(|rest| rest.strip_prefix('-')?.strip_suffix(".sqlite"));
        let is_stamp = |text: &str| {
            text.len() == 16
                && text.bytes().enumerate().all(|(at, byte)| match at {
                    8 => byte == b'T',
                    15 => byte == b'Z',
                    _ => byte.is_ascii_digit(),
                })
        };
        if stamp.is_some_and(is_stamp) && entry.file_type().map_err(unread)?.is_file() {
            found.push(entry.path());
        }
    }
    Ok(found)
}
