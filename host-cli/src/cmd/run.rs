//! `seathold run`: a recipe on a rig.

use jiff::Timestamp;
use seathold_config::fault;
use seathold_text::messages::UnitFormat;
use serde_json::json;

use super::run_batch::{self, BatchRun, InBatch};
use super::run_common::{RunContext, finish, opening, screen_for};
use super::{run_controller, run_simulated};
use crate::args::RunArgs;
use crate::console::Console;
use crate::error::Error;
use crate::exit::Exit;
use crate::rig::Address;
use crate::schema::JsonKind;

/// `seathold run`.
pub(super) fn run(args: &RunArgs, console: &mut Console<'_>) -> Result<Exit, Error> {
    match run_batch::of(args, console)? {
        InBatch::Counts(run) => {
            let BatchRun { args, meta, held } = *run;
            let ended = run_for(&args, &RunContext { meta, ..RunContext::default() }, console);
            drop(held);
            ended
        }
        InBatch::Nowhere(why) if args.override_why.is_some() => {
            Err(Error::usage(format!("--override: {why}, so there is nothing to override")))
        }
        InBatch::Nowhere(_) => run_for(args, &RunContext::default(), console),
    }
}

/// A run for another command.
pub(super) fn run_for(args: &RunArgs, how: &RunContext, console: &mut Console<'_>) -> Result<Exit, Error> {
    if args.fault.iter().any(|f| f == "list") {
        write!(console.out, "{}", fault::list())?;
        return Ok(Exit::Good);
    }
    // In a batch a run of the future would outrank every later one. Zones and clocks that are off are less than a day.
    let ahead = |at: &Timestamp| at.as_second() > console.clock.now().as_second() + 86_400;
    if let Some(at) = args.started_at.filter(|at| how.meta.batch.is_some() && ahead(at)) {
        return Err(Error::usage(format!("--started-at: {at} is later than a day from now")));
    }
    let (session, header, place) = if args.rig == Address::Sim && args.resume.is_none() {
        run_simulated::begin(args, console.date_or(args.started_at)?)?
    } else {
        run_controller::begin_or_resume(args, console)?
    };
    let units = UnitFormat::new(&header.recipe, &header.display_units);
    // The reader may have gone already. That is no reason not to test, and no verdict either.
    let opened = match (args.json, args.quiet) {
        (true, _) => writeln!(console.out, "{}", JsonKind::Run.marked(json!({ "run": header }))),
        (false, true) => Ok(()),
        (false, false) => write!(console.err, "{}", opening(&header, &place, &units)),
    };
    let mut screen = screen_for(args, (&header, &how.list), units, session.operator.listens(), console);
    let ended = session.run(console, screen.as_mut(), opened.err().map(Error::from));
    screen.end();
    let mut ended = ended?;
    let journal = ended.journal.take();
    let part = ended.abandoned.map(|_| ended.writer.part().display().to_string());
    let exit = finish(args, how, &header, &units, ended, console)?;
    match (journal, part) {
        (Some(_), Some(part)) => {
            writeln!(console.err, "the controller continues by itself; resume the run with --resume {part}")?;
        }
        (Some(journal), None) => journal.remove(),
        (None, _) => {}
    }
    Ok(exit)
}
