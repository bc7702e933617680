//! `seathold calibrate …`: calibrates a rig, on the simulated one or from readings, and writes a dated file.

use std::ops::RangeInclusive;
use std::path::{Path, PathBuf};

use clap::{Args, Subcommand, ValueEnum};
use jiff::civil::Date;
use jiff::tz::TimeZone;
use jiff::{Span, Timestamp};
use seathold_analysis::calibration::bench::{self, CalibrationBench, HoldRecorder};
use seathold_analysis::calibration::rest::Rest;
use seathold_analysis::calibration::scatter::{self, BlankLook, TrappedReading};
use seathold_analysis::calibration::{
    self as calibration, CalibratedQuantity, Calibration, CalibrationValues, TimeConstant, ValueWithU, added_volume,
    apply, background_words, blank, expansion, reference_leak, rest, transducer,
};
use seathold_config::rig::AdapterChoice;
use seathold_config::valve;
use seathold_quantity::{InputError, InputProblem};
use seathold_recording as recording;
use seathold_recording::header::DisplayUnits;
use seathold_sequencer::field::Unit;
use seathold_sequencer::measure::{LeakEstimate, ReferredLeak};
use seathold_sequencer::recipe::RawRecipe;
use seathold_sequencer::rig::{BLANK_RUNS_MIN, RawRig};
use seathold_sequencer::units::{AbsolutePressure, Reference};
use seathold_sequencer::verdict::{SideResult, Verdict};
use seathold_sim::scenario::Scenario;
use seathold_text::drift_margin::drift_words;
use seathold_text::layout::{line, percent};
use seathold_text::messages::{UnitFormat, counted};

use super::calibrate_rig::{RigArgs, RigHolds};
use super::files::load_rig;
use super::named_files::{refuse_copies, unfit};
use crate::console::Console;
use crate::error::Error;
use crate::exit::Exit;
use crate::quantity_args::{self, QuantityArgs};
use crate::rig::Address;

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

/// Options of every calibration.
#[derive(Debug, Args)]
pub struct CalibrationArgs {
    /// Rig file [default: the built-in rig]
    #[arg(long, value_name = "FILE", help_heading = "Record")]
    pub rig_file: Option<PathBuf>,
    /// The rig's adapter , where it has several: the calibration is of it alone
    #[arg(long, value_name = "NAME", help_heading = "Record")]
    pub adapter: Option<String>,
    /// File to write, or a folder for it
    #[arg(long, value_name = "FILE|FOLDER", default_value = "calibrations/", help_heading = "Record")]
    pub out: PathBuf,
    /// Days it is valid
    #[arg(long, value_name = "DAYS", default_value_t = 365, value_parser = clap::value_parser!(u16).range(1..=3_650), help_heading = "Record")]
    pub valid_days: u16,
    /// Who calibrated
    #[arg(long, value_parser = crate::args::name, default_value = "", hide_default_value = true, help_heading = "Record")]
    pub operator: String,
    /// When it was done, instead of now: an RFC 3339 time like 2026-03-02T09:30:00Z
    #[arg(long, value_name = "TIME", help_heading = "Record")]
    pub started_at: Option<Timestamp>,
    /// Simulated valve and rig: a name from `seathold valve list`, or a file
    #[arg(long, value_name = "NAME|FILE", default_value = "tight", help_heading = "The simulated rig")]
    pub valve: String,
    /// Seed of all random numbers
    #[arg(long, value_name = "N", default_value_t = 1, help_heading = "The simulated rig")]
    pub seed: u64,
}

/// `seathold calibrate volume`.
#[derive(Debug, Args)]
pub struct VolumeArgs {
    /// The reference volume, with everything between it and the ball
    #[arg(long, value_name = "VOLUME")]
    pub reference: String,
    /// Its standard uncertainty, as a ratio
    #[arg(long, value_name = "RATIO", default_value = "0.3 %")]
    pub reference_u: String,
    /// Gauge pressures before and after opening, like "6.01 bar:3.61 bar"; may be given again [default: the simulated
    /// rig]
    #[arg(long, value_name = "BEFORE:AFTER", allow_hyphen_values = true)]
    pub reading: Vec<String>,
    /// The reference volume held the gas, and the far side was empty
    #[arg(long, requires = "reading")]
    pub from_reference: bool,
    /// Standard uncertainty of one reading, without the gain
    #[arg(long, value_name = "PRESSURE", default_value = "10 Pa")]
    pub reading_u: String,
    /// Standard uncertainty of the gas temperature's change from before to after
    #[arg(long, value_name = "K", default_value = "0.05 K")]
    pub temperature_u: String,
    /// Expansions on the simulated rig
    #[arg(long, value_name = "N", default_value_t = 5, value_parser = clap::value_parser!(u8).range(1..=50))]
    pub repeats: u8,
    /// Three recordings: of a tight side; with a leak on the far side, which nobody has to know; and with the same leak and
    /// the reference volume open to the far side. So it is done on a controller
    #[arg(long, value_name = "FILE", num_args = 3, conflicts_with_all = ["reading", "from_reference"])]
    pub recording: Vec<PathBuf>,
    #[command(flatten)]
    pub on: RigArgs,
    #[command(flatten)]
    pub common: CalibrationArgs,
}

/// `seathold calibrate leak`.
#[derive(Debug, Args)]
pub struct ReferenceLeakArgs {
    /// The reference leak at the test pressure, like "20 mm3/s"
    #[arg(long, value_name = "LEAK")]
    pub reference: String,
    /// Its standard uncertainty, as a ratio
    #[arg(long, value_name = "RATIO", default_value = "1 %")]
    pub reference_u: String,
    /// Fall with the leak and its standard uncertainty, like "44.1 Pa/s:0.2 Pa/s" [default: the simulated rig]
    #[arg(long, value_name = "FALL:U", allow_hyphen_values = true, requires = "fall_without")]
    pub fall_with: Option<String>,
    /// The same without the leak
    #[arg(long, value_name = "FALL:U", allow_hyphen_values = true, requires = "fall_with")]
    pub fall_without: Option<String>,
    /// Two recordings of runs, the first without the leak and the second with it [default: the simulated rig]
    #[arg(long, value_name = "FILE", num_args = 2, conflicts_with_all = ["fall_with", "fall_without"])]
    pub recording: Vec<PathBuf>,
    #[command(flatten)]
    pub on: RigArgs,
    #[command(flatten)]
    pub common: CalibrationArgs,
}

/// What holds the pressure in a blank run.
#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
pub enum BlankedBy {
    /// A plug in place of the valve
    Plug,
    /// Valves of one type known to be tight
    Valves,
}

/// `seathold calibrate blank`.
#[derive(Debug, Args)]
pub struct BlankArgs {
    /// What held the pressure: a plug in place of the valve, or valves known to be tight. Four or more runs with valves of
    /// one type tell also how leak-free sides vary; a plug has no cavity and no seats, and tells of the rig alone [default: valves
    /// on the simulated rig, plug for up to three recordings; for more it must be said]
    #[arg(long, value_name = "WHAT")]
    pub with: Option<BlankedBy>,
    /// A recording of such a run; given again for each [default: the simulated rig]
    #[arg(long, value_name = "FILE")]
    pub recording: Vec<PathBuf>,
    /// Runs, where they are made now
    #[arg(long, value_name = "N", default_value_t = 1, conflicts_with = "recording", value_parser = clap::value_parser!(u32).range(1..=100))]
    pub repeats: u32,
    /// Measuring time, where they are made now
    #[arg(long, value_name = "TIME", default_value = "60 s", value_parser = whole_seconds)]
    pub duration: u32,
    #[command(flatten)]
    pub on: RigArgs,
    #[command(flatten)]
    pub common: CalibrationArgs,
}

fn whole_seconds(text: &str) -> Result<u32, String> {
    quantity_args::one(Unit::Second, text, 30.0..=3_000.0).map(|seconds| seconds.round() as u32)
}

/// `seathold calibrate transducer`.
#[derive(Debug, Args)]
pub struct TransducerArgs {
    /// Gauge pressures of reference and transducer, like "6 bar:6.004 bar"; three or more [default: the simulated rig]
    #[arg(long, value_name = "REFERENCE:READING", allow_hyphen_values = true)]
    pub point: Vec<String>,
    /// Standard uncertainty of the reference gauge, as a ratio
    #[arg(long, value_name = "RATIO", default_value = "0.05 %")]
    pub reference_u: String,
    #[command(flatten)]
    pub common: CalibrationArgs,
}

/// `seathold calibrate rest`.
#[derive(Debug, Args)]
pub struct RestArgs {
    /// A recording whose first side was left alone for 5 min to 1 h, with a plug in place of the valve or a valve known to be
    /// tight [default: the simulated rig]. Several, given again each and made at different times of the day, tell how
    /// the drift varies over the hours
    #[arg(long, value_name = "FILE")]
    pub recording: Vec<PathBuf>,
    /// Time at rest, where it is made now
    #[arg(long, value_name = "TIME", default_value = "30 min", conflicts_with = "recording", value_parser = rest_seconds)]
    pub duration: u32,
    /// Calibration files, or folders of them: far volume and background leak are taken from these [default: as in the rig
    /// file, or in the recording]
    #[arg(long, value_name = "FILE|FOLDER", num_args = 1..)]
    pub calibrations: Vec<PathBuf>,
    #[command(flatten)]
    pub on: RigArgs,
    #[command(flatten)]
    pub common: CalibrationArgs,
}

fn rest_seconds(text: &str) -> Result<u32, String> {
    let seconds = quantity_args::one(Unit::Second, text, 0.0..=1e9)?;
    if (rest::REST_S_MIN..=rest::REST_S_MAX).contains(&seconds) {
        return Ok(seconds.round() as u32);
    }
    // Not in the unit typed: five minutes are no round number of hours.
    let (least, most) = (rest::REST_S_MIN / 60.0, rest::REST_S_MAX / 60.0);
    Err(format!("{text} is outside {least} min to {most} min"))
}

/// The result of a calibration, and what to keep with it.
struct CalibrationOutcome {
    method: String,
    values: CalibrationValues,
    readings: Vec<String>,
    said: Vec<(&'static str, String)>,
    /// Below that.
    table: String,
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
        values: found.values,
    };
    calibration.write(&path, &found.readings)?;
    let mut out = String::new();
    for (label, text) in &found.said {
        line(&mut out, label, text);
    }
    out.push_str(&found.table);
    line(&mut out, "valid", &format!("{made} to {expires}"));
    line(&mut out, "file", &path.display().to_string());
    let on = match args {
        CalibrateCommand::Volume(t) => Some(&t.on),
        CalibrateCommand::Leak(t) => Some(&t.on),
        CalibrateCommand::Blank(t) => Some(&t.on),
        CalibrateCommand::Rest(t) => Some(&t.on),
        CalibrateCommand::Transducer(_) => None,
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
    let folder = out.is_dir() || out.as_os_str().to_string_lossy().ends_with('/');
    if folder { out.join(name) } else { out.to_owned() }
}

fn scenario(common: &CalibrationArgs) -> Result<Scenario, Error> {
    let found = valve::find(&common.valve, Reference::ISO_8778.pressure.pascals())?;
    Ok(Scenario {
        plant: seathold_sim::config::RawPlant { actuation: Default::default(), ..found.scenario.plant },
        ..found.scenario
    })
}

fn rig(common: &CalibrationArgs) -> Result<RawRig, Error> {
    let choice = AdapterChoice { name: common.adapter.as_deref(), dn: None };
    Ok(*load_rig(common.rig_file.as_deref(), choice)?.rig.raw())
}

/// "A:B", both quantities of one kind.
fn pair(o: &mut QuantityArgs, option: &str, unit: Unit, text: &str, range: RangeInclusive<f64>) -> (f64, f64) {
    match text.split_once(':') {
        Some((a, b)) => (o.quantity(option, unit, a, range.clone()), o.quantity(option, unit, b, range)),
        None => {
            o.wrong(format!("{option}: \"{text}\" is not two values with a colon between them"));
            (*range.start(), *range.start())
        }
    }
}

/// A step of the procedure on the simulated rig.
fn step(console: &mut Console<'_>, text: &str) -> Result<(), Error> {
    writeln!(console.err, "  {text}")?;
    Ok(())
}

fn failed(why: String) -> Error {
    Error::Input(InputError { origin: "calibration".into(), problems: vec![InputProblem { line: None, message: why }] })
}

const PRESSURE: RangeInclusive<f64> = -50_000.0..=1e6;

fn volume(args: &VolumeArgs, console: &mut Console<'_>) -> Result<CalibrationOutcome, Error> {
    let mut o = QuantityArgs::default();
    let volume_m3 = o.quantity("--reference", Unit::CubicMetre, &args.reference, 1e-7..=0.1);
    let volume_u_rel = o.quantity("--reference-u", Unit::Ratio, &args.reference_u, 0.0..=0.1);
    let reading_u_pa = o.quantity("--reading-u", Unit::PascalRms, &args.reading_u, 0.0..=20_000.0);
    let temperature_u_k = o.quantity("--temperature-u", Unit::Kelvin, &args.temperature_u, 0.0..=10.0);
    let mut pairs: Vec<(f64, f64)> =
        args.reading.iter().map(|text| pair(&mut o, "--reading", Unit::PascalRms, text, PRESSURE)).collect();
    o.finish()?;
    let made = if args.on.rig == Address::Sim {
        Vec::new()
    } else {
        if !pairs.is_empty() {
            return Err(Error::usage("--reading: typed readings are of no controller; leave out --rig or --reading"));
        }
        let questions = [
            "put a tight valve on the rig; a leak on the far side that stays as it is, of some twenty times the limit, is shut off, and so \
             is the reference volume",
            "open the leak; the reference volume stays shut off",
            "open the reference volume to the far side as well; valve and leak as they are",
        ];
        holds(&args.on, &args.common, "volume", LEAK_WINDOW_S, 20).each(&questions.map(Into::into), console)?
    };
    if let [tight, alone, with] = (if made.is_empty() { &args.recording } else { &made }).as_slice() {
        let reference = ValueWithU { value: volume_m3, u: volume_m3 * volume_u_rel };
        return volume_by_leak(args, reference, [tight, alone, with]);
    }
    let rig = rig(&args.common)?;
    let known = expansion::ReferenceVolume {
        volume_m3,
        volume_u_rel,
        reading_u_pa,
        temperature_u_k,
        gas_k: 293.15,
        atmosphere_pa: rig.atmosphere_pa,
    };
    let direction = if args.from_reference { expansion::Direction::FromKnown } else { expansion::Direction::IntoKnown };
    let simulated = pairs.is_empty();
    if simulated {
        let mut scenario = scenario(&args.common)?;
        scenario.plant.line_volume_m3 = known.volume_m3;
        let mut bench = CalibrationBench::new(&scenario, &rig, args.common.seed).map_err(failed)?;
        step(console, "1. the reference volume is on the supply side; everything is empty and zero is taken")?;
        step(
            console,
            "2. fill both sides, shut the ball, vent the supply side, shut the vent; wait: the pressure before",
        )?;
        step(
            console,
            "3. open the ball, work it to empty its cavity too, and wait until the gas is at room temperature: the \
             pressure after",
        )?;
        for n in 1..=args.repeats {
            let (before, after) = bench.expand();
            step(console, &format!("   {n}: {before:.1} Pa before, {after:.1} Pa after"))?;
            pairs.push((before, after));
        }
    }
    let found = expansion::volume(&known, direction, &pairs).map_err(failed)?;
    if args.common.rig_file.is_some() {
        calibration::fits_rig(found, &rig).map_err(failed)?;
    }
    let way = if args.from_reference { "out of" } else { "into" };
    Ok(CalibrationOutcome {
        method: format!(
            "expansion {way} a reference volume of {} ± {}{}",
            args.reference,
            args.reference_u,
            source(simulated)
        ),
        readings: pairs.iter().map(|(a, b)| format!("gauge pressure {a:.1} Pa before, {b:.1} Pa after")).collect(),
        said: vec![("far volume", volume_words(found))],
        values: far_volume(found),
        table: String::new(),
    })
}

/// From runs without a leak, with one, and with the same and the reference volume.
fn volume_by_leak(
    args: &VolumeArgs,
    reference: ValueWithU,
    [tight, alone, with]: [&Path; 3],
) -> Result<CalibrationOutcome, Error> {
    let rig = of_one_bench(&args.common, [tight, alone, with])?;
    let (fall_alone, mean) = recorded_fall(alone)?;
    let (fall_with, mean_with) = recorded_fall(with)?;
    let (fall_tight, _) = recorded_fall(tight)?;
    // The larger volume falls less: both at the pressure of the smaller.
    let same = reference_leak::at_pressure(1.0, mean_with.mean_pa, mean.mean_pa, mean.rig.atmosphere_pa);
    let fall_with = ValueWithU { value: fall_with.value * same, u: fall_with.u * same };
    let falls = added_volume::Falls { tight: fall_tight, alone: fall_alone, with: fall_with };
    let found = added_volume::volume(reference, &falls).map_err(failed)?;
    calibration::fits_rig(found, &rig).map_err(failed)?;
    let falls =
        [("without the leak", fall_tight), ("with it", fall_alone), ("with leak and reference volume", fall_with)];
    Ok(CalibrationOutcome {
        method: format!(
            "no leak, one leak, and the same with a reference volume of {} ± {}{}",
            args.reference,
            args.reference_u,
            made_on(false, &args.on)
        ),
        readings: falls.map(|(what, fall)| format!("fall {what} {:.4} ± {:.4} Pa/s", fall.value, fall.u)).into(),
        said: vec![
            (
                "fall",
                format!(
                    "{:.3} ± {:.3} Pa/s without the leak, {:.3} ± {:.3} with it, {:.3} ± {:.3} with the reference volume too",
                    fall_tight.value, fall_tight.u, fall_alone.value, fall_alone.u, fall_with.value, fall_with.u
                ),
            ),
            ("far volume", volume_words(found)),
        ],
        values: far_volume(found),
        table: String::new(),
    })
}

/// The rig of three different recordings, of which the first is of a tight side.
fn of_one_bench(common: &CalibrationArgs, [tight, alone, with]: [&Path; 3]) -> Result<RawRig, Error> {
    let paths = [tight, alone, with];
    refuse_copies(&paths.map(Path::to_owned))?;
    let [tight, alone, with] = paths.map(recording::read);
    let (tight, others) = (tight?, [alone?, with?]);
    if tight.summary().sides.iter().any(|side| side.verdict == Verdict::Leaking) {
        return Err(unfit(
            paths[0],
            "a side of it was judged leaking: the first recording is to be of a tight side".into(),
        ));
    }
    let (raw, recipe) = (tight.header.rig, tight.header.recipe);
    for (path, other) in paths.iter().skip(1).zip(&others) {
        let (there, how) = (&other.header.rig, &other.header.recipe);
        if *there != raw || how.actuation != recipe.actuation || how.target_pa != recipe.target_pa {
            let first = paths[0].display();
            let why = format!(
                "it is of another rig, adapter, kind of valve or pressure than {first}: all three belong together"
            );
            return Err(unfit(path, why));
        }
    }
    if common.rig_file.is_some() && rig(common)?.far_volume_m3 != raw.far_volume_m3 {
        let why = format!(
            "its far_volume is {:.2} cm³, which is not that of the rig file and adapter named here",
            raw.far_volume_m3 * 1e6
        );
        return Err(unfit(paths[0], why));
    }
    Ok(raw)
}

fn volume_words(found: ValueWithU) -> String {
    format!("{:.3} ± {:.3} cm³ (standard uncertainty, {} %)", found.value * 1e6, found.u * 1e6, percent(found.u_rel()))
}

/// Of a calibration of the far volume.
fn far_volume(found: ValueWithU) -> CalibrationValues {
    CalibrationValues { far_volume_m3: found.value, far_volume_u_rel: found.u_rel(), ..CalibrationValues::default() }
}

/// Where it was made, for the line on its method.
fn made_on(simulated: bool, on: &RigArgs) -> String {
    if on.rig == Address::Sim { source(simulated).to_owned() } else { format!(", on {}", on.rig) }
}

const fn source(simulated: bool) -> &'static str {
    if simulated { ", on the simulated rig" } else { "" }
}

/// Standard uncertainty of an estimate's slope, in Pa/s. The budget is of a leak that was referred to the target.
fn slope_u(estimate: &LeakEstimate, rig: &RawRig, target_pa: f64) -> f64 {
    let b = &estimate.budget;
    let [from, to, atmosphere] =
        [f64::from(estimate.pressure.pascals()) + rig.atmosphere_pa, target_pa + rig.atmosphere_pa, rig.atmosphere_pa]
            .map(AbsolutePressure::from_pascals);
    let volume = rig.far_volume_m3 * ReferredLeak::new(from, to, atmosphere).factor;
    [b.fit, b.curve, b.resolution, b.temperature].iter().map(|p| p * p).sum::<f64>().sqrt() / volume
}

/// A hold on the simulated rig that must end in an estimate.
fn held(
    scenario: &Scenario,
    rig: &RawRig,
    seconds: u32,
    settle_s: u32,
    seed: u64,
) -> Result<(LeakEstimate, bench::HoldResult), Error> {
    let recipe = bench::recipe(600_000, 700_000, seconds, settle_s);
    let held = bench::hold(scenario, rig, &recipe, seed).map_err(failed)?;
    let estimate = held.side.estimate.ok_or_else(|| {
        let units = UnitFormat::new(&recipe, &DisplayUnits::default());
        failed(format!("the run gave no estimate: {}", units.reason(&held.side)))
    })?;
    Ok((estimate, held))
}

/// Gauge pressures of a recorded window, and the atmosphere, in pascals.
struct RecordedPressures {
    target_pa: f64,
    mean_pa: f64,
    rig: RawRig,
}

/// How fast the pressure fell on a recording's first side.
fn recorded_fall(path: &Path) -> Result<(ValueWithU, RecordedPressures), Error> {
    let recording = recording::read(path)?;
    let (rig, estimate, ..) = recorded(path, BlankedBy::Plug)?;
    let target_pa = f64::from(recording.header.recipe.target_pa);
    let mean_pa = f64::from(estimate.pressure.pascals());
    let fall = ValueWithU { value: -estimate.slope.pascals_per_second(), u: slope_u(&estimate, &rig, target_pa) };
    Ok((fall, RecordedPressures { target_pa, mean_pa, rig }))
}

/// Measuring time with a reference leak, in seconds: short, because the leak slows as the pressure falls.
const LEAK_WINDOW_S: u32 = 30;

/// Gauge pressure of the simulated holds, in pascals.
const LEAK_TARGET_PA: f64 = 600_000.0;

fn leak(args: &ReferenceLeakArgs, console: &mut Console<'_>) -> Result<CalibrationOutcome, Error> {
    let mut o = QuantityArgs::default();
    let at = Reference::ISO_8778.pressure.pascals();
    let mut known = o
        .quantity_in("--reference", Unit::PascalCubicMetrePerSecond, &args.reference, &(1e-9..=1.0), at)
        .map_or(0.0, |(v, _)| v);
    let known_u = o.quantity("--reference-u", Unit::Ratio, &args.reference_u, 0.0..=0.2);
    let mut typed_fall = |option, text: &Option<String>| text.as_ref().map(|t| typed_rate(&mut o, option, t));
    let (with, without) =
        (typed_fall("--fall-with", &args.fall_with), typed_fall("--fall-without", &args.fall_without));
    o.finish()?;
    let made = if args.on.rig == Address::Sim {
        Vec::new()
    } else {
        let questions = [
            "put a tight valve on the rig, and shut the reference leak off",
            "open the reference leak on the far side, the same valve in place",
        ];
        // The leak slows as the pressure falls: a short window.
        holds(&args.on, &args.common, "leak", LEAK_WINDOW_S, 20).each(&questions.map(Into::into), console)?
    };
    let recordings = if made.is_empty() { &args.recording } else { &made };
    let simulated = with.is_none() && recordings.is_empty();
    let mut of_rig = None;
    let (with, without) = match (with, without) {
        (Some(with), Some(without)) => (with, without),
        _ if let [without, with] = recordings.as_slice() => {
            let (fall_without, _) = recorded_fall(without)?;
            let (fall_with, mean) = recorded_fall(with)?;
            of_rig = Some(mean.rig);
            // The leak is stated at the recipe's target; the trapped gas is at a little less.
            known = reference_leak::at_pressure(known, mean.target_pa, mean.mean_pa, mean.rig.atmosphere_pa);
            (fall_with, fall_without)
        }
        _ => {
            let rig = rig(&args.common)?;
            let scenario = scenario(&args.common)?;
            let mut leaking = scenario;
            leaking.plant.rig_leak.rate += known;
            step(console, "1. a complete first side without the reference leak")?;
            let (without, _) = held(&scenario, &rig, LEAK_WINDOW_S, 20, args.common.seed)?;
            step(console, "2. the reference leak on the far side, and the same again")?;
            let (with, _) = held(&leaking, &rig, LEAK_WINDOW_S, 20, args.common.seed.wrapping_add(1))?;
            let fall = |f: &LeakEstimate| ValueWithU {
                value: -f.slope.pascals_per_second(),
                u: slope_u(f, &rig, LEAK_TARGET_PA),
            };
            // The leak is stated at the target; the trapped gas is at a little less.
            let mean = f64::from(with.pressure.pascals());
            known = reference_leak::at_pressure(known, LEAK_TARGET_PA, mean, rig.atmosphere_pa);
            (fall(&with), fall(&without))
        }
    };
    let reference = ValueWithU { value: known, u: known * known_u };
    let found = reference_leak::volume(reference, with, without).map_err(failed)?;
    if let Some(rig) = of_rig {
        calibration::fits_rig(found, &rig).map_err(failed)?;
    }
    Ok(CalibrationOutcome {
        method: format!("reference leak of {} ± {}{}", args.reference, args.reference_u, made_on(simulated, &args.on)),
        readings: vec![
            format!("fall with the leak {:.4} ± {:.4} Pa/s", with.value, with.u),
            format!("fall without the leak {:.4} ± {:.4} Pa/s", without.value, without.u),
        ],
        said: vec![
            (
                "fall",
                format!(
                    "{:.3} ± {:.3} Pa/s with the leak, {:.3} ± {:.3} Pa/s without",
                    with.value, with.u, without.value, without.u
                ),
            ),
            ("far volume", format!("{}, sensor gain included", volume_words(found))),
        ],
        values: far_volume(found),
        table: String::new(),
    })
}

/// "44.1 Pa/s:0.2 Pa/s"; rates are whole pascals elsewhere, so the number is read here.
fn typed_rate(o: &mut QuantityArgs, option: &str, text: &str) -> ValueWithU {
    let one = |part: &str| {
        part.trim().strip_suffix("Pa/s").and_then(|n| n.trim().parse::<f64>().ok()).filter(|v| v.is_finite())
    };
    match text.split_once(':').map(|(a, b)| (one(a), one(b))) {
        Some((Some(value), Some(u))) if u >= 0.0 => ValueWithU { value, u },
        _ => {
            o.wrong(format!("{option}: \"{text}\" is not a fall with its uncertainty, like \"44.1 Pa/s:0.2 Pa/s\""));
            ValueWithU::default()
        }
    }
}

/// Leak-free sides, from recordings or the simulated rig.
struct BlankRuns {
    rig: RawRig,
    /// The first one's estimate, and what its time constant is found in.
    estimate: LeakEstimate,
    settling: Vec<(f64, f64)>,
    /// What the windows of each show.
    looks: Vec<Vec<BlankLook>>,
    /// The limit they were judged by.
    limit_pa_m3_s: f64,
    simulated: bool,
}

/// What held the pressure. With as many recordings as tell how leak-free sides vary it must have been said.
fn blanked_by(args: &BlankArgs) -> Result<BlankedBy, Error> {
    let made = if args.on.rig == Address::Sim { 0 } else { args.repeats as usize };
    let runs = args.recording.len().max(made);
    match args.with {
        Some(with) => Ok(with),
        None if runs == 0 => Ok(BlankedBy::Valves),
        None if runs < BLANK_RUNS_MIN as usize => Ok(BlankedBy::Plug),
        None => Err(Error::usage(format!(
            "--with: say what held the pressure in these {runs} runs, `plug` or `valves`. Runs with valves of one type tell how \
             leak-free sides vary. A plug has no cavity and no seats: taken for valves, runs with one hide leaks"
        ))),
    }
}

fn blank_runs(args: &BlankArgs, with: BlankedBy, console: &mut Console<'_>) -> Result<BlankRuns, Error> {
    refuse_copies(&args.recording)?;
    let made = if args.on.rig == Address::Sim {
        Vec::new()
    } else {
        let question = |number: u32| match with {
            BlankedBy::Plug if number == 1 => "put a plug in place of the valve".to_owned(),
            BlankedBy::Plug => "leave the plug in".to_owned(),
            BlankedBy::Valves if number == 1 => "put a valve on the rig that is known to be tight".to_owned(),
            BlankedBy::Valves => {
                "put another of the same type on the rig, known to be tight, or the same again".to_owned()
            }
        };
        let questions: Vec<String> = (1..=args.repeats).map(question).collect();
        holds(&args.on, &args.common, "blank", args.duration, 0).each(&questions, console)?
    };
    let recordings = if made.is_empty() { &args.recording } else { &made };
    if let Some((first, others)) = recordings.split_first() {
        let (rig, estimate, settling, looks, limit_pa_m3_s) = recorded(first, with)?;
        let mut all = vec![looks];
        for path in others {
            let (theirs, _, _, looks, _) = recorded(path, with)?;
            if theirs.far_volume_m3.to_bits() != rig.far_volume_m3.to_bits() {
                let (here, there) = (rig.far_volume_m3 * 1e6, theirs.far_volume_m3 * 1e6);
                let message =
                    format!("far_volume is {there} cm³ and {here} cm³ in {}: not the same rig", first.display());
                return Err(unfit(path, message));
            }
            all.push(looks);
        }
        return Ok(BlankRuns { rig, estimate, settling, looks: all, limit_pa_m3_s, simulated: false });
    }
    let rig = rig(&args.common)?;
    let scenario = scenario(&args.common)?;
    let (scenario, first) = match with {
        BlankedBy::Plug => {
            (bench::plugged(scenario), "1. a plug in place of the valve: whatever leaks now is the rig itself")
        }
        BlankedBy::Valves => {
            (bench::leak_free(scenario), "1. a valve known to be tight: whatever leaks now is the rig itself")
        }
    };
    step(console, first)?;
    step(console, "2. fill, isolate and watch at once, while the gas still settles: its time constant")?;
    let recipe = bench::recipe(600_000, 700_000, 60, 0);
    let early = bench::hold(&scenario, &rig, &recipe, args.common.seed).map_err(failed)?;
    step(console, "3. the same again with a long rest before: the background leak")?;
    let (estimate, _) = held(&scenario, &rig, args.duration, 60, args.common.seed.wrapping_add(1))?;
    let mut looks = Vec::new();
    if args.repeats > 1 {
        step(console, &format!("4. {} runs as in a test: how leak-free sides vary", args.repeats))?;
        for run in 0..args.repeats {
            let recipe = bench::recipe(600_000, 700_000, args.duration, RawRecipe::DEMO.settle_ms / 1_000);
            let seed = args.common.seed.wrapping_add(2 + u64::from(run));
            let held = bench::hold(&scenario, &rig, &recipe, seed).map_err(failed)?;
            looks.push(looks_of(&held.samples, &rig, &recipe, with).map_err(failed)?);
        }
    }
    let limit_pa_m3_s = recipe.limit_pa_m3_s;
    Ok(BlankRuns { rig, estimate, settling: bench::samples(&early.samples), looks, limit_pa_m3_s, simulated: true })
}

/// Runs for a calibration, on the controller that is named.
fn holds<'a>(
    on: &'a RigArgs,
    common: &'a CalibrationArgs,
    name: &'static str,
    measure_s: u32,
    settle_s: u32,
) -> RigHolds<'a> {
    RigHolds { args: on, adapter: common.adapter.as_deref(), operator: &common.operator, name, measure_s, settle_s }
}

/// What the windows of a held side show, each as its recipe would judge it.
fn looks_of(
    samples: &[TrappedReading],
    rig: &RawRig,
    recipe: &RawRecipe,
    with: BlankedBy,
) -> Result<Vec<BlankLook>, String> {
    let rig = rig.validate().map_err(|errors| errors.to_string())?;
    let recipe = recipe.validate(&rig).map_err(|errors| errors.to_string())?;
    Ok(scatter::looks(samples, &rig, &recipe, f64::from(recipe.raw().settle_ms) / 1e3, with == BlankedBy::Valves))
}

fn blank_run(args: &BlankArgs, console: &mut Console<'_>) -> Result<CalibrationOutcome, Error> {
    let with = blanked_by(args)?;
    let BlankRuns { rig, estimate, settling, looks, limit_pa_m3_s, simulated } = blank_runs(args, with, console)?;
    let tau = blank::time_constant(&settling);
    let tau_words = match tau {
        Some(tau) => format!("{:.2} s ± {} % (standard uncertainty)", tau.tau_s, percent(tau.u_rel)),
        None => "no transient above the noise, so none was found".into(),
    };
    let TimeConstant { tau_s, u_rel: tau_u_rel } = tau.unwrap_or_default();
    let window = f64::from(estimate.window_ms) / 1e3;
    let mut readings = vec![format!("window {window:.1} s, slope {:.5} Pa/s", estimate.slope.pascals_per_second())];
    let long: Vec<f64> = looks.iter().filter_map(|side| Some(side.last()?.leak * 1e4)).collect();
    readings.extend(
        long.iter().enumerate().map(|(i, leak)| format!("run {}: {leak:.4} mm3/s in its longest window", i + 1)),
    );
    let mut values = CalibrationValues { tau_s, tau_u_rel, ..CalibrationValues::default() };
    let mut said = Vec::new();
    match scatter::scatter(&looks) {
        Some(found) => {
            values.background_pa_m3_s = found.background;
            values.background_u_pa_m3_s = match with {
                BlankedBy::Valves => found.background_u,
                // What heat in a wall does is the same in each run, so their scatter does not show it.
                BlankedBy::Plug => found.background_u.max(blank::background(&estimate, &rig).u),
            };
            let words = |value, u| background_words(ValueWithU { value, u });
            said.push((
                "background",
                format!(
                    "{} in a long window, of {} leak-free sides (mean, and standard uncertainty of the next)",
                    words(found.background, values.background_u_pa_m3_s),
                    found.runs
                ),
            ));
            match with {
                BlankedBy::Valves => {
                    values.background_early_pa_m3_s = found.early;
                    values.background_early_u_pa_m3_s = found.early_u;
                    values.blank_runs = f64::from(found.runs);
                    let early = words(found.early, found.early_u);
                    said.push(("early", format!("{early} more in a window of 10 s, in a longer one the less")));
                    said.push(("holds for", "valves of the type these runs were made with, on this adapter".into()));
                }
                BlankedBy::Plug => said.push((
                    "holds for",
                    "the rig alone: how leak-free sides vary from valve to valve is assumed, since a plug has no cavity and no seats. \
                     --with valves measures it"
                        .into(),
                )),
            }
        }
        None => {
            let background = blank::background(&estimate, &rig);
            values.background_pa_m3_s = background.value;
            values.background_u_pa_m3_s = background.u;
            said.push(("background", format!("leak {} (standard uncertainty)", background_words(background))));
            if looks.len() > 1 {
                said.push((
                    "scatter",
                    format!(
                        "not told: of {} runs fewer than {} have windows of {} s and more",
                        looks.len(),
                        BLANK_RUNS_MIN,
                        scatter::TRACE_S_MIN
                    ),
                ));
            }
        }
    }
    said.push(("settling", format!("time constant {tau_words}")));
    let shown = values.background_pa_m3_s;
    if shown.abs() > LEAK_FREE * limit_pa_m3_s {
        let percents = percent((100.0 * shown / limit_pa_m3_s).round() / 100.0);
        said.push((
            "CAUTION",
            format!(
                "that is {percents} % of the limit. With a plug that leaks, or a valve that is not tight, this calibration hides \
                 as much in every valve after it: find out why before it is used"
            ),
        ));
    }
    Ok(CalibrationOutcome {
        method: match with {
            BlankedBy::Plug => format!("plug in place of the valve{}", made_on(simulated, &args.on)),
            BlankedBy::Valves => format!("valves known to be tight{}", made_on(simulated, &args.on)),
        },
        readings,
        said,
        values,
        table: String::new(),
    })
}

/// Most of the limit that leak-free sides show without a word of caution (our judgement).
const LEAK_FREE: f64 = 0.25;

/// Rig, estimate, settling samples and looks of a recording's first side, and its limit.
type Recorded = (RawRig, LeakEstimate, Vec<(f64, f64)>, Vec<BlankLook>, f64);

fn recorded(path: &Path, with: BlankedBy) -> Result<Recorded, Error> {
    let recording = recording::read(path)?;
    if let Some(why) = &recording.damage {
        return Err(recording::Error::damaged(path, why.clone()).into());
    }
    let recorder = HoldRecorder::over(&recording);
    let estimate = recorder
        .side
        .and_then(|side| side.estimate)
        .ok_or_else(|| unfit(path, "no side of it ended in an estimate".into()))?;
    let (rig, recipe) = (recording.header.rig, recording.header.recipe);
    let looks = looks_of(&recorder.readings, &rig, &recipe, with).map_err(|why| unfit(path, why))?;
    Ok((rig, estimate, recorder.samples(), looks, recipe.limit_pa_m3_s))
}

/// One far side left alone.
struct RestRun {
    name: String,
    rest: Rest,
    rig: RawRig,
    /// What is to be minded about it.
    mind: Option<String>,
}

impl RestRun {
    fn new(
        name: String,
        readings: &[TrappedReading],
        (rig, recipe): (&RawRig, &RawRecipe),
        side: Option<SideResult>,
    ) -> Result<Self, String> {
        // Of the rig, or as the first minute shows it, like a blank run's.
        let early = readings.partition_point(|reading| reading.at_s < rest::SETTLE_S_MIN);
        let early = bench::samples(readings.get(..early).unwrap_or_default());
        let tau_s = rig.tau_s.or_else(|| blank::time_constant(&early).map(|tau| tau.tau_s));
        let rest = rest::rest(readings, rig, recipe, rest::settled_s(tau_s))?;
        let mind = side.filter(|side| side.verdict == Verdict::Leaking).map(|_| {
            format!("{name}: its first side was judged leaking. If it leaks, the leak is counted here as drift in full")
        });
        Ok(Self { name, rest, rig: *rig, mind })
    }
}

fn rest_runs(args: &RestArgs, console: &mut Console<'_>) -> Result<(Vec<RestRun>, Vec<String>), Error> {
    let calibrations = apply::find(&args.calibrations)?;
    let adapter = args.common.adapter.as_deref().unwrap_or_default();
    let on_rig = args.on.rig != Address::Sim;
    if args.recording.is_empty() && !on_rig {
        let (rig, notes) = calibrations.for_rest(rig(&args.common)?, adapter);
        rig.validate().map_err(|errors| Error::usage(format!("the rig with its calibrations: {errors}")))?;
        let scenario = bench::leak_free(scenario(&args.common)?);
        step(console, "1. a plug in place of the valve, or one known to be tight: nothing leaks but the rig itself")?;
        step(console, &format!("2. fill, isolate, and leave it alone for {} s", args.duration))?;
        let recipe = bench::recipe(600_000, 700_000, args.duration, rest::SETTLE_S_MIN as u32);
        let mut held = bench::hold(&scenario, &rig, &recipe, args.common.seed).map_err(failed)?;
        // A window that was restarted goes on for longer than asked for.
        held.samples.retain(|reading| reading.at_s <= rest::SETTLE_S_MIN + f64::from(args.duration));
        // There is no leak to mind.
        let one = RestRun::new("simulated".into(), &held.samples, (&rig, &recipe), None).map_err(failed)?;
        return Ok((vec![one], notes));
    }
    refuse_copies(&args.recording)?;
    let mut runs: Vec<RestRun> = Vec::new();
    let mut noted = Vec::new();
    let made = if on_rig {
        let question =
            "put a plug in place of the valve, or one known to be tight, and leave the rig alone from here on";
        // Beyond what settles, so that the whole of the time asked for is looked at.
        let seconds = args.duration + rest::SETTLE_S_MIN as u32;
        holds(&args.on, &args.common, "rest", seconds, 0).each(&[question.into()], console)?
    } else {
        Vec::new()
    };
    for path in if on_rig { &made } else { &args.recording } {
        let recording = recording::read(path)?;
        if let Some(why) = &recording.damage {
            return Err(recording::Error::damaged(path, why.clone()).into());
        }
        let (rig, notes) = calibrations.for_rest(recording.header.rig, adapter);
        if let Some(first) =
            runs.first().filter(|first| first.rig.far_volume_m3.to_bits() != rig.far_volume_m3.to_bits())
        {
            let (here, there) = (first.rig.far_volume_m3 * 1e6, rig.far_volume_m3 * 1e6);
            let message = format!("far_volume is {there} cm³ and {here} cm³ in {}: not the same rig", first.name);
            return Err(unfit(path, message));
        }
        noted = notes;
        let recorder = HoldRecorder::over(&recording);
        let with = (&rig, &recording.header.recipe);
        let run = RestRun::new(path.display().to_string(), &recorder.readings, with, recorder.side);
        runs.push(run.map_err(|why| unfit(path, why))?);
    }
    Ok((runs, noted))
}

fn rest_run(args: &RestArgs, console: &mut Console<'_>) -> Result<CalibrationOutcome, Error> {
    let (runs, notes) = rest_runs(args, console)?;
    let rests: Vec<Rest> = runs.iter().map(|run| run.rest.clone()).collect();
    let found = rest::drift(&rests).ok_or_else(|| failed("no rest".into()))?;
    let simulated = args.recording.is_empty() && args.on.rig == Address::Sim;
    let mut said: Vec<(&'static str, String)> = notes.into_iter().map(|note| ("taken", note)).collect();
    let seen = if found.only_seen { ": no drift was seen, and less could not have been" } else { "" };
    said.push((
        "drift",
        format!(
            "±{} (standard uncertainty), of windows of {:.0} s{seen}",
            drift_words(found.drift_u_k_s),
            found.at_window_s
        ),
    ));
    let mut readings = Vec::new();
    for run in &runs {
        let Rest { from_s, to_s, mean_k_s, .. } = run.rest;
        let text = format!(
            "{}: {from_s:.0} s to {to_s:.0} s after venting, {} on the average",
            run.name,
            drift_words(mean_k_s)
        );
        readings.push(text.clone());
        said.push(("rest", text));
        said.extend(run.mind.clone().map(|mind| ("mind", mind)));
    }
    let first = &runs[0];
    let rig = &first.rig;
    said.push((
        "background",
        match rest::steady_leak(rig) {
            Some(known) => format!(
                "leak {} taken off; its ± is as much as {}, and is counted with the background leak, not here",
                background_words(known),
                drift_words(first.rest.background_u_k_s)
            ),
            None if rig.blank_runs >= BLANK_RUNS_MIN => format!(
                "leak not taken off: the mean of {} leak-free sides has in it what filling does, and that is over in a \
                 rest. A steady leak of the rig is counted as drift in full, unless one blank run after a long rest is \
                 given (--calibrations)",
                rig.blank_runs
            ),
            None => "leak not known (0 in the rig): a steady leak of the rig is counted as drift in full".into(),
        },
    ));
    if found.runs == 1 {
        said.push(("mind", "one rest tells of its own time only: repeat it at other times of the day".into()));
    }
    let mut table = String::from("  window       windows  rms drift, mK/s  least that could be seen, mK/s\n");
    for length in &found.lengths {
        let row = format!(
            "  {:>6.0} s     {:>7}  {:>15.3}  {:>30.3}\n",
            length.window_s,
            length.windows,
            length.rms_k_s * 1e3,
            length.seen_k_s * 1e3
        );
        readings.push(format!(
            "{} windows of {} s: rms {:.4} mK/s, at least {:.4} mK/s could be seen",
            length.windows,
            length.window_s,
            length.rms_k_s * 1e3,
            length.seen_k_s * 1e3
        ));
        table.push_str(&row);
    }
    Ok(CalibrationOutcome {
        method: format!("far side left alone, {}{}", counted(found.runs, "rest"), made_on(simulated, &args.on)),
        readings,
        said,
        values: CalibrationValues { temperature_drift_u_k_s: found.drift_u_k_s, ..CalibrationValues::default() },
        table,
    })
}

fn check(args: &TransducerArgs, console: &mut Console<'_>) -> Result<CalibrationOutcome, Error> {
    let rig = rig(&args.common)?;
    let mut o = QuantityArgs::default();
    let reference_u = o.quantity("--reference-u", Unit::Ratio, &args.reference_u, 0.0..=0.1);
    let mut points: Vec<(f64, f64)> =
        args.point.iter().map(|text| pair(&mut o, "--point", Unit::PascalRms, text, PRESSURE)).collect();
    o.finish()?;
    let simulated = points.is_empty();
    if simulated {
        let scenario = scenario(&args.common)?;
        step(console, "1. empty, then a quarter, half, three quarters and all of the regulator's pressure")?;
        for quarter in 0..=4u32 {
            let mut at = scenario;
            at.plant.regulator_set_pa = scenario.plant.regulator_set_pa * f64::from(quarter.max(1)) / 4.0;
            let seed = args.common.seed.wrapping_add(u64::from(quarter));
            let mut bench = CalibrationBench::new(&at, &rig, seed).map_err(failed)?;
            let (truth, reading) = bench.compare(rig.far.zero_counts, quarter > 0);
            step(console, &format!("   reference {truth:.1} Pa, transducer {reading:.1} Pa"))?;
            points.push((truth, reading));
        }
    }
    let check = transducer::check(&points, reference_u).map_err(failed)?;
    let values = CalibrationValues {
        gain: check.gain,
        gain_u_rel: check.gain_u_rel,
        zero_pa: check.zero_pa,
        ..CalibrationValues::default()
    };
    Ok(CalibrationOutcome {
        method: format!("against a reference gauge ± {}{}", args.reference_u, source(simulated)),
        readings: points.iter().map(|(x, y)| format!("reference {x:.1} Pa, reading {y:.1} Pa")).collect(),
        said: vec![
            ("sensor gain", format!("{:.5} ± {} % (standard uncertainty)", check.gain, percent(check.gain_u_rel))),
            ("zero", format!("{:.1} Pa (each run takes zero again)", check.zero_pa)),
            ("off the line", format!("{:.1} Pa at most", check.off_line_pa)),
        ],
        values,
        table: String::new(),
    })
}
