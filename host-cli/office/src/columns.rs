//! Values of the register's columns as PostgreSQL's, and back.

use postgres::Row;
use postgres::types::ToSql;
use seathold_register::transfer::{CellValue, RecordKind, SIDE_COLUMNS};

/// Columns that have whole numbers.
const WHOLE: &[&str] = &["number", "polls", "position", "window_ms", "isolated_pa", "fall_pa", "after_ms"];
/// Columns that have real numbers.
const REAL: &[&str] = &["limit_pa_m3_s", "leak_pa_m3_s", "expanded_pa_m3_s", "coverage"];

/// What a column holds.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum CellType {
    Text,
    Whole,
    Real,
}

impl CellType {
    pub(crate) fn of(column: &str) -> Self {
        match column {
            column if WHOLE.contains(&column) => Self::Whole,
            column if REAL.contains(&column) => Self::Real,
            _ => Self::Text,
        }
    }

    /// Its type in PostgreSQL.
    const fn name(self) -> &'static str {
        match self {
            Self::Text => "text",
            Self::Whole => "bigint",
            Self::Real => "double precision",
        }
    }

    /// The value at a place of a row.
    pub(crate) fn read(self, row: &Row, at: usize) -> Result<CellValue, postgres::Error> {
        let value = match self {
            Self::Text => row.try_get::<_, Option<String>>(at)?.map(CellValue::Text),
            Self::Whole => row.try_get::<_, Option<i64>>(at)?.map(CellValue::Integer),
            Self::Real => row.try_get::<_, Option<f64>>(at)?.map(CellValue::Real),
        };
        Ok(value.unwrap_or(CellValue::Null))
    }
}

/// A column of many rows, as one parameter.
#[derive(Debug)]
enum CellColumn<'a> {
    Text(Vec<Option<&'a str>>),
    Whole(Vec<Option<i64>>),
    Real(Vec<Option<f64>>),
}

impl<'a> CellColumn<'a> {
    fn new(column: &str, values: impl Iterator<Item = &'a CellValue>) -> Self {
        match CellType::of(column) {
            CellType::Text => {
                Self::Text(values.map(|v| if let CellValue::Text(t) = v { Some(t.as_str()) } else { None }).collect())
            }
            CellType::Whole => {
                Self::Whole(values.map(|v| if let CellValue::Integer(n) = v { Some(*n) } else { None }).collect())
            }
            CellType::Real => {
                Self::Real(values.map(|v| if let CellValue::Real(x) = v { Some(*x) } else { None }).collect())
            }
        }
    }

    fn parameter(&self) -> &(dyn ToSql + Sync) {
        match self {
            Self::Text(values) => values,
            Self::Whole(values) => values,
            Self::Real(values) => values,
        }
    }
}

/// Columns of a record that its own table has: which are its place in the chain is in `records`.
pub(crate) fn kept(kind: RecordKind) -> impl Iterator<Item = (usize, &'static str)> {
    kind.columns().iter().copied().enumerate().filter(|(_, column)| *column != "previous")
}

/// The name of the table of a kind of record.
pub(crate) const fn table(kind: RecordKind) -> &'static str {
    match kind {
        RecordKind::Run => "runs",
        RecordKind::Note => "notes",
    }
}

/// Rows for one table, to be added in one statement.
pub(crate) struct RowsToAdd<'a> {
    table: &'static str,
    columns: Vec<(&'static str, CellColumn<'a>)>,
}

impl<'a> RowsToAdd<'a> {
    /// Rows of runs or notes, from their values as they are sealed.
    pub(crate) fn of_records(kind: RecordKind, rows: &[&'a [CellValue]]) -> Self {
        let column = |(at, column)| (column, CellColumn::new(column, rows.iter().filter_map(|row| row.get(at))));
        Self { table: table(kind), columns: kept(kind).map(column).collect() }
    }

    /// Rows of sides: each with bench and number of its run.
    pub(crate) fn of_sides(bench: &'a str, rows: &[(i64, &'a [CellValue])]) -> Self {
        let mut columns = vec![
            ("bench", CellColumn::Text(vec![Some(bench); rows.len()])),
            ("number", CellColumn::Whole(rows.iter().map(|(number, _)| Some(*number)).collect())),
        ];
        let column = |(at, column): (usize, &&'static str)| {
            (*column, CellColumn::new(column, rows.iter().filter_map(|(_, row)| row.get(at))))
        };
        columns.extend(SIDE_COLUMNS.iter().enumerate().map(column));
        Self { table: "sides", columns }
    }

    /// The statement, and its parameters.
    pub(crate) fn statement(&self) -> (String, Vec<&(dyn ToSql + Sync)>) {
        let names: Vec<&str> = self.columns.iter().map(|(name, _)| *name).collect();
        let of =
            |(at, (name, _)): (usize, &(&str, CellColumn<'_>))| format!("${}::{}[]", at + 1, CellType::of(name).name());
        let arrays: Vec<String> = self.columns.iter().enumerate().map(of).collect();
        let text = format!(
            "INSERT INTO seathold.{} ({}) SELECT * FROM unnest({}) ON CONFLICT DO NOTHING",
            self.table,
            names.join(", "),
            arrays.join(", ")
        );
        (text, self.columns.iter().map(|(_, column)| column.parameter()).collect())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The tables of the office have the columns of the register, in its types; NULL may stand where it may stand there.
    #[test]
    fn the_tables_have_the_columns_of_the_register() {
        let schema = include_str!("schema_1.sql");
        let columns_of = |table: &str| -> Vec<(String, String)> {
            let (_, rest) = schema.split_once(&format!("CREATE TABLE seathold.{table} (\n")).unwrap();
            let (body, _) = rest.split_once("\n);").unwrap();
            let lines = body.lines().filter(|line| !line.trim_start().starts_with("PRIMARY KEY"));
            lines
                .map(|line| {
                    line.trim()
                        .trim_end_matches(',')
                        .split_once(' ')
                        .map(|(a, b)| (a.to_owned(), b.trim().to_owned()))
                        .unwrap()
                })
                .collect()
        };
        let names = |table: &str| columns_of(table).into_iter().map(|(name, _)| name).collect::<Vec<_>>();
        for kind in [RecordKind::Run, RecordKind::Note] {
            assert_eq!(names(table(kind)), kept(kind).map(|(_, name)| name).collect::<Vec<_>>());
        }
        assert_eq!(names("sides"), [&["bench", "number"], SIDE_COLUMNS].concat());
        for table in ["runs", "notes", "sides"] {
            for (name, declared) in columns_of(table) {
                assert_eq!(declared.trim_end_matches(" NOT NULL"), CellType::of(&name).name(), "{table}.{name}");
            }
        }
    }
}
