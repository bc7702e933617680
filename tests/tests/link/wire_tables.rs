//! The messages of the link as the types in the code have them, against the tables of the book: every field in its order.

use std::fmt::Write as _;

use seathold_sequencer::event::{Disconnect, Disturbance, Event, Fault, Phase};
use seathold_sequencer::input::{Command, Reading, SensorFault, Sides};
use seathold_sequencer::input::{Prompt, Side};
use seathold_sequencer::link::message::{ChannelStatus, Request, Response, RigLack};
use seathold_sequencer::measure::Curve;
use seathold_sequencer::output::{Coil, GasValve, Pilot};
use seathold_sequencer::recipe::{Actuation, Model, RawRecipe};
use seathold_sequencer::rig::RawRig;
use seathold_sequencer::rig_image::{RigCheck, RigImage};
use seathold_sequencer::verdict::{Evidence, Reason, Suspect, Verdict};
use serde_reflection::{ContainerFormat, Format, Named, Samples, Tracer, TracerConfig, VariantFormat};

/// A type in the words of the book.
fn words(format: &Format) -> String {
    match format {
        Format::TypeName(name) => format!("[{name}](#{})", name.to_lowercase()),
        Format::Bool => "flag".into(),
        Format::I32 => "`i32`".into(),
        Format::U8 => "`u8`".into(),
        Format::U16 => "`u16`".into(),
        Format::U32 => "`u32`".into(),
        Format::U64 => "`u64`".into(),
        Format::F64 => "`f64`".into(),
        Format::Bytes => "bytes".into(),
        Format::Str => "text".into(),
        Format::Seq(of) => format!("how many, a varint, and each {}", words(of)),
        Format::Option(of) => format!("option of {}", words(of)),
        other => panic!("the book has no word for {other:?}"),
    }
}

fn fields(fields: &[Named<Format>]) -> String {
    fields.iter().map(|field| format!("{} {}", field.name, words(&field.value))).collect::<Vec<_>>().join("; ")
}

/// The tables, each container under its own name.
fn tables() -> String {
    let mut tracer = Tracer::new(TracerConfig::default().is_human_readable(false));
    let samples = Samples::new();
    macro_rules! trace {
        ($($of:ty),*) => {$( tracer.trace_type::<$of>(&samples).unwrap(); )*};
    }
    // What holds others before them.
    trace!(
        RawRecipe,
        RawRig,
        Event,
        Response,
        Request,
        RigImage,
        Actuation,
        Model,
        ChannelStatus,
        Curve,
        Disconnect,
        Disturbance,
        Fault,
        Phase
    );
    trace!(Prompt, Reason, Side, Suspect, Verdict, Evidence, RigCheck, RigLack);
    trace!(Command, Reading, SensorFault, Sides, Coil, GasValve, Pilot);
    let registry = tracer.registry().unwrap();
    let mut out = String::new();
    for (name, container) in &registry {
        let _ = writeln!(out, "#### {name}\n");
        match container {
            ContainerFormat::UnitStruct => out.push_str("Nothing.\n"),
            ContainerFormat::NewTypeStruct(of) => {
                let _ = writeln!(out, "{}", words(of));
            }
            ContainerFormat::TupleStruct(of) => {
                let _ = writeln!(out, "{}", of.iter().map(words).collect::<Vec<_>>().join("; "));
            }
            ContainerFormat::Struct(of) => {
                let _ = writeln!(out, "{}", fields(of));
            }
            ContainerFormat::Enum(variants) => {
                out.push_str("| variant | | fields |\n|---|---|---|\n");
                for (number, variant) in variants {
                    let with = match &variant.value {
                        VariantFormat::Unit => String::new(),
                        VariantFormat::NewType(of) => words(of),
                        VariantFormat::Tuple(of) => of.iter().map(words).collect::<Vec<_>>().join("; "),
                        VariantFormat::Struct(of) => fields(of),
                        VariantFormat::Variable(_) => panic!("{name} {number}: not seen"),
                    };
                    let _ = writeln!(out, "| {number:02x} | {} | {with} |", variant.name);
                }
            }
        }
        out.push('\n');
    }
    out
}

/// Between these lines of the book.
const BEGIN: &str = "<!-- types -->\n";
const END: &str = "<!-- end of types -->\n";

/// `SNAPSHOTS=overwrite` writes them anew.
#[test]
fn the_books_tables_are_the_codes_types() {
    let path = concat!(env!("CARGO_MANIFEST_DIR"), "/../docs/link.md");
    let book = std::fs::read_to_string(path).unwrap();
    let (before, rest) = book.split_once(BEGIN).expect("where they begin");
    let (found, after) = rest.split_once(END).expect("where they end");
    let wanted = format!("\n{}", tables());
    if found != wanted && std::env::var("SNAPSHOTS").is_ok_and(|what| what == "overwrite") {
        std::fs::write(path, format!("{before}{BEGIN}{wanted}{END}{after}")).unwrap();
        return;
    }
    assert_eq!(found, wanted, "docs/link.md");
}
