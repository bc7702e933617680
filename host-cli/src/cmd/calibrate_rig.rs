//! Calibrations on a controller: the holds that they are computed from, each a run that is recorded like any other.

use std::path::PathBuf;

use clap::{Args, Parser};
use jiff::tz::TimeZone;
use seathold_config::recipe as recipes;
use seathold_recording as recording;
use seathold_sequencer::limits::MEASURE_MS_MAX;
use seathold_sequencer::recipe::{Model, RawRecipe};
use seathold_text::messages;

use super::run::run_for;
use super::run_common::RunContext;
use super::run_controller::greet_to_command;
use super::stdin_lines::StdinLines;
use crate::args::RunArgs;
use crate::console::Console;
use crate::error::Error;
use crate::rig::{AccessArgs, Address, Client};

/// Options of calibrations that can be made on a controller.
#[derive(Debug, Args)]
pub struct RigArgs {
    /// Where: "sim" (in this program), or a controller: "tcp:HOST:PORT", "serial:DEVICE" or "serial:DEVICE@BAUD"
    #[arg(
        long,
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

/// A command line of `seathold run` without its name.
#[derive(Debug, Parser)]
#[command(name = "seathold run", no_binary_name = true)]
struct RunOptions {
    #[command(flatten)]
    run: RunArgs,
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
}

impl RigHolds<'_> {
    /// One after the other, each after its question: what to do before it.
    pub(super) fn each(&self, questions: &[String], console: &mut Console<'_>) -> Result<Vec<PathBuf>, Error> {
        let most = u64::from(self.measure_s + self.settle_s) * questions.len() as u64;
        writeln!(
            console.err,
            "{} to be made on {}, some {} min without the hands' work; each is recorded. No air before the shield is shut, eye \
             protection on; loosen nothing that has not been shown empty by its gauge as well",
            messages::counted(questions.len() as u64, "run"),
            self.args.rig,
            most.div_ceil(60) + questions.len() as u64
        )?;
        // Where there is air somebody says each time that the rig is ready for it.
        let unasked = self.args.yes && self.is_simulated(console)?;
        let mut made = Vec::new();
        for (number, question) in questions.iter().enumerate() {
            writeln!(console.err, "{} of {}: {question}", number + 1, questions.len())?;
            if !unasked && !ready(console)? {
                return Err(Error::usage("left before it was done; the recordings made are kept"));
            }
            made.push(self.hold(number + 1, console)?);
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

    fn hold(&self, number: usize, console: &mut Console<'_>) -> Result<PathBuf, Error> {
        let mut run =
            RunOptions::try_parse_from::<[&str; 0], &str>([]).map_err(|why| Error::usage(why.to_string()))?.run;
        let at = console.date()?;
        let stamp = TimeZone::UTC.to_datetime(at).strftime("%Y%m%dT%H%M%SZ");
        let path = self.args.recordings.join(format!("{}-{number}_{stamp}.{}", self.name, recording::EXTENSION));
        run.rig = self.args.rig.clone();
        run.access = self.args.access.clone();
        run.adapter = self.adapter.map(ToOwned::to_owned);
        run.operator = self.operator.to_owned();
        run.serial = Some(format!("{}-{number}", self.name));
        run.sides = crate::args::SidesArg::First;
        run.out = Some(path.clone());
        run.acknowledge = self.args.acknowledge;
        run.of_calibration = Some(self.recipe()?);
        let _ = run_for(&run, &RunContext { brief: true, ..RunContext::default() }, console)?;
        if !path.exists() {
            return Err(Error::usage(format!("{}: the run was not finished", path.display())));
        }
        Ok(path)
    }

    /// The recipe's, but for what a calibration needs: the window is measured to its end.
    fn recipe(&self) -> Result<RawRecipe, Error> {
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
