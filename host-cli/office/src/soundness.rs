//! Whether the tables themselves are as they were made: the guards are there, and nothing stands beside the chains.

use crate::connect::Office;
use crate::error::Error;

/// Tables whose rows are never changed.
const KEPT: &[&str] = &["records", "runs", "sides", "notes", "recordings", "recipes", "rigs", "calibrations", "heads"];

impl Office {
    /// What is wrong with the tables, if anything: the first that is found.
    pub(crate) fn table_fault(&mut self) -> Result<Option<String>, Error> {
        let unguarded = self.rows(
            "SELECT t.name FROM unnest($1::text[]) AS t (name) \
             LEFT JOIN pg_class c ON c.oid = to_regclass('seathold.' || t.name) \
             LEFT JOIN pg_trigger g ON g.tgrelid = c.oid AND g.tgname = t.name || '_stay' AND g.tgenabled IN ('O', 'A') \
             WHERE g.oid IS NULL OR NOT c.relrowsecurity \
             OR g.tgfoid <> to_regproc('seathold.refuse')",
            &[&KEPT],
        )?;
        if let Some(row) = unguarded.first() {
            let table: String = row.get(0);
            return Ok(Some(format!(
                "table {table} is not guarded: its trigger {table}_stay or its row security is missing or off"
            )));
        }
        let beside = self.rows(
            "SELECT 'run', bench, number FROM seathold.runs x WHERE NOT EXISTS \
             (SELECT 1 FROM seathold.records r WHERE r.bench = x.bench AND r.number = x.number AND r.word = 'run') \
             UNION ALL SELECT 'note', bench, number FROM seathold.notes x WHERE NOT EXISTS \
             (SELECT 1 FROM seathold.records r WHERE r.bench = x.bench AND r.number = x.number AND r.word = 'note') \
             UNION ALL SELECT 'side', bench, number FROM seathold.sides x WHERE NOT EXISTS \
             (SELECT 1 FROM seathold.records r WHERE r.bench = x.bench AND r.number = x.number AND r.word = 'run') LIMIT 1",
            &[],
        )?;
        Ok(beside.first().map(|row| {
            let (what, bench, number): (String, String, i64) = (row.get(0), row.get(1), row.get(2));
            format!("a {what} is there as {bench}/{number} that stands in no chain")
        }))
    }
}
