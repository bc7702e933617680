//! `seathold pair`: which two end fittings make a valve of the right length with which body.

mod args;
mod as_json;
mod keep;
mod page;
mod question;
mod words;

use seathold_assembly::extremes_inward::extremes_inward;
use seathold_assembly::pairing::most_conforming;

pub use self::args::PairArgs;
use self::keep::KeptBatch;
use crate::cmd::page_file;
use crate::console::Console;
use crate::error::Error;
use crate::exit::Exit;
use crate::schema::{self, JsonKind};

/// Pairs fittings, both ways, and says what is left.
pub(super) fn run(args: &PairArgs, console: &mut Console<'_>) -> Result<Exit, Error> {
    let mut kept = args.keep.then(|| KeptBatch::open(args)).transpose()?;
    let question = question::question(args, kept.as_ref().map(|kept| &kept.waiting))?;
    let (fittings, bodies) = (&question.fittings.likely.parts, &question.bodies.likely.parts);
    let shops = extremes_inward(fittings, bodies, &question.to);
    let most = most_conforming(fittings, bodies, &question.to);
    if args.json {
        schema::write(console, JsonKind::Pair, as_json::as_json(&question, &shops, &most))?;
    } else {
        write!(console.out, "{}", words::text(args, &question, &shops, &most))?;
    }
    if let Some(kept) = &mut kept {
        let said = kept.keep(&question, &most.pairing, &args.operator, console)?;
        writeln!(if args.json { &mut *console.err } else { &mut *console.out }, "{said}")?;
    }
    if let Some(path) = &args.page {
        let (when, moment) = page_file::moment_of_page(console)?;
        let document = page::page(args, &question, &most, (&when, &moment));
        page_file::write_document(path, document, args.page_size, args.force)?;
        writeln!(if args.json { &mut *console.err } else { &mut *console.out }, "written to {}", path.display())?;
    }
    Ok(Exit::Good)
}
