//! The command line. The commands are in [`crate::cmd`].

use clap::{Parser, Subcommand};

use crate::args::{RecipeCommand, ReplayArgs, RigCommand, RunArgs, ShowArgs, ValveCommand};

/// Proves reworked ball valves tight from both sides, by pressure hold, with a stated uncertainty.
#[derive(Debug, Parser)]
#[command(name = "seathold", version, after_help = crate::exit::help(), max_term_width = 100)]
pub struct Cli {
    /// What to do; without one, a short introduction.
    #[command(subcommand)]
    pub command: Option<Command>,
}

/// The commands.
#[derive(Debug, Subcommand)]
pub enum Command {
    /// Test a valve: run a recipe on a rig, judge both sides, keep a recording
    Run(Box<RunArgs>),
    /// List the controllers that are connected, and their state
    Rigs(crate::cmd::rigs::RigsArgs),
    /// Show what a controller reads, live: pressures, temperature, contacts, outputs. Moves nothing
    Watch(crate::cmd::watch::WatchArgs),
    /// Check a rig without air: every input and output, one by one, with you listening
    Doctor(crate::cmd::doctor::DoctorArgs),
    /// Run recordings through the sequencer again and compare every event, output and verdict
    Replay(ReplayArgs),
    /// Re-evaluate recordings by another recipe, and report what changes and why
    Rejudge(Box<crate::cmd::rejudge::RejudgeArgs>),
    /// Choose times and risks from recorded runs with known results
    Tune(Box<crate::cmd::tune::TuneArgs>),
    /// Measurement system analysis: repeats and operators, reference leaks, a check valve, drift
    #[command(subcommand)]
    Study(Box<crate::cmd::study::StudyCommand>),
    /// Show a recording: result, evidence, plot
    Show(ShowArgs),
    /// Write a page of evidence on a valve or a batch, from recordings
    Report(crate::cmd::report::ReportArgs),
    /// Write recordings as tables of runs, sides and samples: CSV, JSON Lines or Parquet
    Export(crate::cmd::export::ExportArgs),
    /// Evaluate a pressure trace of any data logger
    Assess(Box<crate::cmd::assess::AssessArgs>),
    /// Calibrate volume, background leak, time constant or sensor gain of a rig, as dated files
    #[command(subcommand)]
    Calibrate(Box<crate::cmd::calibrate::CalibrateCommand>),
    /// Fit the simulated bench to recordings of your own, as a valve and a rig file
    Identify(Box<crate::cmd::identify::IdentifyArgs>),
    /// Compute whether a rig can decide, how long it takes, and a recipe for it
    Plan(Box<crate::cmd::plan::PlanArgs>),
    /// Test many simulated valves, sampled from stated distributions, on all cores
    Fleet(Box<crate::cmd::fleet::FleetArgs>),
    /// Serve the simulated rig as a controller would, over a socket or a pseudo-terminal
    Serve(Box<crate::cmd::serve::ServeArgs>),
    /// Make a key for a controller and its hosts: it then takes commands from nobody else
    Key {
        /// The file to make
        file: std::path::PathBuf,
    },
    /// Test a batch of valves: open it from a list, work through it, rework, retest, close it
    #[command(subcommand)]
    Batch(Box<crate::cmd::batch::BatchCommand>),
    /// Find runs in the register; the history of a valve
    Find(Box<crate::cmd::find::FindArgs>),
    /// Make, check and merge registers; get recordings in and out
    #[command(subcommand)]
    Register(Box<crate::cmd::register::RegisterCommand>),
    /// Write a recipe file to start from, or check one
    #[command(subcommand)]
    Recipe(RecipeCommand),
    /// Write a rig file to start from, or check one
    #[command(subcommand)]
    Rig(RigCommand),
    /// List the built-in simulated valves; write a valve file to start from, or check one
    #[command(subcommand)]
    Valve(ValveCommand),
}
