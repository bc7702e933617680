//! Writes that are done as a whole, and that have changed what they were meant to.

use jiff::Timestamp;
use rusqlite::{Connection, Transaction, TransactionBehavior};

/// Does `what` in one transaction that waits for its turn at the beginning, never in the middle.
pub(crate) fn transact<T>(
    db: &mut Connection,
    what: impl FnOnce(&Transaction<'_>) -> rusqlite::Result<T>,
) -> rusqlite::Result<T> {
    let change = db.transaction_with_behavior(TransactionBehavior::Immediate)?;
    let done = what(&change)?;
    change.commit()?;
    Ok(done)
}

/// An error unless a statement changed one row, as it was meant to: a trigger that is not ours could have swallowed it.
pub(crate) fn one(changed: usize) -> rusqlite::Result<()> {
    if changed == 1 { Ok(()) } else { Err(rusqlite::Error::StatementChangedRows(changed)) }
}

/// A moment, to the second.
pub(crate) fn second(at: Timestamp) -> String {
    Timestamp::from_second(at.as_second()).unwrap_or(at).to_string()
}
