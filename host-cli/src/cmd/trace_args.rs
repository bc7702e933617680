//! Options that say how a trace is to be read, and which part of it is meant.

use std::path::PathBuf;

use clap::Args;
use seathold_analysis::trace::{
    ColumnChoice, PressureReference, Trace, TraceFormat, TraceWindow, pressure_unit, temperature_unit, time_unit,
};
use seathold_sequencer::field::Unit;

use crate::quantity_args::QuantityArgs;

/// The trace and how it is to be read.
#[derive(Debug, Args)]
pub struct TraceArgs {
    /// The trace: CSV with a header that names columns of time and pressure, and where there is one of temperature
    #[arg(value_name = "TRACE.csv")]
    pub file: PathBuf,
    /// Pressures are gauge pressures [default: as the header says, like "barg"]
    #[arg(long, conflicts_with = "absolute", help_heading = "The trace")]
    pub gauge: bool,
    /// Pressures are absolute pressures [default: as the header says, like "bara"]
    #[arg(long, help_heading = "The trace")]
    pub absolute: bool,
    /// Lines above the header, as a logger's preamble
    #[arg(long, value_name = "N", default_value_t = 0, value_parser = clap::value_parser!(u16), help_heading = "The trace")]
    pub skip_lines: u16,
    /// Column of times, by name or number from 1 [default: "time_s", "Time (s)", "t / min" and the like]
    #[arg(long, value_name = "NAME|N", help_heading = "The trace")]
    pub time_column: Option<String>,
    /// Its unit, in place of the header's; clock times need none
    #[arg(long, value_name = "UNIT", help_heading = "The trace")]
    pub time_unit: Option<String>,
    /// Column of pressures [default: "pressure_pa", "Pressure (bar)", "p / kPa" and the like]
    #[arg(long, value_name = "NAME|N", help_heading = "The trace")]
    pub pressure_column: Option<String>,
    /// Its unit, in place of the header's
    #[arg(long, value_name = "UNIT", help_heading = "The trace")]
    pub pressure_unit: Option<String>,
    /// Column of the gas's temperature, or "none" [default: "temperature_k", "Temp [°C]" and the like]
    #[arg(long, value_name = "NAME|N", help_heading = "The trace")]
    pub temperature_column: Option<String>,
    /// Its unit, in place of the header's
    #[arg(long, value_name = "UNIT", help_heading = "The trace")]
    pub temperature_unit: Option<String>,
    /// Part to evaluate, in the trace's own time, like "5s..35s" or "5s..", or by its clock, "09:30:05..09:30:35" [default: all of it]
    #[arg(long, value_name = "FROM..TO", allow_hyphen_values = true, help_heading = "The trace")]
    pub window: Option<String>,
    /// When the valve was shut, in the trace's own time, like "-7s", or by its clock [default: its first reading]
    #[arg(long, value_name = "TIME", allow_hyphen_values = true, help_heading = "The trace")]
    pub shut: Option<String>,
    /// Resolution of the logger [default: found from the readings]
    #[arg(long, value_name = "PRESSURE", help_heading = "The trace")]
    pub resolution: Option<String>,
    /// Absolute pressure of the surroundings
    #[arg(long, value_name = "PRESSURE", default_value = "101.325 kPa", help_heading = "The trace")]
    pub atmosphere: String,
    /// Temperature of the gas, where the trace has none
    #[arg(
        long,
        value_name = "TEMPERATURE",
        allow_hyphen_values = true,
        default_value = "20 C",
        help_heading = "The trace"
    )]
    pub gas_temperature: String,
}

/// A time of a trace, as typed.
#[derive(Clone, Debug)]
enum TypedTime {
    /// In its own time, microseconds.
    Own(i64),
    /// By its clock.
    Clock(String),
}

impl TypedTime {
    fn read(o: &mut QuantityArgs, option: &str, text: &str) -> Self {
        let text = text.trim();
        if text.contains(':') {
            return Self::Clock(text.to_owned());
        }
        Self::Own((o.quantity(option, Unit::Second, text, -1e11..=1e11) * 1e6).round() as i64)
    }

    fn of(&self, trace: &Trace) -> Result<i64, String> {
        match self {
            Self::Own(us) => Ok(*us),
            Self::Clock(text) => trace.at_clock(text),
        }
    }
}

/// The times typed, before the trace is read.
#[derive(Clone, Debug, Default)]
pub(super) struct TypedTimes {
    window: [Option<TypedTime>; 2],
    window_text: String,
    shut: Option<TypedTime>,
}

impl TypedTimes {
    /// The window, and when the valve was shut, in microseconds of the trace's own time.
    ///
    /// # Errors
    /// What is wrong with them.
    pub(super) fn of(&self, trace: &Trace) -> Result<(TraceWindow, Option<i64>), String> {
        let at = |option: &str, typed: &Option<TypedTime>| {
            typed.as_ref().map(|typed| typed.of(trace).map_err(|why| format!("{option}: {why}"))).transpose()
        };
        let [from, to] = &self.window;
        let window = TraceWindow { from_us: at("--window", from)?, to_us: at("--window", to)? };
        if let (Some(from), Some(to)) = (window.from_us, window.to_us)
            && to <= from
        {
            return Err(format!("--window: \"{}\" ends before it begins", self.window_text));
        }
        Ok((window, at("--shut", &self.shut)?))
    }
}

impl TraceArgs {
    /// How the file is to be read.
    pub(super) fn format(&self, o: &mut QuantityArgs) -> TraceFormat {
        let mut said =
            |option: &str, read: Result<_, String>| read.map_err(|why| o.wrong(format!("{option}: {why}"))).ok();
        let time =
            self.time_unit.as_deref().and_then(|text| said("--time-unit", time_unit(text).map(|unit| (unit, None))));
        let pressure = self.pressure_unit.as_deref().and_then(|text| said("--pressure-unit", pressure_unit(text)));
        let kelvin = self.temperature_unit.as_deref();
        let kelvin =
            kelvin.and_then(|text| said("--temperature-unit", temperature_unit(text).map(|unit| (unit, None))));
        let by_unit = pressure.and_then(|(_, reference)| reference);
        let typed = match (self.gauge, self.absolute) {
            (true, _) => Some(PressureReference::Gauge),
            (_, true) => Some(PressureReference::Absolute),
            _ => None,
        };
        if let (Some(typed), Some(by_unit)) = (typed, by_unit)
            && typed != by_unit
        {
            o.wrong(format!("--pressure-unit: {} pressure, and --{} says otherwise", by_unit.name(), typed.name()));
        }
        let no_temperature = self.temperature_column.as_deref().is_some_and(|name| name.eq_ignore_ascii_case("none"));
        let column = |column: &Option<String>, unit: Option<(_, _)>| ColumnChoice {
            column: column.clone(),
            unit: unit.map(|(unit, _)| unit),
        };
        TraceFormat {
            skip_lines: self.skip_lines.into(),
            time: column(&self.time_column, time),
            pressure: column(&self.pressure_column, pressure),
            temperature: column(&self.temperature_column.clone().filter(|_| !no_temperature), kelvin),
            no_temperature,
            reference: typed.or(by_unit),
        }
    }

    /// The times typed.
    pub(super) fn times(&self, o: &mut QuantityArgs) -> TypedTimes {
        let shut = self.shut.as_deref().map(|text| TypedTime::read(o, "--shut", text));
        let mut times = TypedTimes { shut, ..TypedTimes::default() };
        let Some(text) = &self.window else { return times };
        times.window_text.clone_from(text);
        let Some((from, to)) = text.split_once("..") else {
            o.wrong(format!("--window: \"{text}\" is not FROM..TO, like \"5s..35s\" or \"5s..\""));
            return times;
        };
        times.window = [from, to].map(|end| (!end.trim().is_empty()).then(|| TypedTime::read(o, "--window", end)));
        if let [Some(TypedTime::Own(from)), Some(TypedTime::Own(to))] = &times.window
            && to <= from
        {
            o.wrong(format!("--window: \"{text}\" ends before it begins"));
        }
        times
    }
}
