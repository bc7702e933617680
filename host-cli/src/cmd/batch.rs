//! `seathold batch`: a batch from its list to its tally.

use std::path::PathBuf;

use clap::{Args, Subcommand};
use seathold_sequencer::input::Side;
use seathold_sequencer::verdict::Verdict;
use serde_json::json;

use super::find::{In, Speakers, date, leak};
use crate::batch::digits::Digits;
use crate::batch::list::{self, Shared};
use crate::batch::standing::{self, Stand, Standing, Tally};
use crate::cli::KindArg;
use crate::console::Console;
use crate::error::Error;
use crate::exit::Exit;
use crate::register::valves::Batch;
use crate::register::{Access, Note, NoteKind, Register, Trouble};
use crate::summary::line;
use crate::words;

/// Said of a batch that is not all here.
const SELECTION: &str = "only a selection of its records is in this register";

/// `seathold batch …`.
#[derive(Debug, Subcommand)]
pub enum BatchCommand {
    /// Open a batch from a list of serial numbers
    Open(Open),
    /// List the batches of the register
    List {
        #[command(flatten)]
        place: In,
        /// A JSON object a line
        #[arg(long)]
        json: bool,
    },
    /// Say what is left to do: next, half-tested, to test again, to rework, to retest
    Work {
        #[command(flatten)]
        which: Which,
        #[command(flatten)]
        place: In,
        /// A JSON object a line, one for each valve
        #[arg(long)]
        json: bool,
    },
    /// Test valve after valve: scan or type a serial, or take the next by one key
    Test(Box<super::batch_test::Test>),
    /// Note what was done to a valve; what was found on it before no longer counts
    Rework(Noting),
    /// Take a valve out of its batch
    SetAside(Noting),
    /// Note anything else on a valve
    Remark(Noting),
    /// Close a batch, with its tally
    Close {
        #[command(flatten)]
        which: Which,
        #[command(flatten)]
        place: In,
        /// Close although valves are unfinished, and why
        #[arg(long, value_name = "WHY")]
        unfinished: Option<String>,
        /// Who closes it
        #[arg(long, value_name = "NAME", default_value = "", hide_default_value = true)]
        operator: String,
    },
}

/// `seathold batch open`.
#[derive(Debug, Args)]
pub struct Open {
    /// What the batch is called
    pub name: String,
    /// List of valves: a CSV file with the columns serial and, where wanted, kind, dn, notes
    #[arg(long, value_name = "FILE", required_unless_present = "serials")]
    pub valves: Option<PathBuf>,
    /// Serials by pattern, like HM-001..HM-040; several parted by commas
    #[arg(long, value_name = "PATTERN", conflicts_with = "valves")]
    pub serials: Option<String>,
    /// How valves are worked where the list does not say: air or hand
    #[arg(long, value_enum, hide_possible_values = true)]
    pub kind: Option<KindArg>,
    /// Nominal size where the list does not say
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u32).range(6..=4000))]
    pub dn: Option<u32>,
    /// The serials end in a check digit: luhn (digits) or mod-37-36 (ISO 7064, letters and digits)
    #[arg(long, value_enum, hide_possible_values = true, value_name = "KIND")]
    pub check_digit: Option<Digits>,
    /// Take the list although serials look alike, like HM-001 and HM-O01
    #[arg(long)]
    pub look_alikes: bool,
    /// Who opens it
    #[arg(long, value_name = "NAME", default_value = "", hide_default_value = true)]
    pub operator: String,
    #[command(flatten)]
    pub place: In,
}

/// The batch a command works on.
#[derive(Debug, Args)]
pub struct Which {
    /// The batch [default: the only one that is open]
    #[arg(long, value_name = "NAME")]
    pub batch: Option<String>,
}

/// A note on a valve.
#[derive(Debug, Args)]
pub struct Noting {
    /// The valve
    pub serial: String,
    /// What was done, or why
    #[arg(long, value_name = "TEXT")]
    pub note: String,
    /// Who did it
    #[arg(long, value_name = "NAME", default_value = "", hide_default_value = true)]
    pub operator: String,
    #[command(flatten)]
    pub which: Which,
    #[command(flatten)]
    pub place: In,
}

impl Which {
    /// The batch meant.
    ///
    /// # Errors
    /// When there is none of that name, or none was named and not exactly one is open.
    pub(super) fn of(&self, register: &Register) -> Result<Batch, Error> {
        if let Some(name) = &self.batch {
            return register.batch_named(name);
        }
        let mut open: Vec<Batch> = register.batches()?.into_iter().filter(|b| b.closed_at.is_none()).collect();
        match (open.pop(), open.len()) {
            (Some(one), 0) => Ok(one),
            (None, _) => Err(refused(register, "no batch is open; `seathold batch open` opens one".into())),
            (Some(last), more) => {
                let names: Vec<String> = open.into_iter().chain([last]).map(|b| b.name).collect();
                Err(refused(register, format!("{} batches are open; give --batch: {}", more + 1, names.join(", "))))
            }
        }
    }

    /// The same, and it must be open.
    pub(super) fn open(&self, register: &Register) -> Result<Batch, Error> {
        let batch = self.of(register)?;
        match &batch.closed_at {
            None => Ok(batch),
            Some(at) => Err(refused(register, format!("batch {} was closed at {at}", batch.name))),
        }
    }
}

/// What the user asked contradicts what is in the register: their mistake, not the file's.
pub(super) fn refused(register: &Register, why: String) -> Error {
    Error::register(register.path(), Trouble::Refused(why))
}

/// `seathold batch …`.
pub(super) fn run(command: &BatchCommand, console: &mut Console<'_>) -> Result<Exit, Error> {
    match command {
        BatchCommand::Open(typed) => open(typed, console),
        BatchCommand::List { place, json } => list_all(place, *json, console),
        BatchCommand::Work { which, place, json } => {
            let register = Register::open(&place.register, Access::Read)?;
            let batch = which.of(&register)?;
            work(&register, &batch, *json, console)
        }
        BatchCommand::Test(test) => super::batch_test::run(test, console),
        BatchCommand::Rework(noting) => note(noting, NoteKind::Rework, console),
        BatchCommand::SetAside(noting) => note(noting, NoteKind::SetAside, console),
        BatchCommand::Remark(noting) => note(noting, NoteKind::Remark, console),
        BatchCommand::Close { which, place, unfinished, operator } => {
            let mut register = Register::open(&place.register, Access::Write)?;
            let batch = which.open(&register)?;
            close(&mut register, &batch, unfinished.as_deref(), operator, console)
        }
    }
}

fn open(typed: &Open, console: &mut Console<'_>) -> Result<Exit, Error> {
    let kind = match typed.kind {
        Some(KindArg::Air) => "air",
        Some(KindArg::Hand) => "hand",
        None => "",
    };
    let shared = Shared { kind: kind.into(), dn: typed.dn };
    let (list, origin) = match (&typed.valves, &typed.serials) {
        (Some(file), _) => (list::read(file, &shared)?, file.display().to_string()),
        (None, serials) => {
            (list::patterns(serials.as_deref().unwrap_or_default(), &shared)?, "command line: --serials".into())
        }
    };
    if typed.name.trim().is_empty() || typed.name.chars().any(char::is_control) || typed.name.contains(['/', '\\']) {
        return Err(Error::usage("give the batch a name without slashes, like \"spring-2026\""));
    }
    list.check(&origin, typed.check_digit, typed.look_alikes)?;
    let mut register = Register::open(&typed.place.register, Access::Make)?;
    // A valve on two open batches would have two truths about what is left to do.
    for other in register.batches()?.into_iter().filter(|b| b.closed_at.is_none()) {
        let there = register.valves_of(&other.batch)?;
        if let Some(twice) = list.valves.iter().find(|v| there.iter().any(|o| o.serial == v.serial)) {
            let why = format!("{} is on the list of batch {}, which is still open", twice.serial, other.name);
            return Err(refused(&register, why));
        }
    }
    let digits = typed.check_digit.map_or("", Digits::word);
    let batch = register.open_batch(&typed.name, &list.valves, digits, &typed.operator, console.clock.now())?;
    let known: usize = list
        .valves
        .iter()
        .map(|v| register.count(&crate::register::Filter { serial: Some(v.serial.clone()), ..Default::default() }))
        .map(|count| count.map(|n| usize::from(n > 0)))
        .sum::<Result<_, _>>()?;
    writeln!(console.out, "batch {} is open: {} valves", batch.name, batch.valves)?;
    if known > 0 {
        writeln!(
            console.out,
            "{known} of them have been tested before (`seathold find --serial …`); that does not count here"
        )?;
    }
    Ok(Exit::Good)
}

fn list_all(place: &In, as_json: bool, console: &mut Console<'_>) -> Result<Exit, Error> {
    let register = Register::open(&place.register, Access::Read)?;
    let batches = register.batches()?;
    for batch in &batches {
        let tally = Tally::of(&standing::of_batch(&register, batch)?);
        if as_json {
            writeln!(console.out, "{}", json!({ "batch": batch, "tally": tally }))?;
            continue;
        }
        let closed = batch.closed_at.as_deref().map_or_else(|| "open".into(), |at| format!("closed {}", date(at)));
        let whole = if batch.selection { format!(" ({SELECTION})") } else { String::new() };
        writeln!(console.out, "{}  opened {}, {closed}: {tally}{whole}", batch.name, date(&batch.opened_at))?;
    }
    if batches.is_empty() && !as_json {
        writeln!(console.err, "there is no batch yet; `seathold batch open` opens one")?;
    }
    Ok(Exit::Good)
}

/// The work list.
pub(super) fn work(
    register: &Register,
    batch: &Batch,
    as_json: bool,
    console: &mut Console<'_>,
) -> Result<Exit, Error> {
    let standings = standing::of_batch(register, batch)?;
    if as_json {
        for standing in &standings {
            writeln!(console.out, "{}", json!(standing))?;
        }
        return Ok(Exit::Good);
    }
    let mut speakers = Speakers::default();
    let mut text = format!("batch {}, opened {} UTC\n", batch.name, date(&batch.opened_at));
    for stand in [Stand::Rework, Stand::Retest, Stand::TestAgain, Stand::HalfTested] {
        for standing in standings.iter().filter(|s| s.stand == stand) {
            line(
                &mut text,
                stand.word(),
                &format!("{}: {}", standing.valve.serial, told(register, standing, &mut speakers)?),
            );
        }
    }
    for stand in [Stand::Next, Stand::Tight, Stand::SetAside] {
        let serials: Vec<&str> =
            standings.iter().filter(|s| s.stand == stand).map(|s| s.valve.serial.as_str()).collect();
        if !serials.is_empty() {
            line(&mut text, stand.word(), &serials.join(" "));
        }
    }
    line(&mut text, "altogether", &Tally::of(&standings).to_string());
    if batch.selection {
        line(&mut text, "note", &format!("{SELECTION}: more may have been done than is said"));
    }
    write!(console.out, "{text}")?;
    Ok(Exit::Good)
}

/// What is known of a valve, in a sentence.
pub(super) fn told(register: &Register, standing: &Standing, speakers: &mut Speakers) -> Result<String, Error> {
    let mut parts = Vec::new();
    for (side, end) in [(Side::First, "A"), (Side::Second, "B")] {
        if let Some(counted) = standing.side(side) {
            let speaker = speakers.of(register, &counted.of)?;
            let verdict = words::verdict_word(counted.found.verdict);
            let figure = match counted.found.leak_pa_m3_s {
                Some(_) => format!(" {}", leak(&counted.found, &speaker)),
                None => String::new(),
            };
            parts.push(format!("end {end} {verdict}{figure} (run {})", register.short(&counted.run)));
        }
    }
    match standing.stand {
        Stand::HalfTested if standing.first.is_some() => parts.push("end B to be tested".into()),
        Stand::HalfTested => parts.push("end A to be tested".into()),
        Stand::Retest => parts.extend(standing.reworked()),
        Stand::Rework => {
            let diagnosis = standing.diagnosis(register)?;
            let places: Vec<&str> = diagnosis.suspects.iter().map(|s| words::suspect(*s)).collect();
            if !places.is_empty() {
                parts.push(format!("likeliest: {}", places.join(", ")));
            }
        }
        _ => {}
    }
    if let (Some(ending), Some(run)) = (&standing.last_ending, &standing.last_run)
        && ending != "judged"
    {
        parts.push(format!("the last run ended by {} (run {})", ending.replace('-', " "), register.short(run)));
    }
    Ok(parts.join("; "))
}

fn note(typed: &Noting, kind: NoteKind, console: &mut Console<'_>) -> Result<Exit, Error> {
    let mut register = Register::open(&typed.place.register, Access::Write)?;
    let batch = typed.which.open(&register)?;
    let text = write_note(&mut register, &batch, &typed.serial, kind, &typed.note, &typed.operator, console)?;
    writeln!(console.out, "{text}")?;
    Ok(Exit::Good)
}

/// Writes a note on a valve of an open batch, and says so.
pub(super) fn write_note(
    register: &mut Register,
    batch: &Batch,
    serial: &str,
    kind: NoteKind,
    text: &str,
    operator: &str,
    console: &Console<'_>,
) -> Result<String, Error> {
    let standings = standing::of_batch(register, batch)?;
    let Some(standing) = standings.iter().find(|s| s.valve.serial == serial) else {
        return Err(refused(register, not_listed(serial, batch, standings.iter().map(|s| s.valve.serial.as_str()))));
    };
    if text.trim().is_empty() {
        return Err(Error::usage("the note is empty; say what was done"));
    }
    if kind == NoteKind::Rework && matches!(standing.stand, Stand::Next | Stand::Retest) {
        let why = format!(
            "{serial} has not been tested since {}",
            if standing.reworks > 0 { "its last rework" } else { "the batch was opened" }
        );
        return Err(refused(
            register,
            format!("{why}: there is nothing to rework it for; `remark` notes anything else"),
        ));
    }
    let leaking = [&standing.first, &standing.second]
        .into_iter()
        .flatten()
        .find(|counted| counted.found.verdict == Verdict::Leaking)
        .map(|counted| counted.run.clone());
    let note = Note {
        kind,
        batch: Some(batch.batch.clone()),
        serial: Some(serial.into()),
        about: leaking.or_else(|| standing.last_run.clone()),
        operator: operator.into(),
        text: text.trim().into(),
    };
    let about = note.about.as_deref().map_or_else(String::new, |run| format!(", after run {}", register.short(run)));
    let number = register.note(&note, console.clock.now())?;
    let next = if kind == NoteKind::Rework { "; both sides are to be tested again" } else { "" };
    Ok(format!("{serial}: {} (record {number}{about}){next}", crate::register::note_words(kind)))
}

/// Why a serial is refused, and what may have been meant.
pub(super) fn not_listed<'a>(serial: &str, batch: &Batch, list: impl Iterator<Item = &'a str>) -> String {
    let near = crate::batch::alike::meant(serial, list);
    let hint = match near.as_slice() {
        [] => String::new(),
        near => format!("; is it {}? Look at the plate, and scan or type it again", near.join(" or ")),
    };
    format!("{serial} is not on the list of batch {}{hint}", batch.name)
}

fn close(
    register: &mut Register,
    batch: &Batch,
    unfinished: Option<&str>,
    operator: &str,
    console: &mut Console<'_>,
) -> Result<Exit, Error> {
    let standings = standing::of_batch(register, batch)?;
    let tally = Tally::of(&standings);
    let open: Vec<&str> = standings
        .iter()
        .filter(|s| !matches!(s.stand, Stand::Tight | Stand::SetAside))
        .map(|s| s.valve.serial.as_str())
        .collect();
    if !open.is_empty() && unfinished.is_none() {
        let why = format!(
            "batch {} is not finished: {}; test, rework or set aside what is left ({}), or give --unfinished WHY",
            batch.name,
            tally,
            open.join(" ")
        );
        return Err(refused(register, why));
    }
    let mut text = tally.to_string();
    if let Some(why) = unfinished.filter(|_| !open.is_empty()) {
        text.push_str(&format!("; left: {}; because: {why}", open.join(" ")));
    }
    let note = Note {
        kind: NoteKind::Closed,
        batch: Some(batch.batch.clone()),
        serial: None,
        about: None,
        operator: operator.into(),
        text: text.clone(),
    };
    let number = register.note(&note, console.clock.now())?;
    writeln!(console.out, "batch {} is closed (record {number}): {text}", batch.name)?;
    Ok(Exit::Good)
}
