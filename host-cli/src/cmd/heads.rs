//! Heads that somebody wrote down: whether they are still in a chain.

use crate::console::Console;
use crate::error::Error;
use crate::exit::Exit;

/// Says which records heads are that somebody wrote down.
pub(super) fn tell_heads(
    heads: &[String],
    console: &mut Console<'_>,
    mut record_sealed: impl FnMut(&str) -> Result<Option<String>, Error>,
) -> Result<Exit, Error> {
    let mut exit = Exit::Good;
    for head in heads {
        match record_sealed(head)? {
            Some(record) => writeln!(console.out, "head {head}: is record {record}")?,
            None => {
                exit = Exit::Storage;
                writeln!(
                    console.out,
                    "head {head}: is in no chain here: a chain was made anew since it was written down, or it is of another \
                     register"
                )?;
            }
        }
    }
    Ok(exit)
}
