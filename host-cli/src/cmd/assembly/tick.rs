//! `seathold assembly tick`: a step that was done.

use std::collections::BTreeSet;
use std::path::PathBuf;

use clap::Args;
use seathold_picture::photograph::Photograph;
use seathold_recording::file::read_at_most;
use seathold_recording::hash::sha256;
use seathold_recording::plain::shown;
use seathold_register::assembly::keep::AssemblyBy;
use seathold_register::assembly::progress::AssemblyProgress;
use seathold_register::assembly::sealed::{DoneHead, Photo};
use seathold_register::photo::sealed::KeptPhoto;
use seathold_register::photo::store;
use seathold_register::{Access, Register};
use seathold_report::label::scanned;
use seathold_text::messages::counted;

use super::ByArgs;
use crate::cmd::batch_common::{not_listed, refused};
use crate::console::Console;
use crate::error::Error;
use crate::exit::Exit;

/// The largest photograph, in bytes.
const PHOTO_MAX: u64 = 64 << 20;

/// What a JPEG file (ISO/IEC 10918-1, B.1.1.3: start of image and the next marker) and a PNG file (ISO/IEC 15948, 5.2) begin with.
const PHOTO_MARKS: [&[u8]; 2] = [&[0xff, 0xd8, 0xff], b"\x89PNG\r\n\x1a\n"];

/// `seathold assembly tick`.
#[derive(Debug, Args)]
pub struct TickArgs {
    /// The step, by its name
    #[arg(value_name = "STEP")]
    pub step: String,
    /// The valves that it was done on
    #[arg(value_name = "SERIAL", required_unless_present = "all", conflicts_with = "all")]
    pub serials: Vec<String>,
    /// It was done on every valve of the batch that it is still open on
    #[arg(long)]
    pub all: bool,
    /// What was read or noted, like "20 N m" or the lot of a kit
    #[arg(long, value_name = "VALUE", value_parser = crate::args::name)]
    pub value: Option<String>,
    /// The number of the tool
    #[arg(long, value_name = "NUMBER", value_parser = crate::args::name)]
    pub tool: Option<String>,
    /// A photograph: its name and check sum are kept, and a copy of its pixels; the file stays where it is
    #[arg(long, value_name = "FILE")]
    pub photo: Option<PathBuf>,
    /// Anything else
    #[arg(long, value_name = "TEXT", value_parser = crate::args::note, default_value = "", hide_default_value = true)]
    pub note: String,
    #[command(flatten)]
    pub by: ByArgs,
}

pub(super) fn run(args: &TickArgs, console: &mut Console<'_>) -> Result<Exit, Error> {
    let mut register = Register::open(&args.by.register.register, Access::Write)?;
    let batch = args.by.batch.open(&register)?;
    let progress = AssemblyProgress::of(&register, &batch.batch)?;
    let known = || progress.valves.iter().map(|valve| valve.serial.as_str());
    let typed = args.serials.iter().map(|typed| scanned::listed(typed, |serial| progress.valve(serial).is_some()));
    let named: Vec<&str> = typed.collect();
    if let Some(unknown) = named.iter().find(|serial| progress.valve(serial).is_none()) {
        return Err(refused(&register, not_listed(unknown, &batch, known())));
    }
    let at = progress.steps.iter().position(|step| step.name == args.step);
    let is_open = |at: usize| progress.valves.iter().filter(move |valve| valve.open_steps().any(|open| open == at));
    let serials: Vec<&str> = match at {
        Some(at) if args.all => is_open(at).map(|valve| valve.serial.as_str()).collect(),
        None if args.all => known().collect(),
        _ => named,
    };
    if let (Some(_), true) = (at, serials.is_empty()) {
        return Err(refused(&register, format!("step {} is done on every valve of batch {}", args.step, batch.name)));
    }
    let photo = args.photo.as_ref().map(|path| {
        // A pipe would be waited for.
        let there = std::fs::metadata(path).map_err(|why| Error::file("read", path, why))?;
        let bytes = if there.is_file() { read_at_most(path, PHOTO_MAX)? } else { Vec::new() };
        if !PHOTO_MARKS.iter().any(|mark| bytes.starts_with(mark)) {
            return Err(Error::usage(format!("--photo: {}: neither a JPEG nor a PNG file", path.display())));
        }
        let file = path.file_name().map(|name| name.to_string_lossy().into_owned()).unwrap_or_default();
        let kept = match Photograph::read(&bytes) {
            Ok(Photograph { jpeg, width, height }) => {
                let sha256 = store::keep(&store::folder(register.path()), &jpeg)?;
                Some(Box::new(KeptPhoto { sha256, width, height }))
            }
            Err(why) => {
                let path = path.display();
                writeln!(console.err, "{}", shown(&format!("--photo: {path}: no copy of it is kept: {why}")))?;
                None
            }
        };
        Ok::<_, Error>(Photo { file, sha256: sha256(&bytes), kept })
    });
    let done = DoneHead {
        step: args.step.clone(),
        value: args.value.clone(),
        tool: args.tool.clone(),
        photo: photo.transpose()?,
        remark: args.note.trim().into(),
    };
    let by = AssemblyBy { batch: &batch.batch, operator: &args.by.operator, now: console.date()? };
    let number = register.tick(&done, &serials, by)?;
    let once: BTreeSet<&str> = serials.iter().copied().collect();
    let of = match serials[..] {
        [one, ..] if once.len() == 1 => one.to_owned(),
        _ => counted(once.len() as u64, "valve"),
    };
    writeln!(console.out, "{}: done on {of} (record {number})", args.step)?;
    Ok(Exit::Good)
}
