//! `seathold batch test`: valve after valve, by one key or by a scanned serial.
//!
//! A barcode reader is a keyboard that types a serial and Enter, so that is all this listens to: lines.

use std::path::{Path, PathBuf};

use clap::{Args, Parser, ValueEnum};
use seathold_sequencer::input::{Side, Sides};
use seathold_sequencer::units::Reference;

use super::batch::{Which, not_listed, refused, told, work, write_note};
use super::batch_lines::Lines;
use super::find::{In, Speakers, date};
use super::run::{How, built_in_for, is_built_in, run_for};
use crate::batch::digits::Digits;
use crate::batch::standing::{self, Stand, Standing, Tally};
use crate::cli::{Cli, Command, Run};
use crate::console::Console;
use crate::error::Error;
use crate::exit::Exit;
use crate::fleet::draw::seed_of;
use crate::fleet::spec::Fleet;
use crate::register::extract::asked;
use crate::register::valves::Batch;
use crate::register::{Access, Filter, Meta, NoteKind, Register};
use crate::summary::wrapped;
use crate::words;

/// In what order sides are taken.
#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
pub enum Order {
    /// Both sides of a valve, then the next valve.
    Valve,
    /// The first side of every valve, then the second side of every valve.
    Side,
}

/// `seathold batch test`.
#[derive(Debug, Args)]
pub struct Test {
    #[command(flatten)]
    pub which: Which,
    #[command(flatten)]
    pub place: In,
    /// valve: both sides of one, then the next; side: the first side of all, then the second side of all
    #[arg(long, value_enum, hide_possible_values = true, default_value = "valve")]
    pub order: Order,
    /// Recipe file, or a built-in one [default: the batch's last, or the built-in one for the kind of valve]
    #[arg(long, value_name = "FILE")]
    pub recipe: Option<PathBuf>,
    /// Who tests
    #[arg(long, value_name = "NAME", default_value = "", hide_default_value = true)]
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
    /// Draw the simulated valves from this fleet: "hatchery", or a file
    #[arg(long, value_name = "FILE", help_heading = "The simulated rig")]
    pub fleet: Option<PathBuf>,
    /// Seed of all chance
    #[arg(long, value_name = "N", default_value_t = 1, help_heading = "The simulated rig")]
    pub seed: u64,
    /// Any options of `seathold run`, for every run
    #[arg(last = true, value_name = "RUN OPTIONS")]
    pub more: Vec<String>,
}

/// What may be typed, besides a serial.
const HELP: &str = "  Enter                 the valve shown, with the recipe shown
  SERIAL                that valve (scan it, or type it)
  again SERIAL [SIDE]   that valve once more, although its sides have results
  rework SERIAL TEXT    note what was done to it; then it is tested again
  aside SERIAL TEXT     take it out of the batch
  remark SERIAL TEXT    note anything else
  recipe NAME           another recipe from here on
  order valve|side      both sides of each valve, or one side of all
  list                  what is left to do
  q                     leave; the same command goes on later
";

/// A session at the bench.
struct Bench<'a> {
    typed: &'a Test,
    register: Register,
    batch: Batch,
    order: Order,
    recipe: Option<PathBuf>,
    fleet: Option<Fleet>,
    folder: PathBuf,
    lines: Lines,
}

/// What goes on after a line.
enum Next {
    Ask,
    Leave,
}

/// `seathold batch test`.
pub(super) fn run(typed: &Test, console: &mut Console<'_>) -> Result<Exit, Error> {
    let register = Register::open(&typed.place.register, Access::Write)?;
    let batch = typed.which.open(&register)?;
    let fleet = match &typed.fleet {
        Some(name) => {
            let file = (name.as_os_str() != "hatchery").then_some(name.as_path());
            Some(Fleet::load(file, std::iter::empty(), Reference::ISO_8778.pressure.pascals())?)
        }
        None => None,
    };
    let folder = typed.out.clone().unwrap_or_else(|| Path::new("recordings").join(&batch.name));
    let recipe = match &typed.recipe {
        Some(recipe) => Some(recipe.clone()),
        None => last_recipe(&register, &batch)?,
    };
    for pair in &typed.valve {
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
    let lines = Lines::default();
    let mut bench = Bench { typed, register, batch, order: typed.order, recipe, fleet, folder, lines };
    // What is wrong with the options is told before the first valve is on the rig.
    if let Some(standing) = standing::of_batch(&bench.register, &bench.batch)?.first() {
        bench.parsed(standing, Sides::Both)?;
    }
    bench.pick_up(console)?;
    work(&bench.register, &bench.batch, false, console)?;
    writeln!(console.err, "? and Enter says what may be typed")?;
    loop {
        let standings = standing::of_batch(&bench.register, &bench.batch)?;
        let next = bench.next(&standings);
        bench.prompt(&standings, next.as_ref().map(|(s, sides)| (*s, *sides)), console)?;
        let Some(line) = bench.lines.next(console)? else { break };
        // While this one waited, another program may have gone on with the batch: at a second rig, or at a desk.
        if let Some(at) = bench.register.closed_at(&bench.batch.batch)? {
            writeln!(console.err, "batch {} was closed meanwhile, at {}", bench.batch.name, date(&at))?;
            break;
        }
        let shown = next.map(|(standing, sides)| (standing.valve.serial.clone(), sides));
        let standings = standing::of_batch(&bench.register, &bench.batch)?;
        let next = bench.next(&standings);
        let now = next.map(|(standing, sides)| (standing.valve.serial.clone(), sides));
        if line.trim().is_empty() && shown != now {
            writeln!(console.err, "another program has gone on with this batch; this is next now:")?;
            continue;
        }
        match bench.obey(line.trim(), &standings, next, console) {
            Ok(Next::Ask) => {}
            Ok(Next::Leave) => break,
            // What was typed was wrong, or the register refuses it: say so and go on.
            Err(why @ (Error::Input { .. } | Error::Register { why: crate::register::Trouble::Refused(_), .. })) => {
                write!(console.err, "{}", plain(&why))?;
            }
            Err(why) => return Err(why),
        }
        if console.interrupted() > 0 {
            writeln!(console.err, "stopped; `seathold batch test` goes on where this ended")?;
            break;
        }
    }
    let tally = Tally::of(&standing::of_batch(&bench.register, &bench.batch)?);
    writeln!(console.out, "batch {}: {tally}", bench.batch.name)?;
    Ok(Exit::Good)
}

/// A refusal without the register's path: the person at the bench knows which it is.
fn plain(why: &Error) -> String {
    let said = match why {
        Error::Register { why, .. } => why.to_string(),
        other => other.to_string(),
    };
    let mut text = String::new();
    for line in said.trim_start_matches("command line: ").lines() {
        wrapped(&mut text, "", 0, line);
    }
    text
}

/// The recipe of the batch's last run, where it was a file that is still there.
fn last_recipe(register: &Register, batch: &Batch) -> Result<Option<PathBuf>, Error> {
    let mut last = None;
    for run in register.runs(Filter { batch: Some(batch.batch.clone()), ..Filter::default() }) {
        last = Some(run?.recipe_name);
    }
    Ok(last.filter(|name| !is_built_in(name) && Path::new(name).exists()).map(PathBuf::from))
}

impl Bench<'_> {
    /// Takes in recordings of this batch that did not reach the register (the program was stopped between the two, or
    /// the register could not be written), and takes up runs that went on without it on a controller.
    fn pick_up(&mut self, console: &mut Console<'_>) -> Result<(), Error> {
        let Ok(entries) = std::fs::read_dir(&self.folder) else { return Ok(()) };
        let mut files: Vec<PathBuf> = entries.filter_map(|e| Some(e.ok()?.path())).collect();
        files.sort();
        let standings = standing::of_batch(&self.register, &self.batch)?;
        for file in files {
            let part = file.extension().is_some_and(|e| e == "part");
            if !part && file.extension().is_none_or(|e| e != crate::recording::EXTENSION) {
                continue;
            }
            // What is no recording, or of no valve of the batch, is somebody else's.
            let Ok(recording) = crate::recording::read(&file) else { continue };
            let Some(standing) = standings.iter().find(|s| s.valve.serial == recording.header.serial) else { continue };
            let (batch, began) = (&self.batch.batch, &recording.header.started_at);
            let answers = self.register.rework_before(batch, &standing.valve.serial, began)?;
            let meta = Meta { batch: Some(batch.clone()), answers };
            if part && file.with_extension("link").exists() {
                let (serial, name) = (&standing.valve.serial, file.display());
                writeln!(console.err, "{serial}: a run on a controller was left ({name}); it is taken up again")?;
                let left = self.left(&file)?;
                run_for(&left, &How { meta, brief: true }, console)?;
                self.tell(serial, console)?;
                continue;
            }
            if part {
                if standing.sides_due().is_some() {
                    let (serial, name) = (&standing.valve.serial, file.display());
                    writeln!(
                        console.err,
                        "{serial}: a run was interrupted ({name}); what it did not finish is still to do"
                    )?;
                }
                continue;
            }
            let taken = self.register.import(&file, &meta, console.clock.now())?;
            if taken.new {
                writeln!(
                    console.err,
                    "{}: was not in the register yet; taken in as run {}",
                    file.display(),
                    taken.number
                )?;
            }
        }
        Ok(())
    }

    /// The valve that is next by itself, and its sides.
    fn next<'s>(&self, standings: &'s [Standing]) -> Option<(&'s Standing, Sides)> {
        let on = |side| standings.iter().find(|s| s.due(side));
        match self.order {
            Order::Valve => standings.iter().find_map(|s| Some((s, s.sides_due()?))),
            Order::Side => {
                on(Side::First).map(|s| (s, Sides::First)).or_else(|| on(Side::Second).map(|s| (s, Sides::Second)))
            }
        }
    }

    fn prompt(
        &self,
        standings: &[Standing],
        next: Option<(&Standing, Sides)>,
        console: &mut Console<'_>,
    ) -> Result<(), Error> {
        let text = match next {
            Some((standing, sides)) => {
                let recipe = self
                    .recipe
                    .as_ref()
                    .map_or_else(|| built_in_for(&standing.valve.kind).into(), |r| r.display().to_string());
                let again = match standing.stand {
                    Stand::Retest => ", retest",
                    Stand::TestAgain => ", once more",
                    _ => "",
                };
                let dn = standing.valve.dn.map_or_else(String::new, |dn| format!(" DN {dn}"));
                format!("next {}{dn}: {}{again}; recipe {recipe} > ", standing.valve.serial, words::sides(sides))
            }
            None => match standings.iter().filter(|s| s.stand == Stand::Rework).count() {
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
        standings: &[Standing],
        next: Option<(&Standing, Sides)>,
        console: &mut Console<'_>,
    ) -> Result<Next, Error> {
        let find = |serial: &str| standings.iter().find(|s| s.valve.serial == serial);
        // A serial wins over a command: what is scanned is always a serial.
        if let Some(standing) = find(line) {
            return self.test_if_due(standing, console);
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
            let operator = &self.typed.operator;
            let said = write_note(&mut self.register, &self.batch, serial, kind, text, operator, console)?;
            let mut text = String::new();
            wrapped(&mut text, "", 0, &said);
            write!(console.out, "{text}")?;
            return Ok(Next::Ask);
        }
        match (word, rest) {
            ("", _) => match next {
                Some((standing, sides)) => self.test(standing, sides, console),
                None => work(&self.register, &self.batch, false, console).map(|_| Next::Ask),
            },
            ("?", "") => {
                write!(console.err, "{HELP}")?;
                Ok(Next::Ask)
            }
            ("q" | "quit", "") => Ok(Next::Leave),
            ("list", "") => work(&self.register, &self.batch, false, console).map(|_| Next::Ask),
            ("order", "valve") => self.reorder(Order::Valve),
            ("order", "side") => self.reorder(Order::Side),
            ("order", _) => Err(Error::usage("order: give valve or side")),
            ("recipe", "") => Err(Error::usage("recipe: give a file, or a built-in one like dn25-air")),
            ("recipe", name) => {
                // A slip of the finger does not end the session.
                self.check_recipe(Path::new(name)).map_err(|why| Error::usage(why.to_string()))?;
                self.recipe = Some(name.into());
                Ok(Next::Ask)
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
                    Some(standing) => self.test(standing, sides, console),
                    None => Err(self.unknown(serial, standings)),
                }
            }
            _ => Err(self.unknown(line, standings)),
        }
    }

    fn reorder(&mut self, order: Order) -> Result<Next, Error> {
        self.order = order;
        Ok(Next::Ask)
    }

    fn check_recipe(&self, name: &Path) -> Result<(), Error> {
        let rig = super::files::load_rig(None)?;
        super::run::find_recipe(Some(name), &rig, None).map(|_| ())
    }

    /// Nothing on the list, and no command.
    fn unknown(&self, line: &str, standings: &[Standing]) -> Error {
        if let Some(digits) = Digits::of(&self.batch.digits).filter(|d| !d.fits(line)) {
            let why = format!("{line} does not fit its check digit ({}): misread? ", digits.word());
            return refused(&self.register, why + &not_listed(line, &self.batch, serials(standings)));
        }
        refused(
            &self.register,
            format!("{} (? says what may be typed)", not_listed(line, &self.batch, serials(standings))),
        )
    }

    /// Tests what is due of a valve, and nothing twice.
    fn test_if_due(&mut self, standing: &Standing, console: &mut Console<'_>) -> Result<Next, Error> {
        let due = match self.order {
            Order::Valve => standing.sides_due(),
            Order::Side if standing.due(Side::First) => Some(Sides::First),
            Order::Side => standing.due(Side::Second).then_some(Sides::Second),
        };
        if let Some(sides) = due {
            return self.test(standing, sides, console);
        }
        let serial = &standing.valve.serial;
        let known = told(&self.register, standing, &mut Speakers::default())?;
        let next = match standing.stand {
            Stand::Rework => format!("rework it first (\"rework {serial} WHAT\"), or \"again {serial}\""),
            Stand::SetAside => format!("it was set aside; \"rework {serial} WHAT\" takes it back"),
            _ => format!("it is done; \"again {serial}\" tests it once more"),
        };
        Err(refused(&self.register, format!("{serial}: {known}: {next}")))
    }

    fn test(&mut self, standing: &Standing, sides: Sides, console: &mut Console<'_>) -> Result<Next, Error> {
        let run = self.parsed(standing, sides)?;
        let meta = Meta { batch: Some(self.batch.batch.clone()), answers: standing.rework.clone() };
        run_for(&run, &How { meta, brief: true }, console)?;
        self.tell(&standing.valve.serial, console)?;
        self.lines.forget(console)?;
        Ok(Next::Ask)
    }

    /// Where a valve stands after a run.
    fn tell(&self, serial: &str, console: &mut Console<'_>) -> Result<(), Error> {
        let standings = standing::of_batch(&self.register, &self.batch)?;
        let Some(now) = standings.iter().find(|s| s.valve.serial == serial) else {
            return Ok(());
        };
        let word = now.verdict().map_or("", words::verdict_word);
        let known = told(&self.register, now, &mut Speakers::default())?;
        let word = if word.is_empty() { String::new() } else { format!("{}: ", word.to_uppercase()) };
        let mut text = String::new();
        let width = now.valve.serial.chars().count() + 2;
        wrapped(&mut text, &now.valve.serial, width, &format!("{word}{known}"));
        write!(console.out, "{text}")?;
        Ok(())
    }

    /// A file for a valve's next recording: numbered, since a simulated run may begin in the second of the one before.
    fn file(&self, serial: &str) -> PathBuf {
        let taken = |path: &PathBuf| path.exists() || path.with_extension("hold.part").exists();
        let mut names = (1..).map(|n: u32| self.folder.join(format!("{serial}_{n}.{}", crate::recording::EXTENSION)));
        names.find(|path| !taken(path)).unwrap_or_default()
    }

    /// The run, as `seathold run` understands it.
    fn parsed(&self, standing: &Standing, sides: Sides) -> Result<Box<Run>, Error> {
        understood(self.arguments(standing, sides)?)
    }

    /// A run that a controller went on with. What it was is in its files; only who answers is to be said again.
    fn left(&self, part: &Path) -> Result<Box<Run>, Error> {
        let register = self.typed.place.register.display().to_string();
        let part = part.display().to_string();
        let mut list: Vec<String> =
            ["seathold", "run", "--resume", &part, "--register", &register].map(String::from).into();
        list.extend(self.typed.quiet.then(|| "--quiet".into()));
        list.extend(self.typed.more.iter().filter(|option| *option == "--ask").cloned());
        understood(list)
    }

    /// The run as it would be typed.
    fn arguments(&self, standing: &Standing, sides: Sides) -> Result<Vec<String>, Error> {
        let typed = self.typed;
        let path = |path: &Path| path.display().to_string();
        let mut list: Vec<String> = ["seathold", "run"].map(String::from).into();
        let mut add = |option: &str, value: String| list.extend([option.to_owned(), value]);
        add("--serial", standing.valve.serial.clone());
        add("--sides", asked(sides).into());
        add("--out", path(&self.file(&standing.valve.serial)));
        add("--register", path(&typed.place.register));
        if !typed.operator.is_empty() {
            add("--operator", typed.operator.clone());
        }
        if let Some(recipe) = &self.recipe {
            add("--recipe", path(recipe));
        }
        if !standing.valve.kind.is_empty() {
            add("--kind", standing.valve.kind.clone());
        }
        let given = |option: &str| typed.more.iter().any(|m| m == option || m.starts_with(&format!("{option}=")));
        if let Some(dn) = standing.valve.dn.filter(|_| given("--limit") && !given("--dn")) {
            add("--dn", dn.to_string());
        }
        if !given("--rig") {
            self.simulated(standing, &given, &mut add)?;
        }
        if typed.quiet {
            list.push("--quiet".into());
        }
        list.extend(typed.more.iter().cloned());
        Ok(list)
    }

    /// Which simulated valve this is. One that was reworked is another valve than before, drawn anew.
    fn simulated(
        &self,
        standing: &Standing,
        given: &impl Fn(&str) -> bool,
        add: &mut impl FnMut(&str, String),
    ) -> Result<(), Error> {
        let serial = &standing.valve.serial;
        let list = self.register.valves_of(&self.batch.batch)?;
        let place = list.iter().position(|v| v.serial == *serial).map_or(0, |p| p as u64 + 1);
        let runs = self.register.count(&Filter {
            serial: Some(serial.clone()),
            batch: Some(self.batch.batch.clone()),
            ..Filter::default()
        })?;
        if !given("--seed") {
            add("--seed", (seed_of(self.typed.seed, place * 10_000 + runs) >> 1).to_string());
        }
        let named = self.typed.valve.iter().filter_map(|pair| pair.split_once('=')).find(|(s, _)| s == serial);
        if let Some((_, valve)) = named {
            add("--valve", valve.into());
        } else if let Some(fleet) = &self.fleet {
            let drawn = fleet.draw(self.typed.seed, place + 1_000_000 * standing.reworks as u64);
            let valve = crate::files::valve::Valve { scenario: drawn.scenario, ..fleet.base.clone() };
            add("--valve", fleet.base.name.clone());
            for (name, value) in valve.settings(Reference::ISO_8778.pressure.pascals()) {
                if name != "plant.actuation" || standing.valve.kind.is_empty() {
                    add("--set", format!("{name}={value}"));
                }
            }
        }
        Ok(())
    }
}

fn understood(arguments: Vec<String>) -> Result<Box<Run>, Error> {
    match Cli::try_parse_from(arguments).map(|cli| cli.command) {
        Ok(Some(Command::Run(run))) => Ok(run),
        Ok(_) => Err(Error::usage("after -- only options of `seathold run` may stand")),
        Err(why) => {
            let text = why.render().to_string();
            let first = text.lines().next().unwrap_or_default().trim_start_matches("error: ");
            Err(Error::usage(format!("after --: {first}")))
        }
    }
}

fn serials(standings: &[Standing]) -> impl Iterator<Item = &str> {
    standings.iter().map(|s| s.valve.serial.as_str())
}
