//! `seathold label fittings` and `label classes`: what lies in the tray.

use clap::Args;
use seathold_assembly::length::Length;
use seathold_document::pdf::labels::Label;
use seathold_register::assembly::progress::AssemblyProgress;
use seathold_register::valves::BatchRecord;
use seathold_register::{Access, Register};
use seathold_report::kept_fittings::{KeptFitting, kept_classes, kept_fittings};
use seathold_report::label::{class_label, fitting_label};

use super::LabelFileArgs;
use crate::cmd::batch_common::{BatchArg, refused};
use crate::cmd::class_arg::ClassArg;
use crate::cmd::find::RegisterArg;
use crate::console::Console;
use crate::error::Error;
use crate::exit::Exit;

/// `seathold label fittings`.
#[derive(Debug, Args)]
pub struct FittingLabelArgs {
    /// Only these fittings [default: every one that is not bolted up]
    #[arg(value_name = "FITTING")]
    pub names: Vec<String>,
    #[command(flatten)]
    pub of: TrayOfBatchArgs,
}

/// `seathold label classes`.
#[derive(Debug, Args)]
pub struct ClassLabelArgs {
    #[command(flatten)]
    pub of: TrayOfBatchArgs,
}

/// What lies in the tray of which batch.
#[derive(Debug, Args)]
pub struct TrayOfBatchArgs {
    #[command(flatten)]
    pub class: ClassArg,
    #[command(flatten)]
    pub file: LabelFileArgs,
    #[command(flatten)]
    pub batch: BatchArg,
    #[command(flatten)]
    pub register: RegisterArg,
}

impl TrayOfBatchArgs {
    fn open(&self) -> Result<(Register, BatchRecord, Vec<KeptFitting>, Length), Error> {
        let width = self.class.width()?;
        let register = Register::open(&self.register.register, Access::Read)?;
        let batch = self.batch.of(&register)?;
        let progress = AssemblyProgress::of(&register, &batch.batch)?;
        let fittings = kept_fittings(&progress);
        if fittings.is_empty() {
            let why = match progress.requirement {
                None => format!("no fittings were kept for batch {}: `pair --keep` keeps them", batch.name),
                Some(_) => format!("every fitting that was kept for batch {} is bolted up", batch.name),
            };
            return Err(refused(&register, why));
        }
        Ok((register, batch, fittings, width))
    }

    fn write(&self, what: &str, batch: &BatchRecord, of: &[Label], console: &mut Console<'_>) -> Result<Exit, Error> {
        self.file.write(&format!("{what} of batch {}", batch.name), &batch.opened_at, of, console)?;
        Ok(Exit::Good)
    }
}

pub(super) fn fittings(args: &FittingLabelArgs, console: &mut Console<'_>) -> Result<Exit, Error> {
    let (register, batch, mut fittings, width) = args.of.open()?;
    let unknown = args.names.iter().find(|name| fittings.iter().all(|fitting| fitting.part.id != **name));
    if let Some(name) = unknown {
        let why = format!("fitting {name} is none of those that wait in the tray of batch {}", batch.name);
        return Err(refused(&register, why));
    }
    fittings.retain(|fitting| args.names.is_empty() || args.names.contains(&fitting.part.id));
    let mut labels = Vec::new();
    for fitting in &fittings {
        let to = fitting.goes_to.as_ref().map(|(valve, partner)| (valve.as_str(), partner.as_str()));
        let label = fitting_label(&fitting.part, &fitting.class(width), to)
            .map_err(|why| Error::usage(format!("label of fitting {}: {why}", fitting.part.id)))?;
        labels.push(label);
    }
    args.of.write("Fittings", &batch, &labels, console)
}

pub(super) fn classes(args: &ClassLabelArgs, console: &mut Console<'_>) -> Result<Exit, Error> {
    let (_, batch, fittings, width) = args.of.open()?;
    let labels: Vec<Label> = kept_classes(&fittings, width).iter().map(class_label).collect();
    args.of.write("Classes", &batch, &labels, console)
}
