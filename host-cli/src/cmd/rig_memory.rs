//! `seathold rig load`, `show` and `waive-check`: the rig that a controller keeps.

use std::path::Path;

use jiff::civil::{Date, Time};
use jiff::tz::TimeZone;
use seathold_analysis::calibration::apply::Taken;
use seathold_analysis::calibration::load::to_load;
use seathold_config::rig::{RigFile, adapter_words, differences, file_with_adapters};
use seathold_sequencer::field::{Errors, FieldError, Unit};
use seathold_sequencer::link::message::RigLack;
use seathold_sequencer::rig::{FIELDS, RawRig};
use seathold_sequencer::rig_image::{Adapter, RigImage};
use seathold_text::layout::line;
use serde_json::json;

use super::files::whole_rig;
use super::run_controller::{greet_to_command, read_rig};
use super::stdin_lines::StdinLines;
use crate::console::Console;
use crate::error::Error;
use crate::exit::Exit;
use crate::rig::memory::{self, KeptRig};
use crate::rig::{AccessArgs, Address, Client};
use crate::rig_args::{ControllerArgs, LoadArgs, ShowRigArgs, WaiveArgs};
use crate::schema::{self, JsonKind};

fn open(args: &ControllerArgs, console: &mut Console<'_>) -> Result<Client, Error> {
    let address = &args.rig;
    let key = args.access.to(address)?.0;
    let mut client = Client::look(address, key, console.clock).map_err(|why| Error::rig(address, why))?;
    let welcome = greet_to_command(&mut client, address, console)?;
    if !welcome.capabilities.rig_memory {
        return Err(Error::rig(address, "its rig is compiled in: another one means another image of its firmware"));
    }
    Ok(client)
}

/// `seathold rig load`.
pub(super) fn load(args: &LoadArgs, console: &mut Console<'_>) -> Result<Exit, Error> {
    let calibrated = to_load(whole_rig(Some(&args.file))?, &args.calibrations, console.date()?)?;
    let mut client = open(&args.controller, console)?;
    let mut notes: Vec<String> = calibrated.notes.into_iter().map(|note| note.text).collect();
    if args.calibrations.is_empty() {
        notes.push("no calibration given: every figure is the rig file's".into());
    }
    let until = calibrated.until.map_or(0, end_of);
    offer(&mut client, &args.controller.rig, (&calibrated.file, &notes, until), args.yes, console)
}

/// Loads a calibration into the rig that the controller keeps.
pub(super) fn load_calibration(
    (address, access, yes): (&Address, &AccessArgs, bool),
    path: &Path,
    console: &mut Console<'_>,
) -> Result<Exit, Error> {
    let controller = ControllerArgs { rig: address.clone(), access: access.clone() };
    let mut client = open(&controller, console)?;
    let kept = memory::read(&mut client, address, console)?;
    if kept.memory.generation == 0 {
        let why = "no rig is loaded that it could be loaded with: describe yours in a file, and load both with `seathold rig load`";
        return Err(Error::rig(address, why));
    }
    let rig = read_rig(&mut client, address, console)?;
    let file =
        RigFile { origin: address.to_string(), name: kept.memory.name.to_string(), rig, adapters: kept.adapters };
    let calibrated = to_load(file, &[path.to_owned()], console.date()?)?;
    // What was not given is as it was, and needs no word.
    let taken = calibrated.notes.into_iter().filter(|note| matches!(note.taken, Taken::To(_)));
    let mut notes: Vec<String> = taken.map(|note| note.text).collect();
    let (before, new) = (kept.memory.calibrated_until_unix_ms, calibrated.until.map_or(0, end_of));
    let until = if before == 0 { new } else { before.min(new) };
    if until < new {
        // Which of them ends first is not kept: so one that is renewed alone does not move the day.
        notes.push(format!(
            "together with those loaded before valid to {} as before: to renew that, load all of them with `seathold rig load`",
            memory::date(until)
        ));
    }
    offer(&mut client, address, (&calibrated.file, &notes, until), yes, console)
}

/// Shows what would be loaded, and loads it when that is confirmed.
fn offer(
    client: &mut Client,
    address: &Address,
    (file, notes, until): (&RigFile, &[String], u64),
    yes: bool,
    console: &mut Console<'_>,
) -> Result<Exit, Error> {
    let image = RigImage { calibrated_until_unix_ms: until, ..image(file)? };
    let compiled_in = memory::compiled_in(client, address, console)?;
    let mut errors = Errors::default();
    if !image.validate_with(&compiled_in, &mut |error: FieldError| errors.add(error)) {
        return Err(Error::usage(format!("{}: not for this controller: {errors}", file.origin)));
    }
    let before = memory::read(client, address, console)?;
    let in_force = *read_rig(client, address, console)?.raw();
    let mut text = format!("{address}\n");
    line(&mut text, "in force", &before.words(before.memory.fitted));
    line(&mut text, "to load", &file.name);
    for note in notes {
        line(&mut text, "calibrated", note);
    }
    // Of the adapters' part it has no say where there are adapters.
    let changes = changes(&in_force, &image.rig, !before.adapters.is_empty() || !image.adapters.is_empty());
    if changes.is_empty() {
        line(&mut text, "changes", "none of the rig itself");
    }
    changes.iter().for_each(|change| line(&mut text, "change", change));
    for adapter in &image.adapters {
        let known = before.adapters.iter().find(|other| other.name == adapter.name);
        let what = match known {
            None => "new",
            Some(other) if other == adapter => "as before",
            Some(_) => "changed",
        };
        line(&mut text, "adapter", &format!("{}; {what}", figures(adapter)));
    }
    for gone in before.adapters.iter().filter(|old| image.adapters.iter().all(|new| new.name != old.name)) {
        line(&mut text, "adapter", &format!("{}; no longer there", adapter_words(gone)));
    }
    write!(console.err, "{text}")?;
    if !yes && !agreed(console, "load it into the controller?")? {
        writeln!(console.err, "not loaded; nothing has changed")?;
        return Ok(Exit::NoVerdict);
    }
    memory::store(client, address, console, &image)?;
    // What it keeps is what was meant: its own word, read back.
    let kept = memory::read(client, address, console)?;
    let now = *read_rig(client, address, console)?.raw();
    if kept.adapters[..] != image.adapters[..] || now != image.rig {
        return Err(Error::rig(
            address,
            "what it keeps is not what was loaded: load it again, and let no air in before",
        ));
    }
    let mut text = format!("{address}\n");
    tell(&mut text, &kept, &now);
    let next = match kept.fit_for_air(address) {
        Ok(()) => "what was decided on its check still holds: it differs by calibrations and adapters alone".to_owned(),
        Err(_) => format!("no air before every input and output has been checked: seathold doctor --rig {address}"),
    };
    line(&mut text, "next", &next);
    write!(console.out, "{text}")?;
    Ok(Exit::Good)
}

/// `seathold rig show --rig …`.
pub(super) fn show(args: &ShowRigArgs, console: &mut Console<'_>) -> Result<Exit, Error> {
    let address = &args.controller.rig;
    let mut client = open(&args.controller, console)?;
    let kept = memory::read(&mut client, address, console)?;
    let in_force = read_rig(&mut client, address, console)?;
    if args.toml {
        let loaded = kept.memory.generation != 0;
        let name = if loaded { kept.memory.name.to_string() } else { "bench".into() };
        let what = if loaded {
            "the rig that is loaded, with the calibrations that were loaded with it"
        } else {
            "the rig compiled in"
        };
        let head = format!("# Read from {address}: {what}.\n# Check it with: seathold rig check FILE\n");
        let file = RigFile { origin: address.to_string(), name, rig: in_force, adapters: kept.adapters };
        write!(console.out, "{}", file_with_adapters(&file, &head))?;
        return Ok(Exit::Good);
    }
    let rig = *in_force.raw();
    if args.json {
        let fields = |raw: &RawRig| {
            let field =
                |field: &seathold_sequencer::field::Field<RawRig>| (field.name.to_owned(), (field.get)(raw).into());
            FIELDS.iter().map(field).collect::<serde_json::Map<_, _>>()
        };
        let adapter = |adapter: &Adapter| {
            json!({ "name": adapter.name, "dn": [adapter.dn_min, adapter.dn_max],
            "rig": fields(&adapter.on(&rig)), "tau_s": adapter.tau_s })
        };
        let object = json!({ "rig": address.to_string(), "memory": kept.memory, "in_force": fields(&rig),
            "tau_s": rig.tau_s, "adapters": kept.adapters.iter().map(adapter).collect::<Vec<_>>() });
        schema::write(console, JsonKind::RigShow, object)?;
        return Ok(Exit::Good);
    }
    let mut text = format!("{address}\n");
    tell(&mut text, &kept, &rig);
    write!(console.out, "{text}")?;
    Ok(Exit::Good)
}

/// `seathold rig waive-check`.
pub(super) fn waive(args: &WaiveArgs, console: &mut Console<'_>) -> Result<Exit, Error> {
    let address = &args.controller.rig;
    let mut client = open(&args.controller, console)?;
    let kept = memory::read(&mut client, address, console)?;
    if kept.memory.generation == 0 {
        return Err(Error::rig(address, "no rig is loaded whose check could be waived"));
    }
    writeln!(
        console.err,
        "CAUTION: an input that is wired wrongly, or a transducer with a wrong scale, may show an empty rig where there is \
         pressure. Every recording will say that this rig was not checked. `seathold doctor --rig {address}` checks it in some minutes"
    )?;
    if !args.yes && !agreed(console, "let air in without it?")? {
        writeln!(console.err, "not waived")?;
        return Ok(Exit::NoVerdict);
    }
    memory::set_check(&mut client, address, console, (kept.memory.generation, true))?;
    let kept = memory::read(&mut client, address, console)?;
    writeln!(console.out, "{address}: check {}", memory::check_words(kept.memory.check))?;
    Ok(Exit::Good)
}

/// The end of a day, in milliseconds since 1970.
fn end_of(day: Date) -> u64 {
    let next = TimeZone::UTC.to_timestamp(day.tomorrow().unwrap_or(day).to_datetime(Time::midnight()));
    next.ok().and_then(|at| u64::try_from(at.as_millisecond() - 1).ok()).unwrap_or(0)
}

fn image(file: &RigFile) -> Result<RigImage, Error> {
    let name =
        file.name.as_str().try_into().map_err(|_| Error::usage(format!("{}: its name is too long", file.origin)))?;
    let mut image = RigImage::new(name, *file.rig.raw());
    for adapter in &file.adapters {
        let _ = image.adapters.push(adapter.clone());
    }
    Ok(image)
}

fn tell(text: &mut String, kept: &KeptRig, rig: &RawRig) {
    line(text, "rig", &kept.words(kept.memory.fitted));
    if kept.memory.generation > 0 {
        line(text, "check", &memory::check_words(kept.memory.check));
        let until = kept.memory.calibrated_until_unix_ms;
        let calibrated = if until == 0 {
            "no: every figure is the rig file's".into()
        } else {
            format!("valid to {}", memory::date(until))
        };
        line(text, "calibrated", &calibrated);
    }
    line(text, "hard max", &format!("{:.1} bar", f64::from(rig.hard_max_pa) / 1e5));
    let missing = kept.memory.lacking == Some(RigLack::Rig);
    if kept.adapters.is_empty() && !missing {
        line(text, "far side", &far_side(rig));
    }
    for (number, adapter) in kept.adapters.iter().enumerate() {
        let fitted = if kept.memory.fitted.map(usize::from) == Some(number) { "; chosen" } else { "" };
        line(text, "adapter", &format!("{}{fitted}", figures(adapter)));
    }
    if missing {
        line(text, "MISSING", "no rig is loaded, or what is stored cannot be used: no air");
    }
}

/// An adapter with its figures.
fn figures(adapter: &Adapter) -> String {
    let rig = adapter.on(&RawRig::DEMO);
    format!("{}: {}", adapter_words(adapter), far_side(&rig))
}

fn far_side(rig: &RawRig) -> String {
    let tau = rig.tau_s.map_or_else(|| "settling time not known".into(), |tau| format!("settles with {tau:.2} s"));
    let runs = if rig.blank_runs > 0 { format!(", {} leak-free sides", rig.blank_runs) } else { String::new() };
    format!("far volume {:.2} cm³ ± {:.1} %, {tau}{runs}", rig.far_volume_m3 * 1e6, rig.far_volume_u_rel * 100.0)
}

/// What differs, field by field; without what belongs to adapters where those are told of.
fn changes(before: &RawRig, after: &RawRig, adapters: bool) -> Vec<String> {
    let after = if adapters { Adapter::of("", before).map_or(*after, |same| same.on(after)) } else { *after };
    let value = |value: Option<f64>, unit: Unit| match value {
        Some(value) => format!("{value} {}", unit.symbol()).trim_end().to_owned(),
        None => "not there".into(),
    };
    differences(before, &after)
        .iter()
        .map(|field| format!("{}: {} → {}", field.name, value(field.one, field.unit), value(field.other, field.unit)))
        .collect()
}

/// Whether the person says yes. Without a keyboard nobody does.
fn agreed(console: &mut Console<'_>, question: &str) -> Result<bool, Error> {
    let mut lines = StdinLines::default();
    // What was typed before the question is no answer to it.
    lines.forget(console)?;
    writeln!(console.err, "{question} (yes, or anything else to leave it)")?;
    Ok(lines.next(console)?.is_some_and(|line| line.trim() == "yes"))
}
