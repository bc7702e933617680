//! `seathold run` on the rig simulated in this program.

use jiff::Timestamp;
use seathold_analysis::calibration::apply;
use seathold_config::valve::{self, SimValve};
use seathold_config::{fault, recipe as recipes};
use seathold_recording::Header;
use seathold_recording::header::ReadingSource;
use seathold_sequencer::link::message::Request;
use seathold_sequencer::rig::Rig;
use seathold_sequencer::time::millis;
use seathold_sim::bench::SimBench;
use seathold_sim::fault::InjectedFault;
use seathold_sim::operator::SimOperator;

use super::files::load_rig;
use super::run_common::{
    UNMARKED, adapter_of, fits_register, header, new_recording, operator, recipe_of, settings, to_the_second,
};
use crate::args::RunArgs;
use crate::error::Error;
use crate::rig::in_process::InProcess;
use crate::rig::sim::parse_fault;
use crate::rig::{Answers, Client, Shadow};
use crate::serve::{CommandSource, ServedRig};
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
    started: Timestamp,
}

/// The session, with the header of its recording and what the rig is called on the screen.
pub(super) fn begin(args: &RunArgs, now: Timestamp) -> Result<(Session, Header, String), Error> {
    if args.abort_existing || args.acknowledge {
        return Err(Error::usage("--abort-existing and --acknowledge are for a controller: give --rig too"));
    }
    if args.access.key.is_some() || args.access.insecure_line {
        return Err(Error::usage("--key and --insecure-line are for a controller: give --rig too"));
    }
    let plan = plan(args, now)?;
    fits_register(args, &plan.header)?;
    let (header, place) = (plan.header.clone(), format!("{}, simulated", plan.valve.name));
    Ok((set_up(args, plan)?, header, place))
}

fn plan(args: &RunArgs, now: Timestamp) -> Result<RunPlan, Error> {
    let loaded = load_rig(args.rig_file.as_deref(), adapter_of(args))?;
    let (rig, calibrations) =
        apply::to_run(&loaded.rig, &loaded.adapter, &args.calibrations, args.started_at.unwrap_or(now))?;
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
    let serial = args.serial.clone().or(valve.serial.clone()).unwrap_or_else(|| UNMARKED.into());
    // One that was typed has been checked; this one may be from the valve's file.
    let serial = seathold_register::batch::serial::serial(&serial)
        .map_err(|why| Error::usage(format!("serial \"{serial}\": {why}")))?;
    let mut settings = valve.settings(reference);
    settings.extend(args.fault.iter().map(|text| ("fault".to_owned(), text.clone())));
    let source = ReadingSource::Simulated { valve: valve.name.clone(), seed, settings };
    let header = header(args, started, serial, &recipe, (&rig, &loaded.name), calibrations, source);
    Ok(RunPlan { rig, as_built: loaded.rig, recipe, valve, header, faults, speed, started })
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
    let RunPlan { rig, as_built, recipe, valve, header, faults, speed, started } = plan;
    let (recipe, sides) = (recipe.recipe, header.sides);
    let seed = args.seed.unwrap_or(SEED);
    let period = millis(recipe.raw().sample_period_ms);
    let mut bench = SimBench::with(&valve.scenario, as_built.raw(), seed, sides, period)
        .map_err(|errors| Error::usage(errors.to_string()))?;
    for fault in faults {
        if !bench.schedule.add(fault) {
            return Err(Error::usage(format!("--fault: at most {} faults a run", seathold_sim::fault::FAULTS)));
        }
    }
    let (commands, answers) = if args.interactive {
        let mut hands = valve.scenario.operator;
        (hands.start_ms, hands.reaction_ms, hands.confirm_ms, hands.swap_ms) = (0, 0, 0, 0);
        let hands = hands.validate().map_err(|errors| Error::usage(errors.to_string()))?;
        bench.operator = SimOperator::new(&hands, sides, millis(valve.scenario.plant.lever_ms));
        (CommandSource::Hands, Answers::Keyboard)
    } else {
        (CommandSource::Simulated, Answers::AtRig)
    };
    let operator = operator(&header, answers)?;
    let (writer, _) = new_recording(args.out.as_deref(), &header, started)?;
    Ok(Session {
        client: Client::in_process(InProcess::of_run(ServedRig::with_recipe(rig, recipe, bench, commands))),
        shadow: Shadow::new(rig, recipe, 0),
        operator,
        load: Request::LoadRecipe(*recipe.raw()),
        writer,
        journal: None,
        resumed: None,
        speed,
        sent: None,
    })
}
