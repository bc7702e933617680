//! Files that only their owner may read: keys.

use std::fs::OpenOptions;
use std::io::{Read, Write};
use std::path::Path;

use crate::Error;

/// Makes one. One that exists is never replaced: somebody may be using it.
///
/// # Errors
/// When it exists, or cannot be written.
pub fn make(path: &Path, text: &str) -> Result<(), Error> {
    let mut options = OpenOptions::new();
    options.write(true).create_new(true);
    #[cfg(unix)]
    std::os::unix::fs::OpenOptionsExt::mode(&mut options, 0o600);
    let mut file = options.open(path).map_err(|why| Error::file("make", path, why))?;
    file.write_all(text.as_bytes()).map_err(|why| Error::file("write", path, why))
}

/// Reads so many bytes of one at most.
///
/// # Errors
/// When it cannot be read, or others can read it too.
pub fn read(path: &Path, longest: u64) -> Result<String, Error> {
    let file = std::fs::File::open(path).map_err(|why| Error::file("read", path, why))?;
    if !file.metadata().map_err(|why| Error::file("read", path, why))?.is_file() {
        return Err(Error::usage(format!("{}: not a regular file, and so no key", path.display())));
    }
    #[cfg(unix)]
    {
        use std::os::unix::fs::PermissionsExt;
        let mode = file.metadata().map_err(|why| Error::file("read", path, why))?.permissions().mode();
        if mode & 0o077 != 0 {
            let path = path.display();
            return Err(Error::usage(format!(
                "{path}: others can read this key (mode {:o}): chmod 600 {path}",
                mode & 0o777
            )));
        }
    }
    let mut text = String::new();
    file.take(longest).read_to_string(&mut text).map_err(|why| Error::file("read", path, why))?;
    Ok(text)
}

/// Random bytes of the operating system.
///
/// # Errors
/// When it has none.
pub fn random<const N: usize>() -> Result<[u8; N], Error> {
    let mut bytes = [0; N];
    getrandom::fill(&mut bytes).map_err(|why| Error::usage(format!("this system gives no random numbers: {why}")))?;
    Ok(bytes)
}
