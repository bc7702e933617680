//! `seathold run`: a recipe on a rig.

use std::path::PathBuf;

use jiff::Timestamp;
use seathold_analysis::calibration::apply;
use seathold_config::valve::{self, SimValve};
use seathold_config::{fault, recipe as recipes};
use seathold_recording::header::ReadingSource;
use seathold_recording::{Header, Writer};
use seathold_sequencer::input::Sides;
use seathold_sequencer::recipe::Recipe;
use seathold_sequencer::rig::Rig;
use seathold_sequencer::step::Sequencer;
use seathold_sequencer::time::millis;
use seathold_sim::bench::SimBench;
use seathold_sim::fault::InjectedFault;
use seathold_sim::operator::SimOperator;
use seathold_text::messages::UnitFormat;
use serde_json::json;

use super::files::load_rig;
use super::run_common::{
    RunContext, finish, header, opening, recipe_of, recording_path, screen_for, settings, to_the_second,
};
use super::run_controller;
use crate::args::RunArgs;
use crate::console::Console;
use crate::error::Error;
use crate::exit::Exit;
use crate::rig::sim::parse_fault;
use crate::rig::{Address, ConsoleOperator};
use crate::session::Session;
use crate::speed::Speed;

/// Seed where none is given. Fixed, so that the first run of the book is everybody's first run.
const SEED: u64 = 1;

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

fn plan(args: &RunArgs, now: Timestamp) -> Result<RunPlan, Error> {
    let as_built = load_rig(args.rig_file.as_deref())?;
    let (rig, calibrations) = apply::to_run(&as_built, &args.calibrations, args.started_at.unwrap_or(now))?;
    let kind = args.actuation.map(Into::into);
    // Leaks typed for the valve are counted at the recipe's reference pressure, so the recipe comes first; but a
    // built-in valve that is worked by hand chooses the recipe where none is typed.
    let reference = seathold_sequencer::units::Reference::ISO_8778.pressure.pascals();
    let named = args.valve.as_deref().unwrap_or("tight");
    let first_look = valve::find(named, reference)?;
    let kind = kind.or_else(|| args.recipe.is_none().then_some(first_look.scenario.plant.actuation));
    let recipe = recipe_of(args, &rig, kind)?;
    let reference = recipe.recipe.raw().reference_pa;
    let mut valve = valve::find(named, reference)?;
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
    let source = ReadingSource::Simulated { valve: valve.name.clone(), seed, settings };
    let header = header(args, started, serial, &recipe, (&rig, "built-in"), calibrations, source);
    let path = recording_path(args.out.clone(), &header.serial, started);
    Ok(RunPlan { rig, as_built, recipe, valve, header, faults, speed, path })
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
            crate::args::ActuationArg::Air => "air",
            crate::args::ActuationArg::Hand => "hand",
        };
        options.push(("plant.actuation".into(), word.into()));
    }
    Ok(options)
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
