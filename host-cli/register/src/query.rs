//! Finding runs: light rows in the order of their dates, a page at a time, so that memory stays flat.

use std::collections::VecDeque;
use std::ops::RangeInclusive;

use rusqlite::OptionalExtension as _;
use rusqlite::types::Value;
use rusqlite::{Row, params_from_iter};
use seathold_recording::limits::FILE_MAX;
use seathold_sequencer::input::Side;
use seathold_sequencer::recipe::RawRecipe;
use seathold_sequencer::verdict::{Reason, Verdict};
use serde::Serialize;

use super::Register;
use super::error::{RegisterError, WithPath};
use super::extract::from_word;
use crate::batch::status::ReportedVerdict;
use crate::error::Error;

/// Rows read at a time.
const PAGE: usize = 512;

/// Which runs to select; everything left out does not matter.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct RunFilter {
    /// Exactly this serial number.
    pub serial: Option<String>,
    /// With a serial: also runs that were recorded for another valve, and moved to this one.
    pub or_moved_here: bool,
    /// UUID of a batch.
    pub batch: Option<String>,
    /// Begun at this moment or later, RFC 3339 in UTC.
    pub since: Option<String>,
    /// Begun before this moment.
    pub until: Option<String>,
    /// Any of these verdicts; `None` is a run without one.
    pub verdicts: Vec<Option<Verdict>>,
    /// With this recipe, by name or by the beginning of its hash.
    pub recipe: Option<String>,
    /// A side's leak lies in this range, Pa·m³/s.
    pub leak: Option<RangeInclusive<f64>>,
    /// By this operator.
    pub operator: Option<String>,
    /// Recorded by this bench, by its UUID.
    pub bench: Option<String>,
    /// Only runs that stand as they were recorded: none that was struck, or moved to another valve.
    pub uncorrected: bool,
}

/// A run without its samples.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct RunRow {
    /// Its id in this file.
    #[serde(skip)]
    pub id: i64,
    /// UUID of the bench that recorded it.
    pub bench: String,
    /// Its number in that bench's chain.
    pub number: i64,
    /// SHA-256 of its recording: the same everywhere.
    pub recording: String,
    /// The valve.
    pub serial: String,
    /// UUID of the batch it was run for.
    pub batch: Option<String>,
    /// The rework note that it follows, as `BENCH/NUMBER`.
    pub after_rework: Option<String>,
    /// Who ran it; empty where not said.
    pub operator: String,
    /// When it began, RFC 3339 in UTC.
    pub started_at: String,
    /// When it ended.
    pub ended_at: String,
    /// When it was put into the register.
    pub appended_at: String,
    /// Sides requested: "both", "first", "second".
    pub sides_requested: String,
    /// "judged", "fault", "refused", "aborted", "cut-short".
    pub outcome: String,
    /// The run's verdict.
    pub verdict: Option<Verdict>,
    /// Greatest leak allowed.
    pub limit_pa_m3_s: f64,
    /// SHA-256 of the recipe.
    pub recipe: String,
    /// What the recipe was called.
    pub recipe_name: String,
    /// SHA-256 of the rig, calibrations taken in.
    pub rig: String,
    /// What the rig's description was called.
    pub rig_name: String,
    /// SHA-256 of the calibrations in force.
    pub calibrations: String,
    /// Program that wrote the recording.
    pub program: String,
    /// The source of the readings.
    pub source: String,
    /// More of that, as JSON.
    pub identity: String,
    /// Unit that leaks were written in.
    pub leak_unit: String,
    /// Polls in the recording.
    pub polls: u64,
    /// Its seal.
    pub seal: String,
    /// The result of each side, in the order judged.
    pub sides: Vec<SideRow>,
}

/// The result of a side.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct SideRow {
    /// The side.
    pub side: Side,
    /// The verdict.
    pub verdict: Verdict,
    /// Why.
    pub ground: Reason,
    /// Leak; `None` where nothing was fitted.
    pub leak_pa_m3_s: Option<f64>,
    /// Expanded uncertainty: half-width of the interval.
    pub expanded_pa_m3_s: Option<f64>,
    /// The probability that the interval covers the true leak.
    pub coverage: Option<f64>,
    /// Greatest leak allowed.
    pub limit_pa_m3_s: f64,
    /// Length of the window, ms.
    pub window_ms: Option<u32>,
    /// Far-side pressure when the valve was shut, gauge.
    pub isolated_pa: Option<i32>,
    /// How far it had fallen when the side ended.
    pub fall_pa: i32,
    /// How long after shutting that was.
    pub after_ms: u32,
}

const COLUMNS: &str = "id, bench, number, recording, serial, batch, after_rework, operator, started_at, ended_at, \
     appended_at, sides_requested, outcome, verdict, limit_pa_m3_s, recipe, recipe_name, rig, rig_name, calibrations, \
     program, source, identity, leak_unit, polls, seal";

const SIDES: &str = "run, side, verdict, reason, leak_pa_m3_s, expanded_pa_m3_s, coverage, limit_pa_m3_s, window_ms, \
     isolated_pa, fall_pa, after_ms";

/// The condition that a column begins with a value. Not `LIKE`: in that, `%` and `_` of what was typed would stand for
/// anything.
fn begins(column: &str) -> String {
    format!("instr({column}, ?) = 1")
}

/// A word of ours in a column.
fn worded<T: serde::de::DeserializeOwned>(row: &Row<'_>, at: usize) -> rusqlite::Result<T> {
    let text: String = row.get(at)?;
    from_word(&text).ok_or_else(|| {
        let why = format!("\"{text}\" is no word of this column").into();
        rusqlite::Error::FromSqlConversionFailure(at, rusqlite::types::Type::Text, why)
    })
}

impl RunRow {
    fn from_row(row: &Row<'_>) -> rusqlite::Result<Self> {
        let verdict: Option<String> = row.get(13)?;
        Ok(Self {
            id: row.get(0)?,
            bench: row.get(1)?,
            number: row.get(2)?,
            recording: row.get(3)?,
            serial: row.get(4)?,
            batch: row.get(5)?,
            after_rework: row.get(6)?,
            operator: row.get(7)?,
            started_at: row.get(8)?,
            ended_at: row.get(9)?,
            appended_at: row.get(10)?,
            sides_requested: row.get(11)?,
            outcome: row.get(12)?,
            verdict: if verdict.is_some() { Some(worded(row, 13)?) } else { None },
            limit_pa_m3_s: row.get(14)?,
            recipe: row.get(15)?,
            recipe_name: row.get(16)?,
            rig: row.get(17)?,
            rig_name: row.get(18)?,
            calibrations: row.get(19)?,
            program: row.get(20)?,
            source: row.get(21)?,
            identity: row.get(22)?,
            leak_unit: row.get(23)?,
            polls: row.get::<_, i64>(24)?.try_into().unwrap_or(0),
            seal: row.get(25)?,
            sides: Vec::new(),
        })
    }

    /// The result of a side; of several, the last.
    pub fn side(&self, side: Side) -> Option<&SideRow> {
        self.sides.iter().rev().find(|found| found.side == side)
    }

    /// Its name in every file: `BENCH/NUMBER`.
    pub fn name(&self) -> String {
        format!("{}/{}", self.bench, self.number)
    }

    /// Its verdict on a side. A run that was refused tested nothing.
    pub fn reported_verdict(&self, side: Side) -> ReportedVerdict {
        let other = match side {
            Side::First => "second",
            Side::Second => "first",
        };
        let tested = self.sides_requested != other && self.outcome != "refused";
        ReportedVerdict::new(tested, self.side(side).map(|found| found.verdict))
    }
}

impl SideRow {
    fn from_row(row: &Row<'_>) -> rusqlite::Result<(i64, Self)> {
        let found = Self {
            side: worded(row, 1)?,
            verdict: worded(row, 2)?,
            ground: worded(row, 3)?,
            leak_pa_m3_s: row.get(4)?,
            expanded_pa_m3_s: row.get(5)?,
            coverage: row.get(6)?,
            limit_pa_m3_s: row.get(7)?,
            window_ms: row.get(8)?,
            isolated_pa: row.get(9)?,
            fall_pa: row.get(10)?,
            after_ms: row.get(11)?,
        };
        Ok((row.get(0)?, found))
    }
}

impl RunFilter {
    /// Conditions in SQL, with their values.
    fn conditions(&self) -> (String, Vec<Value>) {
        let mut text = String::from("duplicate = 0");
        let mut values: Vec<Value> = Vec::new();
        let equal = [
            ("serial = ?", &self.serial),
            ("batch = ?", &self.batch),
            ("started_at >= ?", &self.since),
            ("started_at < ?", &self.until),
            ("operator = ?", &self.operator),
            ("bench = ?", &self.bench),
        ];
        for (condition, value) in equal {
            if let (Some(value), "serial = ?", true) = (value, condition, self.or_moved_here) {
                // Each half by its index.
                text += " AND id IN (SELECT id FROM runs WHERE serial = ? UNION SELECT o.id FROM notes n JOIN runs m \
                         ON m.bench = substr(n.about, 1, instr(n.about, '/') - 1) \
                         AND m.number = CAST(substr(n.about, instr(n.about, '/') + 1) AS INTEGER) \
                         JOIN runs o ON o.recording = m.recording WHERE n.kind = 'moved' AND n.serial = ?)";
                values.extend([value.clone().into(), value.clone().into()]);
            } else if let Some(value) = value {
                text += &format!(" AND {condition}");
                values.push(value.clone().into());
            }
        }
        if let Some(recipe) = &self.recipe {
            text += " AND (recipe_name = ? OR substr(recipe, 1, ?) = ?)";
            let length = i64::try_from(recipe.len()).unwrap_or(0).max(1);
            values.extend([recipe.clone().into(), length.into(), recipe.to_lowercase().into()]);
        }
        if !self.verdicts.is_empty() {
            let given: Vec<&Verdict> = self.verdicts.iter().flatten().collect();
            let marks = vec!["?"; given.len()].join(", ");
            let without = if self.verdicts.contains(&None) { " OR verdict IS NULL" } else { "" };
            text += &format!(" AND (verdict IN ({marks}){without})");
            values.extend(given.into_iter().map(|v| Value::from(super::extract::word(v))));
        }
        if let Some(leak) = &self.leak {
            text += " AND EXISTS (SELECT 1 FROM sides WHERE run = runs.id AND leak_pa_m3_s BETWEEN ? AND ?)";
            values.extend([(*leak.start()).into(), (*leak.end()).into()]);
        }
        if self.uncorrected {
            text += " AND recording NOT IN (SELECT o.recording FROM notes n JOIN runs o \
                     ON o.bench = substr(n.about, 1, instr(n.about, '/') - 1) \
                     AND o.number = CAST(substr(n.about, instr(n.about, '/') + 1) AS INTEGER) \
                     WHERE n.kind IN ('struck', 'moved'))";
        }
        (text, values)
    }
}

/// A run by its id in this file, or why it cannot be read.
type FoundRun = (i64, Result<RunRow, Error>);

/// Iterates over runs. An error of kind [`Error::Unreadable`] is of one run, and others follow; any other ends it.
#[derive(Debug)]
pub struct RunRows<'a> {
    register: &'a Register,
    conditions: String,
    values: Vec<Value>,
    page: VecDeque<FoundRun>,
    /// Id of the last one given; `None` at the beginning.
    last: Option<i64>,
    over: bool,
}

impl Register {
    /// The selected runs, by date. A recording merged from several benches comes once.
    pub fn runs(&self, filter: RunFilter) -> RunRows<'_> {
        let (conditions, values) = filter.conditions();
        RunRows { register: self, conditions, values, page: VecDeque::new(), last: None, over: false }
    }

    /// How many that would be.
    ///
    /// # Errors
    /// When the register cannot be read.
    pub fn count(&self, filter: &RunFilter) -> Result<u64, Error> {
        let (conditions, values) = filter.conditions();
        let text = format!("SELECT count(*) FROM runs WHERE {conditions}");
        let count = self.db.query_row(&text, params_from_iter(values), |row| row.get::<_, i64>(0)).at(&self.path)?;
        Ok(count.try_into().unwrap_or(0))
    }

    /// One run by its id.
    ///
    /// # Errors
    /// When there is none, or the register cannot be read.
    pub fn run(&self, id: i64) -> Result<RunRow, Error> {
        let mut page = self.page("id = ?", &[Value::Integer(id)], 1).at(&self.path)?;
        let none = || Error::register(&self.path, RegisterError::Refused(format!("there is no record {id}")));
        page.pop_front().ok_or_else(none)?.1
    }

    /// The run of this name: a number of this bench's, `BENCH/NUMBER` where the beginning of BENCH will do, or the
    /// beginning of its recording's hash.
    ///
    /// # Errors
    /// When there is none, or several, or the register cannot be read.
    pub fn run_named(&self, name: &str) -> Result<RunRow, Error> {
        let none = |why: String| Error::register(&self.path, RegisterError::Refused(why));
        let (bench, number) = match name.split_once('/') {
            // Every name begins with nothing, so that is no beginning.
            Some(("", _)) => (String::new(), None),
            Some((bench, number)) => (bench.to_owned(), number.parse::<i64>().ok()),
            None => (self.bench.clone(), name.parse::<i64>().ok()),
        };
        let found = match number {
            Some(number) => {
                let values = [Value::from(bench.to_lowercase()), Value::from(number)];
                self.page(&format!("{} AND number = ?", begins("bench")), &values, 2).at(&self.path)?
            }
            None => VecDeque::new(),
        };
        let hexadecimal = name.len() >= 6 && name.chars().all(|c| c.is_ascii_hexdigit());
        let mut found = if found.is_empty() && hexadecimal {
            let values = [Value::from(name.to_lowercase())];
            self.page(&format!("duplicate = 0 AND {}", begins("recording")), &values, 2).at(&self.path)?
        } else {
            found
        };
        match (found.pop_front(), found.pop_front()) {
            (Some((_, run)), None) => run,
            (Some(_), Some(_)) => Err(none(format!("\"{name}\" matches several records; give more of it"))),
            (None, _) => Err(none(format!("there is no record \"{name}\"; `seathold find` lists the runs there are"))),
        }
    }

    /// The recording of a run: the bytes of the stand-alone file.
    ///
    /// # Errors
    /// [`Error::Unreadable`] when there is no such run, or its recording is gone or is not one; any other error when the
    /// register cannot be read.
    pub fn recording(&self, id: i64) -> Result<Vec<u8>, Error> {
        let text = "SELECT bench || '/' || number, length(bytes), bytes FROM runs \
                    LEFT JOIN recordings ON recordings.sha256 = runs.recording WHERE runs.id = ?";
        let mut query = self.db.prepare_cached(text).at(&self.path)?;
        let unreadable = |record: String, why: String| Err(Error::Unreadable { record, why });
        let found = query.query_row([id], |row| {
            let record = row.get(0)?;
            // The bytes are only taken once it is known how many they are.
            Ok(match row.get::<_, Option<i64>>(1)?.map(u64::try_from) {
                Some(Ok(length)) if length <= FILE_MAX => match row.get(2) {
                    Ok(bytes) => Ok(bytes),
                    Err(why) => unreadable(record, why.to_string()),
                },
                Some(_) => {
                    unreadable(record, format!("its recording is longer than {FILE_MAX} bytes, the most there are"))
                }
                None => unreadable(record, "its recording is not there".into()),
            })
        });
        found.optional().at(&self.path)?.unwrap_or_else(|| unreadable(id.to_string(), "there is none".into()))
    }

    /// A recipe, a rig or the calibrations in force, as JSON, by its hash. `table` is `recipes`, `rigs` or
    /// `calibrations`.
    ///
    /// # Errors
    /// When there is none, or the register cannot be read.
    pub fn part(&self, table: &'static str, sha256: &str) -> Result<String, Error> {
        let mut query = self.db.prepare_cached(&format!("SELECT json FROM {table} WHERE sha256 = ?")).at(&self.path)?;
        query.query_row([sha256], |row| row.get(0)).at(&self.path)
    }

    /// A recipe by its hash. A field that it did not have yet takes its built-in value.
    ///
    /// # Errors
    /// When there is none, it cannot be decoded, or the register cannot be read.
    pub fn recipe(&self, sha256: &str) -> Result<RawRecipe, Error> {
        let json = self.part("recipes", sha256)?;
        let mut whole = serde_json::to_value(RawRecipe::DEMO).unwrap_or_default();
        if let (Some(whole), Ok(serde_json::Value::Object(recorded))) =
            (whole.as_object_mut(), serde_json::from_str(&json))
        {
            whole.extend(recorded);
        }
        serde_json::from_value(whole).map_err(|why| {
            let why = format!("recipe {sha256} cannot be decoded: {why}");
            Error::register(&self.path, RegisterError::Damaged(why))
        })
    }

    /// Up to `most` runs by date, with their ids and sides. One that cannot be read, because somebody wrote into it what
    /// no program of ours writes, takes none of the others with it.
    fn page(&self, conditions: &str, values: &[Value], most: usize) -> rusqlite::Result<VecDeque<FoundRun>> {
        let text = format!("SELECT {COLUMNS} FROM runs WHERE {conditions} ORDER BY started_at, id LIMIT {most}");
        let mut query = self.db.prepare_cached(&text)?;
        let mut sides =
            self.db.prepare_cached(&format!("SELECT {SIDES} FROM sides WHERE run = ? ORDER BY position"))?;
        let mut rows = query.query(params_from_iter(values))?;
        let mut runs = VecDeque::new();
        while let Some(row) = rows.next()? {
            let id: i64 = row.get(0)?;
            let mut whole = || -> rusqlite::Result<RunRow> {
                let mut run = RunRow::from_row(row)?;
                let rows = sides.query_map([id], |row| SideRow::from_row(row).map(|(_, found)| found))?;
                run.sides = rows.collect::<rusqlite::Result<_>>()?;
                Ok(run)
            };
            let run = whole().map_err(|why| {
                let text = |at| row.get_ref(at).ok().and_then(|value| value.as_bytes().ok()).unwrap_or_default();
                let number: i64 = row.get(2).unwrap_or_default();
                let record = format!("{}/{number}", String::from_utf8_lossy(text(1)));
                Error::Unreadable { record, why: why.to_string() }
            });
            runs.push_back((id, run));
        }
        Ok(runs)
    }
}

impl RunRows<'_> {
    fn turn(&mut self) -> Result<(), Error> {
        let mut conditions = self.conditions.clone();
        let mut values = self.values.clone();
        if let Some(id) = self.last {
            // The first condition is there for the index.
            conditions += " AND started_at >= (SELECT started_at FROM runs WHERE id = ?) \
                           AND (started_at, id) > (SELECT started_at, id FROM runs WHERE id = ?)";
            values.extend([id.into(), id.into()]);
        }
        self.page = self.register.page(&conditions, &values, PAGE).at(&self.register.path)?;
        self.over = self.page.len() < PAGE;
        self.last = self.page.back().map(|(id, _)| *id);
        Ok(())
    }
}

impl Iterator for RunRows<'_> {
    type Item = Result<RunRow, Error>;

    fn next(&mut self) -> Option<Self::Item> {
        if self.page.is_empty()
            && !self.over
            && let Err(why) = self.turn()
        {
            self.over = true;
            return Some(Err(why));
        }
        self.page.pop_front().map(|(_, run)| run)
    }
}
