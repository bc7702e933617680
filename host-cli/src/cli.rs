//! The command line. The commands are in [`crate::cmd`].

use clap::{Parser, Subcommand};

use crate::args::{RecipeCommand, ReplayArgs, RigCommand, RunArgs, ShowArgs, ValveCommand};
use crate::colour::ColourArg;

/// Proves reworked ball valves tight from both sides, by pressure hold, with a stated uncertainty.
#[derive(Debug, Parser)]
#[command(name = "seathold", version, after_help = crate::exit::help(), max_term_width = 100)]
pub struct Cli {
    /// Colour of verdicts and faults: auto (on a terminal), always or never
    #[arg(long, global = true, value_enum, value_name = "WHEN", hide_possible_values = true)]
    pub color: Option<ColourArg>,
    /// What to do; without one, a short introduction.
    #[command(subcommand)]
    pub command: Option<Command>,
}

/// The commands.
#[derive(Debug, Subcommand)]
pub enum Command {
    /// Test a valve: run a recipe, judge both sides, keep a recording
    Run(Box<RunArgs>),
    /// List the controllers that are connected, and their state
    Rigs(crate::cmd::rigs::RigsArgs),
    /// Show live what a controller reads; moves nothing
    Watch(crate::cmd::watch::WatchArgs),
    /// Check a rig without air: every input and output, one by one
    Doctor(crate::cmd::doctor::DoctorArgs),
    /// Run recordings through the sequencer again, and compare
    Replay(ReplayArgs),
    /// Re-evaluate recordings by another recipe: what changes, and why
    Rejudge(Box<crate::cmd::rejudge::RejudgeArgs>),
    /// Choose times and risks from recorded runs with known results
    Tune(Box<crate::cmd::tune::TuneArgs>),
    /// Analyse the measurement system: repeats, operators, bias, drift
    #[command(subcommand)]
    Study(Box<crate::cmd::study::StudyCommand>),
    /// Show a recording: result, evidence, plot
    Show(ShowArgs),
    /// Write a page of evidence on a valve or a batch, from recordings
    Report(crate::cmd::report::ReportArgs),
    /// Write recordings as tables: CSV, JSON Lines or Parquet
    Export(crate::cmd::export::ExportArgs),
    /// Evaluate a pressure trace of any data logger
    Assess(Box<crate::cmd::assess::AssessArgs>),
    /// Calibrate a rig: volume, background leak, sensor gain, drift
    #[command(subcommand)]
    Calibrate(Box<crate::cmd::calibrate::CalibrateCommand>),
    /// Fit the simulated bench to recordings of your own
    Identify(Box<crate::cmd::identify::IdentifyArgs>),
    /// Compute whether a rig can decide, how soon, and a recipe for it
    Plan(Box<crate::cmd::plan::PlanArgs>),
    /// Test many simulated valves, sampled from distributions
    Fleet(Box<crate::cmd::fleet::FleetArgs>),
    /// Serve the simulated rig as a controller would, on a line
    Serve(Box<crate::cmd::serve::ServeArgs>),
    /// Make a key: a controller then takes commands from nobody else
    Key {
        /// The file to make
        file: std::path::PathBuf,
    },
    /// Test a batch of valves: list, test, rework, retest, close
    #[command(subcommand)]
    Batch(Box<crate::cmd::batch::BatchCommand>),
    /// Pair end fittings, so that most valves have the right length
    #[command(
        override_usage = "seathold pair [OPTIONS] --nominal <LENGTH> --tolerance <LENGTH>\n                     --gauge-u <LENGTH> <FITTINGS.csv>"
    )]
    Pair(Box<crate::cmd::pair::PairArgs>),
    /// Put valves together step by step: steps ticked, fittings bolted, lengths measured
    #[command(subcommand)]
    Assembly(Box<crate::cmd::assembly::AssemblyCommand>),
    /// Write labels with codes: valves, end fittings, classes of lengths
    #[command(subcommand)]
    Label(Box<crate::cmd::label::LabelCommand>),
    /// Issue certificates of valves and batches to go with them to the customer
    #[command(subcommand)]
    Certificate(Box<crate::cmd::certificate::CertificateCommand>),
    /// Sign files, such as an export or a bundle, with the bench's key
    Sign(crate::cmd::signed_files::SignArgs),
    /// Tell whether files are as whoever has a key signed them: certificates and others
    Verify(crate::cmd::signed_files::VerifyFileArgs),
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
    /// List the built-in simulated valves; write or check a valve file
    #[command(subcommand)]
    Valve(ValveCommand),
    /// Show each setting, and whether a file, a variable or nothing says it
    Settings(crate::cmd::settings::SettingsArgs),
    /// Write what a shell needs to complete commands and options
    Completions(crate::cmd::completions::CompletionsArgs),
    /// Write manual pages, for `man`
    Manual(crate::cmd::manual::ManualArgs),
    /// Print what a program may rely on in what --json prints
    Schema(crate::cmd::schema::SchemaArgs),
}
