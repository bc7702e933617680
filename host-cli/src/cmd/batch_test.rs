//! `seathold batch test`: valve after valve, by one key or by a scanned serial.
//!
//! A barcode reader is a keyboard that types a serial and Enter, so that is all this listens to: lines.

use std::path::{Path, PathBuf};

use clap::{Args, Parser, ValueEnum};
use seathold_analysis::fleet::sampling::seed_of;
use seathold_analysis::fleet::spec::FleetSpec;
use seathold_config::rig::AdapterChoice;
use seathold_recording::file::safe_name;
use seathold_register::batch::check_digit::CheckDigit;
use seathold_register::batch::status::{self, NextAction, StatusCounts, ValveStatus};
use seathold_register::claim::{Claim, Claimant, Claimed, HeldClaim};
use seathold_register::valves::BatchRecord;
use seathold_register::{Access, NoteKind, Register, RunFilter, RunMeta};
use seathold_sequencer::input::{Side, Sides};
use seathold_sequencer::units::Reference;
use seathold_text::layout::wrapped;
use seathold_text::messages;

use super::batch_common::{BatchArg, not_listed, refused, status_line, work, write_note};
use super::find::{RecipeUnitFormats, RegisterArg, date};
use super::run::run_for;
use super::run_common::{RunContext, built_in_for, is_built_in};
use super::stdin_lines::StdinLines;
use crate::args::{ActuationArg, RunArgs};
use crate::console::Console;
use crate::error::Error;
use crate::exit::Exit;
use crate::rig::Address;

/// In what order sides are taken.
#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
pub enum SideOrder {
    /// Both sides of a valve, then the next valve.
    Valve,
    /// The first side of every valve, then the second side of every valve.
    Side,
}

/// `seathold batch test`.
#[derive(Debug, Args)]
pub struct TestArgs {
    #[command(flatten)]
    pub batch: BatchArg,
    #[command(flatten)]
    pub register: RegisterArg,
    /// valve: both sides of one, then the next; side: the first side of all, then the second side of all
    #[arg(long, value_enum, hide_possible_values = true, default_value = "valve")]
    pub order: SideOrder,
    /// Recipe file, or a built-in one [default: the batch's last, or the built-in one for the kind of valve]
    #[arg(long, value_name = "FILE")]
    pub recipe: Option<PathBuf>,
    /// Who tests
    #[arg(long, value_name = "NAME", value_parser = crate::args::name, default_value = "", hide_default_value = true)]
    pub operator: String,
    /// Folder for the stand-alone recordings [default: recordings/BATCH]
    #[arg(long, value_name = "FOLDER")]
    pub out: Option<PathBuf>,
    /// Do not show runs as they happen
    #[arg(long, short)]
    pub quiet: bool,
    /// Simulated valve of a serial: SERIAL=NAME or SERIAL=FILE; may be given again [default: tight]
    #[arg(long, value_name = "SERIAL=VALVE", help_heading = "The simulated rig")]
    pub valve: Vec<String>,
    /// Sample the simulated valves from this fleet: "hatchery", or a file
    #[arg(long, value_name = "FILE", help_heading = "The simulated rig")]
    pub fleet: Option<PathBuf>,
    /// Seed of all random numbers
    #[arg(long, value_name = "N", default_value_t = 1, help_heading = "The simulated rig")]
    pub seed: u64,
    /// Options of `seathold run`, for every run
    #[arg(last = true, value_name = "RUN OPTIONS")]
    pub more: Vec<String>,
}

/// Commands that may be typed, besides a serial.
const HELP: &str = "  Enter                 the valve shown, with the recipe shown
  SERIAL                that valve (scan it, or type it)
  again SERIAL [SIDE]   that valve once more, although its sides have results
  rework SERIAL TEXT    note what was done to it; then it is tested again
  aside SERIAL TEXT     take it out of the batch
  remark SERIAL TEXT    note anything else
  recipe NAME           another recipe from here on
  order valve|side      both sides of each valve, or one side of all
  list                  what is left to do
  q                     quit; the same command continues later
";

/// A batch session at the bench.
struct BatchSession<'a> {
    args: &'a TestArgs,
    /// What was given after `--`, for every valve.
    more: RunArgs,
    register: Register,
    batch: BatchRecord,
    order: SideOrder,
    recipe: Option<PathBuf>,
    fleet: Option<FleetSpec>,
    folder: PathBuf,
    lines: StdinLines,
    /// Under this name valves are claimed while they are under test.
    claimant: Claimant,
}

/// What follows a line.
enum AfterLine {
    Ask,
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
    let folder = args.out.clone().unwrap_or_else(|| Path::new("recordings").join(safe_name(&batch.name)));
    let recipe = match &args.recipe {
        Some(recipe) => Some(recipe.clone()),
        None => last_recipe(&register, &batch)?,
    };
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
    let more = run_options(&args.more)?;
    let claimant = Claimant::new(&args.operator);
    let order = args.order;
    let mut bench = BatchSession { args, more, register, batch, order, recipe, fleet, folder, lines, claimant };
    // Mistakes in the options are reported before the first valve is on the rig.
    if let Some(status) = status::of_batch(&bench.register, &bench.batch)?.first() {
        bench.request(status, Sides::Both)?;
    }
    bench.pick_up(console)?;
    work(&bench.register, &bench.batch, false, console)?;
    writeln!(console.err, "? and Enter says what may be typed")?;
    loop {
        let statuses = status::of_batch(&bench.register, &bench.batch)?;
        let taken = bench.taken(console)?;
        let next = bench.next(&statuses, &taken);
        bench.prompt(&statuses, &taken, next.as_ref().map(|(s, sides)| (*s, *sides)), console)?;
        let Some(line) = bench.lines.next(console)? else { break };
        // While this one waited, another program may have gone on with the batch: at a second rig, or at a desk.
        if let Some(at) = bench.register.closed_at(&bench.batch.batch)? {
            writeln!(console.err, "batch {} was closed meanwhile, at {}", bench.batch.name, date(&at))?;
            break;
        }
        let shown = next.map(|(status, sides)| (status.valve.serial.clone(), sides));
        let statuses = status::of_batch(&bench.register, &bench.batch)?;
        let taken = bench.taken(console)?;
        let next = bench.next(&statuses, &taken);
        let now = next.map(|(status, sides)| (status.valve.serial.clone(), sides));
        if line.trim().is_empty() && shown != now {
            // What is on the rig is the valve that was shown: the next is not tested under its serial.
            let holds = |claim: &&Claim| shown.as_ref().is_some_and(|(serial, _)| *serial == claim.serial);
            let why = taken.iter().find(holds).map_or_else(|| GONE_ON.to_owned(), held_by);
            writeln!(console.err, "{why}; this is next now:")?;
            continue;
        }
        match bench.obey(line.trim(), &statuses, next, console) {
            Ok(AfterLine::Ask) => {}
            Ok(AfterLine::Leave) => break,
            // A wrong input, or a refusal by the register: report it and continue.
            Err(why) if why.exit() == Exit::BadInput => write!(console.err, "{}", plain(&why))?,
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

/// Where a valve shown as the next is not the next any more.
const GONE_ON: &str = "another program has gone on with this batch";

/// Who has a valve under test, and since when.
fn held_by(claim: &Claim) -> String {
    let who = if claim.operator.is_empty() { "another program" } else { claim.operator.as_str() };
    format!("{} is under test by {who} since {} UTC", claim.serial, date(&claim.since))
}

/// A refusal without the register's path: the person at the bench knows which it is.
fn plain(why: &Error) -> String {
    let said = match why {
        Error::Register(seathold_register::Error::Register { why, .. }) => why.to_string(),
        other => other.to_string(),
    };
    let mut text = String::new();
    for line in said.trim_start_matches("command line: ").lines() {
        wrapped(&mut text, "", 0, line);
    }
    text
}

/// The recipe of the batch's last run, where it was a file that is still there.
fn last_recipe(register: &Register, batch: &BatchRecord) -> Result<Option<PathBuf>, Error> {
    let mut last = None;
    for run in register.runs(RunFilter { batch: Some(batch.batch.clone()), ..RunFilter::default() }) {
        last = Some(run?.recipe_name);
    }
    Ok(last.filter(|name| !is_built_in(name) && Path::new(name).exists()).map(PathBuf::from))
}

impl BatchSession<'_> {
    /// Imports recordings of this batch that did not reach the register (the program was stopped between the two, or
    /// the register could not be written), and resumes runs that continued on a controller.
    fn pick_up(&mut self, console: &mut Console<'_>) -> Result<(), Error> {
        let Ok(entries) = std::fs::read_dir(&self.folder) else { return Ok(()) };
        let mut files: Vec<PathBuf> = entries.filter_map(|e| Some(e.ok()?.path())).collect();
        files.sort();
        let statuses = status::of_batch(&self.register, &self.batch)?;
        for file in files {
            let part = file.extension().is_some_and(|e| e == "part");
            if !part && file.extension().is_none_or(|e| e != seathold_recording::EXTENSION) {
                continue;
            }
            // A file that is no recording, or of no valve of the batch, is ignored.
            let Ok(recording) = seathold_recording::read(&file) else { continue };
            let Some(status) = statuses.iter().find(|s| s.valve.serial == recording.header.serial) else { continue };
            let (batch, began) = (&self.batch.batch, &recording.header.started_at);
            let answers = self.register.rework_before(batch, &status.valve.serial, began)?;
            let meta = RunMeta { batch: Some(batch.clone()), after_rework: answers };
            if part && file.with_extension("link").exists() {
                let (serial, name) = (&status.valve.serial, file.display());
                let Some(_held) = self.claim(serial, console)? else { continue };
                writeln!(console.err, "{serial}: a run on a controller was interrupted ({name}); it is resumed")?;
                let left = self.left(&file)?;
                run_for(&left, &RunContext { meta, brief: true }, console)?;
                self.tell(serial, console)?;
                continue;
            }
            if part {
                if status.sides_due().is_some() {
                    let (serial, name) = (&status.valve.serial, file.display());
                    writeln!(
                        console.err,
                        "{serial}: a run was interrupted ({name}); what it did not finish is still to do"
                    )?;
                }
                continue;
            }
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

    /// The valves of the batch that other programs have under test.
    fn taken(&self, console: &Console<'_>) -> Result<Vec<Claim>, Error> {
        Ok(self.register.claimed_by_others(&self.claimant, &self.batch.batch, console.clock.now())?)
    }

    /// Claims a valve for the time of a run; says who has it where another does.
    fn claim(&mut self, serial: &str, console: &mut Console<'_>) -> Result<Option<HeldClaim>, Error> {
        match self.register.claim(&self.claimant, &self.batch.batch, serial, console.clock.now())? {
            Claimed::Ours(held) => Ok(Some(held)),
            Claimed::Theirs(claim) => {
                writeln!(console.err, "{}", held_by(&claim))?;
                Ok(None)
            }
        }
    }

    /// The valve that is next on the list, and its sides: one that nobody else has under test.
    fn next<'s>(&self, statuses: &'s [ValveStatus], taken: &[Claim]) -> Option<(&'s ValveStatus, Sides)> {
        let free = |s: &&ValveStatus| taken.iter().all(|claim| claim.serial != s.valve.serial);
        let on = |side| statuses.iter().filter(free).find(|s| s.due(side));
        match self.order {
            SideOrder::Valve => statuses.iter().filter(free).find_map(|s| Some((s, s.sides_due()?))),
            SideOrder::Side => {
                on(Side::First).map(|s| (s, Sides::First)).or_else(|| on(Side::Second).map(|s| (s, Sides::Second)))
            }
        }
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
        let text = match next {
            Some((status, sides)) => {
                let recipe = self
                    .recipe
                    .as_ref()
                    .map_or_else(|| built_in_for(&status.valve.actuation).into(), |r| r.display().to_string());
                let again = match status.stand {
                    NextAction::Retest => ", retest",
                    NextAction::TestAgain => ", once more",
                    _ => "",
                };
                let dn = status.valve.dn.map_or_else(String::new, |dn| format!(" DN {dn}"));
                format!("next {}{dn}: {}{again}; recipe {recipe} > ", status.valve.serial, messages::sides(sides))
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

    fn obey(
        &mut self,
        line: &str,
        statuses: &[ValveStatus],
        next: Option<(&ValveStatus, Sides)>,
        console: &mut Console<'_>,
    ) -> Result<AfterLine, Error> {
        let find = |serial: &str| statuses.iter().find(|s| s.valve.serial == serial);
        // A serial wins over a command: what is scanned is always a serial.
        if let Some(status) = find(line) {
            return self.test_if_due(status, console);
        }
        let (word, rest) = line.split_once(' ').map_or((line, ""), |(word, rest)| (word, rest.trim()));
        let (serial, text) = rest.split_once(' ').unwrap_or((rest, ""));
        let note = match word {
            "rework" => Some(NoteKind::Rework),
            "aside" => Some(NoteKind::SetAside),
            "remark" => Some(NoteKind::Remark),
            _ => None,
        };
        if let Some(kind) = note {
            if serial.is_empty() {
                return Err(Error::usage(format!("{word}: which valve? {word} SERIAL TEXT")));
            }
            let operator = &self.args.operator;
            let said = write_note(&mut self.register, &self.batch, serial, kind, text, operator, console)?;
            let mut text = String::new();
            wrapped(&mut text, "", 0, &said);
            write!(console.out, "{text}")?;
            return Ok(AfterLine::Ask);
        }
        match (word, rest) {
            ("", _) => match next {
                Some((status, sides)) => self.test(status, sides, console),
                None => work(&self.register, &self.batch, false, console).map(|_| AfterLine::Ask),
            },
            ("?", "") => {
                write!(console.err, "{HELP}")?;
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
                self.recipe = Some(name.into());
                Ok(AfterLine::Ask)
            }
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
            _ => Err(self.unknown(line, statuses)),
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
        let due = match self.order {
            SideOrder::Valve => status.sides_due(),
            SideOrder::Side if status.due(Side::First) => Some(Sides::First),
            SideOrder::Side => status.due(Side::Second).then_some(Sides::Second),
        };
        if let Some(sides) = due {
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

    fn test(&mut self, status: &ValveStatus, sides: Sides, console: &mut Console<'_>) -> Result<AfterLine, Error> {
        let Some(_held) = self.claim(&status.valve.serial, console)? else { return Ok(AfterLine::Ask) };
        // Between the look at the list and the claim another may have tested it and be done.
        let now = status::of_batch(&self.register, &self.batch)?;
        let now = now.iter().find(|now| now.valve.serial == status.valve.serial);
        if now.is_none_or(|now| (&now.last_run, &now.rework) != (&status.last_run, &status.rework)) {
            writeln!(console.err, "{}: {GONE_ON}", status.valve.serial)?;
            return Ok(AfterLine::Ask);
        }
        let run = self.request(status, sides)?;
        let meta = RunMeta { batch: Some(self.batch.batch.clone()), after_rework: status.rework.clone() };
        run_for(&run, &RunContext { meta, brief: true }, console)?;
        self.tell(&status.valve.serial, console)?;
        self.lines.forget(console)?;
        Ok(AfterLine::Ask)
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

    /// A file for a valve's next recording: numbered, since a simulated run may begin in the second of the one before.
    fn file(&self, serial: &str) -> PathBuf {
        // A serial can come from another bench's register.
        let name = safe_name(serial);
        let taken = |path: &PathBuf| path.exists() || path.with_extension("hold.part").exists();
        let mut names = (1..).map(|n: u32| self.folder.join(format!("{name}_{n}.{}", seathold_recording::EXTENSION)));
        names.find(|path| !taken(path)).unwrap_or_default()
    }

    /// The run for it.
    fn request(&self, status: &ValveStatus, sides: Sides) -> Result<RunArgs, Error> {
        let args = self.args;
        let mut run = self.more.clone();
        run.serial = Some(status.valve.serial.clone());
        run.sides = sides.into();
        run.out = Some(self.file(&status.valve.serial));
        run.register = Some(args.register.register.clone());
        if !args.operator.is_empty() {
            run.operator.clone_from(&args.operator);
        }
        run.recipe = run.recipe.or_else(|| self.recipe.clone());
        run.actuation = match status.valve.actuation.as_str() {
            "air" => Some(ActuationArg::Air),
            "hand" => Some(ActuationArg::Hand),
            _ => run.actuation,
        };
        // A class goes by it, and the rig's adapter.
        run.dn = run.dn.or(status.valve.dn);
        run.quiet |= args.quiet;
        if run.rig == Address::Sim {
            self.simulated(status, &mut run)?;
        }
        Ok(run)
    }

    /// A run that continued on a controller. Its files hold the rest; only who answers has to be given again.
    fn left(&self, part: &Path) -> Result<RunArgs, Error> {
        let mut run = run_options(&[])?;
        run.resume = Some(part.to_owned());
        run.register = Some(self.args.register.register.clone());
        (run.quiet, run.interactive) = (self.args.quiet, self.more.interactive);
        Ok(run)
    }

    /// Which simulated valve this is. One that was reworked is another valve than before, sampled again.
    fn simulated(&self, status: &ValveStatus, run: &mut RunArgs) -> Result<(), Error> {
        let serial = &status.valve.serial;
        let list = self.register.valves_of(&self.batch.batch)?;
        let register = list.iter().position(|v| v.serial == *serial).map_or(0, |p| p as u64 + 1);
        let runs = self.register.count(&RunFilter {
            serial: Some(serial.clone()),
            batch: Some(self.batch.batch.clone()),
            ..RunFilter::default()
        })?;
        run.seed = run.seed.or(Some(seed_of(self.args.seed, register * 10_000 + runs) >> 1));
        let named = self.args.valve.iter().filter_map(|pair| pair.split_once('=')).find(|(s, _)| s == serial);
        if let Some((_, valve)) = named {
            run.valve = Some(valve.into());
        } else if let Some(fleet) = &self.fleet {
            let drawn = fleet.draw(self.args.seed, register + 1_000_000 * status.reworks as u64);
            let valve = seathold_config::valve::SimValve { scenario: drawn.scenario, ..fleet.base.clone() };
            run.valve = Some(fleet.base.name.clone());
            let mut drawn = Vec::new();
            for (name, value) in valve.settings(Reference::ISO_8778.pressure.pascals()) {
                if name != "plant.actuation" || status.valve.actuation.is_empty() {
                    drawn.push(format!("{name}={value}"));
                }
            }
            // What was typed has the last word.
            drawn.append(&mut run.set);
            run.set = drawn;
        }
        Ok(())
    }
}

/// The options of `seathold run` that apply to every valve of the batch.
#[derive(Debug, Parser)]
#[command(name = "seathold run", no_binary_name = true)]
struct RunOptions {
    #[command(flatten)]
    run: RunArgs,
}

/// What is given after `--`. What the batch says of a valve is not given twice.
fn run_options(more: &[String]) -> Result<RunArgs, Error> {
    let given = |option: &str| more.iter().any(|m| m == option || m.starts_with(&format!("{option}=")));
    if let Some(option) = ["--serial", "--sides", "--out", "--register", "--resume"].into_iter().find(|o| given(o)) {
        return Err(Error::usage(format!("after --: {option} is the batch's to give: leave it out")));
    }
    match RunOptions::try_parse_from(more) {
        Ok(options) => Ok(options.run),
        Err(why) => {
            let text = why.render().to_string();
            let first = text.lines().next().unwrap_or_default().trim_start_matches("error: ");
            Err(Error::usage(format!("after --: {first}")))
        }
    }
}

fn serials(statuses: &[ValveStatus]) -> impl Iterator<Item = &str> {
    statuses.iter().map(|s| s.valve.serial.as_str())
}
