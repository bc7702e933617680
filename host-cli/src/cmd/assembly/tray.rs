//! `seathold assembly tray`: the page for the bench, of the fittings that were kept for a batch.

use std::path::PathBuf;

use clap::Args;
use seathold_document::pdf::PageSize;
use seathold_register::assembly::progress::AssemblyProgress;
use seathold_register::{Access, Register};
use seathold_report::{kept_fittings, tray};

use crate::cmd::batch_common::{BatchArg, refused};
use crate::cmd::class_arg::ClassArg;
use crate::cmd::find::RegisterArg;
use crate::cmd::page_file;
use crate::console::Console;
use crate::error::Error;
use crate::exit::Exit;

/// `seathold assembly tray`.
#[derive(Debug, Args)]
pub struct TrayArgs {
    /// Page to write, by its ending .html or .pdf
    #[arg(long, short, value_name = "FILE", value_parser = page_file::page_file)]
    pub out: PathBuf,
    #[command(flatten)]
    pub class: ClassArg,
    /// Page size of a PDF: a4 or letter
    #[arg(long, value_parser = page_file::page_size, value_name = "SIZE", default_value = "a4")]
    pub page_size: PageSize,
    /// Replace a file that is there, even if it is no page made by seathold
    #[arg(long)]
    pub force: bool,
    #[command(flatten)]
    pub batch: BatchArg,
    #[command(flatten)]
    pub register: RegisterArg,
}

pub(super) fn run(args: &TrayArgs, console: &mut Console<'_>) -> Result<Exit, Error> {
    let width = args.class.width()?;
    let register = Register::open(&args.register.register, Access::Read)?;
    let batch = args.batch.of(&register)?;
    let progress = AssemblyProgress::of(&register, &batch.batch)?;
    if progress.requirement.is_none() {
        return Err(refused(
            &register,
            format!("no fittings were kept for batch {}: `pair --keep` keeps them", batch.name),
        ));
    }
    let (when, moment) = page_file::moment_of_page(console)?;
    let page = kept_fittings::kept_tray(&progress, &batch.name, width, (&when, &moment));
    page_file::write_document(&args.out, tray::document(&page), args.page_size, args.force)?;
    writeln!(console.out, "written to {}", args.out.display())?;
    Ok(Exit::Good)
}
