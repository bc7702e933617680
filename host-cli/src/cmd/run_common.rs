//! What a run on the simulated rig and one on a controller have in common.

use std::io::ErrorKind;
use std::path::{Path, PathBuf};

use jiff::Timestamp;
use seathold_analysis::advice;
use seathold_config::recipe as recipes;
use seathold_config::rig::{AdapterChoice, BUILT_IN};
use seathold_quantity::limit;
use seathold_recording::header::{DisplayUnits, ReadingSource};
use seathold_recording::plain::shown;
use seathold_recording::{EXTENSION, Header, Summary, Writer};
use seathold_register::RunMeta;
use seathold_register::{Access, AppendedRun, Register};
use seathold_sequencer::event::Disconnect;
use seathold_sequencer::input::Side;
use seathold_sequencer::rig::Rig;
use seathold_sequencer::units::Reference;
use seathold_text::drift_margin::{self, DriftMargin, DriftSource, drift_source};
use seathold_text::layout::line;
use seathold_text::messages::{self, UnitFormat};
use seathold_text::outcome;
use serde_json::{Value, json};

use super::named_files::place;
use super::office::background;
use crate::args::RunArgs;
use crate::console::Console;
use crate::error::Error;
use crate::exit::Exit;
use crate::rig::{Answers, RunOperator};
use crate::schema::JsonKind;
use crate::screen::{BenchScreen, Json, ListedValve, Live, Plain, Quiet, Screen};
use crate::session::{Abandoned, RunEnd};

/// Built-in recipes.
const RECIPES: &[(&str, &str)] = &[
    ("dn25-air", include_str!("../../examples/recipes/dn25-air.toml")),
    ("dn25-hand", include_str!("../../examples/recipes/dn25-hand.toml")),
];

/// How a run is recorded and reported.
#[derive(Debug, Default)]
pub(super) struct RunContext {
    /// What the register gets besides the recording.
    pub(super) meta: RunMeta,
    /// The caller prints the result, unless a fault ended the run or the bleed was not confirmed.
    pub(super) brief: bool,
    /// The valves of its batch, each with where it stands, for the bench screen; empty where it is of none.
    pub(super) list: Vec<ListedValve>,
}

/// The serial number of a valve that was given none.
pub(super) const UNMARKED: &str = "unmarked";

/// The size of valve that the limits of the built-in recipes are for.
pub(super) const BUILT_IN_DN: u32 = 25;

/// The text of a built-in recipe; `None` for any other name.
pub(super) fn built_in_recipe(name: &str) -> Option<&'static str> {
    RECIPES.iter().find(|(known, _)| *known == name).map(|(_, text)| *text)
}

/// The built-in recipe for a kind of valve, as the register calls it.
pub(super) fn built_in_for(kind: &str) -> &'static str {
    if kind == "hand" { "dn25-hand" } else { "dn25-air" }
}

/// The screen requested. `attended`: a person answers at the keyboard.
pub(super) fn screen_for(
    args: &RunArgs,
    (header, list): (&Header, &[ListedValve]),
    units: UnitFormat,
    attended: bool,
    console: &Console<'_>,
) -> Box<dyn Screen> {
    match (args.quiet, args.json, console.live && !console.environment.plain_terminal()) {
        (_, true, _) => Box::new(Json),
        (true, ..) => Box::new(Quiet),
        (false, false, true) if attended && !args.lines && console.keys.are_of_terminal() => {
            match BenchScreen::open(units, header, args.bell && !args.no_bell) {
                Ok(screen) => Box::new(screen.with_list(list)),
                // A terminal that cannot be set so shows lines.
                Err(_) => Box::new(Live::new(units, console.environment.colour)),
            }
        }
        (false, false, true) => Box::new(Live::new(units, console.environment.colour)),
        (false, false, false) => Box::new(Plain(units)),
    }
}

/// A recording is dated to the second; finer would only look like a measurement.
pub(super) fn to_the_second(moment: Timestamp) -> Timestamp {
    Timestamp::from_second(moment.as_second()).unwrap_or(moment)
}

/// A recipe file, or a built-in recipe by name; where none is typed, the one for this kind of valve.
pub(super) fn find_recipe(
    args: Option<&Path>,
    rig: &Rig,
    kind: Option<seathold_sequencer::recipe::Actuation>,
) -> Result<recipes::RecipeFile, Error> {
    use seathold_sequencer::recipe::Actuation;
    let name = match args {
        Some(file) => file.display().to_string(),
        None if kind == Some(Actuation::Hand) => "dn25-hand".into(),
        None => "dn25-air".into(),
    };
    match (RECIPES.iter().find(|(known, _)| *known == name), args) {
        (Some((name, text)), _) => Ok(recipes::parse(name, text, rig, kind)?),
        (None, Some(file)) => Ok(recipes::read(file, rig, kind)?),
        (None, None) => Err(Error::usage("no recipe")),
    }
}

/// What the adapter is chosen by: its name, and the valve's DN, as typed or as in the class of its limit.
pub(super) fn adapter_choice<'a>(name: Option<&'a str>, dn: Option<u32>, limit: Option<&str>) -> AdapterChoice<'a> {
    let of_class = || limit::parse(limit?, None, Reference::ISO_8778).ok()?.class.map(|class| class.dn);
    AdapterChoice { name, dn: dn.or_else(of_class) }
}

/// The same for a run; where somebody answers for the adapter named, the size does not matter.
pub(super) fn adapter_of(args: &RunArgs) -> AdapterChoice<'_> {
    match &args.adapter {
        Some(name) if args.any_adapter => AdapterChoice { name: Some(name), dn: None },
        name => adapter_choice(name.as_deref(), args.dn, args.limit.as_deref()),
    }
}

/// The recipe of a run, with the limit typed for it.
pub(super) fn recipe_of(
    args: &RunArgs,
    rig: &Rig,
    kind: Option<seathold_sequencer::recipe::Actuation>,
) -> Result<recipes::RecipeFile, Error> {
    if let Some(raw) = args.of_calibration {
        let recipe =
            raw.validate(rig).map_err(|errors| Error::usage(format!("the recipe of the calibration: {errors}")))?;
        return Ok(recipes::RecipeFile { name: "calibration".into(), recipe, display_units: DisplayUnits::default() });
    }
    let recipe = find_recipe(args.recipe.as_deref(), rig, kind)?;
    match &args.limit {
        Some(text) => Ok(recipe.with_limit(text, args.dn, rig)?),
        None => Ok(recipe),
    }
}

/// Which rig a valve is judged by, and with which adapter. The rig of the examples needs no word.
fn tell_rig(out: &mut String, header: &Header) {
    if header.rig_name != BUILT_IN {
        let volume = format!("far volume {:.1} cm³", header.rig.far_volume_m3 * 1e6);
        line(out, "rig", &format!("{}; {volume}", shown(&header.rig_name)));
    }
}

/// The header of its recording. `rig` comes with its name.
pub(super) fn header(
    args: &RunArgs,
    started: Timestamp,
    serial: String,
    recipe: &recipes::RecipeFile,
    (rig, rig_name): (&Rig, &str),
    calibrations: Vec<String>,
    source: ReadingSource,
) -> Header {
    Header {
        program: concat!("seathold ", env!("CARGO_PKG_VERSION")).into(),
        started_at: started.to_string(),
        serial,
        operator: args.operator.clone(),
        sides: args.sides.into(),
        end_tags: args.end_tags,
        recipe_name: recipe.name.clone(),
        recipe: *recipe.recipe.raw(),
        rig_name: rig_name.into(),
        rig: *rig.raw(),
        calibrations,
        source,
        display_units: DisplayUnits {
            pressure: args.unit.clone().unwrap_or_else(|| recipe.display_units.pressure.clone()),
            ..recipe.display_units.clone()
        },
    }
}

/// Who answers the run of this header. A simulated operator scans nothing, and a valve without a serial number has no tag.
///
/// # Errors
/// When tags are to be scanned and cannot be.
pub(super) fn operator(header: &Header, answers: Answers) -> Result<RunOperator, Error> {
    let operator = RunOperator::new(header.sides, answers);
    match (header.end_tags, answers) {
        (false, _) => Ok(operator),
        (true, Answers::Keyboard) if header.serial == UNMARKED => {
            Err(Error::usage("--end-tags: a tag has the serial number in it: give --serial too"))
        }
        (true, Answers::Keyboard) => Ok(operator.with_end_tags(header.serial.clone())),
        (true, Answers::Timed | Answers::AtRig) => {
            Err(Error::usage("--end-tags: nobody is there to scan on a simulated rig: give --interactive too"))
        }
    }
}

/// `--set`, as names of fields and values.
pub(super) fn settings(args: &[String]) -> Result<Vec<(String, String)>, Error> {
    let one = |text: &String| {
        let Some((name, value)) = text.split_once('=') else {
            return Err(Error::usage(format!("--set {text}: give FIELD=VALUE, like \"far.noise=50 Pa\"")));
        };
        let name = if name.contains('.') { name.to_owned() } else { format!("plant.{name}") };
        Ok((name, value.to_owned()))
    };
    args.iter().map(one).collect()
}

/// Most recordings of one serial that begin in one second.
const NAMES_MAX: u32 = 999;

/// Where the recording goes: as given, or with a name of its own in a folder; numbered where another run of the same
/// serial began in the same second.
pub(super) fn recording_path(out: Option<&Path>, serial: &str, started: Timestamp) -> Result<PathBuf, Error> {
    let stamp = started.strftime("%Y%m%dT%H%M%SZ");
    let name = format!("{}_{stamp}", seathold_recording::file::safe_name(serial));
    let named = |name: &str| place(out.unwrap_or(Path::new("recordings/")), EXTENSION, &format!("{name}.{EXTENSION}"));
    let first = named(&name)?;
    let taken = |path: &PathBuf| path.exists() || path.with_extension(format!("{EXTENSION}.part")).exists();
    // Given as a file, it is that file.
    if out == Some(&first) || !taken(&first) {
        return Ok(first);
    }
    let free = (2..=NAMES_MAX)
        .map(|number| first.with_file_name(format!("{name}_{number}.{EXTENSION}")))
        .find(|path| !taken(path));
    Ok(free.unwrap_or(first))
}

/// Begins the recording under that name, and gives the path. A name that another run takes between the look and the making is
/// passed over like one that was taken before; one that was given as a file is that file.
///
/// # Errors
/// When it cannot be made.
pub(super) fn new_recording(
    out: Option<&Path>,
    header: &Header,
    started: Timestamp,
) -> Result<(Writer, PathBuf), Error> {
    // As many as there are numbers: each time somebody else has got one of them.
    for _ in 0..NAMES_MAX {
        let path = recording_path(out, &header.serial, started)?;
        match Writer::create(&path, header) {
            Err(why) if why.why.kind() == ErrorKind::AlreadyExists && out != Some(&path) => {}
            made => return Ok((made?, path)),
        }
    }
    let path = recording_path(out, &header.serial, started)?;
    Err(Error::file("make", &path, ErrorKind::AlreadyExists.into()))
}

/// The plan of the run, and the cautions.
pub(super) fn opening(header: &Header, rig: &str, units: &UnitFormat) -> String {
    let recipe = &header.recipe;
    let mut out = format!("{}  {}  ({rig})\n", shown(&header.serial), messages::sides(header.sides));
    line(
        &mut out,
        "test",
        &format!(
            "{} at {}, limit {} (recipe {})",
            match recipe.actuation {
                seathold_sequencer::recipe::Actuation::Air => "air-operated",
                seathold_sequencer::recipe::Actuation::Hand => "hand-operated",
            },
            units.pressure(i32::try_from(recipe.target_pa).unwrap_or(i32::MAX)),
            units.limit(recipe.limit_pa_m3_s),
            header.recipe_name
        ),
    );
    tell_rig(&mut out, header);
    line(
        &mut out,
        "caution",
        "compressed air stores energy: eye protection, guard shut, hands clear of the ball. Loosen no fitting before \
         both screen and gauge show the far side empty. The emergency stop and the relief valve are hardware; this \
         program is not a safety device.",
    );
    out.push('\n');
    out
}

/// The drift of the gas temperature at which each side's verdict would fall.
pub(super) fn drift_margins(summary: &Summary, header: &Header) -> Vec<Value> {
    let measured = drift_source(&header.calibrations) == DriftSource::RestRun;
    let one = |(side, margin): (Side, DriftMargin)| {
        json!({ "side": side, "falls_when": if margin.warming { "warming" } else { "cooling" },
            "falls_at_k_s": margin.k_s, "drift_u_k_s": margin.assumed_k_s, "by_rest_run": measured })
    };
    drift_margin::of_sides(summary, header).into_iter().map(one).collect()
}

/// Ends the recording and prints the result.
pub(super) fn finish(
    args: &RunArgs,
    how: &RunContext,
    header: &Header,
    units: &UnitFormat,
    ended: RunEnd,
    console: &mut Console<'_>,
) -> Result<Exit, Error> {
    let RunEnd { summary, writer, length, abandoned, screen_error, .. } = ended;
    if let Some(why) = abandoned {
        let part = writer.part().display().to_string();
        drop(writer);
        let why = match why {
            Abandoned::Quit => "stopped at once",
            Abandoned::Away => "given up, as the controller has not been reached for two minutes",
        };
        writeln!(console.err, "{why}: treat the far side as PRESSURISED. Unfinished recording: {part}")?;
        return Ok(Exit::Fault);
    }
    let path = writer.finish()?;
    // Before anything is printed: it is then kept.
    let kept = args.register.as_ref().map(|register| {
        // A time that was given may be before a rework: it is of the run what counts for it, as when it is imported.
        let mut meta = how.meta.clone();
        if let (Some(_), Some(batch)) = (args.started_at, &how.meta.batch) {
            let open = Register::open(register, Access::Read)?;
            meta.after_rework = open.rework_before(batch, &header.serial, &header.started_at)?;
        }
        keep(register, &path, &meta, console)
    });
    let kept = kept.transpose();
    if let (Ok(Some(_)), Some(address), Some(register)) = (&kept, &args.push, &args.register) {
        background::begin(address, register, console);
    }
    match screen_error {
        // The reader of the results has gone; the exit code is still right.
        Some(Error::ClosedPipe) => return kept.map(|_| Exit::of(&summary)),
        Some(why) => return Err(why),
        None => {}
    }
    let exit = Exit::of(&summary);
    // The one line of a batch session leaves the far side out: only where nothing is left to say of it.
    let far_side_done = summary.disconnect == Disconnect::Confirmed;
    let printed = if how.brief && exit != Exit::Fault && far_side_done {
        Ok(())
    } else if args.json {
        let result = json!({ "result": {
            "verdict": outcome::word(&summary).replace(' ', "-"),
            "exit": exit.code(),
            "sides": summary.sides,
            "advice": advice::of_sides(&summary, header),
            "calibrations": header.calibrations,
            "drift_margins": drift_margins(&summary, header),
            "notes": outcome::notes(&summary, header, units),
            "faults": summary.faults,
            "far_side": summary.disconnect,
            "length_s": length.as_ticks() as f64 / 1e6,
            "recording": path.display().to_string(),
            "register": kept.as_ref().ok().and_then(Option::as_ref).map(|kept| json!({ "run": kept.number, "seal": kept.seal })),
        }});
        writeln!(console.out, "{}", JsonKind::Run.marked(result))
    } else {
        let gap = if args.quiet { "" } else { "\n" };
        let mut text = format!("{}  {}\n", shown(&header.serial), outcome::word(&summary).to_uppercase());
        text.push_str(&outcome::text(&summary, header, units));
        tell_rig(&mut text, header);
        for note in &header.calibrations {
            line(&mut text, "calibrated", note);
        }
        line(&mut text, "took", &format!("{:.0} s on the rig's clock", length.as_ticks() as f64 / 1e6));
        line(&mut text, "recording", &path.display().to_string());
        if let (Ok(Some(kept)), Some(register)) = (&kept, &args.register) {
            line(&mut text, "register", &format!("{}, run {}", register.display(), kept.number));
        }
        line(&mut text, "next", outcome::next_step(&summary));
        for (side, advice) in advice::of_sides(&summary, header) {
            line(&mut text, messages::side_name(side), &advice::words(&advice));
        }
        write!(console.err, "{gap}").and_then(|()| write!(console.out, "{text}"))
    };
    match printed.map_err(Error::from) {
        Ok(()) | Err(Error::ClosedPipe) => kept.map(|_| exit),
        Err(why) => Err(why),
    }
}

/// What would keep a run out of the register is told before anything moves.
///
/// # Errors
/// When a name in the header is too long, or is no plain text.
pub(super) fn fits_register(args: &RunArgs, header: &Header) -> Result<(), Error> {
    match seathold_register::intake::header_fault(header).filter(|_| args.register.is_some()) {
        Some(why) => Err(Error::usage(format!("the register would refuse this run: {why}"))),
        None => Ok(()),
    }
}

/// Puts a recording just finished into a register. The stand-alone file is there already, and stays.
///
/// # Errors
/// With the command that imports it later.
pub(super) fn keep(
    register: &Path,
    recording: &Path,
    meta: &RunMeta,
    console: &Console<'_>,
) -> Result<AppendedRun, Error> {
    let kept = console.date().and_then(|now| {
        let mut open = Register::open(register, Access::Make)?;
        Ok(open.import(recording, meta, now)?)
    });
    kept.map_err(|why| match why {
        // To import it later would come to the same.
        why @ Error::Register(seathold_register::Error::Quarantined { .. }) => Error::Refused { why: Box::new(why) },
        why => Error::NotRegistered { recording: recording.into(), register: register.into(), why: Box::new(why) },
    })
}
