//! `seathold label valve`: the result of each valve, or its tag before the test.

use clap::Args;
use seathold_document::CodeError;
use seathold_document::pdf::labels::{Label, Lettering};
use seathold_language::{Catalogue, Language};
use seathold_recording::plain::shown;
use seathold_register::valves::{BatchRecord, ValveRecord};
use seathold_register::{Access, Register, RunFilter};
use seathold_report::label::{end_tags, newest_run, scanned, tag, unsound, valve_label};
use seathold_report::{RunSelection, ValveHistory};

use super::LabelFileArgs;
use crate::cmd::batch_common::{BatchArg, not_listed, refused};
use crate::cmd::find::RegisterArg;
use crate::console::Console;
use crate::error::Error;
use crate::exit::Exit;

/// `seathold label valve`.
#[derive(Debug, Args)]
pub struct ValveLabelArgs {
    /// Only these valves [default: every valve of the batch]
    #[arg(value_name = "SERIAL")]
    pub serials: Vec<String>,
    /// Tags before the test instead: serial and size alone
    #[arg(long)]
    pub tag: bool,
    /// A tag for each end, which `run --end-tags` asks for
    #[arg(long, requires = "tag")]
    pub ends: bool,
    /// Language of the labels: en or de
    #[arg(long, value_name = "LANGUAGE", value_parser = crate::args::language, default_value = "en")]
    pub language: Language,
    #[command(flatten)]
    pub file: LabelFileArgs,
    #[command(flatten)]
    pub batch: BatchArg,
    #[command(flatten)]
    pub register: RegisterArg,
}

/// What is labelled: valves of a batch, or of no one batch where none is open and serials were given.
struct Wanted {
    batch: Option<BatchRecord>,
    valves: Vec<ValveRecord>,
}

pub(super) fn run(args: &ValveLabelArgs, console: &mut Console<'_>) -> Result<Exit, Error> {
    let register = Register::open(&args.register.register, Access::Read)?;
    let wanted = match args.batch.of(&register) {
        Ok(batch) => of_batch(args, &register, batch)?,
        Err(_) if args.batch.batch.is_none() && !args.serials.is_empty() => of_any(args, &register)?,
        Err(why) => return Err(why),
    };
    if args.tag { tags(args, &wanted, console) } else { results(args, &register, &wanted, console) }
}

impl Wanted {
    fn title(&self, what: &str) -> String {
        self.batch
            .as_ref()
            .map_or_else(|| format!("{what} of valves"), |batch| format!("{what} of batch {}", batch.name))
    }

    fn opened_at(&self) -> String {
        self.batch.as_ref().map(|batch| batch.opened_at.clone()).unwrap_or_default()
    }
}

/// Valves of a batch in the order of its list, or as they were named.
fn of_batch(args: &ValveLabelArgs, register: &Register, batch: BatchRecord) -> Result<Wanted, Error> {
    let all = register.valves_of(&batch.batch)?;
    if args.serials.is_empty() {
        return Ok(Wanted { batch: Some(batch), valves: all });
    }
    let mut valves: Vec<ValveRecord> = Vec::new();
    for typed in &args.serials {
        let serial = scanned::listed(typed, |serial| all.iter().any(|valve| valve.serial == serial));
        match all.iter().find(|valve| valve.serial == serial) {
            Some(valve) if valves.iter().any(|known| known.serial == valve.serial) => {}
            Some(valve) => valves.push(valve.clone()),
            None => {
                let list = all.iter().map(|valve| valve.serial.as_str());
                return Err(refused(register, not_listed(serial, &batch, list)));
            }
        }
    }
    Ok(Wanted { batch: Some(batch), valves })
}

/// Valves that the register knows, as they were named.
fn of_any(args: &ValveLabelArgs, register: &Register) -> Result<Wanted, Error> {
    let mut valves: Vec<ValveRecord> = Vec::new();
    for typed in &args.serials {
        let serial = scanned::serial_of(typed);
        match register.valve(serial)? {
            Some(valve) if valves.iter().any(|known| known.serial == valve.serial) => {}
            Some(valve) => valves.push(valve),
            None => {
                let near = register.serials_like(serial)?;
                let hint = if near.is_empty() { String::new() } else { format!("; is it {}?", near.join(" or ")) };
                return Err(refused(register, format!("{serial} is not in this register{hint}")));
            }
        }
    }
    Ok(Wanted { batch: None, valves })
}

/// That a serial of another program's cannot be in a code, with the serial.
fn no_code(serial: &str, why: &CodeError) -> Error {
    Error::usage(shown(&format!("label of {serial}: {why}")))
}

fn tags(args: &ValveLabelArgs, wanted: &Wanted, console: &mut Console<'_>) -> Result<Exit, Error> {
    let mut labels: Vec<Label> = Vec::new();
    let words = Catalogue::new(args.language);
    for valve in &wanted.valves {
        let no_code = |why| no_code(&valve.serial, &why);
        match args.ends {
            true => labels.extend(end_tags(valve, &words).map_err(no_code)?),
            false => labels.push(tag(valve, &words).map_err(no_code)?),
        }
    }
    args.file.write(&wanted.title("Tags"), &wanted.opened_at(), &labels, console)?;
    Ok(Exit::Good)
}

fn results(
    args: &ValveLabelArgs,
    register: &Register,
    wanted: &Wanted,
    console: &mut Console<'_>,
) -> Result<Exit, Error> {
    let zone = console.clock.zone();
    let words = Catalogue::new(args.language);
    let (mut labels, mut newest, mut exit) = (Vec::new(), wanted.opened_at(), Exit::Good);
    let mut filter =
        RunFilter { batch: wanted.batch.as_ref().map(|batch| batch.batch.clone()), ..RunFilter::default() };
    // All of a batch are read at once, and of a few valves each by itself.
    let serials: Vec<Option<&String>> = match args.serials.is_empty() {
        true => vec![None],
        false => wanted.valves.iter().map(|valve| Some(&valve.serial)).collect(),
    };
    let mut selections = Vec::new();
    for serial in serials {
        filter.serial = serial.cloned();
        selections.push(RunSelection::read(register, &filter)?);
    }
    let histories: Vec<ValveHistory<'_>> = selections.iter().flat_map(RunSelection::valves).collect();
    for valve in &wanted.valves {
        // One without runs in no batch has no history.
        let none = ValveHistory { serial: &valve.serial, runs: Vec::new(), history: None };
        let history = histories.iter().find(|history| history.serial == valve.serial).unwrap_or(&none);
        labels.push(valve_label(history, &zone, &words).map_err(|why| no_code(&valve.serial, &why))?);
        newest = newest.max(newest_run(history).unwrap_or_default());
        for what in unsound(history) {
            exit = Exit::Storage;
            writeln!(console.err, "{}: {}. Its label says NO VERDICT.", shown(&valve.serial), shown(&what))?;
        }
    }
    args.file.write(&wanted.title("Labels"), &newest, &labels, console)?;
    writeln!(console.out, "{}", tally(&labels))?;
    Ok(exit)
}

/// How many say what: "33 TIGHT, 6 LEAKING", in the order in which they come.
fn tally(labels: &[Label]) -> String {
    let mut counts: Vec<(&str, usize)> = Vec::new();
    let results = labels.iter().flat_map(|label| &label.lines).filter(|line| line.lettering == Lettering::Result);
    for line in results {
        match counts.iter_mut().find(|(word, _)| *word == line.text) {
            Some((_, count)) => *count += 1,
            None => counts.push((&line.text, 1)),
        }
    }
    counts.iter().map(|(word, count)| format!("{count} {word}")).collect::<Vec<_>>().join(", ")
}
