//! A push after a run, in a process of its own: it delays nothing, it fails no test, and what went wrong with it is said
//! once, by the next run.

use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};

use seathold_recording::file::{self, Replace};

use crate::console::Console;
use crate::error::Error;
use crate::redact::{TypedAddress, redacted};

/// First words of the file beside the register that keeps what went wrong: whether somebody was told.
const NEW: &str = "new ";
const TOLD: &str = "told ";

fn beside(register: &Path) -> PathBuf {
    let mut name = register.as_os_str().to_owned();
    name.push("-push");
    name.into()
}

/// Begins a push of a register that just got a run. Whatever is wrong with that is no reason not to test.
pub(in crate::cmd) fn begin(address: &TypedAddress, register: &Path, console: &mut Console<'_>) {
    let kept = beside(register);
    if let Some(what) = std::fs::read_to_string(&kept).ok().as_deref().and_then(|text| text.strip_prefix(NEW)) {
        // Told or not, the run is what counts.
        let _ = writeln!(
            console.err,
            "the last push to the office did not work, each run tries again: {}",
            what.trim_end()
        );
        let _ = file::write(&kept, format!("{TOLD}{what}").as_bytes(), Replace::Any);
    }
    let Some(program) = &console.environment.program else { return };
    let mut command = Command::new(program);
    command.args(["register", "push", "--in-background", "--register"]).arg(register).arg("--").arg(&address.0);
    command.stdin(Stdio::null()).stdout(Stdio::null()).stderr(Stdio::null());
    // Ctrl-C at this terminal is not meant for it.
    #[cfg(unix)]
    std::os::unix::process::CommandExt::process_group(&mut command, 0);
    if let Err(why) = command.spawn() {
        let _ = note(register, Some(&Error::file("start", program, why)));
    }
}

/// Notes how a push ended, for the next run to say.
///
/// # Errors
/// When the file beside the register cannot be written.
pub(in crate::cmd) fn note(register: &Path, why: Option<&Error>) -> Result<(), Error> {
    let kept = beside(register);
    let before = std::fs::read_to_string(&kept).unwrap_or_default();
    let Some(why) = why else {
        return match std::fs::remove_file(&kept) {
            Err(why) if why.kind() != std::io::ErrorKind::NotFound => Err(Error::file("remove", &kept, why)),
            _ => Ok(()),
        };
    };
    let text = redacted(&why.to_string());
    // An office that is down for a week is said once.
    if before.strip_prefix(TOLD).is_some_and(|told| told.trim_end() == text) {
        return Ok(());
    }
    file::write(&kept, format!("{NEW}{text}\n").as_bytes(), Replace::Any)?;
    Ok(())
}
