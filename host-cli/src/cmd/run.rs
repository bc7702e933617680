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
use seathold_sim::fault::InjectedFault;
use seathold_sim::operator::SimOperator;
use serde_json::json;

use super::files::load_rig;
use super::register::keep;
use super::run_controller;
use crate::advice;
use crate::calibration::apply;
use crate::cli::{RunArgs, Speed};
use crate::console::Console;
use crate::error::Error;
use crate::exit::Exit;
use crate::files::fault;
use crate::files::recipe as recipes;
use crate::files::valve::{self, SimValve};
use crate::messages::{self, UnitFormat};
use crate::recording::header::ReadingSource;
use crate::recording::{EXTENSION, Header, Writer};
use crate::register::RunMeta;
use crate::rig::sim::parse_fault;
use crate::rig::{Address, ConsoleOperator};
use crate::screen::{Json, Live, Plain, Quiet, Screen};
use crate::session::{RunEnd, Session};
use crate::summary::line;

/// Seed where none is given. Fixed, so that the first run of the book is everybody's first run.
const SEED: u64 = 1;

/// Built-in recipes.
const RECIPES: &[(&str, &str)] = &[
    ("dn25-air", include_str!("../../examples/recipes/dn25-air.toml")),
    ("dn25-hand", include_str!("../../examples/recipes/dn25-hand.toml")),
];

/// The arguments, parsed and checked; nothing has moved yet.
struct RunPlan {
    /// With its calibrations.
    rig: Rig,
    /// The true characteristics of the simulated transducers.
    as_built: Rig,
    recipe: recipes::RecipeFile,
    valve: SimValve,
    header: Header,
    faults: Vec<InjectedFault>,
    speed: Speed,
    path: PathBuf,
}

/// How a run is recorded and reported.
#[derive(Debug, Default)]
pub(super) struct RunContext {
    /// What the register gets besides the recording.
    pub(super) meta: RunMeta,
    /// The caller prints the result, unless a fault ended the run or the bleed was not confirmed.
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
pub(super) fn run(args: &RunArgs, console: &mut Console<'_>) -> Result<Exit, Error> {
    run_for(args, &RunContext::default(), console)
}

/// A run for another command.
pub(super) fn run_for(args: &RunArgs, how: &RunContext, console: &mut Console<'_>) -> Result<Exit, Error> {
    if args.fault.iter().any(|f| f == "list") {
        write!(console.out, "{}", fault::list())?;
        return Ok(Exit::Good);
    }
    if args.rig != Address::Sim || args.resume.is_some() {
        return run_controller::run(args, how, console);
    }
    if args.abort_existing || args.acknowledge {
        return Err(Error::usage("--abort-existing and --acknowledge are for a controller: give --rig too"));
    }
    let plan = plan(args, console.clock.now())?;
    let units = UnitFormat::new(plan.recipe.recipe.raw(), &plan.recipe.display_units);
    // The reader may have gone already. That is no reason not to test, and no verdict either.
    let opened = match (args.json, args.quiet) {
        (true, _) => writeln!(console.out, "{}", json!({ "run": plan.header })),
        (false, true) => Ok(()),
        (false, false) => {
            let rig = format!("{}, simulated", plan.valve.name);
            write!(console.err, "{}", opening(&plan.header, &rig, &units))
        }
    };
    let header = plan.header.clone();
    let session = set_up(args, plan)?;
    let mut screen = screen_for(args, units, console);
    let ended = session.run(console, screen.as_mut(), opened.err().map(Error::from));
    screen.end();
    finish(args, how, &header, &units, ended?, console)
}

/// The screen requested.
pub(super) fn screen_for(args: &RunArgs, units: UnitFormat, console: &Console<'_>) -> Box<dyn Screen> {
    match (args.quiet, args.json, console.live) {
        (_, true, _) => Box::new(Json),
        (true, ..) => Box::new(Quiet),
        (false, false, true) => Box::new(Live::new(units)),
        (false, false, false) => Box::new(Plain(units)),
    }
}

fn plan(args: &RunArgs, now: Timestamp) -> Result<RunPlan, Error> {
    let as_built = load_rig(args.rig_file.as_deref())?;
    let (rig, calibrations) = apply::to_run(&as_built, &args.calibrations, args.started_at.unwrap_or(now))?;
    let kind = args.actuation.map(Into::into);
    // Leaks typed for the valve are counted at the recipe's reference pressure, so the recipe comes first; but a
    // built-in valve that is worked by hand chooses the recipe where none is typed.
    let reference = seathold_sequencer::units::Reference::ISO_8778.pressure.pascals();
    let first_look = valve::find(&args.valve, reference)?;
    let kind = kind.or_else(|| args.recipe.is_none().then_some(first_look.scenario.plant.actuation));
    let recipe = find_recipe(args.recipe.as_deref(), &rig, kind)?;
    let recipe = match &args.limit {
        Some(text) => recipe.with_limit(text, args.dn, &rig)?,
        None => recipe,
    };
    let reference = recipe.recipe.raw().reference_pa;
    let mut valve = valve::find(&args.valve, reference)?;
    valve.scenario.far.period_ms = recipe.recipe.raw().sample_period_ms;
    valve.set(valve_options(args)?.iter().map(|(name, value)| (name.as_str(), value.as_str())), reference)?;
    let faults: Result<Vec<InjectedFault>, String> = args.fault.iter().map(|text| parse_fault(text)).collect();
    let mut faults = faults.map_err(|why| Error::usage(format!("--fault: {why}")))?;
    faults.extend(valve.faults.iter().map(|written| written.fault));
    fault::fit(&faults, valve.scenario.plant.actuation, rig.raw())?;
    let speed = match (args.speed, args.interactive) {
        (Some(Speed::Max), true) => {
            return Err(Error::usage(
                "--speed max: a person cannot answer at that speed; leave it out, or give --speed 1",
            ));
        }
        (Some(speed), _) => speed,
        (None, prompt) => {
            if prompt {
                Speed::Times(1.0)
            } else {
                Speed::Max
            }
        }
    };
    let seed = args.seed.unwrap_or(SEED);
    let started = args.started_at.unwrap_or(now);
    let started = to_the_second(started);
    let serial = args.serial.clone().or(valve.serial.clone()).unwrap_or_else(|| "unmarked".into());
    let mut settings = valve.settings(reference);
    settings.extend(args.fault.iter().map(|text| ("fault".to_owned(), text.clone())));
    let header = Header {
        program: concat!("seathold ", env!("CARGO_PKG_VERSION")).into(),
        started_at: started.to_string(),
        serial,
        operator: args.operator.clone(),
        sides: args.sides.into(),
        recipe_name: recipe.name.clone(),
        recipe: *recipe.recipe.raw(),
        rig_name: args.rig_file.as_ref().map_or_else(|| "built-in".into(), |f| f.display().to_string()),
        rig: *rig.raw(),
        calibrations,
        source: ReadingSource::Simulated { valve: valve.name.clone(), seed, settings },
        display_units: recipe.display_units.clone(),
    };
    let path = recording_path(args.out.clone(), &header.serial, started);
    Ok(RunPlan { rig, as_built, recipe, valve, header, faults, speed, path })
}

/// A recording is dated to the second; finer would only look like a measurement.
pub(super) fn to_the_second(moment: Timestamp) -> Timestamp {
    Timestamp::from_second(moment.as_second()).unwrap_or(moment)
}

/// A recipe file, or a built-in recipe by name; where none is typed, the one for this kind of valve.
pub(super) fn find_recipe(
    args: Option<&Path>,
    rig: &Rig,
    kind: Option<seathold_sequencer::recipe::Actuation>,
) -> Result<recipes::RecipeFile, Error> {
    use seathold_sequencer::recipe::Actuation;
    let name = match args {
        Some(file) => file.display().to_string(),
        None if kind == Some(Actuation::Hand) => "dn25-hand".into(),
        None => "dn25-air".into(),
    };
    match (RECIPES.iter().find(|(known, _)| *known == name), args) {
        (Some((name, text)), _) => recipes::parse(name, text, rig, kind),
        (None, Some(file)) => recipes::read(file, rig, kind),
        (None, None) => Err(Error::usage("no recipe")),
    }
}

/// The valve's options as names of fields and values.
fn valve_options(args: &RunArgs) -> Result<Vec<(String, String)>, Error> {
    let leaks = [
        ("seat_a", &args.seat_a),
        ("seat_b", &args.seat_b),
        ("joint_a", &args.joint_a),
        ("joint_b", &args.joint_b),
        ("stem", &args.stem),
        ("rig_leak", &args.rig_leak),
    ];
    let mut options: Vec<(String, String)> =
        leaks.into_iter().filter_map(|(name, value)| Some((format!("plant.{name}"), value.clone()?))).collect();
    options.extend(settings(&args.set)?);
    if let Some(kind) = args.actuation {
        let word = match kind {
            crate::cli::ActuationArg::Air => "air",
            crate::cli::ActuationArg::Hand => "hand",
        };
        options.push(("plant.actuation".into(), word.into()));
    }
    Ok(options)
}

/// `--set`, as names of fields and values.
pub(super) fn settings(args: &[String]) -> Result<Vec<(String, String)>, Error> {
    let one = |text: &String| {
        let Some((name, value)) = text.split_once('=') else {
            return Err(Error::usage(format!("--set {text}: give FIELD=VALUE, like \"far.noise=50 Pa\"")));
        };
        let name = if name.contains('.') { name.to_owned() } else { format!("plant.{name}") };
        Ok((name, value.to_owned()))
    };
    args.iter().map(one).collect()
}

/// Where the recording goes: as given, with a name of its own in a folder.
pub(super) fn recording_path(out: Option<PathBuf>, serial: &str, started: Timestamp) -> PathBuf {
    let stamp = started.strftime("%Y%m%dT%H%M%SZ");
    let name = format!("{serial}_{stamp}.{EXTENSION}");
    match out {
        None => PathBuf::from("recordings").join(name),
        Some(path) if path.is_dir() || path.as_os_str().to_string_lossy().ends_with('/') => path.join(name),
        Some(path) => path,
    }
}

fn set_up(args: &RunArgs, plan: RunPlan) -> Result<Session, Error> {
    let seed = args.seed.unwrap_or(SEED);
    let recipe: Recipe = plan.recipe.recipe;
    let sides: Sides = plan.header.sides;
    let period = millis(recipe.raw().sample_period_ms);
    let mut bench = SimBench::with(&plan.valve.scenario, plan.as_built.raw(), seed, sides, period)
        .map_err(|errors| Error::usage(errors.to_string()))?;
    for fault in plan.faults {
        if !bench.schedule.add(fault) {
            return Err(Error::usage(format!("--fault: at most {} faults a run", seathold_sim::fault::FAULTS)));
        }
    }
    let operator = if args.interactive {
        let mut hands = plan.valve.scenario.operator;
        (hands.start_ms, hands.reaction_ms, hands.confirm_ms, hands.swap_ms) = (0, 0, 0, 0);
        let hands = hands.validate().map_err(|errors| Error::usage(errors.to_string()))?;
        bench.operator = SimOperator::new(&hands, sides, millis(plan.valve.scenario.plant.lever_ms));
        ConsoleOperator::at_keyboard()
    } else {
        ConsoleOperator::simulated()
    };
    let writer = Writer::create(&plan.path, &plan.header)?;
    Ok(Session { sequencer: Sequencer::new(plan.rig, Some(recipe)), bench, operator, speed: plan.speed, writer })
}

/// The plan of the run, and the cautions.
pub(super) fn opening(header: &Header, rig: &str, units: &UnitFormat) -> String {
    let recipe = &header.recipe;
    let mut out = format!("{}  {}  ({rig})\n", header.serial, messages::sides(header.sides));
    line(
        &mut out,
        "test",
        &format!(
            "{} at {}, limit {} (recipe {})",
            match recipe.actuation {
                seathold_sequencer::recipe::Actuation::Air => "air-operated",
                seathold_sequencer::recipe::Actuation::Hand => "hand-operated",
            },
            units.pressure(i32::try_from(recipe.target_pa).unwrap_or(i32::MAX)),
            units.limit(recipe.limit_pa_m3_s),
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
    args: &RunArgs,
    how: &RunContext,
    header: &Header,
    units: &UnitFormat,
    ended: RunEnd,
    console: &mut Console<'_>,
) -> Result<Exit, Error> {
    let RunEnd { summary, writer, length, abandoned, screen_error } = ended;
    if abandoned {
        let part = writer.part().display().to_string();
        drop(writer);
        writeln!(console.err, "stopped at once: treat the far side as PRESSURISED. Unfinished recording: {part}")?;
        return Ok(Exit::Fault);
    }
    let path = writer.finish()?;
    // Before anything is printed: it is then kept.
    let kept = args.register.as_ref().map(|register| keep(register, &path, &how.meta, console));
    let kept = kept.transpose();
    match screen_error {
        // The reader of the results has gone; the exit code is still right.
        Some(Error::ClosedPipe) => return kept.map(|_| summary.exit()),
        Some(why) => return Err(why),
        None => {}
    }
    let exit = summary.exit();
    // The one line of a batch session leaves the far side out: only where nothing is left to say of it.
    let far_side_done = summary.disconnect == Disconnect::Confirmed;
    let printed = if how.brief && exit != Exit::Fault && far_side_done {
        Ok(())
    } else if args.json {
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
        let gap = if args.quiet { "" } else { "\n" };
        let mut text = format!("{}  {}\n", header.serial, summary.word().to_uppercase());
        text.push_str(&summary.text(&header.recipe, units));
        for note in &header.calibrations {
            line(&mut text, "calibrated", note);
        }
        line(&mut text, "took", &format!("{:.0} s on the rig's clock", length.as_ticks() as f64 / 1e6));
        line(&mut text, "recording", &path.display().to_string());
        if let (Ok(Some(kept)), Some(register)) = (&kept, &args.register) {
            line(&mut text, "register", &format!("{}, run {}", register.display(), kept.number));
        }
        line(&mut text, "next", summary.next_step());
        for (side, advice) in advice::of_sides(&summary, header) {
            line(&mut text, messages::side_name(side), &advice::words(&advice));
        }
        write!(console.err, "{gap}").and_then(|()| write!(console.out, "{text}"))
    };
    match printed.map_err(Error::from) {
        Ok(()) | Err(Error::ClosedPipe) => kept.map(|_| exit),
        Err(why) => Err(why),
    }
}
