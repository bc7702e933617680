//! What settings say of who acts and on what: told before anything is done by it.

use seathold_recording::plain::shown;

use crate::console::Console;
use crate::environment::FoundSetting;
use crate::error::Error;

/// Tells them, each with where it comes from: a name that nobody typed may be another person's, and a rig another bench's.
pub(super) fn tell_settings<'a>(
    settings: impl IntoIterator<Item = &'a FoundSetting>,
    console: &mut Console<'_>,
) -> Result<(), Error> {
    for found in settings {
        // On one line, however long a path is: it is to be read and copied.
        writeln!(console.err, "  {:12} {}  (not typed: from {})", found.key, shown(&found.value), found.source)?;
    }
    Ok(())
}
