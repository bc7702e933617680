//! A session of `seathold batch test`: what it works with, which valve is next, and how that is run.

use std::path::{Path, PathBuf};

use clap::{ArgAction, Args, ValueEnum};
use seathold_analysis::fleet::sampling::seed_of;
use seathold_analysis::fleet::spec::FleetSpec;
use seathold_config::valve;
use seathold_recording::file::safe_name;
use seathold_register::batch::status::ValveStatus;
use seathold_register::claim::{Claim, Claimant, Claimed, HeldClaim};
use seathold_register::valves::BatchRecord;
use seathold_register::{Register, RunFilter};
use seathold_sequencer::input::{Side, Sides};
use seathold_sequencer::units::Reference;

use super::batch_common::{BatchArg, held_by};
use super::batch_fit::{FittedRun, fit};
use super::find::RegisterArg;
use super::run_options;
use super::stdin_lines::StdinLines;
use super::tell_settings::tell_settings;
use crate::args::RunArgs;
use crate::console::Console;
use crate::environment::{FoundSetting, SettingSource};
use crate::error::Error;
use crate::rig::Address;

/// In what order sides are taken.
#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
pub enum SideOrder {
    /// Both sides of a valve, then the next valve.
    Valve,
    /// The first side of every valve, then the second side of every valve.
    Side,
}

/// `seathold batch test`.
#[derive(Debug, Args)]
pub struct TestArgs {
    #[command(flatten)]
    pub batch: BatchArg,
    #[command(flatten)]
    pub register: RegisterArg,
    /// valve: both sides of one, then the next; side: the first side of all, then the second side of all
    #[arg(long, value_enum, hide_possible_values = true, default_value = "valve")]
    pub order: SideOrder,
    /// Recipe file, or a built-in one, for every valve [default: each valve's own]
    #[arg(long, value_name = "FILE")]
    pub recipe: Option<PathBuf>,
    /// Who tests [default: asked for at the start]
    #[arg(long, value_name = "NAME", value_parser = crate::args::name, default_value = "", hide_default_value = true)]
    pub operator: String,
    /// What settings said of it, to be told once it is told what was left on the rig.
    #[arg(skip)]
    pub settings: Vec<FoundSetting>,
    /// When a valve is clamped, its serial is to be scanned or typed again before there is air
    #[arg(long, value_name = "yes|no", num_args = 0..=1, require_equals = true, default_missing_value = "yes",
          default_value = "no", hide_default_value = true, value_parser = crate::args::yes_no, action = ArgAction::Set)]
    pub confirm_serial: bool,
    /// Folder for the stand-alone recordings [default: recordings/BATCH]
    #[arg(long, value_name = "FOLDER")]
    pub out: Option<PathBuf>,
    /// Folder in which each batch has one of its own, where --out names none
    #[arg(long, value_name = "FOLDER", default_value = "recordings/", conflicts_with = "out")]
    pub recordings: PathBuf,
    /// Do not show runs as they happen
    #[arg(long, short)]
    pub quiet: bool,
    /// Simulated valve of a serial: SERIAL=NAME or SERIAL=FILE; may be given again [default: tight]
    #[arg(long, value_name = "SERIAL=VALVE", help_heading = "The simulated rig")]
    pub valve: Vec<String>,
    /// Sample the simulated valves from this fleet: "hatchery", or a file
    #[arg(long, value_name = "FILE", help_heading = "The simulated rig")]
    pub fleet: Option<PathBuf>,
    /// Seed of all random numbers
    #[arg(long, value_name = "N", default_value_t = 1, help_heading = "The simulated rig")]
    pub seed: u64,
    /// Options of `seathold run`, for every run
    #[arg(last = true, value_name = "RUN OPTIONS")]
    pub more: Vec<String>,
}

impl TestArgs {
    /// Whether the operator is only proposed: a file named somebody, and it may be another one's shift.
    pub(super) fn operator_is_proposed(&self) -> bool {
        let by_file = |found: &FoundSetting| found.key == "operator" && matches!(found.source, SettingSource::File(_));
        self.settings.iter().any(by_file)
    }
}

/// A batch session at the bench.
pub(super) struct BatchSession<'a> {
    pub(super) args: &'a TestArgs,
    /// What was given after `--`, for every valve.
    pub(super) more: RunArgs,
    pub(super) register: Register,
    pub(super) batch: BatchRecord,
    /// Who tests, until a handover.
    pub(super) operator: String,
    pub(super) order: SideOrder,
    pub(super) fleet: Option<FleetSpec>,
    pub(super) folder: PathBuf,
    pub(super) lines: StdinLines,
    /// The valve that was on the rig when the program was killed.
    pub(super) first: Option<String>,
    /// Unfinished recordings, and runs that did not end empty, whose valve somebody has said to be off the rig.
    pub(super) taken_off: Vec<String>,
    /// Under this name valves are claimed while they are under test.
    pub(super) claimant: Claimant,
}

impl BatchSession<'_> {
    /// The valves of the batch that other programs have under test.
    pub(super) fn taken(&self, console: &Console<'_>) -> Result<Vec<Claim>, Error> {
        Ok(self.register.claimed_by_others(&self.claimant, &self.batch.batch, console.clock.now())?)
    }

    /// Claims a valve for the time of a run; says who has it where another does.
    pub(super) fn claim(&mut self, serial: &str, console: &mut Console<'_>) -> Result<Option<HeldClaim>, Error> {
        match self.register.claim(&self.claimant, &self.batch.batch, serial, console.clock.now())? {
            Claimed::Ours(held) => Ok(Some(held)),
            Claimed::Theirs(claim) => {
                writeln!(console.err, "{}", held_by(&claim))?;
                Ok(None)
            }
        }
    }

    /// The sides of a valve that are due, in the order of the session: all of them, or one.
    pub(super) fn sides_now(&self, status: &ValveStatus) -> Option<Sides> {
        match self.order {
            SideOrder::Valve => status.sides_due(),
            SideOrder::Side if status.due(Side::First) => Some(Sides::First),
            SideOrder::Side => status.due(Side::Second).then_some(Sides::Second),
        }
    }

    /// The valve that is next on the list, and its sides: one that nobody else has under test.
    pub(super) fn next<'s>(&self, statuses: &'s [ValveStatus], taken: &[Claim]) -> Option<(&'s ValveStatus, Sides)> {
        let free = |s: &&ValveStatus| taken.iter().all(|claim| claim.serial != s.valve.serial);
        let on = |side| statuses.iter().filter(free).find(|s| s.due(side));
        // What was on the rig when the program was killed comes first, whatever the order.
        let left = statuses.iter().filter(free).find(|s| Some(&s.valve.serial) == self.first.as_ref());
        if let Some(status) = left
            && let Some(sides) = self.sides_now(status)
        {
            return Some((status, sides));
        }
        match self.order {
            SideOrder::Valve => statuses.iter().filter(free).find_map(|s| Some((s, s.sides_due()?))),
            SideOrder::Side => {
                on(Side::First).map(|s| (s, Sides::First)).or_else(|| on(Side::Second).map(|s| (s, Sides::Second)))
            }
        }
    }

    /// A file for a valve's next recording: numbered, since a simulated run may begin in the second of the one before.
    pub(super) fn file(&self, serial: &str) -> PathBuf {
        // A serial can come from another bench's register.
        let name = safe_name(serial);
        let taken = |path: &PathBuf| path.exists() || path.with_extension("hold.part").exists();
        let mut names = (1..).map(|n: u32| self.folder.join(format!("{name}_{n}.{}", seathold_recording::EXTENSION)));
        names.find(|path| !taken(path)).unwrap_or_default()
    }

    /// How a valve is run, by what it must meet.
    pub(super) fn fitted(&self, status: &ValveStatus) -> Result<FittedRun, Error> {
        let sizes = self.register.valves_of(&self.batch.batch)?;
        let mixed = sizes.iter().any(|valve| valve.dn != status.valve.dn);
        fit(&status.valve, mixed, &self.more, self.args.recipe.as_deref())
    }

    /// The run for it.
    pub(super) fn request(&self, mut run: RunArgs, status: &ValveStatus, sides: Sides) -> Result<RunArgs, Error> {
        let args = self.args;
        run.sides = sides.into();
        run.out = Some(self.file(&status.valve.serial));
        run.register = Some(args.register.register.clone());
        if !self.operator.is_empty() {
            run.operator.clone_from(&self.operator);
        }
        run.quiet |= args.quiet;
        if run.rig == Address::Sim {
            self.simulated(status, &mut run)?;
        }
        Ok(run)
    }

    /// A run that continued on a controller. Its files hold the rest; only who answers has to be given again.
    pub(super) fn left(&self, part: &Path, console: &Console<'_>) -> Result<RunArgs, Error> {
        let mut run = run_options::parse(&[], console)?.0;
        run.resume = Some(part.to_owned());
        // Where it was begun; another rig is another run's.
        run.rig = Address::Sim;
        run.access = self.more.access.clone();
        run.register = Some(self.args.register.register.clone());
        (run.quiet, run.interactive) = (self.args.quiet, self.more.interactive);
        (run.lines, run.bell, run.no_bell) = (self.more.lines, self.more.bell, self.more.no_bell);
        Ok(run)
    }

    /// Which simulated valve this is. One that was reworked is another valve than before, sampled again.
    pub(super) fn simulated(&self, status: &ValveStatus, run: &mut RunArgs) -> Result<(), Error> {
        let serial = &status.valve.serial;
        let list = self.register.valves_of(&self.batch.batch)?;
        let register = list.iter().position(|v| v.serial == *serial).map_or(0, |p| p as u64 + 1);
        let runs = self.register.count(&RunFilter {
            serial: Some(serial.clone()),
            batch: Some(self.batch.batch.clone()),
            ..RunFilter::default()
        })?;
        run.seed = run.seed.or(Some(seed_of(self.args.seed, register * 10_000 + runs) >> 1));
        let named = self.args.valve.iter().filter_map(|pair| pair.split_once('=')).find(|(s, _)| s == serial);
        if let Some((_, valve)) = named {
            run.valve = Some(valve.into());
        } else if let Some(fleet) = &self.fleet {
            let drawn = fleet.draw(self.args.seed, register + 1_000_000 * status.reworks as u64);
            let valve = seathold_config::valve::SimValve { scenario: drawn.scenario, ..fleet.base.clone() };
            run.valve = Some(fleet.base.name.clone());
            let mut drawn = Vec::new();
            for (name, value) in valve.settings(Reference::ISO_8778.pressure.pascals()) {
                if name != "plant.actuation" || status.valve.actuation.is_empty() {
                    drawn.push(format!("{name}={value}"));
                }
            }
            // What was typed has the last word.
            drawn.append(&mut run.set);
            run.set = drawn;
        }
        Ok(())
    }
}

/// What is given after `--`, and what settings say of it. What the batch says of a valve is not given twice.
pub(super) fn options_for_all(more: &[String], console: &mut Console<'_>) -> Result<RunArgs, Error> {
    let given = |option: &str| more.iter().any(|m| m == option || m.starts_with(&format!("{option}=")));
    if let Some(option) = ["--serial", "--sides", "--out", "--register", "--resume", "--no-batch", "--override"]
        .into_iter()
        .find(|o| given(o))
    {
        return Err(Error::usage(format!("after --: {option} is the batch's to give: leave it out")));
    }
    let (run, settings) = run_options::parse(more, console)?;
    match &run.valve {
        // There it is one valve, simulated for every run.
        Some(valve) if valve.contains('=') => {
            return Err(Error::usage(format!(
                "after --: --valve {valve}: a simulated valve for one serial is the batch's: give it before the --"
            )));
        }
        // A mistake in its name is to come up before the first valve is on the rig.
        Some(name) => {
            valve::find(name, Reference::ISO_8778.pressure.pascals())?;
        }
        None => {}
    }
    // The others are told with the batch.
    let of_line = |found: &&FoundSetting| matches!(found.key, "rig" | "key");
    tell_settings(settings.into_iter().filter(of_line), console)?;
    Ok(run)
}
