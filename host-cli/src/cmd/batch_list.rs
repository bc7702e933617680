//! `seathold batch open` and `batch add`: valves onto the list of a batch.

use std::collections::HashSet;
use std::path::{Path, PathBuf};

use clap::{ArgGroup, Args};
use seathold_recording::file::{TABLE_MAX, check_length, read_at_most};
use seathold_recording::plain::shown;
use seathold_register::batch::check_digit::CheckDigit;
use seathold_register::batch::columns::{self, GivenUse};
use seathold_register::batch::list::{self, ListDefaults, ValveList};
use seathold_register::batch::sealed_list::BatchRule;
use seathold_register::batch::similar_serials::look;
use seathold_register::customer::order_notes::ListedOrder;
use seathold_register::valves::{BatchDetails, ValveRecord};
use seathold_register::{Access, Register, RunFilter};
use seathold_text::messages;

use super::batch_common::{WhyArgs, refused};
use super::batch_limits::{self, LimitArgs};
use super::batch_order::OrderDetailArgs;
use super::find::RegisterArg;
use crate::args::ActuationArg;
use crate::console::Console;
use crate::error::Error;
use crate::exit::Exit;

/// `seathold batch open`.
#[derive(Debug, Args)]
pub struct OpenArgs {
    /// What the batch is called
    #[arg(value_parser = crate::args::name)]
    pub name: String,
    #[command(flatten)]
    pub valves: ListArgs,
    #[command(flatten)]
    pub order: OrderDetailArgs,
    /// The serials end in a check digit: luhn (digits) or mod-37-36 (ISO 7064, letters and digits)
    #[arg(long, value_parser = check_digit, value_name = "KIND")]
    pub check_digit: Option<CheckDigit>,
    /// Who opens it
    #[arg(long, value_name = "NAME", value_parser = crate::args::name, default_value = "", hide_default_value = true)]
    pub operator: String,
    #[command(flatten)]
    pub register: RegisterArg,
}

/// `seathold batch add`.
#[derive(Debug, Args)]
pub struct AddArgs {
    #[command(flatten)]
    pub valves: ListArgs,
    #[command(flatten)]
    pub why: WhyArgs,
}

/// Valves as they come: a list or patterns, and what they must meet.
#[derive(Debug, Args)]
#[command(group(ArgGroup::new("which_valves").required(true)))]
pub struct ListArgs {
    /// List of valves: a CSV file with a column of serials and optionally of actuation, sizes, limits, recipes, notes, customer, order, material, heat and so on
    #[arg(long, value_name = "FILE", group = "which_valves")]
    pub list: Option<PathBuf>,
    /// What a column of the list is for, where its name does not say it: NAME=serial, actuation, dn, nps, notes, limit, recipe, customer, order, "order line", drawing, material, heat, procedure, "customer remark", remark (kept) or ignore; may be given again
    #[arg(long, value_name = "NAME=USE", value_parser = columns::given, requires = "list")]
    pub column: Vec<GivenUse>,
    /// Serials by pattern, like HM-001..HM-040; several separated by commas
    #[arg(long, value_name = "PATTERN", group = "which_valves")]
    pub serials: Option<String>,
    /// Actuation where the list does not give it: air or hand
    #[arg(long, value_enum, ignore_case = true, hide_possible_values = true)]
    pub actuation: Option<ActuationArg>,
    /// Nominal size where the list does not give it
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u32).range(6..=4000))]
    pub dn: Option<u32>,
    #[command(flatten)]
    pub limits: LimitArgs,
    /// Accept the list although serials look similar, like HM-001 and HM-O01
    #[arg(long)]
    pub allow_similar: bool,
}

/// `--check-digit`.
fn check_digit(text: &str) -> Result<CheckDigit, String> {
    CheckDigit::of(text).ok_or_else(|| "give luhn or mod-37-36".into())
}

/// Lines of a list that are read: more than the valves a batch may have, so that what is wrong is said of the valves.
const LINES_MAX: usize = 12_000;

/// Refuses a list that is far longer than any before it is taken apart.
fn check_list(file: &Path) -> Result<(), Error> {
    check_length(file, TABLE_MAX)?;
    // A pipe can be read once only.
    if !file.is_file() {
        return Ok(());
    }
    let lines = read_at_most(file, TABLE_MAX)?.iter().filter(|byte| matches!(byte, b'\n' | b'\r')).count();
    if lines > LINES_MAX {
        let message = format!("{}: {lines} lines, and {LINES_MAX} are allowed: divide the list", file.display());
        return Err(Error::usage(message));
    }
    Ok(())
}

/// What is wrong with the list itself, and with what its valves must meet: named at once, so that it is asked for once.
fn all_at_once(checked: Result<(), seathold_register::Error>, resolved: Result<(), Error>) -> Result<(), Error> {
    match (checked, resolved) {
        (Err(seathold_register::Error::Input(mut list)), Err(Error::Input(rest))) => {
            list.problems.extend(rest.problems);
            Err(Error::Input(list))
        }
        (checked, resolved) => checked.map_err(Error::from).and(resolved),
    }
}

/// The valves asked for, with what they must meet; all that is wrong with them at once.
fn read(args: &ListArgs, check_digit: Option<CheckDigit>, rule: &BatchRule) -> Result<ValveList, Error> {
    let kind = args.actuation.map_or("", ActuationArg::word);
    let shared = ListDefaults { actuation: kind.into(), dn: args.dn, columns: args.column.clone() };
    let (mut list, origin) = match (&args.list, &args.serials) {
        (Some(file), _) => {
            check_list(file)?;
            (list::read(file, &shared)?, file.display().to_string())
        }
        (None, serials) => {
            (list::patterns(serials.as_deref().unwrap_or_default(), &shared)?, "command line: --serials".into())
        }
    };
    let checked = list.check(&origin, check_digit, args.allow_similar);
    // What is wrong in a cell is told once: of that valve nothing else says what it must meet.
    let unread = std::mem::take(&mut list.unread_limits);
    list.valves.retain(|valve| !unread.contains(&valve.serial));
    let resolved = batch_limits::resolve(&origin, &batch_limits::or_rule(&args.limits, rule), &mut list.valves);
    all_at_once(checked, resolved)?;
    Ok(list)
}

/// A valve on two open batches would have two statuses.
fn check_open_batches(register: &Register, valves: &[ValveRecord], but: Option<&str>) -> Result<(), Error> {
    for other in register.batches()?.into_iter().filter(|b| b.closed_at.is_none() && Some(b.batch.as_str()) != but) {
        let there: HashSet<String> = register.valves_of(&other.batch)?.into_iter().map(|valve| valve.serial).collect();
        if let Some(twice) = valves.iter().find(|valve| there.contains(&valve.serial)) {
            let why = format!("{} is on the list of batch {}, which is still open", twice.serial, other.name);
            return Err(refused(register, why));
        }
    }
    Ok(())
}

/// What became of the columns, what the valves must meet, and how many are known.
fn tell(register: &Register, list: &ValveList, console: &mut Console<'_>) -> Result<(), Error> {
    if !list.columns.plain() {
        writeln!(console.out, "  columns: {}", shown(&list.columns.to_string()))?;
    }
    for words in batch_limits::overview(&list.valves)? {
        writeln!(console.out, "  {words}")?;
    }
    let mut known = 0;
    for valve in &list.valves {
        let filter = RunFilter { serial: Some(valve.serial.clone()), ..RunFilter::default() };
        known += u64::from(register.count(&filter)? > 0);
    }
    if known > 0 {
        writeln!(
            console.out,
            "{known} of them have been tested before (`seathold find --serial …`); that does not count here"
        )?;
    }
    Ok(())
}

/// `seathold batch open`.
pub(super) fn open(args: &OpenArgs, console: &mut Console<'_>) -> Result<Exit, Error> {
    // Before a register is made: identifiers in it are made of it.
    let now = console.date()?;
    let list = read(&args.valves, args.check_digit, &BatchRule::default())?;
    if args.name.trim().is_empty() || args.name.chars().any(char::is_control) || args.name.contains(['/', '\\']) {
        return Err(Error::usage("give the batch a name without slashes, like \"spring-2026\""));
    }
    let mut register = Register::open(&args.register.register, Access::Make)?;
    check_open_batches(&register, &list.valves, None)?;
    let check_digit = args.check_digit.map_or("", CheckDigit::word);
    let order = ListedOrder::of_new_batch(args.order.details(), list.orders.clone(), list.valves.len());
    let first = BatchDetails { rule: batch_limits::rule_of(&args.valves.limits), order };
    let batch = register.open_batch_by(&args.name, &list.valves, check_digit, &first, &args.operator, now)?;
    writeln!(console.out, "batch {} is open: {}", batch.name, messages::counted(batch.valves, "valve"))?;
    tell(&register, &list, console)?;
    Ok(Exit::Good)
}

/// `seathold batch add`.
pub(super) fn add(args: &AddArgs, console: &mut Console<'_>) -> Result<Exit, Error> {
    let (mut register, batch) = args.why.open()?;
    let list = read(&args.valves, CheckDigit::of(&batch.check_digit), &register.batch_rule(&batch.batch)?)?;
    check_open_batches(&register, &list.valves, Some(&batch.batch))?;
    let listed = register.valves_of(&batch.batch)?;
    let looks: HashSet<String> = listed.iter().map(|known| look(&known.serial)).collect();
    let serials: HashSet<&str> = listed.iter().map(|known| known.serial.as_str()).collect();
    let similar = |valve: &&ValveRecord| looks.contains(&look(&valve.serial));
    let twice = |valve: &ValveRecord| serials.contains(valve.serial.as_str());
    if !args.valves.allow_similar
        && let Some(valve) = list.valves.iter().filter(|valve| !twice(valve)).find(similar)
    {
        let why = format!(
            "{} looks like one that is on the list of batch {}: correct it, or give --allow-similar if both are right",
            valve.serial, batch.name
        );
        return Err(refused(&register, why));
    }
    let order = ListedOrder { of_valves: list.orders.clone(), ..ListedOrder::default() };
    let number = register.add_valves(&batch.batch, &list.valves, &order, args.why.correction(console)?)?;
    let added = messages::counted(list.valves.len() as u64, "valve");
    writeln!(console.out, "batch {}: {added} added (record {number})", batch.name)?;
    tell(&register, &list, console)?;
    Ok(Exit::Good)
}
