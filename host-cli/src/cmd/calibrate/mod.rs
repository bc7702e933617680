//! `seathold calibrate …`: calibrates a rig, on the simulated one, over the line or from readings, and writes a dated file.

pub mod blank;
pub mod common;
mod held;
pub mod leak;
pub mod on_rig;
mod recordings;
pub mod rest;
pub mod transducer;
pub mod volume;

use std::path::{Path, PathBuf};

use clap::Subcommand;
use jiff::civil::Date;
use jiff::tz::TimeZone;
use jiff::{Span, Timestamp};
use seathold_analysis::calibration::{self, CalibratedQuantity, Calibration};
use seathold_text::layout::line;

use crate::cmd::named_files::is_folder;
use crate::console::Console;
use crate::error::Error;
use crate::exit::Exit;
use crate::rig::Address;
use blank::{BlankArgs, blank_run};
use leak::{ReferenceLeakArgs, leak};
use rest::{RestArgs, rest_run};
use transducer::{TransducerArgs, check};
use volume::{VolumeArgs, volume};

/// `seathold calibrate`.
#[derive(Debug, Subcommand)]
pub enum CalibrateCommand {
    /// Far volume, by expanding its gas into a reference volume (or out of one)
    Volume(VolumeArgs),
    /// Far volume and sensor gain together, by a reference leak
    Leak(ReferenceLeakArgs),
    /// Background leak and settling time constant of the rig, from runs of valves known to be tight, or with a plug
    Blank(BlankArgs),
    /// The far-side transducer against a reference gauge
    Transducer(TransducerArgs),
    /// Drift of the gas temperature, with the far side filled, shut and left alone
    Rest(RestArgs),
}

/// `seathold calibrate`.
pub(super) fn run(args: &CalibrateCommand, console: &mut Console<'_>) -> Result<Exit, Error> {
    let (common, subject) = match args {
        CalibrateCommand::Volume(t) => (&t.common, CalibratedQuantity::Volume),
        CalibrateCommand::Leak(t) => (&t.common, CalibratedQuantity::Leak),
        CalibrateCommand::Blank(t) => (&t.common, CalibratedQuantity::Blank),
        CalibrateCommand::Transducer(t) => (&t.common, CalibratedQuantity::Transducer),
        CalibrateCommand::Rest(t) => (&t.common, CalibratedQuantity::Rest),
    };
    let made = date(console.date_or(common.started_at)?);
    let instruments = common.instrument.join("; ");
    if let Some(why) = calibration::instruments_fault(&instruments) {
        return Err(Error::usage(format!("--instrument: {why}")));
    }
    let adapter = if subject.is_of_adapter() { common.adapter.clone().unwrap_or_default() } else { String::new() };
    let path = file(&common.out, subject, &adapter, made);
    if path.exists() {
        // Before half an hour at the rig, and not after it.
        return Err(Error::file("make", &path, std::io::ErrorKind::AlreadyExists.into()));
    }
    let (common, found) = match args {
        CalibrateCommand::Volume(t) => (&t.common, volume(t, console)?),
        CalibrateCommand::Leak(t) => (&t.common, leak(t, console)?),
        CalibrateCommand::Blank(t) => (&t.common, blank_run(t, console)?),
        CalibrateCommand::Transducer(t) => (&t.common, check(t, console)?),
        CalibrateCommand::Rest(t) => (&t.common, rest_run(t, console)?),
    };
    let expires = made.checked_add(Span::new().days(i64::from(common.valid_days))).unwrap_or(Date::MAX);
    let calibration = Calibration {
        subject,
        adapter,
        made,
        expires,
        by: common.operator.clone(),
        method: found.method,
        instruments,
        values: found.values,
    };
    calibration.write(&path, &found.readings)?;
    let mut out = String::new();
    for (label, text) in &found.said {
        line(&mut out, label, text);
    }
    out.push_str(&found.table);
    if !calibration.instruments.is_empty() {
        line(&mut out, "instruments", &calibration.instruments);
    }
    line(&mut out, "valid", &format!("{made} to {expires}"));
    line(&mut out, "file", &path.display().to_string());
    let on = match args {
        CalibrateCommand::Volume(t) => Some(&t.on),
        CalibrateCommand::Leak(t) => Some(&t.on),
        CalibrateCommand::Blank(t) => Some(&t.on),
        CalibrateCommand::Rest(t) => Some(&t.on),
        CalibrateCommand::Transducer(t) => Some(&t.on),
    };
    let on = on.filter(|on| on.rig != Address::Sim);
    let next = match on {
        Some(on) => format!("seathold rig load RIG-FILE --calibrations {} --rig {}", common.out.display(), on.rig),
        None => format!("seathold run --calibrations {}", common.out.display()),
    };
    if on.is_none_or(|on| !on.load) {
        line(&mut out, "next", &next);
    }
    write!(console.out, "{out}")?;
    match on {
        Some(on) if on.load => super::rig_memory::load_calibration((&on.rig, &on.access, on.yes), &path, console),
        _ => Ok(Exit::Good),
    }
}

fn date(at: Timestamp) -> Date {
    TimeZone::UTC.to_datetime(at).date()
}

fn file(out: &Path, subject: CalibratedQuantity, adapter: &str, made: Date) -> PathBuf {
    let of: String = adapter.chars().map(|c| if c.is_alphanumeric() { c } else { '-' }).collect();
    let of = if of.is_empty() { of } else { format!("_{of}") };
    let name = format!("{}{of}_{made}.toml", subject.name());
    if is_folder(out) { out.join(name) } else { out.to_owned() }
}
