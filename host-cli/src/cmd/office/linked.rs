//! The commands of the office, where this program has it.

use std::path::Path;
use std::sync::atomic::Ordering;

use seathold_office::pull::{ShorterChain, WaitingChain};
use seathold_office::verify::OfficeVerification;
use seathold_office::{Office, OfficeAddress, schema};
use seathold_register::merge::MergeCounts;
use seathold_register::{Access, DEFAULT_NAME, Register};
use seathold_text::messages::counted;

use super::super::heads::tell_heads;
use super::super::progress::Counter;
use crate::console::Console;
use crate::error::Error;
use crate::exit::Exit;
use crate::redact::TypedAddress;

impl From<seathold_office::Error> for Error {
    fn from(why: seathold_office::Error) -> Self {
        match why {
            seathold_office::Error::Address(why) => Self::usage(why),
            seathold_office::Error::Register(why) => Self::Register(why),
            other => Self::Office(other.to_string()),
        }
    }
}

/// Opens a connection to an address as it was typed.
fn connect(address: &TypedAddress, console: &Console<'_>) -> Result<Office, Error> {
    let variable = |name: &str| console.environment.said(name).map(str::to_owned);
    Ok(Office::connect(&OfficeAddress::new(&address.0, &variable)?)?)
}

/// What an office has of one valve, through the gate, in a register that lasts as long as its folder.
pub(in crate::cmd) fn valve(
    address: &TypedAddress,
    serial: &str,
    console: &Console<'_>,
) -> Result<(Register, tempfile::TempDir), Error> {
    let mut office = connect(address, console)?;
    let folder = tempfile::tempdir().map_err(|why| Error::file("make", &std::env::temp_dir(), why))?;
    Ok((office.valve_register(serial, folder.path(), console.date()?)?, folder))
}

pub(in crate::cmd) fn push(address: &TypedAddress, path: &Path, console: &mut Console<'_>) -> Result<Exit, Error> {
    // A register that is not there is said before anybody waits for a line.
    let register = Register::open(path, Access::Read)?;
    let mut office = connect(address, console)?;
    let interrupts = console.interrupts;
    let counter = Counter::new("records sent", console.live);
    let counts = office.push(&register, |sent| {
        counter.step(sent);
        interrupts.load(Ordering::Relaxed) == 0
    })?;
    counter.end();
    let lost =
        if counts.lost > 0 { format!("; {} of them had been there and were lost", counts.lost) } else { String::new() };
    writeln!(
        console.out,
        "{office}: {} and {} sent, {} already there{lost}",
        counted(counts.runs, "run"),
        counted(counts.notes, "note"),
        counts.known
    )?;
    Ok(Exit::Good)
}

pub(in crate::cmd) fn pull(address: &TypedAddress, path: &Path, console: &mut Console<'_>) -> Result<Exit, Error> {
    let now = console.date()?;
    let mut office = connect(address, console)?;
    office.check_version()?;
    let mut register = Register::open(path, Access::Make)?;
    let interrupts = console.interrupts;
    let counter = Counter::new("records added", console.live);
    let counts = office.pull(&mut register, now, |added| {
        counter.step(added);
        interrupts.load(Ordering::Relaxed) == 0
    })?;
    counter.end();
    let MergeCounts { runs, notes, quarantined, .. } = counts.merged;
    let refused = if quarantined > 0 { format!(", {quarantined} quarantined") } else { String::new() };
    writeln!(console.out, "{office}: {} and {} added{refused}", counted(runs, "run"), counted(notes, "note"))?;
    for WaitingChain { name, number } in &counts.waiting {
        writeln!(
            console.out,
            "bench {name}: records from {number} on wait, because that one is of a batch whose opening was not sent yet"
        )?;
    }
    for ShorterChain { name, office, register } in &counts.shorter {
        writeln!(
            console.err,
            "bench {name}: {register} records are here and {office} in the office; `seathold register verify` with its \
             address says more"
        )?;
    }
    Ok(if counts.merged.quarantined > 0 { Exit::Storage } else { Exit::Good })
}

pub(in crate::cmd) fn verify(
    address: &TypedAddress,
    path: &Path,
    heads: &[String],
    replay: bool,
    console: &mut Console<'_>,
) -> Result<Exit, Error> {
    // Where nobody named a register there need be none.
    let compared = if path.as_os_str() == DEFAULT_NAME && !path.exists() {
        None
    } else {
        Some(Register::open(path, Access::Read)?)
    };
    let mut office = connect(address, console)?;
    let interrupts = console.interrupts;
    let counter = Counter::new("records checked", console.live);
    let found = office.verify(replay, compared.as_ref(), |checked| {
        counter.step(checked);
        interrupts.load(Ordering::Relaxed) == 0
    })?;
    counter.end();
    match found {
        OfficeVerification::Valid(chains) => {
            for chain in &chains {
                let unsent = match chain.unsent {
                    Some(more) if more > 0 => format!(", {more} more in {} not sent yet", path.display()),
                    _ => String::new(),
                };
                writeln!(
                    console.out,
                    "bench {}: {} valid{unsent}, head {}",
                    chain.name,
                    counted(chain.records, "record"),
                    chain.seal
                )?;
            }
            if !office.reads_all()? {
                writeln!(
                    console.err,
                    "this login reads only its own records: those of other benches were not checked"
                )?;
            }
            tell_heads(heads, console, |head| Ok(office.record_sealed(head)?))
        }
        OfficeVerification::Broken(broken) => {
            writeln!(console.out, "bench {}: record {}/{} {}", broken.name, broken.bench, broken.number, broken.what)?;
            Ok(Exit::Storage)
        }
        OfficeVerification::Unsound(what) => {
            writeln!(console.out, "the tables are not sound, so what they show may not be all: {what}")?;
            Ok(Exit::Storage)
        }
        OfficeVerification::Stopped => {
            writeln!(console.err, "stopped before the end: nothing wrong was found so far")?;
            Ok(Exit::NoVerdict)
        }
    }
}

pub(in crate::cmd) fn tables(
    address: Option<&TypedAddress>,
    after: i32,
    console: &mut Console<'_>,
) -> Result<Exit, Error> {
    let Some(address) = address else {
        let text = schema::sql(after);
        if text.is_empty() {
            writeln!(console.err, "nothing follows version {after}: this program writes version {}", schema::VERSION)?;
        }
        write!(console.out, "{text}")?;
        return Ok(Exit::Good);
    };
    let mut office = connect(address, console)?;
    let before = office.make_tables()?;
    let version = schema::VERSION;
    match before {
        0 => writeln!(console.out, "{office}: tables made, version {version}")?,
        before if before == version => writeln!(console.out, "{office}: the tables are there, version {version}")?,
        before => writeln!(console.out, "{office}: tables brought from version {before} to {version}")?,
    }
    Ok(Exit::Good)
}
