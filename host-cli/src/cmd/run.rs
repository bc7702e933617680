//! `seathold run`: a recipe on a rig.

use std::path::{Path, PathBuf};

use jiff::Timestamp;
use seathold_sequencer::event::Disconnect;
use seathold_sequencer::input::Sides;
use seathold_sequencer::recipe::Recipe;
use seathold_sequencer::rig::Rig;
use seathold_sequencer::step::Sequencer;
use seathold_sequencer::time::millis;
use seathold_sim::bench::SimBench;
use seathold_sim::fault::Fault;
use seathold_sim::operator::SimOperator;
use serde_json::json;

use super::files::load_rig;
use super::register::keep;
use super::run_on;
use crate::advice;
use crate::calibration::apply;
use crate::cli::{Run, Speed};
use crate::console::Console;
use crate::error::Error;
use crate::exit::Exit;
use crate::files::fault;
use crate::files::recipe as recipes;
use crate::files::valve::{self, Valve};
use crate::recording::header::Source;
use crate::recording::{EXTENSION, Header, Writer};
use crate::register::Meta;
use crate::rig::sim::parse_fault;
use crate::rig::{Address, Person};
use crate::screen::{Json, Live, Plain, Quiet, Screen};
use crate::session::{Ended, Session};
use crate::summary::line;
use crate::words::{self, Speaker};

/// Seed where none is given. Fixed, so that the first run of the book is everybody's first run.
const SEED: u64 = 1;

/// Built-in recipes.
const RECIPES: &[(&str, &str)] = &[
    ("dn25-air", include_str!("../../examples/recipes/dn25-air.toml")),
    ("dn25-hand", include_str!("../../examples/recipes/dn25-hand.toml")),
];

/// What was typed, worked out and checked; nothing has moved yet.
struct Plan {
    /// With its calibrations.
    rig: Rig,
    /// What the simulated transducers really are.
    as_built: Rig,
    recipe: recipes::Read,
    valve: Valve,
    header: Header,
    faults: Vec<Fault>,
    speed: Speed,
    path: PathBuf,
}

/// How a run is kept and told.
#[derive(Debug, Default)]
pub(super) struct How {
    /// What the register is told besides the recording.
    pub(super) meta: Meta,
    /// The caller tells the result, unless a fault ended the run or the bleed was not confirmed.
    pub(super) brief: bool,
}

/// Whether a recipe of this name is built in.
pub(super) fn is_built_in(name: &str) -> bool {
    RECIPES.iter().any(|(known, _)| *known == name)
}

/// The built-in recipe for a kind of valve, as the register calls it.
pub(super) fn built_in_for(kind: &str) -> &'static str {
    if kind == "hand" { "dn25-hand" } else { "dn25-air" }
}

/// `seathold run`.
pub(super) fn run(typed: &Run, console: &mut Console<'_>) -> Result<Exit, Error> {
    run_for(typed, &How::default(), console)
}

/// A run for somebody else.
pub(super) fn run_for(typed: &Run, how: &How, console: &mut Console<'_>) -> Result<Exit, Error> {
    if typed.fault.iter().any(|f| f == "list") {
        write!(console.out, "{}", fault::list())?;
        return Ok(Exit::Good);
    }
    if typed.rig != Address::Sim || typed.resume.is_some() {
        return run_on::run(typed, how, console);
    }
    if typed.take_over || typed.acknowledge {
        return Err(Error::usage("--take-over and --acknowledge are for a controller: give --rig too"));
    }
    let plan = plan(typed, console.clock.now())?;
    let speaker = Speaker::new(plan.recipe.recipe.raw(), &plan.recipe.shown);
    // Whoever reads may have gone already. That is no reason not to test, and no verdict either.
    let opened = match (typed.json, typed.quiet) {
        (true, _) => writeln!(console.out, "{}", json!({ "run": plan.header })),
        (false, true) => Ok(()),
        (false, false) => {
            let rig = format!("{}, simulated", plan.valve.name);
            write!(console.err, "{}", opening(&plan.header, &rig, &speaker))
        }
    };
    let header = plan.header.clone();
    let session = set_up(typed, plan)?;
    let mut screen = screen_for(typed, speaker, console);
    let ended = session.run(console, screen.as_mut(), opened.err().map(Error::from));
    screen.end();
    finish(typed, how, &header, &speaker, ended?, console)
}

/// The screen that was asked for.
pub(super) fn screen_for(typed: &Run, speaker: Speaker, console: &Console<'_>) -> Box<dyn Screen> {
    match (typed.quiet, typed.json, console.live) {
        (_, true, _) => Box::new(Json),
        (true, ..) => Box::new(Quiet),
        (false, false, true) => Box::new(Live::new(speaker)),
        (false, false, false) => Box::new(Plain(speaker)),
    }
}

fn plan(typed: &Run, now: Timestamp) -> Result<Plan, Error> {
    let as_built = load_rig(typed.rig_file.as_deref())?;
    let (rig, calibrations) = apply::to_run(&as_built, &typed.calibrations, typed.at.unwrap_or(now))?;
    let kind = typed.kind.map(Into::into);
    // Leaks typed for the valve are counted at the recipe's reference pressure, so the recipe comes first; but a
    // built-in valve that is worked by hand chooses the recipe where none is typed.
    let reference = seathold_sequencer::units::Reference::ISO_8778.pressure.pascals();
    let first_look = valve::find(&typed.valve, reference)?;
    let kind = kind.or_else(|| typed.recipe.is_none().then_some(first_look.scenario.plant.actuation));
    let recipe = find_recipe(typed.recipe.as_deref(), &rig, kind)?;
    let recipe = match &typed.limit {
        Some(text) => recipe.with_limit(text, typed.dn, &rig)?,
        None => recipe,
    };
    let reference = recipe.recipe.raw().reference_pa;
    let mut valve = valve::find(&typed.valve, reference)?;
    valve.scenario.far.period_ms = recipe.recipe.raw().sample_ms;
    valve.set(valve_options(typed)?.iter().map(|(name, value)| (name.as_str(), value.as_str())), reference)?;
    let faults: Result<Vec<Fault>, String> = typed.fault.iter().map(|text| parse_fault(text)).collect();
    let mut faults = faults.map_err(|why| Error::usage(format!("--fault: {why}")))?;
    faults.extend(valve.faults.iter().map(|written| written.fault));
    fault::fit(&faults, valve.scenario.plant.actuation, rig.raw())?;
    let speed = match (typed.speed, typed.ask) {
        (Some(Speed::Max), true) => {
            return Err(Error::usage(
                "--speed max: a person cannot answer at that speed; leave it out, or give --speed 1",
            ));
        }
        (Some(speed), _) => speed,
        (None, ask) => {
            if ask {
                Speed::Times(1.0)
            } else {
                Speed::Max
            }
        }
    };
    let seed = typed.seed.unwrap_or(SEED);
    let started = typed.at.unwrap_or(now);
    let started = to_the_second(started);
    let serial = typed.serial.clone().or(valve.serial.clone()).unwrap_or_else(|| "unmarked".into());
    let mut settings = valve.settings(reference);
    settings.extend(typed.fault.iter().map(|text| ("fault".to_owned(), text.clone())));
    let header = Header {
        program: concat!("seathold ", env!("CARGO_PKG_VERSION")).into(),
        started_at: started.to_string(),
        serial,
        operator: typed.operator.clone(),
        sides: typed.sides.into(),
        recipe_name: recipe.name.clone(),
        recipe: *recipe.recipe.raw(),
        rig_name: typed.rig_file.as_ref().map_or_else(|| "built-in".into(), |f| f.display().to_string()),
        rig: *rig.raw(),
        calibrations,
        source: Source::Simulated { valve: valve.name.clone(), seed, settings },
        shown: recipe.shown.clone(),
    };
    let path = recording_path(typed.out.clone(), &header.serial, started);
    Ok(Plan { rig, as_built, recipe, valve, header, faults, speed, path })
}

/// A recording is dated to the second; finer would only look like a measurement.
pub(super) fn to_the_second(moment: Timestamp) -> Timestamp {
    Timestamp::from_second(moment.as_second()).unwrap_or(moment)
}

/// A recipe file, or a built-in recipe by name; where none is typed, the one for this kind of valve.
pub(super) fn find_recipe(
    typed: Option<&Path>,
    rig: &Rig,
    kind: Option<seathold_sequencer::recipe::Actuation>,
) -> Result<recipes::Read, Error> {
    use seathold_sequencer::recipe::Actuation;
    let name = match typed {
        Some(file) => file.display().to_string(),
        None if kind == Some(Actuation::Hand) => "dn25-hand".into(),
        None => "dn25-air".into(),
    };
    match (RECIPES.iter().find(|(known, _)| *known == name), typed) {
        (Some((name, text)), _) => recipes::parse(name, text, rig, kind),
        (None, Some(file)) => recipes::read(file, rig, kind),
        (None, None) => Err(Error::usage("no recipe")),
    }
}

/// The valve's options as names of fields and values.
fn valve_options(typed: &Run) -> Result<Vec<(String, String)>, Error> {
    let leaks = [
        ("seat_a", &typed.seat_a),
        ("seat_b", &typed.seat_b),
        ("joint_a", &typed.joint_a),
        ("joint_b", &typed.joint_b),
        ("stem", &typed.stem),
        ("rig_leak", &typed.rig_leak),
    ];
    let mut options: Vec<(String, String)> =
        leaks.into_iter().filter_map(|(name, value)| Some((format!("plant.{name}"), value.clone()?))).collect();
    options.extend(settings(&typed.set)?);
    if let Some(kind) = typed.kind {
        let word = match kind {
            crate::cli::KindArg::Air => "air",
            crate::cli::KindArg::Hand => "hand",
        };
        options.push(("plant.actuation".into(), word.into()));
    }
    Ok(options)
}

/// What `--set` says, as names of fields and values.
pub(super) fn settings(typed: &[String]) -> Result<Vec<(String, String)>, Error> {
    let one = |text: &String| {
        let Some((name, value)) = text.split_once('=') else {
            return Err(Error::usage(format!("--set {text}: give FIELD=VALUE, like \"far.noise=50 Pa\"")));
        };
        let name = if name.contains('.') { name.to_owned() } else { format!("plant.{name}") };
        Ok((name, value.to_owned()))
    };
    typed.iter().map(one).collect()
}

/// Where the recording goes: what was typed, with a name of its own in a folder.
pub(super) fn recording_path(out: Option<PathBuf>, serial: &str, started: Timestamp) -> PathBuf {
    let stamp = started.strftime("%Y%m%dT%H%M%SZ");
    let name = format!("{serial}_{stamp}.{EXTENSION}");
    match out {
        None => PathBuf::from("recordings").join(name),
        Some(path) if path.is_dir() || path.as_os_str().to_string_lossy().ends_with('/') => path.join(name),
        Some(path) => path,
    }
}

fn set_up(typed: &Run, plan: Plan) -> Result<Session, Error> {
    let seed = typed.seed.unwrap_or(SEED);
    let recipe: Recipe = plan.recipe.recipe;
    let sides: Sides = plan.header.sides;
    let period = millis(recipe.raw().sample_ms);
    let mut stand = SimBench::with(&plan.valve.scenario, plan.as_built.raw(), seed, sides, period)
        .map_err(|errors| Error::usage(errors.to_string()))?;
    for fault in plan.faults {
        if !stand.schedule.add(fault) {
            return Err(Error::usage(format!("--fault: at most {} faults a run", seathold_sim::fault::FAULTS)));
        }
    }
    let person = if typed.ask {
        let mut hands = plan.valve.scenario.operator;
        (hands.start_ms, hands.reaction_ms, hands.confirm_ms, hands.swap_ms) = (0, 0, 0, 0);
        let hands = hands.validate().map_err(|errors| Error::usage(errors.to_string()))?;
        stand.operator = SimOperator::new(&hands, sides, millis(plan.valve.scenario.plant.lever_ms));
        Person::at_keyboard()
    } else {
        Person::simulated()
    };
    let writer = Writer::create(&plan.path, &plan.header)?;
    Ok(Session { sequencer: Sequencer::new(plan.rig, Some(recipe)), stand, person, speed: plan.speed, writer })
}

/// What is about to happen, and the cautions.
pub(super) fn opening(header: &Header, rig: &str, speaker: &Speaker) -> String {
    let recipe = &header.recipe;
    let mut out = format!("{}  {}  ({rig})\n", header.serial, words::sides(header.sides));
    line(
        &mut out,
        "test",
        &format!(
            "{} at {}, limit {} (recipe {})",
            match recipe.actuation {
                seathold_sequencer::recipe::Actuation::Air => "air-operated",
                seathold_sequencer::recipe::Actuation::Hand => "hand-operated",
            },
            speaker.pressure(i32::try_from(recipe.target_pa).unwrap_or(i32::MAX)),
            speaker.limit(recipe.limit_pa_m3_s),
            header.recipe_name
        ),
    );
    line(
        &mut out,
        "caution",
        "compressed air stores energy: eye protection, guard shut, hands clear of the ball. Loosen no fitting before \
         both screen and gauge show the far side empty. The emergency stop and the relief valve are hardware; this \
         program is not a safety device.",
    );
    out.push('\n');
    out
}

/// Ends the recording and prints the result.
pub(super) fn finish(
    typed: &Run,
    how: &How,
    header: &Header,
    speaker: &Speaker,
    ended: Ended,
    console: &mut Console<'_>,
) -> Result<Exit, Error> {
    let Ended { summary, writer, length, abandoned, dark } = ended;
    if abandoned {
        let part = writer.part().display().to_string();
        drop(writer);
        writeln!(console.err, "left at once: treat the far side as PRESSURISED. Unfinished recording: {part}")?;
        return Ok(Exit::Fault);
    }
    let path = writer.finish()?;
    // Before anything is said: what is said is then kept.
    let kept = typed.register.as_ref().map(|register| keep(register, &path, &how.meta, console));
    let kept = kept.transpose();
    match dark {
        // Whoever read the results has gone; the exit code still tells.
        Some(Error::ClosedPipe) => return kept.map(|_| summary.exit()),
        Some(why) => return Err(why),
        None => {}
    }
    let exit = summary.exit();
    // What a bench of many valves is told in one line leaves the far side out: only where nothing is left to say of it.
    let far_side_done = summary.disconnect == Disconnect::Confirmed;
    let told = if how.brief && exit != Exit::Fault && far_side_done {
        Ok(())
    } else if typed.json {
        let result = json!({ "result": {
            "verdict": summary.word().replace(' ', "-"),
            "exit": exit.code(),
            "sides": summary.sides,
            "advice": advice::of_sides(&summary, header),
            "calibrations": header.calibrations,
            "faults": summary.faults,
            "far_side": summary.disconnect,
            "length_s": length.as_ticks() as f64 / 1e6,
            "recording": path.display().to_string(),
            "register": kept.as_ref().ok().and_then(Option::as_ref).map(|kept| json!({ "run": kept.number, "seal": kept.seal })),
        }});
        writeln!(console.out, "{result}")
    } else {
        let gap = if typed.quiet { "" } else { "\n" };
        let mut text = format!("{}  {}\n", header.serial, summary.word().to_uppercase());
        text.push_str(&summary.text(&header.recipe, speaker));
        for note in &header.calibrations {
            line(&mut text, "calibrated", note);
        }
        line(&mut text, "took", &format!("{:.0} s on the rig's clock", length.as_ticks() as f64 / 1e6));
        line(&mut text, "recording", &path.display().to_string());
        if let (Ok(Some(kept)), Some(register)) = (&kept, &typed.register) {
            line(&mut text, "register", &format!("{}, run {}", register.display(), kept.number));
        }
        line(&mut text, "next", summary.next_step());
        for (side, advice) in advice::of_sides(&summary, header) {
            line(&mut text, words::side_name(side), &advice::words(&advice));
        }
        write!(console.err, "{gap}").and_then(|()| write!(console.out, "{text}"))
    };
    match told.map_err(Error::from) {
        Ok(()) | Err(Error::ClosedPipe) => kept.map(|_| exit),
        Err(why) => Err(why),
    }
}
