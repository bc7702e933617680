//! Arguments that more than one command takes, and those of the commands on files.

use std::path::PathBuf;

use clap::{ArgAction, Args, Subcommand, ValueEnum};
use jiff::Timestamp;
use seathold_language::Language;
use seathold_recording::limits::{NAME_MAX, TYPED_NAME_MAX, TYPED_NOTE_MAX};
use seathold_recording::plain::hidden_fault;
use seathold_register::batch::columns;
use seathold_sequencer::input::Sides;
use seathold_sequencer::recipe::Actuation;

use crate::speed::{self, Speed};

/// `seathold rig …`.
#[derive(Debug, Subcommand)]
pub enum RigCommand {
    /// Print a file with every field, its meaning and its range
    Template,
    /// Check a file and report everything that is wrong with it
    Check {
        /// The file
        file: PathBuf,
    },
    /// Load a rig into a controller, with its adapters and calibrations: shown first, and confirmed
    Load(crate::rig_args::LoadArgs),
    /// Show the rig that a controller works by: which, since when, its adapters, whether it has been checked
    Show(crate::rig_args::ShowRigArgs),
    /// Let air in without a check of the rig since it was loaded; every recording will say so
    WaiveCheck(crate::rig_args::WaiveArgs),
}

/// `seathold recipe …`.
#[derive(Debug, Subcommand)]
pub enum RecipeCommand {
    /// Print a file with every field, its meaning and its range
    Template,
    /// Check a file and report everything that is wrong with it
    Check {
        /// The file
        file: PathBuf,
        /// Rig that the recipe must fit [default: the built-in rig]
        #[arg(long, value_name = "FILE")]
        rig_file: Option<PathBuf>,
        /// The rig's adapter, where it has several
        #[arg(long, value_name = "NAME")]
        adapter: Option<String>,
        /// Its calibrations: files, or folders of them
        #[arg(long, value_name = "FILE|FOLDER", num_args = 1..)]
        calibrations: Vec<PathBuf>,
    },
}

/// `seathold valve …`.
#[derive(Debug, Subcommand)]
pub enum ValveCommand {
    /// List the built-in valves
    List,
    /// Print a valve file with every field, its meaning and its range
    Template,
    /// Check a file and report everything that is wrong with it
    Check {
        /// The file
        file: PathBuf,
    },
}

/// The name of a person or a batch. It stands on every page and in every row of a table.
pub fn name(text: &str) -> Result<String, String> {
    let name = at_most(text, TYPED_NAME_MAX)?;
    if name.len() > NAME_MAX {
        return Err(format!("it has {} bytes, and {NAME_MAX} are allowed", name.len()));
    }
    Ok(name)
}

/// `--language`.
pub(crate) fn language(text: &str) -> Result<Language, String> {
    Language::of_tag(text).ok_or_else(|| format!("give one of {}", Language::ALL.map(Language::tag).join(", ")))
}

/// A person's name, as it stands on records: not empty, and nothing that acts on a screen.
///
/// # Errors
/// What is wrong with it.
pub fn person(text: &str) -> Result<String, String> {
    if text.trim().is_empty() {
        return Err("give a name: it is on every record".into());
    }
    if let Some(why) = hidden_fault(text) {
        return Err(format!("the name {why}"));
    }
    name(text)
}

/// Units that pressures can be shown in.
pub const PRESSURE_UNITS: [&str; 6] = ["bar", "mbar", "kPa", "Pa", "MPa", "psi"];

/// Yes or no.
///
/// # Errors
/// For anything else.
pub fn yes_no(text: &str) -> Result<bool, String> {
    match text {
        "yes" | "true" | "on" | "1" => Ok(true),
        "no" | "false" | "off" | "0" => Ok(false),
        _ => Err("give yes or no".into()),
    }
}

/// A serial, by itself or in the text of a label that was scanned.
pub fn scanned(text: &str) -> Result<String, String> {
    Ok(seathold_report::label::scanned::serial_of(text).into())
}

/// A note or a title.
pub fn note(text: &str) -> Result<String, String> {
    at_most(text, TYPED_NOTE_MAX)
}

fn at_most(text: &str, most: usize) -> Result<String, String> {
    let count = text.chars().count();
    if count > most {
        return Err(format!("it has {count} characters, and {most} are allowed"));
    }
    Ok(text.into())
}

/// `seathold run`.
#[derive(Clone, Debug, Args)]
pub struct RunArgs {
    /// Recipe file, or a built-in one: "dn25-air", "dn25-hand"
    #[arg(long, value_name = "FILE", help_heading = "What and how")]
    pub recipe: Option<PathBuf>,
    /// Rig file [default: the built-in rig]
    #[arg(long, value_name = "FILE", help_heading = "What and how")]
    pub rig_file: Option<PathBuf>,
    /// The recipe of a calibration, in place of the one named.
    #[arg(skip)]
    pub of_calibration: Option<seathold_sequencer::recipe::RawRecipe>,
    /// The adapter that was named is taken whatever the size of the valve: somebody answers for it.
    #[arg(skip)]
    pub any_adapter: bool,
    /// The rig's adapter that the valve is on [default: the one that takes its DN]
    #[arg(long, value_name = "NAME", help_heading = "What and how")]
    pub adapter: Option<String>,
    /// Greatest leak allowed, instead of the recipe's: "7.5 mm3/s", or a class like "ISO 5208 rate B DN 25"
    #[arg(long, value_name = "LEAK|CLASS", help_heading = "What and how")]
    pub limit: Option<String>,
    /// Nominal size, DN or NPS, for a class that names none, and for the rig's adapter
    #[arg(long, value_name = "N|NPS", value_parser = seathold_quantity::pipe_size::dn, help_heading = "What and how")]
    pub dn: Option<u32>,
    /// Calibration files, or folders of them [default: none, and the result says so]
    #[arg(long, value_name = "FILE|FOLDER", num_args = 1.., help_heading = "What and how")]
    pub calibrations: Vec<PathBuf>,
    /// The valve's serial number [default: the built-in valve's, or "unmarked"]
    #[arg(long, value_name = "NUMBER", value_parser = seathold_register::batch::serial::serial, help_heading = "What and how")]
    pub serial: Option<String>,
    /// Who runs it
    #[arg(long, value_name = "NAME", value_parser = name, default_value = "", hide_default_value = true, help_heading = "What and how")]
    pub operator: String,
    /// Sides to test: both, first (end A on supply) or second (end B on supply)
    #[arg(long, value_enum, hide_possible_values = true, default_value_t = SidesArg::Both, help_heading = "What and how")]
    pub sides: SidesArg,
    /// Each side begins only when the tag of the end on the supply side is scanned: the serial number with /A or /B
    #[arg(long, conflicts_with = "resume", help_heading = "What and how")]
    pub end_tags: bool,
    /// Actuation of the valve: air or hand [default: the valve's or the recipe's]
    #[arg(long, value_enum, ignore_case = true, hide_possible_values = true, help_heading = "What and how")]
    pub actuation: Option<ActuationArg>,

    /// "sim" (in this program), or a controller: "tcp:HOST:PORT", "serial:DEVICE" or "serial:DEVICE@BAUD"
    #[arg(long, value_name = "RIG", default_value = "sim", help_heading = "The rig")]
    pub rig: crate::rig::Address,
    /// Who may give commands on the line to it.
    #[command(flatten)]
    pub access: crate::rig::AccessArgs,
    /// Resume a run whose program was stopped, from its unfinished recording
    #[arg(long, value_name = "FILE", help_heading = "The rig")]
    pub resume: Option<PathBuf>,
    /// Abort any run in progress on the controller, then begin
    #[arg(long, help_heading = "The rig")]
    pub abort_existing: bool,
    /// Acknowledge a fault that waits for it on the controller, then begin
    #[arg(long, help_heading = "The rig")]
    pub acknowledge: bool,

    /// Simulated valve: a name from `seathold valve list`, or a file [default: tight]
    #[arg(long, value_name = "NAME|FILE", help_heading = "The simulated rig")]
    pub valve: Option<String>,
    /// Leak of the seat at end A, like "3 mm3/s"
    #[arg(long, value_name = "LEAK", help_heading = "The simulated rig")]
    pub seat_a: Option<String>,
    /// Leak of the seat at end B
    #[arg(long, value_name = "LEAK", help_heading = "The simulated rig")]
    pub seat_b: Option<String>,
    /// Leak of the joint at end A
    #[arg(long, value_name = "LEAK", help_heading = "The simulated rig")]
    pub joint_a: Option<String>,
    /// Leak of the joint at end B
    #[arg(long, value_name = "LEAK", help_heading = "The simulated rig")]
    pub joint_b: Option<String>,
    /// Leak of the stem packing
    #[arg(long, value_name = "LEAK", help_heading = "The simulated rig")]
    pub stem: Option<String>,
    /// Leak of a fitting of the rig on the far side
    #[arg(long, value_name = "LEAK", help_heading = "The simulated rig")]
    pub rig_leak: Option<String>,
    /// Any other field of a valve file, as FIELD=VALUE; may be given again
    #[arg(long, value_name = "FIELD=VALUE", help_heading = "The simulated rig")]
    pub set: Vec<String>,
    /// Seed of all random numbers
    #[arg(long, value_name = "N", help_heading = "The simulated rig")]
    pub seed: Option<u64>,
    /// A fault: NAME, NAME@TIME, NAME@TIME..TIME or NAME@PHASE+TIME like "guard@20s"; `--fault list` names them
    #[arg(long, value_name = "NAME[@TIME]", help_heading = "The simulated rig")]
    pub fault: Vec<String>,
    /// How fast simulated time passes: "max", or times real time [default: max; 1 with --interactive]
    #[arg(long, value_parser = speed::speed, value_name = "max|N", help_heading = "The simulated rig")]
    pub speed: Option<Speed>,
    /// You answer at the keyboard, instead of the simulated operator; always so on a real rig
    #[arg(long, help_heading = "The simulated rig")]
    pub interactive: bool,

    /// Recording to write, or a folder for it [default: recordings/SERIAL_STAMP.hold]
    #[arg(long, value_name = "FILE|FOLDER", help_heading = "Output")]
    pub out: Option<PathBuf>,
    /// Register to keep the run in as well; made where there is none [default: only the recording]
    #[arg(long, value_name = "FILE", help_heading = "Output")]
    pub register: Option<PathBuf>,
    /// Send what the register then has to this office, in the background: `register push` says more
    #[arg(long, value_name = "ADDRESS", value_parser = crate::redact::TypedAddress::checked, help_heading = "Output")]
    pub push: Option<crate::redact::TypedAddress>,
    /// The run is not for the batch that is open for this valve [default: it counts there, by what the batch demands: in the register, or the bench.sqlite of this folder]
    #[arg(long, help_heading = "Output")]
    pub no_batch: bool,
    /// Run it although it does not fit what the open batch demands of this valve, and why: the report prints it
    #[arg(long = "override", value_name = "WHY", value_parser = note, conflicts_with = "no_batch", help_heading = "Output")]
    pub override_why: Option<String>,
    /// When the run began, instead of now: an RFC 3339 time like 2026-03-02T09:30:00Z
    #[arg(long, value_name = "TIME", help_heading = "Output")]
    pub started_at: Option<Timestamp>,
    /// Events and the result as JSON, a line each
    #[arg(long, help_heading = "Output")]
    pub json: bool,
    /// Only the result
    #[arg(long, short, help_heading = "Output")]
    pub quiet: bool,
    /// Unit of pressures, here and in the recording: bar, mbar, kPa, Pa, MPa or psi [default: the recipe's]
    #[arg(long, value_name = "UNIT", value_parser = PRESSURE_UNITS, hide_possible_values = true, help_heading = "Output")]
    pub unit: Option<String>,
    /// On a terminal at the rig: lines in place of the whole screen
    #[arg(long, value_name = "yes|no", num_args = 0..=1, require_equals = true, default_missing_value = "yes",
          default_value = "no", hide_default_value = true, value_parser = yes_no, action = ArgAction::Set, help_heading = "Output")]
    pub lines: bool,
    /// A bell at questions and verdicts
    #[arg(long, value_name = "yes|no", num_args = 0..=1, require_equals = true, default_missing_value = "yes",
          default_value = "yes", value_parser = yes_no, action = ArgAction::Set, help_heading = "Output")]
    pub bell: bool,
    /// No bell: the same as --bell=no
    #[arg(long, conflicts_with = "bell", help_heading = "Output")]
    pub no_bell: bool,
}

/// `seathold replay`.
#[derive(Debug, Args)]
pub struct ReplayArgs {
    /// Recordings
    #[arg(required = true)]
    pub files: Vec<PathBuf>,
}

/// `seathold show`.
#[derive(Debug, Args)]
pub struct ShowArgs {
    /// The recording
    pub file: PathBuf,
    /// Every poll as comma-separated values
    #[arg(long, group = "form")]
    pub csv: bool,
    /// Header, events and result as one JSON object
    #[arg(long, group = "form")]
    pub json: bool,
    /// Where each side's uncertainty comes from
    #[arg(long, group = "form")]
    pub budget: bool,
    /// Unit of pressures: bar, mbar, kPa, Pa, MPa or psi [default: the recording's]
    #[arg(long, value_name = "UNIT", value_parser = PRESSURE_UNITS, hide_possible_values = true)]
    pub unit: Option<String>,
}

/// `--sides`.
#[derive(Clone, Copy, Debug, ValueEnum)]
pub enum SidesArg {
    /// First side, ends swapped, second side.
    Both,
    /// End A on supply.
    First,
    /// End B on supply.
    Second,
}

impl From<Sides> for SidesArg {
    fn from(sides: Sides) -> Self {
        match sides {
            Sides::Both => Self::Both,
            Sides::First => Self::First,
            Sides::Second => Self::Second,
        }
    }
}

impl From<SidesArg> for Sides {
    fn from(arg: SidesArg) -> Self {
        match arg {
            SidesArg::Both => Self::Both,
            SidesArg::First => Self::First,
            SidesArg::Second => Self::Second,
        }
    }
}

/// `--actuation`.
#[derive(Clone, Copy, Debug, ValueEnum)]
pub enum ActuationArg {
    /// Opened by compressed air, shut by a spring.
    #[value(aliases = columns::AIR)]
    Air,
    /// Turned by hand.
    #[value(aliases = columns::HAND)]
    Hand,
}

impl ActuationArg {
    /// In the register's word.
    pub const fn word(self) -> &'static str {
        match self {
            Self::Air => "air",
            Self::Hand => "hand",
        }
    }
}

impl From<ActuationArg> for Actuation {
    fn from(arg: ActuationArg) -> Self {
        match arg {
            ActuationArg::Air => Self::Air,
            ActuationArg::Hand => Self::Hand,
        }
    }
}
