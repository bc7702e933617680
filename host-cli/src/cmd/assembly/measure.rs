//! `seathold assembly measure`: lengths of parts, keyed or scanned one after the other.

use std::io::Write;
use std::path::{Path, PathBuf};
use std::time::Duration;

use clap::Args;
use seathold_assembly::length_unit;
use seathold_assembly::list_columns::READINGS_MAX;
use seathold_assembly::reading::reading;
use seathold_assembly::typed_lengths::{MARK, NotTaken, TypedLengths};
use seathold_quantity::UnitDef;
use seathold_recording::FileError;
use seathold_recording::file::{NewFile, Replace, read_text_at_most};
use seathold_recording::plain::shown;
use seathold_text::messages::counted;

use super::bolt::{asked, remarked};
use super::only_writer::OnlyWriter;
use crate::cmd::stdin_lines::StdinLines;
use crate::console::Console;
use crate::error::Error;
use crate::exit::Exit;
use crate::session::SOON;

/// The longest list, in bytes: as `pair` takes it.
const LIST_BYTES_MAX: u64 = 4 << 20;

/// Lists that were begun here.
const OURS: &[&[u8]] = &[MARK.as_bytes()];

/// `seathold assembly measure`.
#[derive(Debug, Args)]
pub struct MeasureArgs {
    /// The list, CSV as `pair` reads it; one that was begun goes on
    #[arg(value_name = "FILE.csv")]
    pub file: PathBuf,
    /// How often each part is read
    #[arg(long, value_name = "N", default_value_t = 1, value_parser = clap::value_parser!(u32).range(1..=READINGS_MAX as i64))]
    pub readings: u32,
    /// Unit of lengths that name none
    #[arg(long, value_name = "UNIT", default_value = "mm")]
    pub unit: String,
    /// The gauge, by its number; it stands in the list
    #[arg(long, value_name = "NUMBER", value_parser = crate::args::person)]
    pub gauge: Option<String>,
    /// Who measures; it stands in the list
    #[arg(long, value_name = "NAME", value_parser = crate::args::person)]
    pub operator: Option<String>,
}

pub(super) fn run(args: &MeasureArgs, console: &mut Console<'_>) -> Result<Exit, Error> {
    let Some(unit) = length_unit::unit(&args.unit.to_lowercase()) else {
        let taken = length_unit::choices();
        let why = format!("--unit: \"{}\" is no unit of length (units taken: {taken})", args.unit);
        return Err(Error::usage(why));
    };
    let mut measuring = Measuring::begin(args, unit)?;
    let (parts, readings) = measuring.list.counts();
    if parts > 0 {
        let of = counted(readings as u64, "reading");
        writeln!(console.err, "{}: goes on after {}, {of}", args.file.display(), counted(parts as u64, "part"))?;
    }
    measuring.session(args.readings as usize, console)?;
    let (parts, readings) = measuring.list.counts();
    let of = counted(readings as u64, "reading");
    writeln!(console.out, "{}: {}, {of}", args.file.display(), counted(parts as u64, "part"))?;
    let mut unread: Vec<&str> = Vec::new();
    for name in measuring.named.iter().filter(|name| measuring.list.readings(name).is_empty()) {
        if !unread.contains(&name.as_str()) {
            unread.push(name);
        }
    }
    if unread.is_empty() {
        return Ok(Exit::Good);
    }
    remarked(&format!("named and not read: {}", unread.join(", ")), console)?;
    // Whoever is at a keyboard has seen why; of a script nobody has.
    Ok(if console.live { Exit::Good } else { Exit::BadInput })
}

/// A list, and the file that has it.
struct Measuring<'a> {
    path: &'a Path,
    unit: UnitDef,
    list: TypedLengths,
    /// What stands in the file, as far as this program knows; nothing before its first reading.
    written: Option<String>,
    /// The parts that another was named in place of their length, in that order.
    named: Vec<String>,
    /// No other program of ours writes it meanwhile.
    _only: OnlyWriter,
}

/// What became of a question for a length.
enum Asked {
    Read,
    /// Another part was named instead.
    Other(String),
    /// Nothing: the part is left out.
    Nothing,
    Leave,
}

impl<'a> Measuring<'a> {
    fn begin(args: &'a MeasureArgs, unit: UnitDef) -> Result<Self, Error> {
        let path = args.file.as_path();
        let remark = |what: &str, of: &Option<String>| of.as_ref().map(|of| format!("{what}: {of}"));
        let remarks = [remark("gauge", &args.gauge), remark("measured by", &args.operator)];
        let only = OnlyWriter::of(path)?;
        let (mut list, written) = if path.exists() {
            let text = read_text_at_most(path, LIST_BYTES_MAX)?;
            let list = TypedLengths::parse(&text, unit);
            (list.map_err(|why| Error::usage(format!("{}: {why}", path.display())))?, Some(text))
        } else {
            (TypedLengths::new(unit), None)
        };
        list.remark(remarks.into_iter().flatten());
        Ok(Self { path, unit, list, written, named: Vec::new(), _only: only })
    }

    /// Part after part, until somebody leaves.
    fn session(&mut self, readings: usize, console: &mut Console<'_>) -> Result<(), Error> {
        let mut lines = StdinLines::default();
        let mut ahead: Option<String> = None;
        let mut parts = 0;
        loop {
            let next = self.list.next_place();
            let ask = format!("part (scan or type; Enter: place {next}; undo; q) > ");
            let asked_at = console.clock.elapsed();
            let typed = match ahead.take() {
                Some(typed) => typed,
                None => match asked(&ask, &mut lines, console)? {
                    Some(typed) => typed,
                    None => return Ok(()),
                },
            };
            if typed == "undo" {
                self.undo(console)?;
                continue;
            }
            // A calliper that types, and nobody who names parts: the length is that of the next place.
            if self.is_length(&typed) {
                if !self.list.goes_by_places() {
                    let name = format!("Scan or type its name first, or Enter for place {next}");
                    remarked(&format!("{typed} is a length: of which part? {name}"), console)?;
                    continue;
                }
                if parts > 0 && pressed_twice(&typed, asked_at, console)? {
                    continue;
                }
                parts += 1;
                match self.read(&next, Some(typed), &mut lines, console)? {
                    Asked::Other(typed) => ahead = Some(typed),
                    Asked::Leave => return Ok(()),
                    Asked::Read | Asked::Nothing => {}
                }
                continue;
            }
            let name = if typed.is_empty() { next } else { typed };
            if let Err(why) = self.list.check_name(&name) {
                remarked(&why, console)?;
                continue;
            }
            parts += 1;
            let before = self.list.readings(&name).len();
            if before >= readings {
                let was = self.list.readings(&name).join(" and ");
                let known = format!("{} was {was} {}", shown(&name), self.unit.text);
                remarked(&format!("{known}: a further reading of it, or another part?"), console)?;
                let answer = loop {
                    match asked("again, or scan another > ", &mut lines, console)? {
                        None => return Ok(()),
                        // Typed without a look at the question: of this part, or of another that was taken for it.
                        Some(typed) if self.is_length(&typed) => {
                            let then = "Answer `again`, and then type it, or scan another";
                            let whose = format!("{typed} is a length: once more of {}? {then}", shown(&name));
                            remarked(&whose, console)?;
                        }
                        Some(typed) => break typed,
                    }
                };
                if answer != "again" {
                    ahead = Some(answer).filter(|typed| !typed.is_empty());
                    continue;
                }
            }
            let wanted = readings.max(before + 1);
            while self.list.readings(&name).len() < wanted {
                match self.read(&name, None, &mut lines, console)? {
                    Asked::Read => {}
                    Asked::Nothing => break,
                    Asked::Other(typed) => {
                        ahead = Some(typed);
                        break;
                    }
                    Asked::Leave => return Ok(()),
                }
            }
        }
    }

    /// A reading of a part: asked for, unless it was typed already.
    fn read(
        &mut self,
        name: &str,
        mut typed: Option<String>,
        lines: &mut StdinLines,
        console: &mut Console<'_>,
    ) -> Result<Asked, Error> {
        let mut asked_about: Option<String> = None;
        loop {
            let number = self.list.readings(name).len() + 1;
            let of = if number > 1 { format!(", reading {number}") } else { String::new() };
            let unit = self.unit.text;
            let asked_at = console.clock.elapsed();
            let length = match typed.take() {
                Some(typed) => typed,
                None => {
                    match asked(&format!("{}{of}: length in {unit} (Enter: none) > ", shown(name)), lines, console)? {
                        None => return Ok(Asked::Leave),
                        Some(typed) if typed.is_empty() => return Ok(Asked::Nothing),
                        Some(typed) if typed == "undo" => {
                            self.undo_of(name, asked_about.take(), console)?;
                            continue;
                        }
                        Some(typed) => typed,
                    }
                }
            };
            // The first length of a part may come as fast as its name.
            if (number > 1 || asked_about.is_some()) && pressed_twice(&length, asked_at, console)? {
                continue;
            }
            let sure = asked_about.as_ref() == Some(&length);
            match self.list.add(name, &length, sure) {
                Ok(()) => {
                    if let Err(why) = self.write() {
                        self.list.undo();
                        return Err(why);
                    }
                    let read = self.list.readings(name).last().cloned().unwrap_or_default();
                    // One that was typed with its unit has it.
                    let own = if read.ends_with(|c: char| c.is_ascii_digit()) { unit } else { "" };
                    writeln!(console.out, "{}", format!("{}{of}: {read} {own}", shown(name)).trim_end())?;
                    return Ok(Asked::Read);
                }
                // The next part was scanned before this one was read: its length must not become this one's.
                Err(NotTaken::Wrong(_)) if is_name(&length) && self.list.check_name(&length).is_ok() => {
                    let then = "is no length, and taken for the next part";
                    remarked(&format!("{}{of}: not read; {} {then}", shown(name), shown(&length)), console)?;
                    self.named.push(name.into());
                    return Ok(Asked::Other(length));
                }
                Err(NotTaken::Wrong(why)) => remarked(&why, console)?,
                Err(NotTaken::Doubtful(why)) => {
                    let then = "Measure again, and type what it is: the same once more is taken";
                    remarked(&format!("{why} {then}"), console)?;
                    asked_about = Some(length);
                }
            }
        }
    }

    /// Where a length is asked for: only what was read of that part goes, not what came before it.
    fn undo_of(&mut self, name: &str, asked_about: Option<String>, console: &mut Console<'_>) -> Result<(), Error> {
        match asked_about {
            Some(odd) => remarked(&format!("{odd} was not taken"), console),
            None if self.list.last_added() == Some(name) => self.undo(console),
            None => {
                let then = "undo where a part is asked for takes back what came before it";
                remarked(&format!("nothing was read of {} since this was begun; {then}", shown(name)), console)
            }
        }
    }

    fn undo(&mut self, console: &mut Console<'_>) -> Result<(), Error> {
        let before = self.list.clone();
        let Some((name, read)) = self.list.undo() else {
            writeln!(console.err, "nothing was read since this was begun")?;
            return Ok(());
        };
        if let Err(why) = self.write() {
            self.list = before;
            return Err(why);
        }
        writeln!(console.out, "{}: {read} taken back", shown(&name))?;
        Ok(())
    }

    /// Everything so far, complete or as it was before.
    fn write(&mut self) -> Result<(), Error> {
        let there = if self.path.exists() { Some(read_text_at_most(self.path, LIST_BYTES_MAX)?) } else { None };
        if there != self.written {
            let why =
                "another program has changed it since: nothing was written; begin again, and what it has now goes on";
            return Err(Error::usage(format!("{}: {why}", self.path.display())));
        }
        let text = self.list.text();
        let (new, mut file) = NewFile::create(self.path, Replace::Ours(OURS))?;
        // On the disk before it takes the place of the one before: a power cut leaves one of the two.
        file.write_all(text.as_bytes())
            .and_then(|()| file.sync_all())
            .map_err(|why| FileError::new("write", self.path, why))?;
        new.finish()?;
        self.written = Some(text);
        Ok(())
    }

    /// Whether a text is a length, and no place (it has decimals or a unit) or part of the list.
    fn is_length(&self, typed: &str) -> bool {
        !typed.bytes().all(|byte| byte.is_ascii_digit())
            && reading(typed, self.unit).is_ok()
            && self.list.readings(typed).is_empty()
    }
}

/// Whether a length comes so soon after the question, at a bench, that it is the one before once more: nobody measures anew so fast.
fn pressed_twice(length: &str, asked_at: Duration, console: &mut Console<'_>) -> Result<bool, Error> {
    let twice = console.live && console.clock.elapsed().saturating_sub(asked_at) < SOON;
    if twice {
        // It was typed before the question was there, which still stands on its line.
        writeln!(console.err)?;
        remarked(&format!("{} came at once, as from a key that is pressed twice: not taken", shown(length)), console)?;
    }
    Ok(twice)
}

/// Whether a text is rather a name than a length that was mistyped.
fn is_name(typed: &str) -> bool {
    !typed.starts_with(|c: char| c.is_ascii_digit() || matches!(c, '.' | ',' | '+' | '-'))
}
