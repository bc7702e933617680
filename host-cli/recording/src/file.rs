//! Files read up to a stated length; files that are complete or not there at all; names of files that a text of somebody
//! else's is part of.

use std::fs::{File, OpenOptions};
use std::io::{self, Read, Seek, SeekFrom, Write};
use std::path::{Path, PathBuf};
use std::sync::{Mutex, MutexGuard, PoisonError};

use crate::FileError;

/// Longest text file of settings: recipes, rigs, valves, calibrations, fleets. Ours take a few kilobytes; as TOML in
/// memory a byte can become a hundred.
pub const SETTINGS_MAX: u64 = 128 << 10;
/// Longest table: a batch list, labels, measurements.
pub const TABLE_MAX: u64 = 1 << 20;

/// The bytes of a file that has at most so many. Neither a longer one nor an endless one (a pipe, a device) is read
/// further.
///
/// # Errors
/// When it cannot be read, or is longer.
pub fn read_at_most(path: &Path, most: u64) -> Result<Vec<u8>, FileError> {
    let read = || {
        let mut file = File::open(path)?.take(most + 1);
        let mut bytes = Vec::new();
        file.read_to_end(&mut bytes)?;
        if bytes.len() as u64 > most {
            return Err(too_long(most));
        }
        Ok(bytes)
    };
    read().map_err(|why| FileError::new("read", path, why))
}

/// Refuses a file that is longer, before something else reads it. What is no plain file has no length, and passes.
///
/// # Errors
/// When it is longer.
pub fn check_length(path: &Path, most: u64) -> Result<(), FileError> {
    match std::fs::metadata(path) {
        Ok(there) if there.is_file() && there.len() > most => Err(FileError::new("read", path, too_long(most))),
        _ => Ok(()),
    }
}

fn too_long(most: u64) -> io::Error {
    let why = format!("it is longer than {most} bytes, the most that is read of such a file");
    io::Error::new(io::ErrorKind::FileTooLarge, why)
}

/// [`read_at_most`] as text.
///
/// # Errors
/// Also when it is not UTF-8.
pub fn read_text_at_most(path: &Path, most: u64) -> Result<String, FileError> {
    let bytes = read_at_most(path, most)?;
    String::from_utf8(bytes).map_err(|_| {
        let why = io::Error::new(io::ErrorKind::InvalidData, "stream did not contain valid UTF-8");
        FileError::new("read", path, why)
    })
}

/// What may be done with a file that is there already.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Replace {
    /// Replace it only if one of these is in its first or last bytes: then it was made by this program.
    Ours(&'static [&'static [u8]]),
    /// Replace it whatever it is.
    Any,
    /// Leave it: it may be somebody's record or work.
    Never,
}

/// Bytes at either end of a file in which a mark of ours is looked for.
const MARKED: u64 = 64 << 10;

/// Files that do not have their final names yet: a process that is ended takes them with it.
static UNFINISHED: Mutex<Vec<PathBuf>> = Mutex::new(Vec::new());

fn unfinished() -> MutexGuard<'static, Vec<PathBuf>> {
    UNFINISHED.lock().unwrap_or_else(PoisonError::into_inner)
}

/// Removes every unfinished file, and then does what ends the process. No file is begun or finished meanwhile.
pub fn abandon(end: impl FnOnce()) {
    let list = unfinished();
    for part in &*list {
        // If it cannot be removed, nothing better can be done.
        let _ = std::fs::remove_file(part);
    }
    end();
}

/// A file being made. Until it is complete it has a temporary name, beside the final one and ending in `.part`; one that
/// is dropped before is removed.
#[derive(Debug)]
pub struct NewFile {
    part: Option<PathBuf>,
    path: PathBuf,
    replace: Replace,
}

impl NewFile {
    /// Begins a file. The temporary one is always made anew: another that has its name, or a link, is left alone.
    ///
    /// # Errors
    /// When the final name is taken by what may not be replaced, or the file cannot be made.
    pub fn create(path: &Path, replace: Replace) -> Result<(Self, File), FileError> {
        free(path, replace)?;
        // A folder that is not there yet is made, as for a recording.
        if let Some(folder) = path.parent().filter(|folder| !folder.as_os_str().is_empty() && !folder.exists()) {
            std::fs::create_dir_all(folder).map_err(|why| FileError::new("make", folder, why))?;
        }
        let named = |number: u32| {
            let mut name = path.as_os_str().to_owned();
            name.push(if number == 0 { ".part".into() } else { format!(".{number}.part") });
            PathBuf::from(name)
        };
        let mut list = unfinished();
        for part in (0..100).map(named) {
            match OpenOptions::new().write(true).create_new(true).open(&part) {
                Ok(file) => {
                    list.push(part.clone());
                    return Ok((Self { part: Some(part), path: path.into(), replace }, file));
                }
                Err(why) if why.kind() == io::ErrorKind::AlreadyExists => {}
                Err(why) => return Err(FileError::new("write", path, why)),
            }
        }
        let why = io::Error::other("too many unfinished files (.part) are beside it: remove them");
        Err(FileError::new("make", path, why))
    }

    /// Gives the file, which is complete, its name.
    ///
    /// # Errors
    /// When it cannot be renamed, or another has got the name meanwhile.
    pub fn finish(mut self) -> Result<(), FileError> {
        free(&self.path, self.replace)?;
        let mut list = unfinished();
        if let Some(part) = &self.part {
            std::fs::rename(part, &self.path).map_err(|why| FileError::new("write", &self.path, why))?;
            list.retain(|other| other != part);
        }
        self.part = None;
        Ok(())
    }
}

impl Drop for NewFile {
    fn drop(&mut self) {
        if let Some(part) = &self.part {
            // If it cannot be removed, the first error is enough.
            let _ = std::fs::remove_file(part);
            unfinished().retain(|other| other != part);
        }
    }
}

/// Writes a file in one piece: complete, or not at all.
///
/// # Errors
/// As [`NewFile`], and when it cannot be written.
pub fn write(path: &Path, bytes: &[u8], replace: Replace) -> Result<(), FileError> {
    let (new, mut file) = NewFile::create(path, replace)?;
    file.write_all(bytes).map_err(|why| FileError::new("write", path, why))?;
    new.finish()
}

/// Whether a name may be used.
fn free(path: &Path, replace: Replace) -> Result<(), FileError> {
    let Ok(there) = std::fs::symlink_metadata(path) else { return Ok(()) };
    let refused = |what: &str| Err(FileError::new("write", path, io::Error::other(what)));
    match replace {
        Replace::Never => Err(FileError::new("make", path, io::ErrorKind::AlreadyExists.into())),
        _ if there.is_dir() => refused("it is a folder"),
        Replace::Any => Ok(()),
        // With an empty one, like a table without rows, nothing is lost.
        Replace::Ours(marks) if there.is_file() && (there.len() == 0 || has_mark(path, marks)) => Ok(()),
        Replace::Ours(_) => {
            refused("it is there already, and is not such a file of this program's: name another, or remove it")
        }
    }
}

fn has_mark(path: &Path, marks: &[&[u8]]) -> bool {
    let read = || -> io::Result<Vec<u8>> {
        let mut file = File::open(path)?;
        let mut bytes = Vec::new();
        (&mut file).take(MARKED).read_to_end(&mut bytes)?;
        let length = file.metadata()?.len();
        file.seek(SeekFrom::Start(length.saturating_sub(MARKED)))?;
        file.take(MARKED).read_to_end(&mut bytes)?;
        Ok(bytes)
    };
    let bytes = read().unwrap_or_default();
    marks.iter().any(|mark| bytes.windows(mark.len()).any(|part| part == *mark))
}

/// Longest name made of a text.
const NAME_MAX: usize = 100;

/// A text as part of a file's name: letters, digits and `-_.+` stay, anything else becomes `_`, so that it names no
/// other folder, no hidden file and no option.
pub fn safe_name(text: &str) -> String {
    let stays = |c: char| c.is_alphanumeric() || matches!(c, '-' | '_' | '.' | '+');
    let mut name = String::new();
    for c in text.chars().map(|c| if stays(c) { c } else { '_' }) {
        if name.len() + c.len_utf8() > NAME_MAX {
            break;
        }
        name.push(if name.is_empty() && matches!(c, '.' | '-') { '_' } else { c });
    }
    if name.is_empty() { "_".into() } else { name }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[cfg(unix)]
    #[test]
    fn an_endless_file_is_refused_with_the_length_allowed() {
        let why = read_at_most(Path::new("/dev/zero"), 1_000).unwrap_err().to_string();
        assert_eq!(why, "could not read /dev/zero: it is longer than 1000 bytes, the most that is read of such a file");
    }

    const OURS: Replace = Replace::Ours(&[b"made by us"]);

    fn make(path: &Path, replace: Replace, text: &str) -> Result<(), FileError> {
        write(path, text.as_bytes(), replace)
    }

    #[test]
    fn only_what_was_made_here_is_replaced() {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("page.html");
        make(&path, OURS, "<made by us 1>").unwrap();
        make(&path, OURS, "<made by us 2>").unwrap();
        std::fs::write(&path, "somebody's work").unwrap();
        let why = make(&path, OURS, "<made by us 3>").unwrap_err().to_string();
        assert!(why.contains("is not such a file of this program's"), "{why}");
        assert_eq!(std::fs::read_to_string(&path).unwrap(), "somebody's work");
        make(&path, Replace::Any, "<made by us 4>").unwrap();
        assert_eq!(std::fs::read_to_string(&path).unwrap(), "<made by us 4>");
        assert_eq!(std::fs::read_dir(dir.path()).unwrap().count(), 1);
    }

    #[cfg(unix)]
    #[test]
    fn a_link_in_the_way_is_not_followed() {
        let dir = tempfile::tempdir().unwrap();
        let (path, other) = (dir.path().join("x.csv"), dir.path().join("other"));
        std::fs::write(&other, "made by us, but elsewhere").unwrap();
        std::os::unix::fs::symlink(&other, dir.path().join("x.csv.part")).unwrap();
        make(&path, OURS, "made by us").unwrap();
        assert_eq!(std::fs::read_to_string(&other).unwrap(), "made by us, but elsewhere");
        std::fs::remove_file(&path).unwrap();
        std::os::unix::fs::symlink(&other, &path).unwrap();
        assert!(make(&path, OURS, "x").is_err(), "a link is not replaced");
        make(&path, Replace::Any, "x").unwrap();
        assert_eq!(std::fs::read_to_string(&other).unwrap(), "made by us, but elsewhere");
        assert!(path.symlink_metadata().unwrap().is_file());
    }

    #[test]
    fn a_file_not_finished_is_removed() {
        let dir = tempfile::tempdir().unwrap();
        drop(NewFile::create(&dir.path().join("x.csv"), OURS).unwrap());
        assert_eq!(std::fs::read_dir(dir.path()).unwrap().count(), 0);
    }

    #[test]
    fn a_name_of_a_file_names_no_other_place() {
        for (text, name) in [
            ("HM-003", "HM-003"),
            ("/dir/x", "_dir_x"),
            ("../../x", "_._.._x"),
            ("..", "_."),
            ("-o", "_o"),
            ("", "_"),
            ("a\\b:c\n\u{202e}", "a_b_c__"),
            ("Ventil Ø25", "Ventil_Ø25"),
        ] {
            assert_eq!(safe_name(text), name, "{text:?}");
        }
        assert_eq!(safe_name(&"ä".repeat(1_000)).len(), 100);
    }
}
