//! `seathold assembly bolt`: valve after valve bolted up, of the fittings that were kept for it, and measured.

use clap::Args;
use seathold_assembly::finished_length::LengthVerdict;
use seathold_assembly::length_unit;
use seathold_assembly::reading::{PART_M, reading};
use seathold_quantity::Dimension;
use seathold_recording::plain::shown;
use seathold_register::assembly::keep::AssemblyBy;
use seathold_register::assembly::progress::{AssemblyProgress, ValveAssembly};
use seathold_register::assembly::sealed::{BoltedHead, PairedHead, mm};
use seathold_register::valves::BatchRecord;
use seathold_register::{Access, Register};
use seathold_report::assembly::length_verdict;
use seathold_report::label::scanned;
use seathold_sequencer::field::Unit;
use seathold_text::layout::wrapped;

use super::ByArgs;
use crate::cmd::batch_common::{not_listed, refused};
use crate::cmd::stdin_lines::StdinLines;
use crate::console::Console;
use crate::error::Error;
use crate::exit::Exit;
use crate::quantity_args::QuantityArgs;

/// So many standard uncertainties from the forecast a length is asked about (*judgement*).
const FAR_OFF: f64 = 4.0;

/// `seathold assembly bolt`.
#[derive(Debug, Args)]
pub struct BoltArgs {
    /// The valve; without it valve after valve is asked for
    pub serial: Option<String>,
    /// Its fittings, as FIRST,SECOND [default: those that were kept for it]
    #[arg(long, value_name = "A,B", requires = "serial")]
    pub fittings: Option<String>,
    /// Its finished length, measured, like "120.04 mm"
    #[arg(long, value_name = "LENGTH", requires = "serial")]
    pub length: Option<String>,
    /// Take a length that is far off its forecast as it is
    #[arg(long, requires = "length")]
    pub length_checked: bool,
    /// Standard uncertainty of a measured finished length [default: as of the fittings that were paired]
    #[arg(long, value_name = "LENGTH")]
    pub length_u: Option<String>,
    /// Anything else, such as why other fittings were taken
    #[arg(long, value_name = "TEXT", value_parser = crate::args::note, default_value = "", hide_default_value = true,
          requires = "serial")]
    pub note: String,
    #[command(flatten)]
    pub by: ByArgs,
}

/// What the commands of it share.
struct Bolting<'a> {
    register: Register,
    batch: BatchRecord,
    operator: &'a str,
    length_u_mm: Option<f64>,
}

pub(super) fn run(args: &BoltArgs, console: &mut Console<'_>) -> Result<Exit, Error> {
    let mut options = QuantityArgs::default();
    let mut length = |option: &str, text: &Option<String>, range| {
        text.as_ref().map(|text| options.quantity(option, Unit::Metre, text, range) * 1e3)
    };
    let finished_mm = length("--length", &args.length, PART_M);
    let length_u_mm = length("--length-u", &args.length_u, 1e-7..=1e-2);
    options.finish()?;
    let register = Register::open(&args.by.register.register, Access::Write)?;
    let batch = args.by.batch.open(&register)?;
    let mut bolting = Bolting { register, batch, operator: &args.by.operator, length_u_mm };
    let Some(serial) = &args.serial else { return bolting.session(console) };
    let progress = bolting.progress()?;
    let serial = scanned::listed(serial, |serial| progress.valve(serial).is_some());
    let Some(valve) = progress.valve(serial) else {
        return Err(bolting.unlisted(serial, &progress));
    };
    let given = args.fittings.as_ref().map(|text| {
        let two = text.split_once(',').map(|(a, b)| [a.trim().to_owned(), b.trim().to_owned()]);
        two.ok_or_else(|| Error::usage(format!("--fittings: \"{text}\" is not two names with a comma between them")))
    });
    let kept = valve.pair.as_ref().map(|pair| pair.fittings.clone().map(|part| part.id));
    let Some(fittings) = given.transpose()?.or(kept) else {
        return Err(Error::usage(format!("--fittings: none were kept for {serial}; give both")));
    };
    if let (Some(length), Some(pair), false) = (finished_mm, &valve.pair, args.length_checked) {
        let same = pair.fittings.iter().all(|part| fittings.contains(&part.id));
        if let Some(far) = far_off(&progress, length - pair.finished_mm).filter(|_| same) {
            return Err(refused(&bolting.register, format!("{serial}: {far} Measure again, or say --length-checked")));
        }
    }
    let said = bolting.keep(valve.serial.clone(), fittings, finished_mm, args.note.trim(), console)?;
    writeln!(console.out, "{said}")?;
    Ok(Exit::Good)
}

/// What is asked about a length that is so far off its forecast, if that is far.
fn far_off(progress: &AssemblyProgress, off_mm: f64) -> Option<String> {
    let to = progress.requirement?;
    let u = to.forecast_u_mm.hypot(to.gauge_u_mm).max(0.001);
    let (off, of) = (mm(off_mm), mm(u));
    (off_mm.abs() > FAR_OFF * u).then(|| {
        format!(
            "that is {off} mm off the forecast, which has a standard uncertainty of {of} mm: right fittings, seals seated, gauge at \
             zero?"
        )
    })
}

/// What follows a valve that was asked for.
enum AfterValve {
    /// It was bolted up, in words.
    Bolted(String),
    /// Another was scanned.
    Other(String),
    Leave,
}

/// Whether a valve has its fittings, and they are not bolted up.
fn waits(valve: &&ValveAssembly) -> bool {
    valve.bolted.is_none() && valve.pair.is_some()
}

impl Bolting<'_> {
    fn progress(&self) -> Result<AssemblyProgress, Error> {
        Ok(AssemblyProgress::of(&self.register, &self.batch.batch)?)
    }

    fn unlisted(&self, serial: &str, progress: &AssemblyProgress) -> Error {
        let list = progress.valves.iter().map(|valve| valve.serial.as_str());
        refused(&self.register, not_listed(serial, &self.batch, list))
    }

    /// Keeps a valve, and says how long it is.
    fn keep(
        &mut self,
        serial: String,
        fittings: [String; 2],
        finished_mm: Option<f64>,
        remark: &str,
        console: &Console<'_>,
    ) -> Result<String, Error> {
        let earlier = self.progress()?;
        let before = earlier.valve(&serial).and_then(|valve| valve.bolted.as_ref()).map(|bolted| {
            let length =
                bolted.head.finished_mm.map_or_else(|| "not measured".into(), |length| format!("{} mm", mm(length)));
            format!("; in place of {length} (record {})", self.register.short(&bolted.note))
        });
        let before = before.unwrap_or_default();
        let kept_u = earlier.requirement.map(|to: PairedHead| to.gauge_u_mm.hypot(to.read_once_u_mm()));
        let u = self.length_u_mm.or(kept_u).filter(|u| *u > 0.0);
        let head = BoltedHead { fittings, finished_mm, finished_u_mm: finished_mm.and(u), remark: remark.into() };
        let by = AssemblyBy { batch: &self.batch.batch, operator: self.operator, now: console.date()? };
        let number = self.register.bolt_up(&serial, &head, by)?;
        let progress = self.progress()?;
        let verdict = progress.valve(&serial).and_then(|valve| length_verdict(&progress, valve));
        let length = finished_mm.map_or_else(|| ", not measured".into(), |length| format!(", {} mm", mm(length)));
        let verdict = match verdict {
            Some(LengthVerdict::Conforms) => " CONFORMS",
            Some(LengthVerdict::DoesNot) => " DOES NOT CONFORM",
            Some(LengthVerdict::TooClose) => " TOO CLOSE TO SAY",
            None if finished_mm.is_some() => " (not judged: no requirement or no uncertainty is kept)",
            None => "",
        };
        Ok(format!("{serial} bolted up{length}{verdict} (record {number}){before}"))
    }

    /// Valve after valve, until the last or until somebody leaves.
    fn session(&mut self, console: &mut Console<'_>) -> Result<Exit, Error> {
        if self.operator.trim().is_empty() {
            return Err(Error::usage("who bolts them up? Give --operator"));
        }
        let mut lines = StdinLines::default();
        let mut scanned: Option<String> = None;
        loop {
            let progress = self.progress()?;
            let chosen = scanned.take().and_then(|serial| progress.valve(&serial)).filter(waits);
            let Some(valve) = chosen.or_else(|| progress.valves.iter().find(waits)).cloned() else {
                let left = progress.valves.iter().filter(|valve| valve.bolted.is_none()).count();
                let rest = if left > 0 {
                    format!("; {left} have no fittings: `pair` again with --keep")
                } else {
                    String::new()
                };
                writeln!(console.err, "every valve that has its fittings is bolted up{rest}")?;
                return Ok(Exit::Good);
            };
            match self.one(&progress, &valve, &mut lines, console) {
                Ok(AfterValve::Bolted(said)) => writeln!(console.out, "{said}")?,
                Ok(AfterValve::Other(serial)) => scanned = Some(serial),
                Ok(AfterValve::Leave) => return Ok(Exit::Good),
                Err(why) if why.exit() == Exit::BadInput => writeln!(console.err, "{why}")?,
                Err(why) => return Err(why),
            }
        }
    }

    /// Asks for a valve's fittings and its length, unless another valve is scanned.
    fn one(
        &mut self,
        progress: &AssemblyProgress,
        valve: &ValveAssembly,
        lines: &mut StdinLines,
        console: &mut Console<'_>,
    ) -> Result<AfterValve, Error> {
        let Some(pair) = &valve.pair else { return Ok(AfterValve::Leave) };
        let [a, b] = &pair.fittings;
        let serial = shown(&valve.serial);
        writeln!(
            console.err,
            "\n{serial}: fittings {} ({} mm) and {} ({} mm), forecast {} mm",
            shown(&a.id),
            mm(a.length_mm),
            shown(&b.id),
            mm(b.length_mm),
            mm(pair.finished_mm)
        )?;
        let mut wanted = vec![a.id.clone(), b.id.clone()];
        let mut taken = Vec::new();
        while taken.len() < 2 {
            let ask =
                if taken.is_empty() { "scan one fitting, or another valve (q leaves) > " } else { "scan the other > " };
            let Some(typed) = asked(ask, lines, console)? else { return Ok(AfterValve::Leave) };
            if let Some(at) = wanted.iter().position(|id| *id == typed) {
                taken.push(wanted.remove(at));
                continue;
            }
            let serial = scanned::listed(&typed, |serial| progress.valve(serial).is_some());
            match progress.valve(serial) {
                Some(other) if other.serial == valve.serial => {}
                Some(other) if waits(&other) => return Ok(AfterValve::Other(other.serial.clone())),
                Some(other) if other.bolted.is_some() => {
                    writeln!(console.err, "{} is bolted up already", shown(&other.serial))?;
                }
                Some(other) => {
                    writeln!(console.err, "{} has no fittings: `pair` again with --keep", shown(&other.serial))?
                }
                None => writeln!(console.err, "{}", self.not_wanted(progress, &typed, &wanted))?,
            }
        }
        let mut again = None;
        let finished_mm = loop {
            let Some(typed) = asked("bolted; finished length in mm (Enter: not measured) > ", lines, console)? else {
                return Ok(AfterValve::Leave);
            };
            if typed.is_empty() {
                break None;
            }
            match length_mm(&typed) {
                Err(why) => remarked(&why, console)?,
                Ok(mm_typed) => {
                    let far = far_off(progress, mm_typed - pair.finished_mm);
                    if let Some(far) = far.filter(|_| again != Some(mm_typed.to_bits())) {
                        again = Some(mm_typed.to_bits());
                        remarked(&format!("{far} Measure again, and type what it is now"), console)?;
                        continue;
                    }
                    break Some(mm_typed);
                }
            }
        };
        let fittings = [a.id.clone(), b.id.clone()];
        self.keep(valve.serial.clone(), fittings, finished_mm, "", console).map(AfterValve::Bolted)
    }

    fn not_wanted(&self, progress: &AssemblyProgress, typed: &str, wanted: &[String]) -> String {
        let holds = |valve: &&ValveAssembly| {
            valve.pair.as_ref().is_some_and(|pair| pair.fittings.iter().any(|part| part.id == typed))
        };
        let whose = match progress.valves.iter().find(holds) {
            Some(other) => format!("{} is for {}", shown(typed), shown(&other.serial)),
            None => format!("{} is for no valve", shown(typed)),
        };
        let wanted: Vec<_> = wanted.iter().map(|id| shown(id)).collect();
        format!("{whose}; wanted is {}", wanted.join(" or "))
    }
}

/// A remark on what was typed, at the width of the screen.
pub(super) fn remarked(text: &str, console: &mut Console<'_>) -> Result<(), Error> {
    let mut lines = String::new();
    wrapped(&mut lines, "", 0, text);
    write!(console.err, "{lines}")?;
    Ok(())
}

/// A line that was typed or scanned; none where somebody leaves.
pub(super) fn asked(
    question: &str,
    lines: &mut StdinLines,
    console: &mut Console<'_>,
) -> Result<Option<String>, Error> {
    write!(console.err, "{question}")?;
    console.err.flush()?;
    let line = lines.next(console)?.map(|line| line.trim().to_owned());
    Ok(line.filter(|line| !matches!(line.as_str(), "q" | "quit")))
}

/// A length in millimetres, with another unit where one is typed.
fn length_mm(typed: &str) -> Result<f64, String> {
    let mm = length_unit::unit("mm").unwrap_or(Dimension(Unit::Metre).usual());
    reading(typed, mm).map(|read| read.length.mm())
}
