//! Faults of the simulated rig: as typed, `NAME[=SIZE][@WHEN]`, and as `[[fault]]` of a valve file.

use std::sync::LazyLock;

use seathold_quantity::{Dimension, did_you_mean};
use seathold_sequencer::event::Phase;
use seathold_sequencer::field::{Field, Unit};
use seathold_sequencer::input::Side;
use seathold_sequencer::recipe::Actuation;
use seathold_sequencer::rig::RawRig;
use seathold_sequencer::time::{Duration, millis};
use seathold_sim::catalogue::{CATALOGUE, Entry, Expected};
use seathold_sim::channel_fault::ChannelFault;
use seathold_sim::config::LeakSpec;
use seathold_sim::fault::{FAULTS, FaultKind, InjectedFault, When};
use seathold_text::layout::wrapped;
use seathold_text::messages;

use super::config_file::{ConfigFile, read_quantity};
use crate::Error;

/// Latest moment a fault may begin or end, ms: a day.
const TIME_MAX_MS: f64 = 86_400_000.0;

/// Every phase by its name, without blanks.
static PHASES: LazyLock<Vec<(String, Phase)>> =
    LazyLock::new(|| Phase::ALL.map(|phase| (phase_word(phase), phase)).into());

fn phase_word(phase: Phase) -> String {
    messages::phase_name(phase).replace(' ', "-")
}

const SIDES: &[(&str, Option<Side>)] =
    &[("either", None), ("first", Some(Side::First)), ("second", Some(Side::Second))];

/// Times of a fault, ms.
#[derive(Default)]
struct Times {
    at: f64,
    after: f64,
    lasts: f64,
}

macro_rules! time {
    ($name:ident, $about:literal, $min:expr) => {
        Field {
            name: stringify!($name),
            about: $about,
            unit: Unit::Millisecond,
            min: $min,
            max: TIME_MAX_MS,
            get: |t: &Times| t.$name,
            set: |t: &mut Times, v| t.$name = v,
        }
    };
}

static AT: Field<Times> = time!(at, "when it begins, on the rig's clock", 0.0);
static AFTER: Field<Times> = time!(after, "how long after the phase was entered", 0.0);
static LASTS: Field<Times> = time!(lasts, "how long it lasts", 1.0);

macro_rules! size {
    ($about:literal, $unit:ident, $min:expr, $max:expr, $($kind:pat => $value:expr),+; $set:expr) => {
        Field {
            name: "size",
            about: $about,
            unit: Unit::$unit,
            min: $min,
            max: $max,
            get: |m: &FaultKind| match *m {
                $($kind => $value,)+
                _ => 0.0,
            },
            set: $set,
        }
    };
}

/// As the plant's own ranges of regulator and actuator air.
static AIR: Field<FaultKind> = size!(
    "gauge pressure", PascalRms, 0.0, 1_200_000.0,
    FaultKind::SupplyAir(pa) | FaultKind::PilotAir(pa) => pa;
    |m, v| *m = if let FaultKind::PilotAir(_) = m { FaultKind::PilotAir(v) } else { FaultKind::SupplyAir(v) }
);
static LEAK: Field<FaultKind> = size!(
    "leak", PascalCubicMetrePerSecond, 0.0, 1.0,
    FaultKind::Leak(_, path) => path.rate;
    |m, v| if let FaultKind::Leak(spot, path) = *m { *m = FaultKind::Leak(spot, LeakSpec { rate: v, ..path }) }
);
/// As the plant's own range of rooms.
static ROOM: Field<FaultKind> = size!(
    "temperature", Kelvin, 250.0, 330.0,
    FaultKind::Room(kelvin) => kelvin;
    |m, v| *m = FaultKind::Room(v)
);
static KNOCK: Field<FaultKind> = size!(
    "counts", Count, -1_000_000.0, 1_000_000.0,
    FaultKind::Far(ChannelFault::Spike(n)) | FaultKind::Supply(ChannelFault::Spike(n)) => f64::from(n);
    |m, v| *m = match m {
        FaultKind::Supply(_) => FaultKind::Supply(ChannelFault::Spike(v as i32)),
        _ => FaultKind::Far(ChannelFault::Spike(v as i32)),
    }
);
static BACK: Field<FaultKind> = size!(
    "time", Millisecond, 1.0, 3_600_000.0,
    FaultKind::ClockBack(ms) => f64::from(ms);
    |m, v| *m = FaultKind::ClockBack(v as u32)
);

/// The size of a fault, if it has one.
const fn size_of(kind: &FaultKind) -> Option<&'static Field<FaultKind>> {
    match kind {
        FaultKind::SupplyAir(_) | FaultKind::PilotAir(_) => Some(&AIR),
        FaultKind::Leak(..) => Some(&LEAK),
        FaultKind::Room(_) => Some(&ROOM),
        FaultKind::Far(ChannelFault::Spike(_)) | FaultKind::Supply(ChannelFault::Spike(_)) => Some(&KNOCK),
        FaultKind::ClockBack(_) => Some(&BACK),
        _ => None,
    }
}

/// Every fault with the sequencer's expected response, at its most severe time.
pub fn list() -> String {
    const WIDTH: usize = 22;
    let mut list = String::new();
    for entry in CATALOGUE {
        let kind = &entry.fault.kind;
        let lever = if kind.of_lever() { " (a valve worked by hand)" } else { "" };
        let thermometer = if kind.of_thermometer() { " (a rig with a thermometer)" } else { "" };
        wrapped(&mut list, entry.name, WIDTH, &format!("{}{lever}{thermometer}", entry.about));
        let said = match entry.expected {
            Expected::Faults(fault) => format!("fault: {}", messages::fault(fault).0),
            Expected::Restarts(why) => format!("{}: the window begins again; tight", messages::disturbance(why)),
            Expected::Says(verdict) => messages::verdict_word(verdict).to_owned(),
        };
        wrapped(&mut list, "", WIDTH, &format!("→ {said}"));
    }
    list.push('\n');
    wrapped(&mut list, "→", 2, "expected response with a good valve, where nothing but the name is given");
    list
}

/// Checks that these can occur with this actuation, on this rig.
///
/// # Errors
/// Names the first that cannot.
pub fn fit(faults: &[InjectedFault], actuation: Actuation, rig: &RawRig) -> Result<(), Error> {
    for InjectedFault { kind, .. } in faults {
        let why = if kind.of_lever() && actuation == Actuation::Air {
            "takes a lever, and this valve is worked by air (give --valve hand, or plant.actuation = \"hand\")"
        } else if kind.of_thermometer() && rig.thermometer.is_none() {
            "takes a thermometer, and this rig has none (thermometer_zero and thermometer_per_count in a --rig-file)"
        } else {
            continue;
        };
        let name = CATALOGUE.iter().find(|entry| entry.fault.kind == *kind).map_or("", |entry| entry.name);
        return Err(Error::usage(format!("fault {name}: {why}")));
    }
    Ok(())
}

fn find(name: &str) -> Result<&'static Entry, String> {
    CATALOGUE.iter().find(|entry| entry.name == name).ok_or_else(|| {
        let hint = did_you_mean(name, CATALOGUE.iter().map(|entry| entry.name));
        format!("no fault \"{name}\"{hint} (`seathold run --fault list` names them)")
    })
}

/// Reads "far-open" (when the catalogue says), "far-open@20s" (from then on), "stop@20s..25s", "guard@measure",
/// "guard@second:measure+2s..5s" (both times from when the phase was entered), "no-shop-air=2bar@soak".
///
/// # Errors
/// Says what is wrong and what there is.
pub fn parse(text: &str) -> Result<InjectedFault, String> {
    let (what, when) = text.split_once('@').map_or((text, None), |(what, when)| (what, Some(when)));
    let (name, size) = what.split_once('=').map_or((what, None), |(name, size)| (name, Some(size)));
    let mut fault = find(name)?.fault;
    if let Some(size) = size {
        let field = size_of(&fault.kind).ok_or_else(|| format!("\"{text}\": {name} has no size to be set"))?;
        let reference = seathold_sequencer::units::Reference::ISO_8778.pressure.pascals();
        let (value, _) = read_quantity(field, size, reference).map_err(|why| format!("\"{text}\": {why}"))?;
        (field.set)(&mut fault.kind, value);
    }
    let Some(when) = when else { return Ok(fault) };
    let (begin, end) = when.split_once("..").map_or((when, None), |(begin, end)| (begin, Some(end)));
    let from;
    if begin.starts_with(|c: char| c.is_ascii_alphabetic()) {
        let (place, after) = begin.split_once('+').unwrap_or((begin, "0 s"));
        let (side, phase) = place.split_once(':').unwrap_or(("either", place));
        let after = time(after)?;
        from = after;
        fault.when = When::In { phase: one_of(phase, &PHASES)?, side: one_of(side, SIDES)?, after };
    } else {
        from = time(begin)?;
        fault.when = When::At(from);
    }
    fault.lasts = match end.map(time).transpose()? {
        Some(to) if to <= from => return Err(format!("\"{text}\" ends before it begins")),
        Some(to) => Some(Duration::from_ticks(to.as_ticks() - from.as_ticks())),
        None => None,
    };
    Ok(fault)
}

fn one_of<T: Copy>(word: &str, words: &[(impl AsRef<str>, T)]) -> Result<T, String> {
    words.iter().find(|(known, _)| known.as_ref() == word).map(|(_, value)| *value).ok_or_else(|| {
        let known: Vec<&str> = words.iter().map(|(known, _)| known.as_ref()).collect();
        format!("\"{word}\" is none of {}{}", known.join(", "), did_you_mean(word, known.iter().copied()))
    })
}

fn time(text: &str) -> Result<Duration, String> {
    let quantity = Dimension(Unit::Millisecond).parse(text).map_err(|why| why.to_string())?;
    let ms = quantity.value(1.0);
    if (0.0..=TIME_MAX_MS).contains(&ms) {
        Ok(millis(ms as u32))
    } else {
        Err(format!("\"{text}\" is outside 0 s to 24 h"))
    }
}

/// A fault of a valve file, with the words that [`parse`] makes the same fault of.
#[derive(Clone, Debug, PartialEq)]
pub struct FaultSpec {
    /// The fault.
    pub fault: InjectedFault,
    /// In words.
    pub text: String,
}

/// Every `[[fault]]` of a file. Mistakes are added to the file's.
pub fn read(config: &mut ConfigFile, reference_pa: f64) -> Vec<FaultSpec> {
    let lines = config.tables("fault");
    if lines.len() > FAULTS {
        let line = lines.get(FAULTS).copied().flatten();
        config.complain(line, format!("fault: {} are more than the {FAULTS} that a run may have", lines.len()));
    }
    (0..lines.len()).filter_map(|i| one(config, i, lines[i], reference_pa)).collect()
}

fn one(config: &mut ConfigFile, i: usize, line: Option<usize>, reference_pa: f64) -> Option<FaultSpec> {
    config.within(&format!("fault[{}]", i + 1));
    let names: Vec<(&str, &Entry)> = CATALOGUE.iter().map(|entry| (entry.name, entry)).collect();
    if !config.has("name") {
        config.complain(line, format!("fault[{}].name: must be given (`seathold run --fault list` names them)", i + 1));
    }
    let entry = config.choice("name", &names);
    let has = ["at", "phase", "after", "side", "lasts", "size"].map(|name| config.has(name));
    let [at, phase, after, side, lasts, sized] = has;
    let mut times = Times::default();
    for field in [&AT, &AFTER, &LASTS] {
        config.field(&mut times, field, reference_pa);
    }
    let in_phase = config.choice("phase", &PHASES);
    let on_side = config.choice("side", SIDES).flatten();
    if at && phase {
        config.wrong("phase", "at", "give either a time (at) or a phase, not both");
    }
    for (name, given) in [("after", after), ("side", side)] {
        if given && !phase {
            config.wrong(name, name, "belongs to a phase, and none is given");
        }
    }
    let mut fault = entry?.fault;
    match size_of(&fault.kind) {
        Some(field) => config.field(&mut fault.kind, field, reference_pa),
        None if sized => {
            config.skip("size");
            config.wrong("size", "name", "this fault has no size to be set");
        }
        None => {}
    }
    // As on the command line: with a time of its own it stays for good unless an end is given too.
    if at {
        fault.when = When::At(millis(times.at as u32));
    } else if let Some(phase) = in_phase {
        fault.when = When::In { phase, side: on_side, after: millis(times.after as u32) };
    }
    if lasts {
        fault.lasts = Some(millis(times.lasts as u32));
    } else if at || phase {
        fault.lasts = None;
    }
    Some(FaultSpec { fault, text: text(entry?, &fault) })
}

/// In the words that [`parse`] takes.
fn text(entry: &Entry, fault: &InjectedFault) -> String {
    let mut out = entry.name.to_owned();
    if let Some(field) = size_of(&fault.kind)
        && fault.kind != entry.fault.kind
    {
        let kind = Dimension(field.unit);
        let size = kind.base().write(kind, (field.get)(&fault.kind), 1.0);
        out.push_str(&format!("={}", size.replace(' ', "")));
    }
    let ms = |time: Duration| time.as_ticks() / 1_000;
    let from = match fault.when {
        When::At(at) => {
            out.push_str(&format!("@{}ms", ms(at)));
            at
        }
        When::In { phase, side, after } => {
            let word = |side: &Option<Side>| SIDES.iter().find(|(_, s)| s == side).map_or("either", |(word, _)| word);
            out.push_str(&format!("@{}:{}+{}ms", word(&side), phase_word(phase), ms(after)));
            after
        }
    };
    if let Some(lasts) = fault.lasts {
        out.push_str(&format!("..{}ms", ms(from) + ms(lasts)));
    }
    out
}

/// Faults in a valve file, explained.
pub(crate) const TEMPLATE: &str = "\
# Faults of the simulated rig, up to 8: a [[fault]] each. `seathold run --fault list` names them. Without a time or a
# phase each strikes where it hurts most; with one it stays for good unless `lasts` is given.
#
# [[fault]]
# name = \"guard\"
# at = \"20 s\"          # on the rig's clock, 0 s to 24 h; or, in place of it:
# phase = \"measure\"    # start-up, ready, precheck, fill, soak, isolate, vent, settle, measure, safe-vent, swap, ...
# side = \"second\"      # first, second or either (left out: either)
# after = \"2 s\"        # since the phase was entered, 0 s to 24 h
# lasts = \"3 s\"        # 1 ms to 24 h
# size = \"2 bar\"       # where a fault has one: its pressure, leak, temperature, counts or time
";

#[cfg(test)]
mod tests {
    use seathold_sim::leak_path::LeakPath;

    use super::*;

    fn of(text: &str) -> Vec<FaultSpec> {
        let mut config = ConfigFile::parse("v.toml", text).unwrap();
        let found = read(&mut config, 100_000.0);
        config.finish().unwrap();
        found
    }

    #[test]
    fn every_fault_can_be_put_at_any_time_and_in_any_phase_and_says_so_in_words() {
        for entry in CATALOGUE {
            let plain = of(&format!("[[fault]]\nname = \"{}\"\n", entry.name));
            assert_eq!(plain[0].fault, entry.fault);
            assert_eq!(parse(&plain[0].text).unwrap(), entry.fault, "{}", plain[0].text);
            for (phase, value) in PHASES.iter() {
                let name = entry.name;
                let found = of(&format!(
                    "[[fault]]\nname = \"{name}\"\nphase = \"{phase}\"\nafter = \"1.5 s\"\nside = \"second\"\n\
                     lasts = \"2 s\"\n[[fault]]\nname = \"{name}\"\nat = \"70 s\"\n"
                ));
                let when = When::In { phase: *value, side: Some(Side::Second), after: millis(1_500) };
                let fault = InjectedFault { kind: entry.fault.kind, when, lasts: Some(millis(2_000)) };
                assert_eq!(found[0].fault, fault);
                assert_eq!(found[0].text, format!("{name}@second:{phase}+1500ms..3500ms"));
                assert_eq!(found[1].fault, InjectedFault { when: When::At(millis(70_000)), lasts: None, ..fault });
                assert_eq!(found.iter().map(|w| parse(&w.text).unwrap()).collect::<Vec<_>>(), [fault, found[1].fault]);
            }
        }
    }

    #[test]
    fn sizes_are_read_and_written() {
        let file = "[[fault]]\nname = \"no-shop-air\"\nsize = \"2 bar\"\n[[fault]]\nname = \"no-pilot-air\"\n\
                    size = \"1 bar\"\n[[fault]]\nname = \"fitting-loosens\"\nsize = \"2 mm3/s\"\n[[fault]]\n\
                    name = \"far-spike\"\nsize = -50\n[[fault]]\nname = \"clock-back\"\nsize = \"3 s\"\n";
        let found = of(file);
        let sizes = found.iter().map(|w| w.fault.kind).collect::<Vec<_>>();
        assert_eq!(
            sizes,
            [
                FaultKind::SupplyAir(200_000.0),
                FaultKind::PilotAir(100_000.0),
                FaultKind::Leak(LeakPath::Rig, LeakSpec::orifice(2e-4)),
                FaultKind::Far(ChannelFault::Spike(-50)),
                FaultKind::ClockBack(3_000),
            ]
        );
        for written in found {
            assert_eq!(parse(&written.text).unwrap(), written.fault, "{}", written.text);
        }
    }
}
