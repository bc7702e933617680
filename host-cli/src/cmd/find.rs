//! `seathold find`: runs in the register, and the history of a valve.

use std::cmp::Ordering;
use std::collections::HashMap;
use std::ops::RangeInclusive;
use std::path::PathBuf;

use clap::{Args, ValueEnum};
use jiff::Timestamp;
use jiff::civil::Date;
use jiff::tz::TimeZone;
use seathold_quantity::{Dimension, limit};
use seathold_recording::header::DisplayUnits;
use seathold_recording::plain::shown;
use seathold_register::batch::run_marks::{RunMark, RunMarks};
use seathold_register::valves::NoteRecord;
use seathold_register::{Access, DEFAULT_NAME, Register, RunFilter, RunRow, SideRow, note_words};
use seathold_sequencer::field::Unit;
use seathold_sequencer::input::Side;
use seathold_sequencer::units::Reference;
use seathold_sequencer::verdict::Verdict;
use seathold_text::messages::{self, UnitFormat};
use serde_json::json;

use crate::console::Console;
use crate::error::Error;
use crate::exit::Exit;
use crate::redact::{TypedAddress, is_address};
use crate::schema::{self, JsonKind};

/// The register that a command works on.
#[derive(Debug, Args)]
pub struct RegisterArg {
    /// Register
    #[arg(long, value_name = "FILE", default_value = DEFAULT_NAME)]
    pub register: PathBuf,
}

/// Selects runs; also for other commands that work on a selection.
#[derive(Debug, Default, Args)]
pub struct RunFilterArgs {
    /// Only this valve
    #[arg(long, value_name = "NUMBER", value_parser = crate::args::scanned, help_heading = "Which runs")]
    pub serial: Option<String>,
    /// Only this batch
    #[arg(long, value_name = "NAME", help_heading = "Which runs")]
    pub batch: Option<String>,
    /// Begun on this day or later, or at this time: 2026-03-02, or 2026-03-02T09:30:00Z (days are in UTC)
    #[arg(long, value_name = "DATE", help_heading = "Which runs")]
    pub since: Option<String>,
    /// Begun on this day or before, or before this time
    #[arg(long, value_name = "DATE", help_heading = "Which runs")]
    pub until: Option<String>,
    /// Only this verdict: tight, leaking, undecided, void, or none (a fault, aborted, refused); may be given again
    #[arg(long, value_enum, hide_possible_values = true, value_name = "VERDICT", help_heading = "Which runs")]
    pub verdict: Vec<VerdictArg>,
    /// Only with this recipe: its name, or the beginning of its hash
    #[arg(long, value_name = "NAME|HASH", help_heading = "Which runs")]
    pub recipe_name: Option<String>,
    /// Only where a side's leak lies in this range, like "5 mm3/s..20 mm3/s"; either end may be left out
    #[arg(long, value_name = "LEAK..LEAK", allow_hyphen_values = true, help_heading = "Which runs")]
    pub leak: Option<String>,
    /// Only by this operator
    // Not the `operator` who acts, whom settings may name.
    #[arg(id = "by_operator", long = "operator", value_name = "NAME", help_heading = "Which runs")]
    pub operator: Option<String>,
}

/// `--verdict`.
#[derive(Clone, Copy, Debug, ValueEnum)]
pub enum VerdictArg {
    /// Tight.
    Tight,
    /// Leaking.
    Leaking,
    /// Undecided.
    Undecided,
    /// Void.
    Void,
    /// None: the run came to no verdict.
    #[value(name = "none")]
    Nothing,
}

impl From<VerdictArg> for Option<Verdict> {
    fn from(arg: VerdictArg) -> Self {
        match arg {
            VerdictArg::Tight => Some(Verdict::Tight),
            VerdictArg::Leaking => Some(Verdict::Leaking),
            VerdictArg::Undecided => Some(Verdict::Undecided),
            VerdictArg::Void => Some(Verdict::Void),
            VerdictArg::Nothing => None,
        }
    }
}

impl RunFilterArgs {
    /// For commands that were given recordings, from which only a serial can select.
    ///
    /// # Errors
    /// When anything else was asked for.
    pub fn only_serial(&self) -> Result<(), Error> {
        let Self { serial: _, batch, since, until, verdict, recipe_name: recipe, leak, operator } = self;
        let asked = [
            ("--batch", batch.is_some()),
            ("--since", since.is_some()),
            ("--until", until.is_some()),
            ("--verdict", !verdict.is_empty()),
            ("--recipe-name", recipe.is_some()),
            ("--leak", leak.is_some()),
            ("--operator", operator.is_some()),
        ];
        match asked.iter().find(|(_, asked)| *asked) {
            Some((option, _)) => {
                Err(Error::usage(format!("{option} selects in the register: name no recordings with it")))
            }
            None => Ok(()),
        }
    }

    /// The selection, checked.
    ///
    /// # Errors
    /// When a date or a leak cannot be read, or there is no such batch.
    pub fn filter(&self, register: &Register) -> Result<RunFilter, Error> {
        let batch = match &self.batch {
            Some(name) => Some(register.batch_named(name)?.batch),
            None => None,
        };
        let date = |option, text: &Option<String>, end| match text {
            Some(text) => moment(text, end).map(Some).map_err(|why| Error::usage(format!("{option}: {why}"))),
            None => Ok(None),
        };
        let leak = match &self.leak {
            Some(text) => Some(leaks(text).map_err(|why| Error::usage(format!("--leak: {why}")))?),
            None => None,
        };
        Ok(RunFilter {
            serial: self.serial.clone(),
            or_moved_here: false,
            batch,
            since: date("--since", &self.since, false)?,
            until: date("--until", &self.until, true)?,
            verdicts: self.verdict.iter().map(|v| (*v).into()).collect(),
            recipe: self.recipe_name.clone(),
            leak,
            operator: self.operator.clone(),
            bench: None,
            uncorrected: false,
        })
    }
}

/// A day, or a moment, as the register writes it. The end of a range includes the whole day.
fn moment(text: &str, end: bool) -> Result<String, String> {
    let wrong = || format!("\"{text}\" is no date like 2026-03-02, nor a time like 2026-03-02T09:30:00Z");
    // A date alone must be tried first: jiff reads no time zone into it.
    if let Ok(day) = text.parse::<Date>().map_err(|_| wrong())
        && text.len() <= 10
    {
        let day = if end { day.tomorrow().map_err(|_| wrong())? } else { day };
        return Ok(format!("{day}T00:00:00Z"));
    }
    text.parse::<Timestamp>().map(|at| at.to_string()).map_err(|_| wrong())
}

/// A range of leaks, Pa·m³/s, counted at the reference pressure that is built in.
fn leaks(text: &str) -> Result<RangeInclusive<f64>, String> {
    let Some((least, most)) = text.split_once("..") else {
        return Err(format!("\"{text}\" is no range; write it like \"5 mm3/s..20 mm3/s\""));
    };
    let kind = Dimension(Unit::PascalCubicMetrePerSecond);
    let end = |text: &str, open: f64| {
        if text.trim().is_empty() {
            return Ok(open);
        }
        let quantity = kind.parse(text.trim()).map_err(|why| why.to_string())?;
        let reference_pa = Reference::ISO_8778.pressure.pascals();
        limit::standard_is_stated(text.trim(), quantity.symbol, reference_pa)?;
        Ok::<f64, String>(quantity.value(reference_pa))
    };
    let range = end(least, f64::NEG_INFINITY)?..=end(most, f64::INFINITY)?;
    if range.is_empty() { Err(format!("\"{text}\" ends before it begins")) } else { Ok(range) }
}

/// `seathold find`.
#[derive(Debug, Args)]
pub struct FindArgs {
    #[command(flatten)]
    pub filter: RunFilterArgs,
    #[command(flatten)]
    pub register: RegisterArg,
    /// A JSON object a line
    #[arg(long, help_heading = "Output")]
    pub json: bool,
}

/// Lists runs by date, one line each; of a single valve also what was noted.
pub(super) fn run(args: &FindArgs, console: &mut Console<'_>) -> Result<Exit, Error> {
    let named = args.register.register.to_string_lossy();
    let valve;
    let file;
    let register = if is_address(&named) {
        let Some(serial) = &args.filter.serial else {
            let why = "an office is asked for one valve: --serial; for more, `seathold register pull` brings all into a register";
            return Err(Error::usage(why));
        };
        valve = super::office::valve(&TypedAddress(named.into_owned()), serial, console)?;
        &valve.0
    } else {
        file = Register::open(&args.register.register, Access::Read)?;
        &file
    };
    let filter = RunFilter { or_moved_here: true, ..args.filter.filter(register)? };
    let mut unit_formats = RecipeUnitFormats::default();
    let mut exit = Exit::Good;
    // Runs are listed whatever is in the other tables.
    let batches = match register.batches() {
        Ok(batches) => batches.into_iter().map(|b| (b.batch, b.name)).collect(),
        Err(why) => {
            exit = Exit::Storage;
            writeln!(console.err, "{why}; batches are not named")?;
            HashMap::new()
        }
    };
    // A valve's history includes the notes between its runs.
    let history = RunFilter {
        serial: filter.serial.clone(),
        batch: filter.batch.clone(),
        or_moved_here: true,
        ..RunFilter::default()
    };
    let mut notes = match &args.filter.serial {
        Some(serial) if filter == history => register.notes(filter.batch.as_deref(), Some(serial))?,
        _ => Vec::new(),
    };
    // Names of other benches' records are longer.
    let last = register.chains()?.into_iter().map(|chain| register.short(&format!("{}/{}", chain.bench, chain.last)));
    let width = last.map(|name| name.len()).fold(4, usize::max);
    let zone = console.clock.zone();
    // Where all times are those of UTC there is no second column.
    let local = !zone.to_offset(console.clock.now()).is_zero();
    let when = |text: &str| when(text, local.then_some(&zone));
    let mut count = 0_u64;
    let mut marks = RunMarks::new(register);
    if let (Some(serial), false) = (&args.filter.serial, args.json)
        && let Some(valve) = register.valve(serial)?
    {
        let dn = valve.dn.map_or_else(String::new, |dn| format!("  DN {dn}"));
        let details = [valve.actuation.as_str(), valve.notes.as_str()].into_iter().filter(|t| !t.is_empty());
        let details: String = details.map(|t| format!("  {t}")).collect();
        writeln!(console.out, "{}", shown(&format!("{serial}{dn}{details}")))?;
    }
    for run in register.runs(filter) {
        // One that cannot be shown takes none of the others with it.
        let shown = run.map_err(Error::from).and_then(|run| {
            let units = unit_formats.of(register, &run);
            units.map(|units| (run.clone(), units)).map_err(|why| unreadable(&run.name(), &why))
        });
        let (run, units) = match shown {
            Ok(shown) => shown,
            Err(Error::Register(seathold_register::Error::Unreadable { record, why })) => {
                exit = Exit::Storage;
                count += 1;
                if args.json {
                    schema::write(
                        console,
                        JsonKind::Find,
                        json!({ "unreadable": { "record": record, "reason": why } }),
                    )?;
                } else {
                    let name = register.short(&record);
                    writeln!(console.out, "{:16}  {name:>width$}  unreadable: {why}", "")?;
                }
                continue;
            }
            Err(why) => return Err(why),
        };
        // Within a second only the run knows which of the two came first.
        let follows = |note: &NoteRecord| run.after_rework.as_deref() == Some(&note.name());
        let before = notes.iter().filter(|note| note.written_at < run.started_at || follows(note)).count();
        for note in notes.drain(..before) {
            tell(console, args.json, register, width, &note, &when)?;
        }
        if count == 0 && !args.json {
            let here = if local { "  local  " } else { "" };
            writeln!(console.out, "{:16}{here}  {:>width$}  {HEAD}", "when (UTC)", "run")?;
        }
        count += 1;
        let batch = run.batch.as_ref().and_then(|b| batches.get(b)).map_or("", String::as_str);
        // As batches are named, so are marks: what is wrong with a batch takes no run with it.
        let mark = match marks.of(&run) {
            Ok(mark) => mark.cloned().unwrap_or_default(),
            Err(why) => {
                exit = Exit::Storage;
                writeln!(console.err, "{why}; whether run {} counts is not known", register.short(&run.name()))?;
                RunMark::default()
            }
        };
        if args.json {
            let mut value = json!({ "run": run, "batch_name": batch });
            let corrections = register.corrections_of(&run.bench, run.number)?;
            if let (Some(fields), false) = (value.as_object_mut(), corrections.is_empty()) {
                fields.insert("corrections".into(), json!(corrections));
            }
            if let (Some(fields), true) = (value.as_object_mut(), mark != RunMark::default()) {
                fields.insert("mark".into(), json!(mark));
            }
            schema::write(console, JsonKind::Find, value)?;
        } else {
            let text = line(register, &run, &when(&run.started_at), width, batch, &units);
            writeln!(console.out, "{text}{}", mark_text(&mark, &units))?;
        }
    }
    for note in notes {
        tell(console, args.json, register, width, &note, &when)?;
    }
    if count == 0 && !args.json {
        writeln!(console.err, "no run matches{}", unknown(register, args.filter.serial.as_deref())?)?;
    }
    Ok(exit)
}

/// A run whose recipe is missing or no recipe.
fn unreadable(record: &str, why: &Error) -> Error {
    let why = why.to_string();
    Error::Register(seathold_register::Error::Unreadable { record: record.to_owned(), why })
}

fn tell(
    console: &mut Console<'_>,
    as_json: bool,
    register: &Register,
    width: usize,
    note: &NoteRecord,
    when: &dyn Fn(&str) -> String,
) -> Result<(), Error> {
    if as_json {
        schema::write(console, JsonKind::Find, json!({ "note": note }))?;
        return Ok(());
    }
    let by = if note.operator.is_empty() { String::new() } else { format!(" ({})", note.operator) };
    let about = note
        .about
        .as_deref()
        .map_or_else(String::new, |run| format!(", {} {}", note.about_word(), register.short(run)));
    let when = when(&note.written_at);
    let name = register.short(&note.name());
    let text = format!("{when}  {name:>width$}  {}{about}: {}{by}", note_words(note.kind), note.words());
    writeln!(console.out, "{}", shown(&text))?;
    Ok(())
}

/// Where no record has the serial asked for: similar ones that may have been meant.
fn unknown(register: &Register, serial: Option<&str>) -> Result<String, Error> {
    let Some(serial) = serial else { return Ok(String::new()) };
    if register.valve(serial)?.is_some() {
        return Ok(String::new());
    }
    let near = register.serials_like(serial)?;
    let hint = if near.is_empty() { String::new() } else { format!("; is it {}?", near.join(" or ")) };
    Ok(shown(&format!(": {serial} is not in this register{hint}")).into_owned())
}

/// "2026-03-02 09:30".
pub(super) fn date(text: &str) -> String {
    text.get(..16).unwrap_or(text).replace('T', " ")
}

/// The same with the time of a zone beside it, and how many days that is off: "2026-03-02 23:30  00:30+1".
fn when(text: &str, zone: Option<&TimeZone>) -> String {
    let Some(zone) = zone else { return date(text) };
    let Ok(at) = text.parse::<Timestamp>() else { return format!("{}  {:7}", date(text), "") };
    let (local, utc) = (zone.to_datetime(at), TimeZone::UTC.to_datetime(at));
    let day = match local.date().cmp(&utc.date()) {
        Ordering::Less => "-1",
        Ordering::Equal => "",
        Ordering::Greater => "+1",
    };
    format!("{}  {:7}", date(text), format!("{}{day}", local.strftime("%H:%M")))
}

/// The unit format of a run's leaks, by recipe.
#[derive(Debug, Default)]
pub(super) struct RecipeUnitFormats(HashMap<(String, String), UnitFormat>);

impl RecipeUnitFormats {
    pub(super) fn of(&mut self, register: &Register, run: &RunRow) -> Result<UnitFormat, Error> {
        let key = (run.recipe.clone(), run.leak_unit.clone());
        if let Some(units) = self.0.get(&key) {
            return Ok(*units);
        }
        let shown = DisplayUnits { leak: run.leak_unit.clone(), ..DisplayUnits::default() };
        let units = UnitFormat::new(&register.recipe(&run.recipe)?, &shown);
        self.0.insert(key, units);
        Ok(units)
    }
}

const HEAD: &str = "valve      verdict    end A ± U      end B ± U      limit        batch, by";

/// A run on a line.
fn line(register: &Register, run: &RunRow, when: &str, width: usize, batch: &str, units: &UnitFormat) -> String {
    let name = register.short(&run.name());
    let verdict = run.verdict.map_or(run.outcome.as_str(), |verdict| messages::verdict_word(verdict));
    let side = |side| {
        let text = run.side(side).map_or_else(|| "—".into(), |found| leak(found, units));
        text.trim_end_matches(units.leak_unit().as_str()).trim_end().to_owned()
    };
    let by: Vec<&str> = [batch, &run.operator].into_iter().filter(|text| !text.is_empty()).collect();
    let text = format!(
        "{when}  {name:>width$}  {:9}  {verdict:9}  {:13}  {:13}  {:11}  {}",
        run.serial,
        side(Side::First),
        side(Side::Second),
        units.limit(run.limit_pa_m3_s),
        by.join(", ")
    );
    shown(text.trim_end()).into_owned()
}

/// What stands behind a run's line: "  STRUCK", "  MOVED to HM-002", "  OTHER LIMIT: the valve must meet 7.5 mm³/s", "  OVERRIDE:
/// by drawing (Ada)".
fn mark_text(mark: &RunMark, units: &UnitFormat) -> String {
    let said = [
        mark.struck.as_ref().map(|_| "STRUCK".into()),
        mark.moved_to().map(|serial| format!("MOVED to {serial}")),
        mark.other_limit
            .as_ref()
            .map(|misfit| format!("OTHER LIMIT: the valve must meet {}", units.limit(misfit.required_pa_m3_s))),
        mark.answered_for().map(|why| format!("OVERRIDE: {why}")),
    ];
    said.iter().flatten().map(|words: &String| format!("  {}", shown(words))).collect()
}

/// "19.7 ± 4.1 mm³/s", or the reason why there is no leak.
pub(super) fn leak(found: &SideRow, units: &UnitFormat) -> String {
    match (found.leak_pa_m3_s, found.expanded_pa_m3_s) {
        (Some(leak), Some(half)) => units.plus_minus(leak, half),
        _ => messages::verdict_word(found.verdict).into(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn days_and_moments() {
        assert_eq!(moment("2026-03-02", false).unwrap(), "2026-03-02T00:00:00Z");
        assert_eq!(moment("2026-03-02", true).unwrap(), "2026-03-03T00:00:00Z");
        assert_eq!(moment("2026-03-02T09:30:00+01:00", true).unwrap(), "2026-03-02T08:30:00Z");
        assert!(moment("yesterday", false).is_err());
        assert!(moment("2026-13-02", false).is_err());
    }

    #[test]
    fn ranges_of_leaks() {
        let near = |a: f64, b: f64| (a / b - 1.0).abs() < 1e-12;
        let (least, most) = leaks("5 mm3/s..20 mm3/s").unwrap().into_inner();
        assert!(near(least, 5e-4) && near(most, 2e-3));
        assert_eq!(*leaks("..1 mm3/s").unwrap().start(), f64::NEG_INFINITY);
        assert_eq!(*leaks("1 mm3/s..").unwrap().end(), f64::INFINITY);
        for wrong in ["5 mm3/s", "5..6", "2 mm3/s..1 mm3/s"] {
            assert!(leaks(wrong).is_err(), "{wrong}");
        }
    }
}
