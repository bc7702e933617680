//! `seathold register`: creating, printing, checking, merging; and appending a run just recorded.

use std::path::{Path, PathBuf};

use clap::Subcommand;
use seathold_recording::file::{self, Replace};
use seathold_recording::limits::FILE_MAX;
use seathold_recording::plain::shown;
use seathold_register::merge::MergeCounts;
use seathold_register::photo::keep::PhotosBrought;
use seathold_register::signed::MergeTrust;
use seathold_register::valves::BatchRecord;
use seathold_register::verify::Verification;
use seathold_register::{Access, AppendedRun, Register, RunMeta};
use seathold_report::photographs;
use seathold_signing::PublicKey;
use seathold_text::layout::line;
use seathold_text::messages::counted;
use serde_json::json;

use super::batch_common::listed;
use super::find::{RegisterArg, RunFilterArgs};
use super::heads::tell_heads;
use super::office::background;
use super::progress::Counter;
use super::register_signed::{KnownElsewhere, compare, head as head_of, make_key, say_key};
use crate::console::Console;
use crate::error::Error;
use crate::exit::Exit;
use crate::redact::TypedAddress;
use crate::schema::{self, JsonKind};

/// `seathold register …`.
#[derive(Debug, Subcommand)]
pub enum RegisterCommand {
    /// Make a register for a bench
    Init {
        /// The file
        file: PathBuf,
        /// What people call the bench
        #[arg(long, value_name = "NAME", default_value = "bench")]
        bench: String,
        /// Make no key: its records are not signed
        #[arg(long)]
        no_key: bool,
    },
    /// Make a key that the bench's records are signed with from here on, or another in place of it
    Key {
        /// Who does it
        #[arg(long, value_name = "NAME", value_parser = crate::args::person)]
        operator: Option<String>,
        #[command(flatten)]
        register: RegisterArg,
    },
    /// Write where the chains end, to be kept elsewhere: `verify --since-head` then sees what was cut off
    Head {
        /// The file [default: none, they are printed]
        #[arg(long, value_name = "FILE")]
        out: Option<PathBuf>,
        #[command(flatten)]
        register: RegisterArg,
    },
    /// Print what is in a register
    Info {
        #[command(flatten)]
        register: RegisterArg,
        /// As a JSON object
        #[arg(long)]
        json: bool,
    },
    /// Check every record: its seal, its position, and its columns against its recording; and the file itself
    Verify {
        /// An office's database, instead of a register: its chains, also against the register where there is one
        #[arg(value_name = "ADDRESS", value_parser = TypedAddress::typed)]
        office: Option<TypedAddress>,
        /// A head written down earlier (the seal, or its first 16 digits or more) that must still be in a chain; may be
        /// given again
        #[arg(long, value_name = "HASH", value_parser = head)]
        head: Vec<String>,
        /// Heads kept elsewhere (`register head`), or a certificate's data, which must still be in the chains; may be
        /// given again
        #[arg(long, value_name = "FILE")]
        since_head: Vec<PathBuf>,
        /// Public part of a bench's key, which must have signed its chain
        #[arg(long, value_name = "FILE.pub")]
        key: Option<PathBuf>,
        /// Replay every recording too, as when it was let in: for records from before that was done
        #[arg(long)]
        replay: bool,
        #[command(flatten)]
        register: RegisterArg,
    },
    /// Merge the records of other benches' registers, or of bundles; nothing is added twice
    Merge {
        /// Registers
        #[arg(required = true)]
        files: Vec<PathBuf>,
        /// Take records that are not signed, of benches that have a key: ask them first
        #[arg(long)]
        accept_unsigned: bool,
        /// Public part of a key that the one before did not hand over to, as it was lost; may be given again
        #[arg(long, value_name = "FILE.pub")]
        new_key: Vec<PathBuf>,
        #[command(flatten)]
        register: RegisterArg,
    },
    /// Send this bench's records to an office's database; nothing is sent twice
    Push {
        /// The office's database, like postgres://bench_1@office/seathold; the password is taken from PGPASSWORD or ~/.pgpass
        #[arg(value_name = "ADDRESS", value_parser = TypedAddress::typed)]
        office: TypedAddress,
        #[command(flatten)]
        register: RegisterArg,
        /// After a run: says nothing here, and leaves what went wrong to be said by the next run
        #[arg(long, hide = true)]
        in_background: bool,
    },
    /// Take in what other benches sent to an office's database, as `merge` takes it from a file
    Pull {
        /// The office's database, like postgres://reader@office/seathold; the password is taken from PGPASSWORD or ~/.pgpass
        #[arg(value_name = "ADDRESS", value_parser = TypedAddress::typed)]
        office: TypedAddress,
        #[command(flatten)]
        register: RegisterArg,
    },
    /// Print the tables of an office as SQL, or make them in its database
    OfficeTables {
        /// The database, by the login that is to own them: they are made there, or brought to this program's version
        #[arg(value_name = "ADDRESS", value_parser = TypedAddress::typed)]
        office: Option<TypedAddress>,
        /// Print only what follows this version
        #[arg(long, value_name = "VERSION", default_value_t = 0, value_parser = clap::value_parser!(i32).range(0..), conflicts_with = "office")]
        after: i32,
    },
    /// Import stand-alone recordings; nothing is added twice
    Import {
        /// Recordings
        #[arg(required = true)]
        files: Vec<PathBuf>,
        /// The batch they were run for
        #[arg(long, value_name = "NAME")]
        batch: Option<String>,
        #[command(flatten)]
        register: RegisterArg,
    },
    /// Write a run's recording as a stand-alone file
    Extract {
        /// The record: its number, BENCH/NUMBER, or the beginning of its recording's hash
        run: String,
        /// The file [default: SERIAL_NUMBER.hold]
        #[arg(long, value_name = "FILE")]
        out: Option<PathBuf>,
        #[command(flatten)]
        register: RegisterArg,
    },
    /// What was refused when it was to be added: list it, or take it out
    #[command(subcommand)]
    Quarantine(QuarantineCommand),
    /// Copy the register into a folder, checked, and keep so many copies: for every night
    Backup {
        /// The folder; best on another disk
        folder: PathBuf,
        /// How many copies are kept; the oldest go once the new one was checked
        #[arg(long, value_name = "N", default_value_t = 14, value_parser = clap::value_parser!(u32).range(1..=10_000))]
        keep: u32,
        #[command(flatten)]
        register: RegisterArg,
    },
    /// Write a selection of runs as a register of its own, to be sent and merged elsewhere
    Bundle {
        /// The file
        out: PathBuf,
        /// Everything that this bench recorded after its record of this number, of whatever kind: 0 for all
        #[arg(long, value_name = "NUMBER", value_parser = clap::value_parser!(i64).range(0..), conflicts_with_all = ["serial", "batch", "since", "until", "verdict", "recipe_name", "leak", "by_operator"], help_heading = "Which runs")]
        after: Option<i64>,
        #[command(flatten)]
        filter: RunFilterArgs,
        #[command(flatten)]
        register: RegisterArg,
    },
}

/// `seathold register quarantine …`.
#[derive(Debug, Subcommand)]
pub enum QuarantineCommand {
    /// List what is in quarantine, with the reasons
    List {
        #[command(flatten)]
        register: RegisterArg,
        /// A JSON object a line
        #[arg(long)]
        json: bool,
    },
    /// Take something out: it is written as a file first
    Remove {
        /// Its number in the list
        number: i64,
        /// The file [default: quarantined-HASH.hold, or .json for a record without a recording]
        #[arg(long, value_name = "FILE")]
        out: Option<PathBuf>,
        #[command(flatten)]
        register: RegisterArg,
    },
}

/// A seal, or enough of one that no other begins like it.
fn head(text: &str) -> Result<String, String> {
    let fits = (16..=64).contains(&text.len()) && text.chars().all(|c| c.is_ascii_hexdigit());
    if fits { Ok(text.to_lowercase()) } else { Err("give 16 to 64 hexadecimal digits of a seal".into()) }
}

/// `seathold register …`.
pub(super) fn run(command: &RegisterCommand, console: &mut Console<'_>) -> Result<Exit, Error> {
    if !matches!(
        command,
        RegisterCommand::Info { .. }
            | RegisterCommand::Verify { .. }
            | RegisterCommand::Extract { .. }
            | RegisterCommand::Head { .. }
            | RegisterCommand::Push { .. }
            | RegisterCommand::OfficeTables { .. }
    ) {
        // Identifiers of benches and records are made of it.
        console.date()?;
    }
    match command {
        RegisterCommand::Init { file, bench, no_key } => {
            if file.exists() {
                return Err(Error::file("make", file, std::io::ErrorKind::AlreadyExists.into()));
            }
            let mut register = Register::open_named(file, Access::Make, bench)?;
            writeln!(console.out, "{}: made for bench {bench} ({})", file.display(), register.bench())?;
            if !no_key {
                let key = register.make_key("", console.clock.now())?;
                return say_key(file, &key, console);
            }
        }
        RegisterCommand::Info { register, json } => info(&register.register, *json, console)?,
        RegisterCommand::Verify { office: Some(office), head, replay, register, .. } => {
            return super::office::verify(office, &register.register, head, *replay, console);
        }
        RegisterCommand::Push { office, register, in_background } => {
            let pushed = super::office::push(office, &register.register, console);
            if *in_background {
                background::note(&register.register, pushed.as_ref().err())?;
            }
            return pushed;
        }
        RegisterCommand::Pull { office, register } => return super::office::pull(office, &register.register, console),
        RegisterCommand::OfficeTables { office, after } => {
            return super::office::tables(office.as_ref(), *after, console);
        }
        RegisterCommand::Verify { office: None, head, since_head, key, replay, register } => {
            let known = KnownElsewhere { since: since_head, key: key.as_ref() };
            return verify(&register.register, head, &known, *replay, console);
        }
        RegisterCommand::Key { operator, register } => {
            return make_key(&register.register, operator.as_deref().unwrap_or_default(), console);
        }
        RegisterCommand::Head { out, register } => return head_of(&register.register, out.as_ref(), console),
        RegisterCommand::Merge { files, accept_unsigned, new_key, register } => {
            let new_keys = new_key.iter().map(|path| PublicKey::read(path)).collect::<Result<_, _>>()?;
            let trust = MergeTrust::answered_for(*accept_unsigned, new_keys);
            let mut register = Register::open(&register.register, Access::Make)?;
            let mut exit = Exit::Good;
            for file in files {
                let merged = register.merge_trusting(file, &trust, console.clock.now())?;
                let photographs = photographs_brought(&register.bring_photos(Some(file))?);
                writeln!(console.out, "{}: {}{photographs}", file.display(), brought(&merged))?;
                exit = if merged.quarantined > 0 { Exit::Storage } else { exit };
            }
            return Ok(exit);
        }
        RegisterCommand::Import { files, batch, register } => {
            let mut register = Register::open(&register.register, Access::Make)?;
            let batch = match batch {
                Some(name) => Some(register.batch_named(name)?.batch),
                None => None,
            };
            return import(&mut register, files, batch.as_ref(), console);
        }
        RegisterCommand::Quarantine(command) => quarantine(command, console)?,
        RegisterCommand::Extract { run, out, register } => {
            let register = Register::open(&register.register, Access::Read)?;
            let run = register.run_named(run)?;
            let out = out
                .clone()
                .unwrap_or_else(|| PathBuf::from(format!("{}_{}.hold", file::safe_name(&run.serial), run.number)));
            let bytes = register.recording(run.id)?;
            file::write(&out, &bytes, Replace::Never)?;
            writeln!(console.out, "{}", out.display())?;
        }
        RegisterCommand::Backup { folder, keep, register } => {
            let register = Register::open(&register.register, Access::Read)?;
            let made = register.back_up(folder, *keep as usize, console.date()?)?;
            let copy = Register::open(&made.file, Access::Read)?;
            let photographs = photographs_brought(&copy.bring_photos(Some(register.path()))?);
            let records: u64 = made.heads.iter().map(|head| head.number.unsigned_abs()).sum();
            let removed = match made.removed.len() {
                0 => String::new(),
                1 => "; 1 older copy removed".into(),
                some => format!("; {some} older copies removed"),
            };
            writeln!(
                console.out,
                "{}: {}, each verified{photographs}{removed}",
                made.file.display(),
                counted(records, "record")
            )?;
        }
        RegisterCommand::Bundle { out, after, filter, register } => {
            let register = Register::open(&register.register, Access::Read)?;
            let now = console.clock.now();
            let merged = match after {
                Some(after) => register.bundle_after(out, *after, now)?,
                None => register.bundle(out, &filter.filter(&register)?, now)?,
            };
            let bundle = Register::open(out, Access::Read)?;
            let photographs = photographs_brought(&bundle.bring_photos(Some(register.path()))?);
            writeln!(console.out, "{}: {}{photographs}", out.display(), brought(&merged))?;
            return Ok(if merged.quarantined > 0 { Exit::Storage } else { Exit::Good });
        }
    }
    Ok(Exit::Good)
}

fn brought(merged: &MergeCounts) -> String {
    let MergeCounts { runs, notes, known, quarantined } = merged;
    let refused = if *quarantined > 0 { format!(", {quarantined} quarantined") } else { String::new() };
    format!("{} and {} added, {known} already there{refused}", counted(*runs, "run"), counted(*notes, "note"))
}

/// What of the photographs came along, and which are not here.
fn photographs_brought(brought: &PhotosBrought) -> String {
    let copied = counted(brought.copied as u64, "photograph");
    let mut text = if brought.copied > 0 { format!("; {copied} copied") } else { String::new() };
    if !brought.not_here.is_empty() {
        let which = brought
            .not_here
            .iter()
            .map(|photo| format!("{} (record {})", photo.note.serial.as_deref().unwrap_or_default(), photo.short));
        let which = which.collect::<Vec<_>>();
        let which: Vec<&str> = which.iter().map(String::as_str).collect();
        let count = counted(which.len() as u64, "photograph");
        text.push_str(&format!("; {count} not here, of {}", shown(&listed(&which))));
    }
    text
}

/// Imports recordings. One that is refused stops none of the others.
fn import(
    register: &mut Register,
    files: &[PathBuf],
    batch: Option<&String>,
    console: &mut Console<'_>,
) -> Result<Exit, Error> {
    let (mut kept, mut known, mut quarantined, mut unread) = (0_u64, 0_u64, 0_u64, 0_u64);
    for path in files {
        match import_one(register, path, batch, console) {
            Ok(added) => {
                *(if added.new { &mut kept } else { &mut known }) += 1;
                let already = if added.new { "" } else { " (already there)" };
                writeln!(console.out, "{}: record {}{already}", path.display(), added.number)?;
            }
            Err(Error::Register(seathold_register::Error::Quarantined { name, reason, id })) => {
                quarantined += 1;
                writeln!(console.out, "{name}: quarantined as {id}: {reason}")?;
            }
            // It does not stop the others. A register that cannot be written would stop each of them.
            Err(why) if why.is_of_one_file() && files.len() > 1 => {
                unread += 1;
                writeln!(console.err, "{why}; left out")?;
            }
            Err(why) => return Err(why),
        }
    }
    if files.len() > 1 || quarantined > 0 {
        let count = counted(files.len() as u64, "recording");
        let unread = if unread > 0 { format!(", {unread} unreadable") } else { String::new() };
        writeln!(console.out, "{count}: {kept} kept, {known} already there, {quarantined} quarantined{unread}")?;
    }
    Ok(if quarantined + unread > 0 { Exit::Storage } else { Exit::Good })
}

/// Takes one recording into the register.
fn import_one(
    register: &mut Register,
    path: &Path,
    batch: Option<&String>,
    console: &Console<'_>,
) -> Result<AppendedRun, Error> {
    let mut meta = RunMeta { batch: batch.cloned(), after_rework: None };
    file::check_length(path, FILE_MAX)?;
    if path.exists() && !path.is_file() && !path.is_dir() {
        let why = std::io::Error::new(std::io::ErrorKind::InvalidInput, "not a regular file, and so no recording");
        return Err(Error::file("read", path, why));
    }
    if let Some(batch) = batch
        && let Ok(recording) = seathold_recording::read(path)
    {
        let header = recording.header;
        if !register.valves_of(batch)?.iter().any(|v| v.serial == header.serial) {
            let why = format!("{}: {} is not on the list of that batch", path.display(), header.serial);
            return Err(super::batch_common::refused(register, why));
        }
        meta.after_rework = register.rework_before(batch, &header.serial, &header.started_at)?;
    }
    Ok(register.import(path, &meta, console.date()?)?)
}

fn quarantine(command: &QuarantineCommand, console: &mut Console<'_>) -> Result<(), Error> {
    match command {
        QuarantineCommand::List { register, json } => {
            let register = Register::open(&register.register, Access::Read)?;
            let entries = register.quarantined()?;
            for entry in &entries {
                if *json {
                    schema::write(console, JsonKind::QuarantineList, json!(entry))?;
                    continue;
                }
                writeln!(
                    console.out,
                    "{}  {}  {} {}, {} bytes, from {}\n   {}",
                    entry.id,
                    super::find::date(&entry.arrived_at),
                    entry.kind,
                    entry.sha256.get(..12).unwrap_or_default(),
                    entry.bytes,
                    entry.source,
                    entry.reason
                )?;
            }
            if entries.is_empty() && !json {
                writeln!(console.out, "nothing is in quarantine")?;
            }
        }
        QuarantineCommand::Remove { number, out, register } => {
            let mut register = Register::open(&register.register, Access::Write)?;
            let (entry, bytes) = register.quarantined_bytes(*number)?;
            let ending = if entry.kind == "recording" { seathold_recording::EXTENSION } else { "json" };
            let hash = entry.sha256.get(..12).unwrap_or_default();
            let out = out.clone().unwrap_or_else(|| PathBuf::from(format!("quarantined-{hash}.{ending}")));
            file::write(&out, &bytes, Replace::Never)?;
            register.remove_quarantined(*number)?;
            writeln!(console.out, "{number}: taken out; it is in {}", out.display())?;
        }
    }
    Ok(())
}

fn info(path: &Path, as_json: bool, console: &mut Console<'_>) -> Result<(), Error> {
    let register = Register::open(path, Access::Read)?;
    let chains = register.chains()?;
    let batches = register.batches()?;
    let runs = register.count(&Default::default())?;
    let refused = register.quarantined()?.len();
    let bytes = std::fs::metadata(path).map_or(0, |m| m.len());
    if as_json {
        let benches: Vec<_> = chains
            .iter()
            .map(|c| json!({ "bench": c.bench, "name": c.name, "local": c.local, "complete": c.complete, "last_number": c.last_number, "last_hash": c.last, "seal": c.seal }))
            .collect();
        let all = json!({ "file": path.display().to_string(), "bytes": bytes, "runs": runs, "quarantined": refused, "batches": batches, "benches": benches });
        schema::write(console, JsonKind::RegisterInfo, all)?;
        return Ok(());
    }
    let mut text = format!("{}\n", path.display());
    line(&mut text, "runs", &format!("{runs} in {:.1} MB", bytes as f64 / 1e6));
    if let Some(why) = register.not_signed()? {
        line(&mut text, "not signed", &why);
    }
    for chain in &chains {
        let own = if chain.local { ", this one" } else { "" };
        let whole = if chain.complete { "" } else { ", a selection" };
        line(
            &mut text,
            "bench",
            &format!("{} ({}{own}): {}{whole}", chain.name, chain.bench, counted(chain.last_number, "record")),
        );
    }
    if refused > 0 {
        line(&mut text, "refused", &format!("{refused} in quarantine; `seathold register quarantine list` says why"));
    }
    for batch in &batches {
        let state = batch.closed_at.as_deref().map_or_else(|| "open".into(), |at| format!("closed {at}"));
        let whole = if batch.selection { ", a selection" } else { "" };
        let BatchRecord { name, valves, opened_at, .. } = batch;
        line(&mut text, "batch", &format!("{name}: {}, opened {opened_at}, {state}{whole}", counted(*valves, "valve")));
    }
    write!(console.out, "{text}")?;
    Ok(())
}

/// Names the photographs that are missing or altered. The records are whole without them: one that is missing may lie beside the
/// register that it came from, and one that was altered is not what was sealed.
fn photographs_there(register: &Register, console: &mut Console<'_>) -> Result<Exit, Error> {
    let photos = register.photos(None, None)?;
    let mut exit = Exit::Good;
    let mut good = 0;
    for photo in &photos {
        let Err(fault) = photographs::shown(photo) else {
            good += 1;
            continue;
        };
        exit = if fault.altered { Exit::Storage } else { exit };
        let what = if fault.altered { "ALTERED" } else { "missing" };
        writeln!(console.out, "{what}: {}", shown(&fault.what))?;
    }
    if !photos.is_empty() {
        writeln!(console.out, "{}: {good} as kept", counted(photos.len() as u64, "photograph"))?;
    }
    Ok(exit)
}

fn verify(
    path: &Path,
    heads: &[String],
    known: &KnownElsewhere<'_>,
    replay: bool,
    console: &mut Console<'_>,
) -> Result<Exit, Error> {
    let register = Register::open(path, Access::Read)?;
    let mut stopped = false;
    let interrupts = console.interrupts;
    let counter = Counter::new("records checked", console.live);
    let found = register.verify_by(replay, |checked| {
        counter.step(checked);
        stopped = interrupts.load(std::sync::atomic::Ordering::Relaxed) > 0;
        !stopped
    })?;
    counter.end();
    if stopped {
        writeln!(console.err, "stopped before the end: nothing wrong was found so far")?;
        return Ok(Exit::NoVerdict);
    }
    match found {
        Verification::Valid(chains) => {
            for chain in &chains {
                let whole = if chain.complete { "" } else { ", a selection" };
                writeln!(
                    console.out,
                    "bench {}: {} valid{whole}, head {}",
                    chain.name,
                    counted(chain.last_number, "record"),
                    chain.seal
                )?;
            }
            let mut exit = compare(&register, &chains, known, console)?;
            if photographs_there(&register, console)? != Exit::Good {
                exit = Exit::Storage;
            }
            let told = tell_heads(heads, console, |head| {
                Ok(register.record_sealed(head)?.map(|record| register.short(&record)))
            })?;
            Ok(if told == Exit::Good { exit } else { told })
        }
        Verification::Unsound(what) => {
            writeln!(console.out, "the file is not sound, so what it shows may not be all: {what}")?;
            Ok(Exit::Storage)
        }
        Verification::Broken(broken) => {
            let name = register.short(&format!("{}/{}", broken.bench, broken.number));
            writeln!(console.out, "bench {}: record {name} {}", broken.name, broken.what)?;
            Ok(Exit::Storage)
        }
    }
}
