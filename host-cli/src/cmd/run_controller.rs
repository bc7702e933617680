//! `seathold run --rig tcp:…` and `serial:…`: a recipe on a controller.

use std::collections::VecDeque;
use std::path::{Path, PathBuf};

use seathold_analysis::calibration::apply;
use seathold_config::rig::differences;
use seathold_quantity::{InputError, InputProblem};
use seathold_recording::header::{LineAccess, ReadingSource};
use seathold_recording::{EXTENSION, Header, Writer};
use seathold_sequencer::event::Phase;
use seathold_sequencer::input::Command;
use seathold_sequencer::link::message::{Request, Response, Snapshot, Welcome};
use seathold_sequencer::rig::Rig;
use seathold_text::messages;

use super::files::load_rig;
use super::run_common::{
    UNMARKED, adapter_of, fits_register, header, new_recording, operator, recipe_of, recording_path, to_the_second,
};
use crate::args::RunArgs;
use crate::console::Console;
use crate::error::Error;
use crate::rig::journal::{self, Journal};
use crate::rig::memory::{self, KeptRig};
use crate::rig::{Address, Answers, Client, Shadow};
use crate::session::{NEEDS_KEY, Session};
use crate::speed::Speed;

/// Longest a controller may take to answer a hello, in microseconds.
pub(super) const GREET_US: u64 = 5_000_000;

/// Longest wait for a rig to be ready after a fault was acknowledged or a run aborted, in microseconds.
const READY_US: u64 = 120_000_000;

/// The session, with the header of its recording and what the rig is called on the screen.
pub(super) fn begin_or_resume(args: &RunArgs, console: &mut Console<'_>) -> Result<(Session, Header, String), Error> {
    let unfit = [
        ("--valve", args.valve.is_some()),
        ("--seat-a", args.seat_a.is_some()),
        ("--seat-b", args.seat_b.is_some()),
        ("--joint-a", args.joint_a.is_some()),
        ("--joint-b", args.joint_b.is_some()),
        ("--stem", args.stem.is_some()),
        ("--rig-leak", args.rig_leak.is_some()),
        ("--set", !args.set.is_empty()),
        ("--seed", args.seed.is_some()),
        ("--fault", !args.fault.is_empty()),
        ("--speed", args.speed.is_some()),
    ];
    if let Some((option, _)) = unfit.iter().find(|(_, given)| *given) {
        return Err(Error::usage(format!(
            "{option} is for the rig simulated in this program (--rig sim), not for a controller"
        )));
    }
    if args.resume.is_some() && args.adapter.is_some() {
        return Err(Error::usage("--adapter: a run that is resumed goes on with the adapter it was begun with"));
    }
    let (session, header) = match &args.resume {
        Some(file) => resume(args, file, console)?,
        None => begin(args, console)?,
    };
    let place = header.source.to_string();
    Ok((session, header, place))
}

fn begin(args: &RunArgs, console: &mut Console<'_>) -> Result<(Session, Header), Error> {
    let address = &args.rig;
    let started = to_the_second(console.date_or(args.started_at)?);
    let serial = args.serial.clone().unwrap_or_else(|| UNMARKED.into());
    let path = recording_path(args.out.as_deref(), &serial, started)?;
    left_over(&path, address)?;

    // As an observer: the controller's records of a run that is not ours must stay there for whoever resumes it.
    let (key, line) = args.access.to(address)?;
    let mut client = Client::look(address, key, console.clock).map_err(|why| Error::rig(address, why))?;
    let welcome = greet_to_command(&mut client, address, console)?;
    let controllers = controllers_rig(args, &mut client, &welcome, console)?;
    let (rig, mut calibrations) = fit(args, &controllers, started)?;
    if let Some((kept, _)) = &controllers.kept {
        if args.calibrations.is_empty()
            && let Some(with) = kept.calibrated(started)
        {
            calibrations = vec![with];
        }
        calibrations.extend(kept.caution());
    }
    let recipe = recipe_of(args, &rig, args.actuation.map(Into::into))?;
    make_ready(args, &mut client, console)?;
    if let Some((kept, number)) = &controllers.kept {
        memory::fit(&mut client, address, console, (&kept.memory, *number))?;
        let now = read_rig(&mut client, address, console)?;
        if now.raw() != rig.raw() {
            return Err(Error::rig(address, "its rig has been changed by somebody else meanwhile: begin again"));
        }
    }
    client.take_records();
    let welcome = client.greet(console.clock, GREET_US).map_err(|why| Error::rig(address, why))?;
    // Records can be dated. That it was not done is no reason not to test.
    let unix_ms = u64::try_from(console.clock.now().as_millisecond()).unwrap_or(0);
    let _ = client.ask(console.clock, &Request::SetTime { unix_ms });

    let source = ReadingSource::Controller {
        address: address.to_string(),
        simulated: welcome.capabilities.simulated,
        boot: welcome.boot,
        link: welcome.version,
        line: Some(line),
    };
    let header = header(args, started, serial, &recipe, (&rig, &controllers.name), calibrations, source);
    fits_register(args, &header)?;
    let operator = operator(&header, answers(args, welcome.capabilities.simulated))?;
    let from = client.have().map_or(0, |have| have.next).max(welcome.next);
    let (writer, path) = new_recording(args.out.as_deref(), &header, started)?;
    let mut journal = Journal::create(&path, &header, from)?;
    journal.keep(&[crate::rig::ClientEvent::Connected { welcome, restarted: false }])?;
    let session = Session {
        client,
        shadow: Shadow::new(rig, recipe.recipe, from),
        operator,
        load: Request::LoadRecipe(header.recipe),
        writer,
        journal: Some(journal),
        resumed: None,
        speed: Speed::Max,
        sent: Some(VecDeque::new()),
    };
    Ok((session, header))
}

/// On a real rig the person at it answers.
fn answers(args: &RunArgs, simulated: bool) -> Answers {
    if args.interactive || !simulated { Answers::Keyboard } else { Answers::Timed }
}

/// As [`Client::greet`], where commands are to follow.
pub(super) fn greet_to_command(
    client: &mut Client,
    address: &Address,
    console: &mut Console<'_>,
) -> Result<Welcome, Error> {
    let welcome = client.greet(console.clock, GREET_US).map_err(|why| Error::rig(address, why))?;
    if welcome.capabilities.key && !client.has_key() {
        return Err(Error::rig(address, NEEDS_KEY));
    }
    Ok(welcome)
}

/// A new run must not lose the controller's records of an unfinished one.
pub(super) fn left_over(path: &Path, address: &Address) -> Result<(), Error> {
    let folder = path.parent().filter(|folder| !folder.as_os_str().is_empty()).unwrap_or(Path::new("."));
    let Ok(entries) = std::fs::read_dir(folder) else { return Ok(()) };
    for entry in entries.flatten() {
        let name = entry.path();
        let Some(recording) = name.to_str().and_then(|name| name.strip_suffix(".link")).map(PathBuf::from) else {
            continue;
        };
        let of_this = journal::head(&recording).is_ok_and(
            |header| matches!(&header.source, ReadingSource::Controller { address: at, .. } if *at == address.to_string()),
        );
        if of_this {
            return Err(Error::rig(
                address,
                format!(
                    "an unfinished run of it lies at {recording}.part: resume it with --resume {recording}, or, if it \
                     is of no use, remove {name}",
                    recording = recording.display(),
                    name = name.display()
                ),
            ));
        }
    }
    Ok(())
}

pub(super) fn read_rig(client: &mut Client, address: &Address, console: &mut Console<'_>) -> Result<Rig, Error> {
    match client.ask(console.clock, &Request::ReadRig).map_err(|why| Error::rig(address, why))? {
        Response::Rig(raw) => {
            raw.validate().map_err(|errors| Error::rig(address, format!("its rig is not valid here: {errors}")))
        }
        other => Err(Error::rig(address, format!("to a request for its rig it answered {other:?}"))),
    }
}

pub(super) fn read_status(
    client: &mut Client,
    address: &Address,
    console: &mut Console<'_>,
) -> Result<Snapshot, Error> {
    match client.ask(console.clock, &Request::ReadStatus).map_err(|why| Error::rig(address, why))? {
        Response::Status(snapshot) => Ok(snapshot),
        other => Err(Error::rig(address, format!("to a request for its status it answered {other:?}"))),
    }
}

/// The rig a controller will judge by.
struct ControllersRig {
    rig: Rig,
    /// What it is called in a recording.
    name: String,
    /// Its adapter's name; empty where it has none.
    adapter: String,
    /// Where it keeps one that was loaded: which, and the number of the adapter that is chosen.
    kept: Option<(KeptRig, Option<u8>)>,
}

/// With the adapter that is chosen, which is not fitted yet.
fn controllers_rig(
    args: &RunArgs,
    client: &mut Client,
    welcome: &Welcome,
    console: &mut Console<'_>,
) -> Result<ControllersRig, Error> {
    let address = &args.rig;
    let rig = read_rig(client, address, console)?;
    if !welcome.capabilities.rig_memory {
        if let Some(name) = &args.adapter {
            return Err(Error::rig(
                address,
                format!("--adapter {name}: the rig is compiled in here, and has no adapters"),
            ));
        }
        return Ok(ControllersRig { rig, name: "the controller's".into(), adapter: String::new(), kept: None });
    }
    let kept = memory::read(client, address, console)?;
    kept.fit_for_air(address)?;
    let number = kept.choose(address, adapter_of(args))?;
    let chosen = kept.adapter(number);
    let raw = chosen.map_or(*rig.raw(), |adapter| adapter.on(rig.raw()));
    let rig = raw.validate().map_err(|errors| Error::rig(address, errors))?;
    let adapter = chosen.map_or_else(String::new, |adapter| adapter.name.to_string());
    Ok(ControllersRig { rig, name: kept.words(number), adapter, kept: Some((kept, number)) })
}

/// The controller judges by its own rig. A rig file or calibrations given here must give the same rig, or the results
/// would not be those that were asked for.
fn fit(args: &RunArgs, controllers: &ControllersRig, at: jiff::Timestamp) -> Result<(Rig, Vec<String>), Error> {
    let choice = adapter_of(args);
    let base = match &args.rig_file {
        Some(file) => load_rig(Some(file), choice)?.rig,
        None => controllers.rig,
    };
    let (rig, calibrations) = apply::to_run(&base, &controllers.adapter, &args.calibrations, at)?;
    let value = |value: Option<f64>| value.map_or_else(|| "not there".into(), |value| value.to_string());
    let problems: Vec<InputProblem> = differences(rig.raw(), controllers.rig.raw())
        .iter()
        .map(|field| InputProblem {
            line: None,
            message: format!(
                "{} is {} here and {} on the controller",
                field.name,
                value(field.one),
                value(field.other)
            ),
        })
        .collect();
    if problems.is_empty() {
        return Ok((controllers.rig, calibrations));
    }
    let origin = args.rig_file.as_ref().map_or_else(|| "--calibrations".into(), |f| f.display().to_string());
    Err(Error::Input(InputError {
        origin: format!(
            "{origin}: not the rig of the controller at {}; load it there with `seathold rig load`",
            args.rig
        ),
        problems,
    }))
}

/// Waits until the controller is ready for a recipe, where it becomes so without a person.
fn make_ready(args: &RunArgs, client: &mut Client, console: &mut Console<'_>) -> Result<(), Error> {
    let address = &args.rig;
    let until = client.now(console.clock) + READY_US;
    let (mut aborted, mut acknowledged, mut vented) = (false, false, false);
    loop {
        let status = read_status(client, address, console)?;
        let command = match status.phase {
            Phase::Ready => return Ok(()),
            // It looks, or vents, by itself.
            Phase::StartUp => None,
            // So it does where a run was ended by a fault that is acknowledged now.
            Phase::SafeVent if status.side.is_none() || acknowledged => None,
            Phase::Fault | Phase::Trapped | Phase::EmergencyStopped => {
                let why = status.fault.map_or_else(String::new, |fault| format!(" ({})", messages::fault(fault).0));
                if !args.acknowledge {
                    let text = format!(
                        "a fault on the controller waits for you to acknowledge it{why}. Remove its cause, then give \
                         --acknowledge (with `batch test` after a --: `batch test -- --acknowledge`); that does not skip \
                         the safe vent"
                    );
                    return Err(Error::rig(address, text));
                }
                if acknowledged && vented {
                    let text = format!(
                        "the fault was acknowledged, and after the safe vent one waits again{why}: its cause is still there. \
                         Remove it, then give --acknowledge again"
                    );
                    return Err(Error::rig(address, text));
                }
                (!std::mem::replace(&mut acknowledged, true)).then_some(Command::Acknowledge)
            }
            phase => {
                if !args.abort_existing {
                    let first = if acknowledged { "the fault was acknowledged; " } else { "" };
                    let text = format!(
                        "{first}a run is in progress on it ({}). It continues by itself. Wait for its end, resume it with \
                         --resume FILE where its unfinished recording is, or abort it with --abort-existing",
                        messages::phase_name(phase)
                    );
                    return Err(Error::rig(address, text));
                }
                (!std::mem::replace(&mut aborted, true)).then_some(Command::Abort)
            }
        };
        vented |= acknowledged && status.phase == Phase::SafeVent;
        if command == Some(Command::Acknowledge) {
            writeln!(console.err, "the fault on the controller is acknowledged; it vents, and then the run begins")?;
        }
        if let Some(command) = command {
            client.ask(console.clock, &Request::Operate(command)).map_err(|why| Error::rig(address, why))?;
        }
        let now = client.now(console.clock);
        if now > until || console.interrupted() > 0 {
            return Err(Error::rig(
                address,
                format!(
                    "{}it stays in {} and is not ready",
                    if acknowledged { "the fault was acknowledged, but " } else { "" },
                    messages::phase_name(status.phase)
                ),
            ));
        }
        let next = now + 200_000;
        while client.now(console.clock) < next {
            client.turn(console.clock, &mut Vec::new(), |_| {});
        }
    }
}

/// A resumed run: the journal is processed again, then the controller is called.
fn resume(args: &RunArgs, file: &Path, console: &mut Console<'_>) -> Result<(Session, Header), Error> {
    let name = file.to_string_lossy();
    let recording = PathBuf::from(name.strip_suffix(".part").or(name.strip_suffix(".link")).unwrap_or(&name));
    if recording.extension().is_none_or(|ending| ending != EXTENSION) {
        return Err(Error::usage(format!("--resume {name}: give the unfinished recording, NAME.{EXTENSION}.part")));
    }
    let before = journal::read(&recording)?;
    let header = before.header;
    let ReadingSource::Controller { address: at, simulated, line, .. } = &header.source else {
        return Err(Error::usage(format!("--resume {name}: it was not made on a controller")));
    };
    let address: Address = if args.rig == Address::Sim {
        at.parse().map_err(|why| Error::usage(format!("--resume {name}: {why}")))?
    } else {
        args.rig.clone()
    };
    let bad = |errors: String| Error::usage(format!("--resume {name}: {errors}"));
    let rig = header.rig.validate().map_err(|errors| bad(errors.to_string()))?;
    let recipe = header.recipe.validate(&rig).map_err(|errors| bad(errors.to_string()))?;
    let operator = operator(&header, answers(args, *simulated))?;
    let (key, _) = args.access.to(&address)?;
    if line.is_some_and(|line| line == LineAccess::Key) && key.is_none() {
        return Err(Error::usage(format!("--resume {name}: the run was begun under a key: give --key FILE")));
    }
    let client =
        Client::open(&address, key, Some(before.have), console.clock).map_err(|why| Error::rig(&address, why))?;
    let journal = Journal::reopen(&recording)?;
    // Written again from the journal, which has all that it had and more.
    let mut part = recording.clone().into_os_string();
    part.push(".part");
    match std::fs::remove_file(&part) {
        Err(why) if why.kind() != std::io::ErrorKind::NotFound => {
            return Err(Error::file("write", Path::new(&part), why));
        }
        _ => {}
    }
    let writer = Writer::create(&recording, &header)?;
    let session = Session {
        client,
        shadow: Shadow::new(rig, recipe, before.from),
        operator,
        load: Request::LoadRecipe(header.recipe),
        writer,
        journal: Some(journal),
        resumed: Some(before.events),
        speed: Speed::Max,
        sent: Some(before.sent.into()),
    };
    Ok((session, header))
}
