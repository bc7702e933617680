//! `seathold calibrate …`: finds what a rig is like, on the simulated rig or from readings, and writes a dated file.

use std::path::{Path, PathBuf};

use clap::{Args, Subcommand};
use jiff::civil::Date;
use jiff::tz::TimeZone;
use jiff::{Span, Timestamp};
use seathold_sequencer::field::Unit;
use seathold_sequencer::measure::Figure;
use seathold_sequencer::rig::RawRig;
use seathold_sequencer::units::Reference;
use seathold_sim::scenario::Scenario;

use super::files::load_rig;
use crate::calibration::stand::{self, Keeper, Stand};
use crate::calibration::{Calibration, Subject, Values, blank, expansion, reference_leak, transducer};
use crate::console::Console;
use crate::error::{Error, Problem};
use crate::exit::Exit;
use crate::files::valve;
use crate::recording;
use crate::recording::header::Shown;
use crate::summary::{line, percent};
use crate::typed::Typed;
use crate::words::Speaker;

/// `seathold calibrate`.
#[derive(Debug, Subcommand)]
pub enum Calibrate {
    /// Far volume, by letting its gas expand into a known volume (or out of one)
    Volume(Volume),
    /// Far volume and transducer gain together, by a reference leak
    Leak(Leak),
    /// The rig's own leak and the time constant of its gas, with a plug in place of the valve
    Blank(Blank),
    /// The far-side transducer against a reference gauge
    Transducer(Transducer),
}

/// What every calibration takes.
#[derive(Debug, Args)]
pub struct Common {
    /// Rig file [default: the built-in rig]
    #[arg(long, value_name = "FILE", help_heading = "Record")]
    pub rig_file: Option<PathBuf>,
    /// File to write, or a folder for it
    #[arg(long, value_name = "FILE|FOLDER", default_value = "calibrations/", help_heading = "Record")]
    pub out: PathBuf,
    /// Days it counts
    #[arg(long, value_name = "DAYS", default_value_t = 365, value_parser = clap::value_parser!(u16).range(1..=3_650), help_heading = "Record")]
    pub valid: u16,
    /// Who did it
    #[arg(long, default_value = "", hide_default_value = true, help_heading = "Record")]
    pub by: String,
    /// When it was done, instead of now: an RFC 3339 time like 2026-03-02T09:30:00Z
    #[arg(long, value_name = "TIME", help_heading = "Record")]
    pub at: Option<Timestamp>,
    /// Simulated valve and rig: a name from `seathold valve list`, or a file
    #[arg(long, value_name = "NAME|FILE", default_value = "tight", help_heading = "The simulated rig")]
    pub valve: String,
    /// Seed of all chance
    #[arg(long, value_name = "N", default_value_t = 1, help_heading = "The simulated rig")]
    pub seed: u64,
}

/// `seathold calibrate volume`.
#[derive(Debug, Args)]
pub struct Volume {
    /// The known volume, with everything between it and the ball
    #[arg(long, value_name = "VOLUME")]
    pub known: String,
    /// Its standard uncertainty, as a ratio
    #[arg(long, value_name = "RATIO", default_value = "0.3 %")]
    pub known_u: String,
    /// Gauge pressures before and after opening, like "6.01 bar:3.61 bar"; may be given again [default: the simulated rig]
    #[arg(long, value_name = "BEFORE:AFTER")]
    pub reading: Vec<String>,
    /// The known volume held the gas, and the far side was empty
    #[arg(long, requires = "reading")]
    pub from_known: bool,
    /// Standard uncertainty of one reading, without the gain
    #[arg(long, value_name = "PRESSURE", default_value = "10 Pa")]
    pub reading_u: String,
    /// Standard uncertainty of the gas temperature's change from before to after
    #[arg(long, value_name = "K", default_value = "0.05 K")]
    pub temperature_u: String,
    /// Expansions on the simulated rig
    #[arg(long, value_name = "N", default_value_t = 5, value_parser = clap::value_parser!(u8).range(1..=50))]
    pub repeats: u8,
    #[command(flatten)]
    pub common: Common,
}

/// `seathold calibrate leak`.
#[derive(Debug, Args)]
pub struct Leak {
    /// What the reference leak lets out at the test pressure, like "20 mm3/s"
    #[arg(long, value_name = "LEAK")]
    pub known: String,
    /// Its standard uncertainty, as a ratio
    #[arg(long, value_name = "RATIO", default_value = "1 %")]
    pub known_u: String,
    /// Fall with the leak and its standard uncertainty, like "44.1 Pa/s:0.2 Pa/s" [default: the simulated rig]
    #[arg(long, value_name = "FALL:U", requires = "without")]
    pub with: Option<String>,
    /// The same without the leak
    #[arg(long, value_name = "FALL:U", requires = "with")]
    pub without: Option<String>,
    #[command(flatten)]
    pub common: Common,
}

/// `seathold calibrate blank`.
#[derive(Debug, Args)]
pub struct Blank {
    /// A recording of a run with a plug in place of the valve [default: the simulated rig]
    #[arg(long, value_name = "FILE")]
    pub recording: Option<PathBuf>,
    /// Measuring time on the simulated rig, in seconds
    #[arg(long, value_name = "SECONDS", default_value_t = 60, value_parser = clap::value_parser!(u16).range(30..=3_000))]
    pub seconds: u16,
    #[command(flatten)]
    pub common: Common,
}

/// `seathold calibrate transducer`.
#[derive(Debug, Args)]
pub struct Transducer {
    /// Gauge pressures of reference and transducer, like "6 bar:6.004 bar"; three or more [default: the simulated rig]
    #[arg(long, value_name = "REFERENCE:READING")]
    pub point: Vec<String>,
    /// Standard uncertainty of the reference gauge, as a ratio
    #[arg(long, value_name = "RATIO", default_value = "0.05 %")]
    pub reference_u: String,
    #[command(flatten)]
    pub common: Common,
}

/// What was found, and what to keep with it.
struct Outcome {
    subject: Subject,
    method: String,
    values: Values,
    readings: Vec<String>,
    said: Vec<(&'static str, String)>,
}

/// `seathold calibrate`.
pub(super) fn run(typed: &Calibrate, console: &mut Console<'_>) -> Result<Exit, Error> {
    let (common, found) = match typed {
        Calibrate::Volume(t) => (&t.common, volume(t, console)?),
        Calibrate::Leak(t) => (&t.common, leak(t, console)?),
        Calibrate::Blank(t) => (&t.common, blank_run(t, console)?),
        Calibrate::Transducer(t) => (&t.common, check(t, console)?),
    };
    let made = date(common.at.unwrap_or_else(|| console.clock.now()));
    let expires = made.checked_add(Span::new().days(i64::from(common.valid))).unwrap_or(Date::MAX);
    let calibration = Calibration {
        subject: found.subject,
        made,
        expires,
        by: common.by.clone(),
        method: found.method,
        values: found.values,
    };
    let path = file(&common.out, found.subject, made);
    calibration.write(&path, &found.readings)?;
    let mut out = String::new();
    for (label, text) in &found.said {
        line(&mut out, label, text);
    }
    line(&mut out, "counts", &format!("from {made} to {expires}"));
    line(&mut out, "file", &path.display().to_string());
    line(&mut out, "next", &format!("seathold run --calibrations {}", common.out.display()));
    write!(console.out, "{out}")?;
    Ok(Exit::Good)
}

fn date(at: Timestamp) -> Date {
    TimeZone::UTC.to_datetime(at).date()
}

fn file(out: &Path, subject: Subject, made: Date) -> PathBuf {
    let name = format!("{}_{made}.toml", subject.name());
    let folder = out.is_dir() || out.as_os_str().to_string_lossy().ends_with('/');
    if folder { out.join(name) } else { out.to_owned() }
}

fn scenario(common: &Common) -> Result<Scenario, Error> {
    let found = valve::find(&common.valve, Reference::ISO_8778.pressure.pascals())?;
    Ok(Scenario {
        plant: seathold_sim::config::RawPlant { actuation: Default::default(), ..found.scenario.plant },
        ..found.scenario
    })
}

fn rig(common: &Common) -> Result<RawRig, Error> {
    Ok(*load_rig(common.rig_file.as_deref())?.raw())
}

/// "A:B", both quantities of one kind.
fn pair(o: &mut Typed, option: &str, unit: Unit, text: &str, range: (f64, f64)) -> (f64, f64) {
    match text.split_once(':') {
        Some((a, b)) => (o.quantity(option, unit, a, range), o.quantity(option, unit, b, range)),
        None => {
            o.wrong(format!("{option}: \"{text}\" is not two values with a colon between them"));
            (range.0, range.0)
        }
    }
}

/// What the simulated rig's guide says as it goes.
fn step(console: &mut Console<'_>, text: &str) -> Result<(), Error> {
    writeln!(console.err, "  {text}")?;
    Ok(())
}

fn failed(why: String) -> Error {
    Error::Input { origin: "calibration".into(), problems: vec![Problem { line: None, message: why }] }
}

const PRESSURE: (f64, f64) = (-50_000.0, 1e6);

fn volume(typed: &Volume, console: &mut Console<'_>) -> Result<Outcome, Error> {
    let rig = rig(&typed.common)?;
    let mut o = Typed::default();
    let known = expansion::Known {
        volume_m3: o.quantity("--known", Unit::CubicMetre, &typed.known, (1e-7, 0.1)),
        volume_u_rel: o.quantity("--known-u", Unit::Ratio, &typed.known_u, (0.0, 0.1)),
        reading_u_pa: o.quantity("--reading-u", Unit::PascalRms, &typed.reading_u, (0.0, 20_000.0)),
        temperature_u_k: o.quantity("--temperature-u", Unit::Kelvin, &typed.temperature_u, (0.0, 10.0)),
        gas_k: 293.15,
        atmosphere_pa: rig.atmosphere_pa,
    };
    let mut pairs: Vec<(f64, f64)> =
        typed.reading.iter().map(|text| pair(&mut o, "--reading", Unit::PascalRms, text, PRESSURE)).collect();
    o.finish()?;
    let direction = if typed.from_known { expansion::Direction::FromKnown } else { expansion::Direction::IntoKnown };
    let simulated = pairs.is_empty();
    if simulated {
        let mut scenario = scenario(&typed.common)?;
        scenario.plant.line_volume_m3 = known.volume_m3;
        let mut stand = Stand::new(&scenario, &rig, typed.common.seed).map_err(failed)?;
        step(console, "1. the known volume sits on the supply side; everything is empty and zero is taken")?;
        step(
            console,
            "2. fill both sides, shut the ball, vent the supply side, shut the vent; wait: the pressure before",
        )?;
        step(
            console,
            "3. open the ball, work it to empty its cavity too, and wait until the gas is at room temperature: the pressure after",
        )?;
        for n in 1..=typed.repeats {
            let (before, after) = stand.expand();
            step(console, &format!("   {n}: {before:.1} Pa before, {after:.1} Pa after"))?;
            pairs.push((before, after));
        }
    }
    let (found, u) = expansion::volume(&known, direction, &pairs).map_err(failed)?;
    let values = Values { far_volume_m3: found, far_volume_u_rel: u / found, ..Values::default() };
    let way = if typed.from_known { "out of" } else { "into" };
    Ok(Outcome {
        subject: Subject::Volume,
        method: format!("expansion {way} a known volume of {} ± {}{}", typed.known, typed.known_u, source(simulated)),
        readings: pairs.iter().map(|(a, b)| format!("gauge pressure {a:.1} Pa before, {b:.1} Pa after")).collect(),
        said: vec![(
            "far volume",
            format!("{:.3} ± {:.3} cm³ (standard uncertainty, {} %)", found * 1e6, u * 1e6, percent(u / found)),
        )],
        values,
    })
}

const fn source(simulated: bool) -> &'static str {
    if simulated { ", on the simulated rig" } else { "" }
}

/// Standard uncertainty of a figure's slope, in Pa/s.
fn slope_u(figure: &Figure, rig: &RawRig) -> f64 {
    let b = &figure.budget;
    [b.fit, b.curve, b.resolution, b.temperature].iter().map(|p| p * p).sum::<f64>().sqrt() / rig.far_volume_m3
}

/// A hold on the simulated rig that must end in a figure.
fn held(
    scenario: &Scenario,
    rig: &RawRig,
    seconds: u32,
    settle_s: u32,
    seed: u64,
) -> Result<(Figure, stand::Held), Error> {
    let recipe = stand::recipe(600_000, 700_000, seconds, settle_s);
    let held = stand::hold(scenario, rig, &recipe, seed).map_err(failed)?;
    let figure = held.side.figure.ok_or_else(|| {
        let speaker = Speaker::new(&recipe, &Shown::default());
        failed(format!("the run gave no figure: {}", speaker.ground(&held.side)))
    })?;
    Ok((figure, held))
}

/// Measuring time with a reference leak, in seconds: short, because the leak slows as the pressure falls.
const LEAK_WINDOW_S: u32 = 30;

/// Gauge pressure of the simulated holds, in pascals.
const LEAK_TARGET_PA: f64 = 600_000.0;

fn leak(typed: &Leak, console: &mut Console<'_>) -> Result<Outcome, Error> {
    let rig = rig(&typed.common)?;
    let mut o = Typed::default();
    let at = Reference::ISO_8778.pressure.pascals();
    let mut known = o
        .quantity_in("--known", Unit::PascalCubicMetrePerSecond, &typed.known, (1e-9, 1.0), at)
        .map_or(0.0, |(v, _)| v);
    let known_u = o.quantity("--known-u", Unit::Ratio, &typed.known_u, (0.0, 0.2));
    let mut typed_fall = |option, text: &Option<String>| text.as_ref().map(|t| typed_rate(&mut o, option, t));
    let (with, without) = (typed_fall("--with", &typed.with), typed_fall("--without", &typed.without));
    o.finish()?;
    let simulated = with.is_none();
    let (with, without) = match (with, without) {
        (Some(with), Some(without)) => (with, without),
        _ => {
            let scenario = scenario(&typed.common)?;
            let mut leaking = scenario;
            leaking.plant.rig_leak.rate += known;
            step(console, "1. a whole first side without the reference leak")?;
            let (without, _) = held(&scenario, &rig, LEAK_WINDOW_S, 20, typed.common.seed)?;
            step(console, "2. the reference leak on the far side, and the same again")?;
            let (with, hold) = held(&leaking, &rig, LEAK_WINDOW_S, 20, typed.common.seed.wrapping_add(1))?;
            let fall = |f: &Figure| (-f.slope.pascals_per_second(), slope_u(f, &rig));
            // The leak is stated at the target; the gas trapped stands a little lower, and lower again in mid-window.
            let mid = f64::from(with.window_ms) / 2e3 * with.slope.pascals_per_second();
            let end = hold.side.isolated_at.map_or(LEAK_TARGET_PA, |p| f64::from(p.pascals() - hold.side.fall_pa));
            known = reference_leak::at_pressure(known, LEAK_TARGET_PA, end - mid, rig.atmosphere_pa);
            (fall(&with), fall(&without))
        }
    };
    let (found, u) = reference_leak::volume((known, known * known_u), with, without).map_err(failed)?;
    let values = Values { far_volume_m3: found, far_volume_u_rel: u / found, ..Values::default() };
    Ok(Outcome {
        subject: Subject::Leak,
        method: format!("reference leak of {} ± {}{}", typed.known, typed.known_u, source(simulated)),
        readings: vec![
            format!("fall with the leak {:.4} ± {:.4} Pa/s", with.0, with.1),
            format!("fall without the leak {:.4} ± {:.4} Pa/s", without.0, without.1),
        ],
        said: vec![
            (
                "fall",
                format!(
                    "{:.3} ± {:.3} Pa/s with the leak, {:.3} ± {:.3} Pa/s without",
                    with.0, with.1, without.0, without.1
                ),
            ),
            (
                "far volume",
                format!(
                    "{:.3} ± {:.3} cm³ (standard uncertainty, {} %), the gain in it",
                    found * 1e6,
                    u * 1e6,
                    percent(u / found)
                ),
            ),
        ],
        values,
    })
}

/// "44.1 Pa/s:0.2 Pa/s"; rates are whole pascals elsewhere, so the number is read here.
fn typed_rate(o: &mut Typed, option: &str, text: &str) -> (f64, f64) {
    let one = |part: &str| {
        part.trim().strip_suffix("Pa/s").and_then(|n| n.trim().parse::<f64>().ok()).filter(|v| v.is_finite())
    };
    match text.split_once(':').map(|(a, b)| (one(a), one(b))) {
        Some((Some(fall), Some(u))) if u >= 0.0 => (fall, u),
        _ => {
            o.wrong(format!("{option}: \"{text}\" is not a fall with its uncertainty, like \"44.1 Pa/s:0.2 Pa/s\""));
            (0.0, 0.0)
        }
    }
}

fn blank_run(typed: &Blank, console: &mut Console<'_>) -> Result<Outcome, Error> {
    let (rig, figure, samples, simulated) = match &typed.recording {
        Some(path) => {
            let (rig, figure, samples) = recorded(path)?;
            (rig, figure, samples, false)
        }
        None => {
            let rig = rig(&typed.common)?;
            let scenario = stand::plugged(scenario(&typed.common)?);
            step(console, "1. a plug in place of the valve: whatever leaks now is the rig")?;
            step(console, "2. fill, isolate and watch at once, while the gas still settles: its time constant")?;
            let recipe = stand::recipe(600_000, 700_000, 60, 0);
            let early = stand::hold(&scenario, &rig, &recipe, typed.common.seed).map_err(failed)?;
            step(console, "3. the same again with a long rest before: the rig's own leak")?;
            let (figure, _) = held(&scenario, &rig, typed.seconds.into(), 60, typed.common.seed.wrapping_add(1))?;
            (rig, figure, early.samples, true)
        }
    };
    let (background, u) = blank::background(&figure, &rig);
    let (tau_s, tau_u_rel) = blank::time_constant(&samples).unwrap_or_default();
    let tau = if tau_s > 0.0 {
        format!("{tau_s:.2} s ± {} % (standard uncertainty)", percent(tau_u_rel))
    } else {
        "no transient stands out of the noise, so none was found".into()
    };
    let window = f64::from(figure.window_ms) / 1e3;
    Ok(Outcome {
        subject: Subject::Blank,
        method: format!("plug in place of the valve{}", source(simulated)),
        readings: vec![format!("window {window:.1} s, slope {:.5} Pa/s", figure.slope.pascals_per_second())],
        said: vec![("own leak", format!("{background:.2e} ± {u:.1e} Pa·m³/s (standard uncertainty)")), ("τ", tau)],
        values: Values {
            background_pa_m3_s: background,
            background_u_pa_m3_s: u,
            tau_s,
            tau_u_rel,
            ..Values::default()
        },
    })
}

/// Time in seconds and counts.
type Samples = Vec<(f64, f64)>;

/// Rig, figure and settling samples of a recording's first side.
fn recorded(path: &Path) -> Result<(RawRig, Figure, Samples), Error> {
    let recording = recording::read(path)?;
    if let Some(why) = &recording.damage {
        return Err(Error::Recording { path: path.into(), why: why.clone() });
    }
    let keeper = Keeper::over(&recording);
    let figure = keeper.side.and_then(|s| s.figure).ok_or_else(|| Error::Input {
        origin: path.display().to_string(),
        problems: vec![Problem { line: None, message: "no side of it ended in a figure".into() }],
    })?;
    Ok((recording.header.rig, figure, keeper.samples))
}

fn check(typed: &Transducer, console: &mut Console<'_>) -> Result<Outcome, Error> {
    let rig = rig(&typed.common)?;
    let mut o = Typed::default();
    let reference_u = o.quantity("--reference-u", Unit::Ratio, &typed.reference_u, (0.0, 0.1));
    let mut points: Vec<(f64, f64)> =
        typed.point.iter().map(|text| pair(&mut o, "--point", Unit::PascalRms, text, PRESSURE)).collect();
    o.finish()?;
    let simulated = points.is_empty();
    if simulated {
        let scenario = scenario(&typed.common)?;
        step(console, "1. empty, then a quarter, half, three quarters and all of the regulator's pressure")?;
        for quarter in 0..=4u32 {
            let mut at = scenario;
            at.plant.set_pa = scenario.plant.set_pa * f64::from(quarter.max(1)) / 4.0;
            let seed = typed.common.seed.wrapping_add(u64::from(quarter));
            let mut stand = Stand::new(&at, &rig, seed).map_err(failed)?;
            let (truth, reading) = stand.compare(rig.far.zero_counts, quarter > 0);
            step(console, &format!("   reference {truth:.1} Pa, transducer {reading:.1} Pa"))?;
            points.push((truth, reading));
        }
    }
    let check = transducer::check(&points, reference_u).map_err(failed)?;
    let values = Values { gain: check.gain, gain_u_rel: check.gain_u_rel, zero_pa: check.zero_pa, ..Values::default() };
    Ok(Outcome {
        subject: Subject::Transducer,
        method: format!("against a reference gauge ± {}{}", typed.reference_u, source(simulated)),
        readings: points.iter().map(|(x, y)| format!("reference {x:.1} Pa, reading {y:.1} Pa")).collect(),
        said: vec![
            ("gain", format!("{:.5} ± {} % (standard uncertainty)", check.gain, percent(check.gain_u_rel))),
            ("zero", format!("{:.1} Pa (a run takes zero anew each time)", check.zero_pa)),
            ("off the line", format!("{:.1} Pa at most", check.off_line_pa)),
        ],
        values,
    })
}
