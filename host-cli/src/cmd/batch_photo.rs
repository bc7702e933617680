//! `seathold batch photo`: photographs of a valve, kept beside the register.

use std::path::PathBuf;

use clap::Args;
use seathold_picture::photograph::{FILE_BYTES_MAX, Photograph};
use seathold_recording::plain::shown;
use seathold_register::photo::keep::{NewPhoto, PHOTOS_MAX, PhotoBy};
use seathold_register::{Access, NoteKind, Register};
use seathold_report::label::scanned;

use super::batch_common::{BatchArg, not_listed, refused};
use super::find::RegisterArg;
use super::picture_file::plain_file;
use crate::console::Console;
use crate::error::Error;
use crate::exit::Exit;

/// `seathold batch photo`.
#[derive(Debug, Args)]
pub struct PhotoArgs {
    /// The valve
    pub serial: String,
    /// Photographs of it, JPEG or PNG: a copy without anything but its pixels is kept, 1600 of them at most along its longer side
    #[arg(value_name = "FILE", required = true, num_args = 1..)]
    pub files: Vec<PathBuf>,
    /// What they show; it stands on the report
    #[arg(long, value_name = "TEXT", value_parser = crate::args::note, default_value = "", hide_default_value = true)]
    pub caption: String,
    /// Who keeps them
    #[arg(long, value_name = "NAME", value_parser = crate::args::person)]
    pub operator: String,
    #[command(flatten)]
    pub batch: BatchArg,
    #[command(flatten)]
    pub register: RegisterArg,
}

pub(super) fn run(args: &PhotoArgs, console: &mut Console<'_>) -> Result<Exit, Error> {
    let mut register = Register::open(&args.register.register, Access::Write)?;
    let batch = args.batch.any(&register)?;
    let list = register.valves_of(&batch.batch)?;
    let serial = scanned::listed(&args.serial, |serial| list.iter().any(|valve| valve.serial == serial));
    if list.iter().all(|valve| valve.serial != serial) {
        return Err(refused(&register, not_listed(serial, &batch, list.iter().map(|valve| valve.serial.as_str()))));
    }
    let known = register.photos(Some(&batch.batch), Some(serial))?;
    let known = known.iter().filter(|known| known.note.kind == NoteKind::Photo).count();
    if known + args.files.len() > PHOTOS_MAX {
        let there = if known == 0 { String::new() } else { format!(", and has {known}") };
        let why =
            format!("{serial} may have {PHOTOS_MAX} photographs{there}; `batch strike` strikes one that is wrong");
        return Err(refused(&register, why));
    }
    let read = |path: &PathBuf| {
        let photograph = Photograph::read(&plain_file(path, FILE_BYTES_MAX)?);
        photograph.map_err(|why| Error::usage(shown(&format!("{}: {why}", path.display()))))
    };
    // What cannot be read is told before anything is kept. They are not held all at once in more than their small form.
    let photographs = args.files.iter().map(read).collect::<Result<Vec<_>, Error>>()?;
    let by = PhotoBy { batch: &batch.batch, serial, operator: &args.operator, now: console.date()? };
    for (path, Photograph { jpeg, width, height }) in args.files.iter().zip(&photographs) {
        let number = register.keep_photo(NewPhoto { jpeg, size: (*width, *height), caption: &args.caption }, by)?;
        let line = format!("{serial}: {} kept, {width} × {height} pixels (record {number})", path.display());
        writeln!(console.out, "{}", shown(&line))?;
    }
    Ok(Exit::Good)
}
