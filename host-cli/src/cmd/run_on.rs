//! `seathold run --rig tcp:…` and `serial:…`: a recipe on a controller.

use std::path::{Path, PathBuf};

use seathold_sequencer::event::Phase;
use seathold_sequencer::input::Command;
use seathold_sequencer::link::message::{Answer, Order, Snapshot, Welcome};
use seathold_sequencer::rig::{FIELDS, RawRig, Rig};
use serde_json::json;

use super::files::load_rig;
use super::run::{How, find_recipe, finish, opening, recording_path, screen_for, to_the_second};
use crate::calibration::apply;
use crate::cli::Run;
use crate::console::Console;
use crate::error::{Error, Problem};
use crate::exit::Exit;
use crate::recording::header::Source;
use crate::recording::{EXTENSION, Header, Writer};
use crate::rig::answers::Answers;
use crate::rig::journal::{self, Journal};
use crate::rig::session::Session;
use crate::rig::{Address, Follower, Remote};
use crate::words::{self, Speaker};

/// Longest a controller may take to answer a hello, in microseconds.
pub(super) const GREET_US: u64 = 5_000_000;

/// Longest a rig is waited for until it is ready after a fault was acknowledged or a run given up, in microseconds.
const READY_US: u64 = 120_000_000;

pub(super) fn run(typed: &Run, how: &How, console: &mut Console<'_>) -> Result<Exit, Error> {
    let unfit = [
        ("--valve", typed.valve != "tight"),
        ("--seat-a", typed.seat_a.is_some()),
        ("--seat-b", typed.seat_b.is_some()),
        ("--joint-a", typed.joint_a.is_some()),
        ("--joint-b", typed.joint_b.is_some()),
        ("--stem", typed.stem.is_some()),
        ("--rig-leak", typed.rig_leak.is_some()),
        ("--set", !typed.set.is_empty()),
        ("--seed", typed.seed.is_some()),
        ("--fault", !typed.fault.is_empty()),
        ("--speed", typed.speed.is_some()),
    ];
    if let Some((option, _)) = unfit.iter().find(|(_, given)| *given) {
        return Err(Error::usage(format!("{option} is for the rig simulated in this program, not for a controller")));
    }
    let (session, header) = match &typed.resume {
        Some(file) => resume(typed, file, console)?,
        None => begin(typed, console)?,
    };
    let speaker = Speaker::new(&header.recipe, &header.shown);
    let opened = match (typed.json, typed.quiet) {
        (true, _) => writeln!(console.out, "{}", json!({ "run": header })),
        (false, true) => Ok(()),
        (false, false) => write!(console.err, "{}", opening(&header, &header.source.to_string(), &speaker)),
    };
    let mut screen = screen_for(typed, speaker, console);
    let ended = session.run(console, screen.as_mut(), opened.err().map(Error::from));
    screen.end();
    let (ended, journal) = ended?;
    if ended.abandoned {
        let part = ended.writer.part().display().to_string();
        let exit = finish(typed, how, &header, &speaker, ended, console)?;
        writeln!(console.err, "the controller goes on by itself; take the run up again with --resume {part}")?;
        return Ok(exit);
    }
    let exit = finish(typed, how, &header, &speaker, ended, console)?;
    journal.remove();
    Ok(exit)
}

fn begin(typed: &Run, console: &mut Console<'_>) -> Result<(Session, Header), Error> {
    let address = &typed.rig;
    let started = to_the_second(typed.at.unwrap_or_else(|| console.clock.now()));
    let serial = typed.serial.clone().unwrap_or_else(|| "unmarked".into());
    let path = recording_path(typed.out.clone(), &serial, started);
    left_over(&path, address)?;

    // Only to look: what the controller keeps of a run that is not ours must stay there for whoever takes it up.
    let mut remote = Remote::look(address, console.clock).map_err(|why| Error::rig(address, why))?;
    remote.greet(console.clock, GREET_US).map_err(|why| Error::rig(address, why))?;
    let controllers = read_rig(&mut remote, address, console)?;
    let (rig, calibrations) = fit(typed, &controllers, started)?;
    let recipe = find_recipe(typed.recipe.as_deref(), &rig, typed.kind.map(Into::into))?;
    let recipe = match &typed.limit {
        Some(text) => recipe.with_limit(text, typed.dn, &rig)?,
        None => recipe,
    };
    make_ready(typed, &mut remote, console)?;
    remote.take_records();
    let welcome = remote.greet(console.clock, GREET_US).map_err(|why| Error::rig(address, why))?;
    // Records can be dated. That it was not done is no reason not to test.
    let unix_ms = u64::try_from(console.clock.now().as_millisecond()).unwrap_or(0);
    let _ = remote.ask(console.clock, &Order::SetTime { unix_ms });

    let header = Header {
        program: concat!("seathold ", env!("CARGO_PKG_VERSION")).into(),
        started_at: started.to_string(),
        serial,
        operator: typed.operator.clone(),
        sides: typed.sides.into(),
        recipe_name: recipe.name.clone(),
        recipe: *recipe.recipe.raw(),
        rig_name: typed.rig_file.as_ref().map_or_else(|| "the controller's".into(), |f| f.display().to_string()),
        rig: *rig.raw(),
        calibrations,
        source: Source::Controller {
            address: address.to_string(),
            simulated: welcome.can.simulated,
            boot: welcome.boot,
            link: welcome.version,
        },
        shown: recipe.shown.clone(),
    };
    let from = remote.have().map_or(0, |have| have.next).max(welcome.next);
    let writer = Writer::create(&path, &header)?;
    let mut journal = Journal::create(&path, &header, from)?;
    journal.keep(&[crate::rig::News::Connected { welcome, restarted: false }])?;
    let session = Session {
        remote,
        follower: Follower::new(rig, recipe.recipe, from),
        answers: Answers::new(header.sides, keyboard(typed, &welcome)),
        load: Order::LoadRecipe(header.recipe),
        writer,
        journal,
        before: Vec::new(),
    };
    Ok((session, header))
}

/// A real rig is answered for by the person at it.
fn keyboard(typed: &Run, welcome: &Welcome) -> bool {
    typed.ask || !welcome.can.simulated
}

/// An unfinished run of this rig must not be lost to a new one: what the controller still keeps of it would be.
pub(super) fn left_over(path: &Path, address: &Address) -> Result<(), Error> {
    let folder = path.parent().filter(|folder| !folder.as_os_str().is_empty()).unwrap_or(Path::new("."));
    let Ok(entries) = std::fs::read_dir(folder) else { return Ok(()) };
    for entry in entries.flatten() {
        let name = entry.path();
        let Some(recording) = name.to_str().and_then(|name| name.strip_suffix(".link")).map(PathBuf::from) else {
            continue;
        };
        let of_this = journal::head(&recording).is_ok_and(
            |header| matches!(&header.source, Source::Controller { address: at, .. } if *at == address.to_string()),
        );
        if of_this {
            return Err(Error::rig(
                address,
                format!(
                    "an unfinished run of it lies at {recording}.part: take it up with --resume {recording}, or, if it \
                     is of no use, remove {name}",
                    recording = recording.display(),
                    name = name.display()
                ),
            ));
        }
    }
    Ok(())
}

pub(super) fn read_rig(remote: &mut Remote, address: &Address, console: &mut Console<'_>) -> Result<Rig, Error> {
    match remote.ask(console.clock, &Order::ReadRig).map_err(|why| Error::rig(address, why))? {
        Answer::Rig(raw) => {
            raw.validate().map_err(|errors| Error::rig(address, format!("its rig is not valid here: {errors}")))
        }
        other => Err(Error::rig(address, format!("asked for its rig it said {other:?}"))),
    }
}

pub(super) fn read_status(
    remote: &mut Remote,
    address: &Address,
    console: &mut Console<'_>,
) -> Result<Snapshot, Error> {
    match remote.ask(console.clock, &Order::ReadStatus).map_err(|why| Error::rig(address, why))? {
        Answer::Status(snapshot) => Ok(snapshot),
        other => Err(Error::rig(address, format!("asked for its status it said {other:?}"))),
    }
}

/// The controller judges by its own rig. A rig file or calibrations given here must come to the same, or the figures
/// would not be those that were asked for.
fn fit(typed: &Run, controllers: &Rig, at: jiff::Timestamp) -> Result<(Rig, Vec<String>), Error> {
    let base = match &typed.rig_file {
        Some(file) => load_rig(Some(file))?,
        None => *controllers,
    };
    let (rig, calibrations) = apply::to_run(&base, &typed.calibrations, at)?;
    let problems: Vec<Problem> = differences(rig.raw(), controllers.raw())
        .map(|(name, here, there)| Problem {
            line: None,
            message: format!("{name} is {here} here and {there} on the controller"),
        })
        .collect();
    if problems.is_empty() {
        return Ok((*controllers, calibrations));
    }
    let origin = typed.rig_file.as_ref().map_or_else(|| "--calibrations".into(), |f| f.display().to_string());
    Err(Error::Input {
        origin: format!("{origin}: not the rig that is built into the controller at {}", typed.rig),
        problems,
    })
}

fn differences<'a>(here: &'a RawRig, there: &'a RawRig) -> impl Iterator<Item = (&'static str, f64, f64)> + 'a {
    FIELDS
        .iter()
        .map(move |field| (field.name, (field.get)(here), (field.get)(there)))
        .filter(|(_, here, there)| here.to_bits() != there.to_bits())
}

/// Waits until the controller is ready for a recipe, where it can be made so without a person.
fn make_ready(typed: &Run, remote: &mut Remote, console: &mut Console<'_>) -> Result<(), Error> {
    let address = &typed.rig;
    let until = remote.now(console.clock) + READY_US;
    let (mut gave_up, mut acknowledged) = (false, false);
    loop {
        let status = read_status(remote, address, console)?;
        let command = match status.phase {
            Phase::Ready => return Ok(()),
            // It looks, or vents, by itself.
            Phase::StartUp => None,
            Phase::SafeVent if status.side.is_none() => None,
            Phase::Fault | Phase::Trapped | Phase::Held => {
                let why = status.fault.map_or_else(String::new, |fault| format!(" ({})", words::fault(fault).0));
                if !typed.acknowledge {
                    let text = format!(
                        "a fault is latched on the controller{why}. See to it, then give --acknowledge; that does not \
                         skip the safe vent"
                    );
                    return Err(Error::rig(address, text));
                }
                (!std::mem::replace(&mut acknowledged, true)).then_some(Command::Acknowledge)
            }
            phase => {
                if !typed.take_over {
                    let text = format!(
                        "a run is in progress on it ({}). It goes on by itself. Wait for its end, take it up with \
                         --resume FILE where its unfinished recording is, or give it up with --take-over",
                        words::phase_name(phase)
                    );
                    return Err(Error::rig(address, text));
                }
                (!std::mem::replace(&mut gave_up, true)).then_some(Command::Abort)
            }
        };
        if let Some(command) = command {
            remote.ask(console.clock, &Order::Operate(command)).map_err(|why| Error::rig(address, why))?;
        }
        let now = remote.now(console.clock);
        if now > until || console.interrupted() > 0 {
            return Err(Error::rig(
                address,
                format!("it stays in {} and is not ready", words::phase_name(status.phase)),
            ));
        }
        let next = now + 200_000;
        while remote.now(console.clock) < next {
            remote.turn(console.clock, &mut Vec::new(), |_| {});
        }
    }
}

/// A run taken up again: all that had come is told once more, then the controller is called.
fn resume(typed: &Run, file: &Path, console: &mut Console<'_>) -> Result<(Session, Header), Error> {
    let name = file.to_string_lossy();
    let recording = PathBuf::from(name.strip_suffix(".part").or(name.strip_suffix(".link")).unwrap_or(&name));
    if recording.extension().is_none_or(|ending| ending != EXTENSION) {
        return Err(Error::usage(format!("--resume {name}: give the unfinished recording, NAME.{EXTENSION}.part")));
    }
    let before = journal::read(&recording)?;
    let header = before.header;
    let Source::Controller { address: at, simulated, .. } = &header.source else {
        return Err(Error::usage(format!("--resume {name}: it was not made on a controller")));
    };
    let address: Address = if typed.rig == Address::Sim {
        at.parse().map_err(|why| Error::usage(format!("--resume {name}: {why}")))?
    } else {
        typed.rig.clone()
    };
    let bad = |errors: String| Error::usage(format!("--resume {name}: {errors}"));
    let rig = header.rig.validate().map_err(|errors| bad(errors.to_string()))?;
    let recipe = header.recipe.validate(&rig).map_err(|errors| bad(errors.to_string()))?;
    let remote = Remote::open(&address, Some(before.have), console.clock).map_err(|why| Error::rig(&address, why))?;
    let journal = Journal::go_on(&recording)?;
    // Written anew from the journal, which has all that it had and more.
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
        remote,
        follower: Follower::new(rig, recipe, before.from),
        answers: Answers::new(header.sides, typed.ask || !simulated),
        load: Order::LoadRecipe(header.recipe),
        writer,
        journal,
        before: before.news,
    };
    Ok((session, header))
}
