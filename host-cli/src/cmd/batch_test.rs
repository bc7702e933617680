//! `seathold batch test`: valve after valve, by one key or by a scanned serial.
//!
//! A barcode reader is a keyboard that types a serial and Enter, so that is all this listens to: lines.

use std::path::{Path, PathBuf};

use seathold_analysis::fleet::spec::FleetSpec;
use seathold_config::rig::AdapterChoice;
use seathold_recording::file::safe_name;
use seathold_recording::plain::shown;
use seathold_register::batch::check_digit::CheckDigit;
use seathold_register::batch::similar_serials::look;
use seathold_register::batch::status::{self, NextAction, StatusCounts, ValveStatus};
use seathold_register::claim::{Claim, Claimant};
use seathold_register::reason::Correction;
use seathold_register::valves::ValveRecord;
use seathold_register::{Access, NewNote, NoteKind, Register, RunMeta, name_or_none};
use seathold_report::label::scanned;
use seathold_sequencer::input::Sides;
use seathold_sequencer::units::Reference;
use seathold_text::layout::wrapped;
use seathold_text::messages;

use super::batch_common::{
    GONE_ON, closed_meanwhile, held_by, not_listed, open_steps, refused, split_serial, status_line, work, write_note,
};
use super::batch_correct::{move_to, strike_run};
use super::batch_limits::{counted_elsewhere, requirement_words, stated_by};
use super::batch_session::{BatchSession, SideOrder, TestArgs, options_for_all};
use super::find::RecipeUnitFormats;
use super::left_on_rig::{self, LeftRun};
use super::run::run_for;
use super::run_common::RunContext;
use super::stdin_lines::StdinLines;
use super::tell_settings::tell_settings;
use crate::args::person;
use crate::console::{Console, leave_other_screen};
use crate::error::Error;
use crate::exit::Exit;
use crate::screen::ListedValve;

/// What may be typed, and what it does.
const HELP: &[(&str, &str)] = &[
    ("Enter", "the valve shown, with the recipe shown"),
    ("SERIAL", "that valve (scan it, or type it)"),
    ("again SERIAL [SIDE]", "that valve once more, although its sides have results"),
    ("override SERIAL WHY", "test it although the run does not fit it; the report says so"),
    ("strike RECORD WHY", "that run counts no more; it stays, marked"),
    ("move RECORD SERIAL WHY", "that run was of the valve SERIAL"),
    ("rework SERIAL TEXT", "note what was done to it; then it is tested again"),
    ("set-aside SERIAL TEXT", "take it out of the batch"),
    ("remark SERIAL TEXT", "note anything else"),
    ("recipe NAME", "that recipe for valves of the size and kind shown; their limit stays"),
    ("handover NAME", "who comes in your place, and what is clamped"),
    ("order valve|side", "both sides of each valve, or one side of all"),
    ("list", "what is left to do"),
    ("q", "quit; the same command continues later"),
];

/// That, on lines of the screen's width.
fn help() -> String {
    let mut text = String::new();
    for (typed, does) in HELP {
        wrapped(&mut text, &format!("  {typed}"), 26, does);
    }
    text
}

/// What follows a line.
enum AfterLine {
    Ask,
    /// What was typed to a question was no answer to it, but the next line.
    Next(String),
    Leave,
}

/// `seathold batch test`.
pub(super) fn run(args: &TestArgs, console: &mut Console<'_>) -> Result<Exit, Error> {
    let register = Register::open(&args.register.register, Access::Write)?;
    let batch = args.batch.open(&register)?;
    let fleet = match &args.fleet {
        Some(name) => {
            let file = (name.as_os_str() != "hatchery").then_some(name.as_path());
            Some(FleetSpec::load(file, None, std::iter::empty(), Reference::ISO_8778.pressure.pascals())?)
        }
        None => None,
    };
    let folder = args.out.clone().unwrap_or_else(|| args.recordings.join(safe_name(&batch.name)));
    // Before anything else: somebody stands at a rig that may be under pressure.
    let left = left_on_rig::find(&folder, &register, &batch.batch)?;
    if !left.is_empty() && console.live {
        leave_other_screen();
    }
    for run in &left {
        write!(console.err, "{}", run.words())?;
    }
    let not_empty = left_on_rig::not_empty(&register, &batch.batch)?.filter(|_| left.is_empty());
    if let Some(valve) = &not_empty {
        write!(console.err, "{}", valve.words(&register))?;
    }
    tell_settings(&args.settings, console)?;
    for pair in &args.valve {
        let listed = pair.split_once('=').map(|(serial, _)| serial);
        let serials = register.valves_of(&batch.batch)?;
        match listed {
            Some(serial) if serials.iter().any(|v| v.serial == serial) => {}
            Some(serial) => {
                let why = not_listed(serial, &batch, serials.iter().map(|v| v.serial.as_str()));
                return Err(Error::usage(format!("--valve {pair}: {why}")));
            }
            None => {
                return Err(Error::usage(format!(
                    "--valve {pair}: give SERIAL=VALVE, like \"HM-002=scratched-seat-a\""
                )));
            }
        }
    }
    let lines = StdinLines::default();
    let more = options_for_all(&args.more, console)?;
    let claimant = Claimant::new(&args.operator);
    let order = args.order;
    let mut bench = BatchSession {
        args,
        more,
        register,
        batch,
        operator: args.operator.clone(),
        order,
        fleet,
        folder,
        lines,
        first: left.last().map(|run| run.header.serial.clone()).or(not_empty.map(|valve| valve.serial)),
        taken_off: Vec::new(),
        claimant,
    };
    // Mistakes in the options are reported before the first valve is on the rig.
    if let Some(status) = status::of_batch(&bench.register, &bench.batch)?.first() {
        bench.fitted(status)?;
    }
    bench.pick_up(&left, console)?;
    if !bench.ask_who(console)? {
        return Ok(Exit::Good);
    }
    work(&bench.register, &bench.batch, false, console)?;
    writeln!(console.err, "? and Enter says what may be typed")?;
    let mut ahead = None;
    loop {
        let statuses = status::of_batch(&bench.register, &bench.batch)?;
        let taken = bench.taken(console)?;
        let next = bench.next(&statuses, &taken);
        let line = match ahead.take() {
            Some(line) => line,
            None => {
                bench.prompt(&statuses, &taken, next.as_ref().map(|(s, sides)| (*s, *sides)), console)?;
                let Some(line) = bench.lines.next(console)? else { break };
                line
            }
        };
        // While this one waited, another program may have gone on with the batch: at a second rig, or at a desk.
        if let Some(at) = bench.register.closed_at(&bench.batch.batch)? {
            writeln!(console.err, "{}", closed_meanwhile(&bench.batch.name, &at))?;
            break;
        }
        // With what it must meet, as the person saw it.
        let shown = next.map(|(status, sides)| (status.valve.clone(), sides));
        let statuses = status::of_batch(&bench.register, &bench.batch)?;
        let taken = bench.taken(console)?;
        let next = bench.next(&statuses, &taken);
        let now = next.map(|(status, sides)| (status.valve.clone(), sides));
        if line.trim().is_empty() && shown != now {
            // What is on the rig is the valve that was shown: the next is not tested under its serial.
            let holds = |claim: &&Claim| shown.as_ref().is_some_and(|(valve, _)| valve.serial == claim.serial);
            let why = taken.iter().find(holds).map_or_else(|| GONE_ON.to_owned(), held_by);
            writeln!(console.err, "{why}; this is next now:")?;
            continue;
        }
        match bench.obey(line.trim(), &statuses, next, console) {
            Ok(AfterLine::Ask) => {}
            Ok(AfterLine::Next(line)) => ahead = Some(line),
            Ok(AfterLine::Leave) => break,
            // A wrong input, or a refusal by the register: report it and continue.
            Err(why) if why.exit() == Exit::BadInput => write!(console.err, "{}", on_lines(&why_plain(&why), 0))?,
            Err(why) => return Err(why),
        }
        if console.interrupted() > 0 {
            writeln!(console.err, "stopped; `seathold batch test` continues where this ended")?;
            break;
        }
    }
    let counts = StatusCounts::of(&status::of_batch(&bench.register, &bench.batch)?);
    writeln!(console.out, "batch {}: {counts}", bench.batch.name)?;
    Ok(Exit::Good)
}

/// What was done, on lines of the screen's width.
fn say(said: &str, console: &mut Console<'_>) -> Result<AfterLine, Error> {
    write!(console.out, "{}", on_lines(said, 0))?;
    Ok(AfterLine::Ask)
}

/// A refusal without the register's path: the person at the bench knows which it is.
fn why_plain(why: &Error) -> String {
    match why {
        Error::Register(seathold_register::Error::Register { why, .. }) => why.to_string(),
        other => other.own_words(),
    }
}

/// On lines of the screen's width, so many columns in.
fn on_lines(words: &str, indent: usize) -> String {
    let mut text = String::new();
    for line in words.lines() {
        wrapped(&mut text, "", indent, line);
    }
    text
}

impl BatchSession<'_> {
    /// Imports recordings of this batch that did not reach the register (the program was stopped between the two, or
    /// the register could not be written), and resumes runs that continued on a controller.
    fn pick_up(&mut self, left: &[LeftRun], console: &mut Console<'_>) -> Result<(), Error> {
        for run in left {
            let LeftRun { file, header, resumable } = run;
            let (batch, serial, began) = (&self.batch.batch, &header.serial, &header.started_at);
            // The program that took the run up, and died as well, claimed it later than the run began.
            let written = left_on_rig::last_written(run).map(|at| at.to_string());
            self.register.end_claim_of_dead(batch, serial, written.as_ref().map_or(began, |at| at.max(began)))?;
            if !resumable {
                continue;
            }
            let answers = self.register.rework_before(batch, serial, began)?;
            let meta = RunMeta { batch: Some(batch.clone()), after_rework: answers };
            let Some(_held) = self.claim(serial, console)? else { continue };
            run_for(&self.left(file, console)?, &RunContext { meta, brief: true, list: self.listed()? }, console)?;
            self.tell(serial, console)?;
        }
        let Ok(entries) = std::fs::read_dir(&self.folder) else { return Ok(()) };
        let mut files: Vec<PathBuf> = entries.filter_map(|e| Some(e.ok()?.path())).collect();
        files.sort();
        let statuses = status::of_batch(&self.register, &self.batch)?;
        for file in files {
            if file.extension().is_none_or(|e| e != seathold_recording::EXTENSION) {
                continue;
            }
            // A file that is no recording, or of no valve of the batch, is ignored.
            let Ok(recording) = seathold_recording::read(&file) else { continue };
            let Some(status) = statuses.iter().find(|s| s.valve.serial == recording.header.serial) else { continue };
            let (batch, began) = (&self.batch.batch, &recording.header.started_at);
            let answers = self.register.rework_before(batch, &status.valve.serial, began)?;
            let meta = RunMeta { batch: Some(batch.clone()), after_rework: answers };
            let taken = match self.register.import(&file, &meta, console.date()?) {
                Ok(taken) => taken,
                // It is kept apart, and what it did not prove is still to do.
                Err(why @ seathold_register::Error::Quarantined { .. }) => {
                    writeln!(console.err, "{why}")?;
                    continue;
                }
                Err(why) => return Err(why.into()),
            };
            if taken.new {
                writeln!(
                    console.err,
                    "{}: was not in the register yet; imported as record {}",
                    file.display(),
                    taken.number
                )?;
            }
        }
        Ok(())
    }

    fn prompt(
        &self,
        statuses: &[ValveStatus],
        taken: &[Claim],
        next: Option<(&ValveStatus, Sides)>,
        console: &mut Console<'_>,
    ) -> Result<(), Error> {
        let due = |claim: &&Claim| statuses.iter().any(|s| s.valve.serial == claim.serial && s.sides_due().is_some());
        let elsewhere: Vec<String> = taken.iter().filter(due).map(held_by).collect();
        // The window may have been pulled since.
        console.fit_lines();
        let text = match next {
            Some((status, sides)) => {
                let again = match status.stand {
                    NextAction::Retest => ", retest",
                    NextAction::TestAgain => ", once more",
                    _ => "",
                };
                let fitted = match self.fitted(status) {
                    Ok(fitted) => {
                        let misfits = fitted.misfits.iter().map(|why| on_lines(&format!("DOES NOT FIT: {why}"), 2));
                        on_lines(&fitted.words(&status.valve), 2) + &misfits.collect::<String>()
                    }
                    Err(why) => on_lines(&format!("DOES NOT FIT: {}", why_plain(&why)), 2),
                };
                let next = format!("next {}: {}{again}", status.valve.serial, messages::sides(sides));
                on_lines(&next, 0) + &self.not_put_together(&status.valve.serial)? + &fitted + "> "
            }
            None if !elsewhere.is_empty() => format!("nothing else is left to test: {} > ", elsewhere.join(", ")),
            None => match statuses.iter().filter(|s| s.stand == NextAction::Rework).count() {
                0 => "nothing is left to test; `seathold batch close` ends the batch > ".into(),
                n => format!("nothing is left to test before rework: {n} leaking > "),
            },
        };
        write!(console.err, "{text}")?;
        console.err.flush()?;
        Ok(())
    }

    /// What of its assembly is not done, in capitals; nothing where all is.
    fn not_put_together(&self, serial: &str) -> Result<String, Error> {
        let open = open_steps(&self.register, &self.batch, serial)?;
        if open.is_empty() {
            return Ok(String::new());
        }
        Ok(on_lines(&format!("ASSEMBLY NOT DONE: {}", open.join(", ")), 2))
    }

    fn obey(
        &mut self,
        line: &str,
        statuses: &[ValveStatus],
        next: Option<(&ValveStatus, Sides)>,
        console: &mut Console<'_>,
    ) -> Result<AfterLine, Error> {
        let find = |serial: &str| statuses.iter().find(|s| s.valve.serial == serial);
        // A serial wins over a command: what is scanned is always a serial, by itself or in the text of a label.
        if let Some(status) = find(scanned::listed(line, |serial| find(serial).is_some())) {
            return self.test_if_due(status, console);
        }
        let (word, rest) = line.split_once(' ').map_or((line, ""), |(word, rest)| (word, rest.trim()));
        let (serial, text) = split_serial(rest, serials(statuses));
        let note = match word {
            "rework" => Some(NoteKind::Rework),
            "set-aside" => Some(NoteKind::SetAside),
            "remark" => Some(NoteKind::Remark),
            _ => None,
        };
        if let Some(kind) = note {
            if serial.is_empty() {
                return Err(Error::usage(format!("{word}: which valve? {word} SERIAL TEXT")));
            }
            let operator = &self.operator;
            let said = write_note(&mut self.register, &self.batch, serial, kind, text, operator, console)?;
            return say(&said, console);
        }
        match (word, rest) {
            ("", _) => match next {
                Some((status, sides)) => self.test(status, sides, console),
                None => work(&self.register, &self.batch, false, console).map(|_| AfterLine::Ask),
            },
            ("?", "") => {
                write!(console.err, "{}", help())?;
                Ok(AfterLine::Ask)
            }
            ("q" | "quit", "") => Ok(AfterLine::Leave),
            ("list", "") => work(&self.register, &self.batch, false, console).map(|_| AfterLine::Ask),
            ("order", "valve") => self.reorder(SideOrder::Valve),
            ("order", "side") => self.reorder(SideOrder::Side),
            ("order", _) => Err(Error::usage("order: give valve or side")),
            ("recipe", "") => Err(Error::usage("recipe: give a file, or a built-in one like dn25-air")),
            ("recipe", name) => {
                // A slip of the finger does not end the session.
                self.check_recipe(Path::new(name)).map_err(|why| Error::usage(why.to_string()))?;
                let Some((shown, _)) = next else {
                    return Err(Error::usage("recipe: no valve is shown that it could be for"));
                };
                self.restate_recipe(name, &shown.valve, statuses, console)?;
                Ok(AfterLine::Ask)
            }
            ("strike", "") => Err(Error::usage("strike: which run, and why? strike RECORD WHY")),
            ("strike", _) => {
                let (record, reason) = rest.split_once(' ').map_or((rest, ""), |(record, why)| (record, why.trim()));
                let why = Correction { reason, operator: &self.operator, now: console.date()? };
                let said = strike_run(&mut self.register, &self.batch, record, why)?;
                say(&said, console)
            }
            ("move", _) => {
                let Some((record, rest)) = rest.split_once(' ') else {
                    return Err(Error::usage("move: which run, to which valve, and why? move RECORD SERIAL WHY"));
                };
                let (serial, reason) = split_serial(rest.trim(), serials(statuses));
                let why = Correction { reason, operator: &self.operator, now: console.date()? };
                let said = move_to(&mut self.register, &self.batch, record, serial, why)?;
                say(&said, console)
            }
            ("handover", "") => Err(Error::usage("handover: who comes? handover NAME")),
            ("handover", name) => self.hand_over(name, statuses, console),
            ("override", "") => Err(Error::usage("override: which valve, and why? override SERIAL WHY")),
            ("override", _) => match find(serial) {
                Some(status) => self.test_over(status, text, console),
                None => Err(self.unknown(serial, statuses)),
            },
            ("again", "") => Err(Error::usage("again: which valve? again SERIAL, again SERIAL first|second")),
            ("again", _) => {
                let sides = match text.trim() {
                    "" => Sides::Both,
                    "first" => Sides::First,
                    "second" => Sides::Second,
                    other => {
                        return Err(Error::usage(format!(
                            "again {serial}: give first, second, or nothing for both, not \"{other}\""
                        )));
                    }
                };
                match find(serial) {
                    Some(status) => self.test(status, sides, console),
                    None => Err(self.unknown(serial, statuses)),
                }
            }
            _ => self.ask_similar(scanned::serial_of(line), statuses, console),
        }
    }

    fn reorder(&mut self, order: SideOrder) -> Result<AfterLine, Error> {
        self.order = order;
        Ok(AfterLine::Ask)
    }

    fn check_recipe(&self, name: &Path) -> Result<(), Error> {
        let rig = super::files::load_rig(None, AdapterChoice::default())?.rig;
        super::run_common::find_recipe(Some(name), &rig, None).map(|_| ())
    }

    /// Another recipe for the valves of the same size and kind: on record, so that it is the same after a restart, and
    /// for no valve of another size. What they must meet stays; where nothing said it, the recipe does.
    fn restate_recipe(
        &mut self,
        name: &str,
        shown: &ValveRecord,
        statuses: &[ValveStatus],
        console: &mut Console<'_>,
    ) -> Result<(), Error> {
        let same = |s: &&ValveStatus| s.valve.dn == shown.dn && s.valve.actuation == shown.actuation;
        let own = stated_by(name)?.limit;
        for status in statuses.iter().filter(same) {
            if let Some(why) = counted_elsewhere(&status.valve, name)? {
                return Err(refused(&self.register, format!("recipe {name} is not used: {why}")));
            }
        }
        let mut restated: Vec<ValveRecord> = Vec::new();
        for status in statuses.iter().filter(same) {
            let limit = if status.valve.limit.is_empty() { own.clone() } else { None };
            restated.push(ValveRecord {
                serial: status.valve.serial.clone(),
                limit: limit.unwrap_or_default(),
                recipe: name.into(),
                ..ValveRecord::default()
            });
        }
        let same_limit = own.is_none() || statuses.iter().filter(same).all(|s| !s.valve.limit.is_empty());
        if same_limit && statuses.iter().filter(same).all(|s| s.valve.recipe == name) {
            writeln!(console.err, "recipe {name} is theirs already: nothing is written")?;
            return Ok(());
        }
        let merged = ValveRecord {
            limit: if shown.limit.is_empty() { own.clone().unwrap_or_default() } else { shown.limit.clone() },
            recipe: name.into(),
            ..shown.clone()
        };
        let words = requirement_words(&merged)?;
        let why = Correction { reason: "chosen at the bench", operator: &self.operator, now: console.date()? };
        let number = self.register.require(&self.batch.batch, &restated, why)?;
        let valves = messages::counted(restated.len() as u64, "valve");
        writeln!(console.err, "{words}: {valves} (record {number})")?;
        if !shown.limit.is_empty() && own.as_ref().is_some_and(|own| *own != shown.limit) {
            let own = own.unwrap_or_default();
            writeln!(
                console.err,
                "the recipe's own limit, {own}, is not used: `seathold batch require` states another"
            )?;
        }
        Ok(())
    }

    /// Who tests, where nobody was named and somebody is there to answer. False where no answer comes any more.
    fn ask_who(&mut self, console: &mut Console<'_>) -> Result<bool, Error> {
        // A name out of a file is that of whoever wrote the file.
        let mut proposed = self.args.operator_is_proposed();
        while (self.operator.is_empty() || proposed) && console.live {
            match self.operator.as_str() {
                "" => write!(console.err, "who tests? > ")?,
                name => write!(console.err, "who tests? Enter for {}, or another name > ", shown(name))?,
            }
            console.err.flush()?;
            let Some(line) = self.lines.next(console)? else { return Ok(false) };
            if proposed && line.trim().is_empty() {
                break;
            }
            let word = line.trim();
            let is_answer = ["y", "n", "yes", "no", "q", "?"].iter().any(|known| known.eq_ignore_ascii_case(word));
            match person(word) {
                // It goes onto records that nobody changes.
                Ok(_) if is_answer => writeln!(console.err, "\"{word}\" is nobody's name")?,
                Ok(name) => {
                    proposed = false;
                    self.is_now(name);
                }
                Err(why) => writeln!(console.err, "{why}")?,
            }
        }
        Ok(true)
    }

    fn is_now(&mut self, operator: String) {
        self.claimant = Claimant::new(&operator);
        self.operator = operator;
    }

    /// One goes and another comes: who, and what is clamped, is on record before the next valve.
    fn hand_over(
        &mut self,
        name: &str,
        statuses: &[ValveStatus],
        console: &mut Console<'_>,
    ) -> Result<AfterLine, Error> {
        let name = person(name).map_err(|why| Error::usage(format!("handover: {why}")))?;
        write!(console.err, "what is clamped? its serial, or Enter where nothing is > ")?;
        console.err.flush()?;
        let Some(line) = self.lines.next(console)? else { return Ok(AfterLine::Ask) };
        let is_listed = |serial: &str| statuses.iter().any(|status| status.valve.serial == serial);
        let serial = scanned::listed(line.trim(), is_listed);
        if !serial.is_empty() && statuses.iter().all(|status| status.valve.serial != serial) {
            return Err(self.unknown(serial, statuses));
        }
        let clamped = if serial.is_empty() { "nothing is clamped".into() } else { format!("{serial} is clamped") };
        let note = NewNote {
            kind: NoteKind::Handover,
            batch: Some(self.batch.batch.clone()),
            serial: (!serial.is_empty()).then(|| serial.into()),
            about: None,
            operator: self.operator.clone(),
            text: format!("to {name}; {clamped}"),
        };
        let number = self.register.note(&note, console.date()?)?;
        let leaves = name_or_none(&self.operator);
        let said = format!("{leaves} leaves, {name} comes; {clamped} (record {number})");
        self.first = (!serial.is_empty()).then(|| serial.into());
        self.is_now(name);
        say(&said, console)
    }

    /// A serial that looks like one of the list: small letters, O for 0. It is taken after a question, and no Enter alone
    /// answers that: a reader may send two.
    fn ask_similar(
        &mut self,
        line: &str,
        statuses: &[ValveStatus],
        console: &mut Console<'_>,
    ) -> Result<AfterLine, Error> {
        let mut alike = statuses.iter().filter(|status| look(&status.valve.serial) == look(line));
        let (Some(status), None) = (alike.next(), alike.next()) else { return Err(self.unknown(line, statuses)) };
        let serial = &status.valve.serial;
        let said =
            format!("{line} is not on the list of batch {}. Look at the plate: is it {serial}?", self.batch.name);
        write!(console.err, "{}y and Enter, or scan it again > ", on_lines(&shown(&said), 0))?;
        console.err.flush()?;
        let Some(answer) = self.lines.next(console)? else { return Ok(AfterLine::Ask) };
        match answer.trim() {
            "y" | "Y" | "yes" => self.test_if_due(status, console),
            "" | "n" | "N" | "no" => Ok(AfterLine::Ask),
            // The same once more is no answer.
            same if same == line => Err(self.unknown(line, statuses)),
            other => Ok(AfterLine::Next(other.into())),
        }
    }

    /// Asks, before another valve is tested, where a run was left with its valve on the rig: that may still be clamped, and
    /// pressurised. That it is off is on record. What follows where it is not, or nobody says so.
    fn taken_off(&mut self, serial: &str, console: &mut Console<'_>) -> Result<Option<AfterLine>, Error> {
        let mut left = left_on_rig::find(&self.folder, &self.register, &self.batch.batch)?;
        let (clamped, how, after, known) = match left.pop() {
            Some(run) => {
                let file = run.file.display().to_string();
                (run.header.serial, "when its run was stopped", "its run was stopped", file)
            }
            None => match left_on_rig::not_empty(&self.register, &self.batch.batch)? {
                Some(valve) => {
                    let how = "in the last run, which did not show it empty";
                    (valve.serial, how, "a run that did not show it empty", valve.run)
                }
                None => return Ok(None),
            },
        };
        if clamped == serial || self.taken_off.contains(&known) {
            return Ok(None);
        }
        let said = format!(
            "{clamped} was on the rig {how}, and may still be CLAMPED AND PRESSURISED. Have screen and gauge shown its far side empty, \
             and is {serial} on the rig in its place?"
        );
        write!(console.err, "{}y and Enter, or Enter goes back > ", on_lines(&shown(&said), 0))?;
        console.err.flush()?;
        let Some(answer) = self.lines.next(console)? else { return Ok(Some(AfterLine::Ask)) };
        match answer.trim() {
            "y" | "Y" | "yes" => {}
            "" | "n" | "N" | "no" => return Ok(Some(AfterLine::Ask)),
            other => return Ok(Some(AfterLine::Next(other.into()))),
        }
        let note = NewNote {
            kind: NoteKind::Remark,
            batch: Some(self.batch.batch.clone()),
            serial: Some(clamped.clone()),
            about: None,
            operator: self.operator.clone(),
            text: format!("taken off the rig after {after}; {serial} is in its place"),
        };
        self.register.note(&note, console.date()?)?;
        self.taken_off.push(known);
        Ok(None)
    }

    /// Whether the valve on the rig is the one meant, where that is to be confirmed.
    fn confirmed(&mut self, serial: &str, console: &mut Console<'_>) -> Result<bool, Error> {
        if !self.args.confirm_serial {
            return Ok(true);
        }
        let clamp = on_lines(&format!("clamp {serial}, then scan or type its serial >"), 0);
        write!(console.err, "{} ", clamp.trim_end())?;
        console.err.flush()?;
        let Some(line) = self.lines.next(console)? else { return Ok(false) };
        let typed = scanned::listed(line.trim(), |typed| typed == serial);
        let same = typed.eq_ignore_ascii_case(serial);
        if !same {
            write!(
                console.err,
                "{}",
                on_lines(&format!("that is not {serial}: nothing was run. Look at the plate"), 0)
            )?;
        }
        Ok(same)
    }

    /// Nothing on the list, and no command.
    fn unknown(&self, line: &str, statuses: &[ValveStatus]) -> Error {
        if let Some(check_digit) = CheckDigit::of(&self.batch.check_digit).filter(|d| !d.fits(line)) {
            let why = format!("{line} does not fit its check digit ({}): misread? ", check_digit.word());
            return refused(&self.register, why + &not_listed(line, &self.batch, serials(statuses)));
        }
        refused(
            &self.register,
            format!("{} (? says what may be typed)", not_listed(line, &self.batch, serials(statuses))),
        )
    }

    /// Tests the sides of a valve that are due, none twice.
    fn test_if_due(&mut self, status: &ValveStatus, console: &mut Console<'_>) -> Result<AfterLine, Error> {
        if let Some(sides) = self.sides_now(status) {
            return self.test(status, sides, console);
        }
        let serial = &status.valve.serial;
        let known = status_line(&self.register, status, &mut RecipeUnitFormats::default())?;
        let next = match status.stand {
            NextAction::Rework => format!("rework it first (\"rework {serial} WHAT\"), or \"again {serial}\""),
            NextAction::SetAside => format!("it was set aside; \"rework {serial} WHAT\" takes it back"),
            _ => format!("it is done; \"again {serial}\" tests it once more"),
        };
        Err(refused(&self.register, format!("{serial}: {known}: {next}")))
    }

    /// Tests a valve although the run does not fit it: who answers for it, and why, is on record before there is air.
    fn test_over(&mut self, status: &ValveStatus, why: &str, console: &mut Console<'_>) -> Result<AfterLine, Error> {
        let serial = &status.valve.serial;
        if why.is_empty() {
            return Err(Error::usage(format!("override {serial}: why? The report prints it")));
        }
        if self.operator.is_empty() {
            return Err(Error::usage("override: who answers for it? Give --operator"));
        }
        if self.fitted(status)?.misfits.is_empty() {
            return Err(refused(&self.register, format!("{serial}: the run fits it, there is nothing to override")));
        }
        let sides = self.sides_now(status).unwrap_or(Sides::Both);
        self.test_by(status, sides, Some(why), console)
    }

    fn test(&mut self, status: &ValveStatus, sides: Sides, console: &mut Console<'_>) -> Result<AfterLine, Error> {
        self.test_by(status, sides, None, console)
    }

    fn test_by(
        &mut self,
        status: &ValveStatus,
        sides: Sides,
        answered_for: Option<&str>,
        console: &mut Console<'_>,
    ) -> Result<AfterLine, Error> {
        if let Some(line) = self.taken_off(&status.valve.serial, console)? {
            return Ok(line);
        }
        let Some(_held) = self.claim(&status.valve.serial, console)? else { return Ok(AfterLine::Ask) };
        // Between the look at the list and the claim another may have tested it and be done, or have closed the batch.
        if let Some(at) = self.register.closed_at(&self.batch.batch)? {
            return Err(refused(&self.register, closed_meanwhile(&self.batch.name, &at)));
        }
        let now = status::of_batch(&self.register, &self.batch)?;
        let now = now.iter().find(|now| now.valve.serial == status.valve.serial);
        if !now.is_some_and(|now| now.as_it_was(status)) {
            writeln!(console.err, "{}: {GONE_ON}", status.valve.serial)?;
            return Ok(AfterLine::Ask);
        }
        let fitted = self.fitted(status)?;
        if (answered_for.is_some() || fitted.misfits.is_empty()) && !self.confirmed(&status.valve.serial, console)? {
            return Ok(AfterLine::Ask);
        }
        let (serial, misfit) = (&status.valve.serial, fitted.misfit());
        let fitted = match answered_for {
            None if misfit.is_empty() => fitted.run,
            None => {
                let why = format!(
                    "{serial}: nothing was run, it does not fit: {misfit}. \"override {serial} WHY\" tests it all the same, \
                     and the report says so"
                );
                return Err(refused(&self.register, why));
            }
            Some(reason) => {
                let why = Correction { reason, operator: &self.operator, now: console.date()? };
                let (run, number) = fitted.overridden(&mut self.register, (&self.batch.batch, serial), why)?;
                writeln!(console.err, "{serial}: OVERRIDE (record {number}): {misfit}")?;
                run
            }
        };
        let run = self.request(fitted, status, sides)?;
        let meta = RunMeta { batch: Some(self.batch.batch.clone()), after_rework: status.rework.clone() };
        run_for(&run, &RunContext { meta, brief: true, list: self.listed()? }, console)?;
        self.tell(&status.valve.serial, console)?;
        self.lines.forget(console)?;
        Ok(AfterLine::Ask)
    }

    /// The batch, for the bench screen.
    fn listed(&self) -> Result<Vec<ListedValve>, Error> {
        let statuses = status::of_batch(&self.register, &self.batch)?;
        let one = |status: ValveStatus| ListedValve { stands: status.stand.word(), serial: status.valve.serial };
        Ok(statuses.into_iter().map(one).collect())
    }

    /// The status of a valve after a run.
    fn tell(&self, serial: &str, console: &mut Console<'_>) -> Result<(), Error> {
        let statuses = status::of_batch(&self.register, &self.batch)?;
        let Some(now) = statuses.iter().find(|s| s.valve.serial == serial) else {
            return Ok(());
        };
        let word = now.verdict().map_or("", messages::verdict_word);
        let known = status_line(&self.register, now, &mut RecipeUnitFormats::default())?;
        let word = if word.is_empty() { String::new() } else { format!("{}: ", word.to_uppercase()) };
        let mut text = String::new();
        let width = now.valve.serial.chars().count() + 2;
        wrapped(&mut text, &now.valve.serial, width, &format!("{word}{known}"));
        write!(console.out, "{text}")?;
        Ok(())
    }
}

fn serials(statuses: &[ValveStatus]) -> impl Iterator<Item = &str> {
    statuses.iter().map(|s| s.valve.serial.as_str())
}
