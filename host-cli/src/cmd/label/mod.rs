//! `seathold label`: labels with a code, a PDF page each, for the printer of a roll.

mod parts;
mod valve;

use std::path::PathBuf;

use clap::{Args, Subcommand};
use seathold_document::pdf::labels::{Label, LabelSize, labels};
use seathold_recording::plain::shown;
use seathold_text::messages::counted;

use super::page_file;
use crate::console::Console;
use crate::error::Error;
use crate::exit::Exit;

/// `seathold label …`.
#[derive(Debug, Subcommand)]
pub enum LabelCommand {
    /// Label valves with their results, or tag them before the test
    Valve(valve::ValveLabelArgs),
    /// Label end fittings: class, valve and partner of each, as kept by `pair --keep`
    Fittings(parts::FittingLabelArgs),
    /// Label the classes that kept fittings lie in, for their places in the tray
    Classes(parts::ClassLabelArgs),
}

/// The file of labels, and their size.
#[derive(Debug, Args)]
pub struct LabelFileArgs {
    /// File to write, a PDF with a label on each page
    #[arg(long, short, value_name = "FILE.pdf", value_parser = page_file::pdf_file)]
    pub out: PathBuf,
    /// Width and height of a label, 20 to 210 mm each
    #[arg(long, value_name = "SIZE", default_value = "62x29mm", value_parser = size)]
    pub size: LabelSize,
    /// Replace a file that is there, even if it is no page made by seathold
    #[arg(long)]
    pub force: bool,
}

fn size(text: &str) -> Result<LabelSize, String> {
    text.parse()
}

impl LabelFileArgs {
    /// Writes all labels or nothing, and says how many.
    fn write(&self, title: &str, moment: &str, of: &[Label], console: &mut Console<'_>) -> Result<(), Error> {
        let bytes = labels(&shown(title), moment, self.size, of).map_err(|why| Error::usage(why.to_string()))?;
        page_file::write_bytes(&self.out, &bytes, self.force)?;
        let (many, size) = (counted(of.len() as u64, "label"), self.size);
        writeln!(console.out, "{many} of {size} written to {}", self.out.display())?;
        Ok(())
    }
}

pub(super) fn run(command: &LabelCommand, console: &mut Console<'_>) -> Result<Exit, Error> {
    match command {
        LabelCommand::Valve(args) => valve::run(args, console),
        LabelCommand::Fittings(args) => parts::fittings(args, console),
        LabelCommand::Classes(args) => parts::classes(args, console),
    }
}
