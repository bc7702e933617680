//! Calibrations on a controller: the holds that they are computed from, each a run that is recorded like any other.

use std::path::PathBuf;

use clap::Args;
use jiff::tz::TimeZone;
use seathold_config::recipe as recipes;
use seathold_recording as recording;
use seathold_sequencer::limits::MEASURE_MS_MAX;
use seathold_sequencer::recipe::{Model, RawRecipe};
use seathold_text::messages;

use super::recordings::{intact, not_leaking};
use crate::cmd::run::run_for;
use crate::cmd::run_common::RunContext;
use crate::cmd::run_controller::greet_to_command;
use crate::cmd::run_options;
use crate::cmd::stdin_lines::StdinLines;
use crate::console::Console;
use crate::error::Error;
use crate::rig::{AccessArgs, Address, Client};

/// Options of calibrations that can be made on a controller.
#[derive(Debug, Args)]
pub struct RigArgs {
    /// Where: "sim" (in this program), or a controller: "tcp:HOST:PORT", "serial:DEVICE" or "serial:DEVICE@BAUD"
    // Not the `rig` of settings: readings of somebody's own are of no controller, and a calibration goes by what is typed.
    #[arg(
        id = "calibrated_rig",
        long = "rig",
        value_name = "RIG",
        default_value = "sim",
        conflicts_with = "recording",
        help_heading = "The controller"
    )]
    pub rig: Address,
    /// Who may give commands on the line to it.
    #[command(flatten)]
    pub access: AccessArgs,
    /// Recipe whose pressure, kind of valve and times apply; how long is measured is the calibration's to say
    /// [default: "dn25-air"]
    #[arg(long, value_name = "FILE", help_heading = "The controller")]
    pub recipe: Option<PathBuf>,
    /// Folder for the recordings of its runs
    #[arg(long, value_name = "FOLDER", default_value = "recordings/", help_heading = "The controller")]
    pub recordings: PathBuf,
    /// Acknowledge a latched fault of the controller first, its cause removed
    #[arg(long, help_heading = "The controller")]
    pub acknowledge: bool,
    /// Load the calibration into the controller, once it is shown and confirmed
    #[arg(long, help_heading = "The controller")]
    pub load: bool,
    /// Load without asking; and on a simulated rig, where no air is let in, go on from run to run without asking
    #[arg(long, help_heading = "The controller")]
    pub yes: bool,
}

/// Runs for a calibration, on a controller.
pub(super) struct RigHolds<'a> {
    pub(super) args: &'a RigArgs,
    pub(super) adapter: Option<&'a str>,
    pub(super) operator: &'a str,
    /// What the recordings are called: "blank".
    pub(super) name: &'static str,
    /// How long is measured, in seconds.
    pub(super) measure_s: u32,
    /// The least that is waited before, in seconds; the recipe's where that is longer.
    pub(super) settle_s: u32,
    /// How many of its runs, from the first on, must not leak.
    pub(super) tight: usize,
}

impl RigHolds<'_> {
    /// One after the other, each after its question: what to do before it.
    pub(super) fn each(&self, questions: &[String], console: &mut Console<'_>) -> Result<Vec<PathBuf>, Error> {
        let unasked = self.begin(questions.len(), console)?;
        let of = questions.len();
        questions
            .iter()
            .enumerate()
            .map(|(i, question)| self.one((i + 1, of), question, None, unasked, console))
            .collect()
    }

    /// Says what so many runs take. Returns whether they may begin without a question.
    pub(super) fn begin(&self, runs: usize, console: &mut Console<'_>) -> Result<bool, Error> {
        let most = u64::from(self.measure_s + self.settle_s) * runs as u64;
        writeln!(
            console.err,
            "{} to be made on {}, some {} min without the hands' work; each is recorded. No air before the shield is shut, eye \
             protection on; loosen nothing that has not been shown empty by its gauge as well",
            messages::counted(runs as u64, "run"),
            self.args.rig,
            most.div_ceil(60) + runs as u64
        )?;
        // Where there is air somebody says each time that the rig is ready for it.
        Ok(self.args.yes && self.is_simulated(console)?)
    }

    /// One of them, after its question; at another pressure than the recipe's, where it says so.
    pub(super) fn one(
        &self,
        (number, of): (usize, usize),
        question: &str,
        target_pa: Option<u32>,
        unasked: bool,
        console: &mut Console<'_>,
    ) -> Result<PathBuf, Error> {
        writeln!(console.err, "{number} of {of}: {question}")?;
        if !unasked && !ready(console)? {
            return Err(Error::usage("left before it was done; the recordings made are kept"));
        }
        let recipe = self.recipe()?;
        let made =
            self.hold(number, RawRecipe { target_pa: target_pa.unwrap_or(recipe.target_pa), ..recipe }, console)?;
        if number <= self.tight {
            // Before the next is made for nothing.
            not_leaking(&made, &intact(&made)?)?;
        }
        Ok(made)
    }

    /// Whether the controller says that its rig is simulated.
    fn is_simulated(&self, console: &mut Console<'_>) -> Result<bool, Error> {
        let address = &self.args.rig;
        let key = self.args.access.to(address)?.0;
        let mut client = Client::look(address, key, console.clock).map_err(|why| Error::rig(address, why))?;
        Ok(greet_to_command(&mut client, address, console)?.capabilities.simulated)
    }

    fn hold(&self, number: usize, recipe: RawRecipe, console: &mut Console<'_>) -> Result<PathBuf, Error> {
        let mut run = run_options::parse(&[], console)?.0;
        let at = console.date()?;
        let stamp = TimeZone::UTC.to_datetime(at).strftime("%Y%m%dT%H%M%SZ");
        let path = self.args.recordings.join(format!("{}-{number}_{stamp}.{}", self.name, recording::EXTENSION));
        // A calibration is no run of a valve, whatever register a setting names.
        run.register = None;
        run.rig = self.args.rig.clone();
        run.access = self.args.access.clone();
        run.adapter = self.adapter.map(ToOwned::to_owned);
        run.operator = self.operator.to_owned();
        run.serial = Some(format!("{}-{number}", self.name));
        run.sides = crate::args::SidesArg::First;
        run.out = Some(path.clone());
        run.acknowledge = self.args.acknowledge;
        run.of_calibration = Some(recipe);
        let _ = run_for(&run, &RunContext { brief: true, ..RunContext::default() }, console)?;
        if !path.exists() || console.interrupted() > 0 {
            return Err(Error::usage(format!(
                "{}: left before it was done; what was recorded is kept",
                path.display()
            )));
        }
        Ok(path)
    }

    /// The recipe's, but for what a calibration needs: the window is measured to its end.
    pub(super) fn recipe(&self) -> Result<RawRecipe, Error> {
        let base = match &self.args.recipe {
            Some(file) => recipes::without_rig(file)?,
            None => RawRecipe::DEMO,
        };
        let measure_ms = self.measure_s * 1_000;
        Ok(RawRecipe {
            model: Model::LineAndTransient,
            soak_ms: base.soak_ms.max(20_000),
            settle_ms: base.settle_ms.max(self.settle_s * 1_000),
            measure_ms_min: measure_ms,
            // Time to begin a disturbed window anew.
            measure_ms_max: (3 * measure_ms).min(MEASURE_MS_MAX),
            ..base
        })
    }
}

/// Waits for Enter; false where the person leaves. Without a keyboard nobody is there.
fn ready(console: &mut Console<'_>) -> Result<bool, Error> {
    let mut lines = StdinLines::default();
    // What was typed before is no answer: air follows.
    lines.forget(console)?;
    writeln!(console.err, "Enter when that is done (q leaves it)")?;
    Ok(lines.next(console)?.is_some_and(|line| line.trim().is_empty()))
}
