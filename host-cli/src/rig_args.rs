//! Options of `seathold rig load`, `show` and `waive-check`.

use std::path::PathBuf;

use clap::Args;

use crate::rig::{AccessArgs, Address};

/// The controller whose rig it is.
#[derive(Debug, Args)]
pub struct ControllerArgs {
    /// The controller: "tcp:HOST:PORT", "serial:DEVICE" or "serial:DEVICE@BAUD"
    #[arg(long, value_name = "RIG")]
    pub rig: Address,
    /// Who may give commands on the line to it.
    #[command(flatten)]
    pub access: AccessArgs,
}

/// `seathold rig load`.
#[derive(Debug, Args)]
pub struct LoadArgs {
    /// The rig file
    pub file: PathBuf,
    /// Calibrations to be loaded with it: files, or folders of them
    #[arg(long, value_name = "FILE|FOLDER", num_args = 1..)]
    pub calibrations: Vec<PathBuf>,
    /// Load it without asking
    #[arg(long)]
    pub yes: bool,
    /// Which.
    #[command(flatten)]
    pub controller: ControllerArgs,
}

/// `seathold rig show`.
#[derive(Debug, Args)]
pub struct ShowRigArgs {
    /// One JSON object
    #[arg(long)]
    pub json: bool,
    /// As a rig file, to be changed and loaded again. Calibrations that were loaded are in it
    #[arg(long, conflicts_with = "json")]
    pub toml: bool,
    /// Which.
    #[command(flatten)]
    pub controller: ControllerArgs,
}

/// `seathold rig waive-check`.
#[derive(Debug, Args)]
pub struct WaiveArgs {
    /// Waive it without asking
    #[arg(long)]
    pub yes: bool,
    /// Which.
    #[command(flatten)]
    pub controller: ControllerArgs,
}
