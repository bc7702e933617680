//! Which columns of a trace hold time, pressure and temperature, and in which units: as its header says, as a row of units
//! below it says, or as the user says.

use seathold_quantity::{Dimension, UnitDef, did_you_mean};
use seathold_recording::plain::shown;
use seathold_sequencer::field::Unit;

/// Whether pressures are gauge or absolute.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum PressureReference {
    /// Above the atmosphere.
    Gauge,
    /// Above vacuum.
    Absolute,
}

impl PressureReference {
    /// "gauge" or "absolute".
    pub const fn name(self) -> &'static str {
        match self {
            Self::Gauge => "gauge",
            Self::Absolute => "absolute",
        }
    }

    /// What is added to a pressure that is so stated for the absolute one.
    pub(super) const fn to_absolute(self, atmosphere_pa: f64) -> f64 {
        match self {
            Self::Gauge => atmosphere_pa,
            Self::Absolute => 0.0,
        }
    }
}

/// What the user says of a column. It counts before what the file says.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct ColumnChoice {
    /// Its name in the header, with or without the unit, or its number from 1.
    pub column: Option<String>,
    /// The unit of its figures.
    pub unit: Option<UnitDef>,
}

/// How a file is to be read.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct TraceFormat {
    /// Lines above the header.
    pub skip_lines: usize,
    /// Times.
    pub time: ColumnChoice,
    /// Pressures.
    pub pressure: ColumnChoice,
    /// Temperatures of the gas.
    pub temperature: ColumnChoice,
    /// No column holds the temperature of the gas, whatever its name.
    pub no_temperature: bool,
    /// Whether pressures are gauge or absolute, where the header does not say so.
    pub reference: Option<PressureReference>,
}

/// A column that was found.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct TraceColumn {
    /// Its name in the file, cleaned; its number where there is no header.
    pub name: String,
    /// The unit its figures were taken in. Of clock times it means nothing.
    pub unit: UnitDef,
}

/// What a column may hold.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum ColumnSubject {
    Time,
    Pressure,
    Temperature,
}

impl ColumnSubject {
    pub(super) const ALL: [Self; 3] = [Self::Time, Self::Pressure, Self::Temperature];

    /// In the singular.
    const fn name(self) -> &'static str {
        match self {
            Self::Time => "time",
            Self::Pressure => "pressure",
            Self::Temperature => "temperature",
        }
    }

    const fn dimension(self) -> Dimension {
        Dimension(match self {
            Self::Time => Unit::Second,
            Self::Pressure => Unit::Pascal,
            Self::Temperature => Unit::Kelvin,
        })
    }

    /// Names taken for it without being told.
    const fn names(self) -> &'static [&'static str] {
        match self {
            Self::Time => &[
                "time",
                "t",
                "elapsed",
                "elapsed time",
                "time elapsed",
                "relative time",
                "test time",
                "timestamp",
                "time stamp",
                "datetime",
                "date time",
                "date/time",
                "date and time",
                "clock",
                "clock time",
                "time of day",
            ],
            Self::Pressure => &[
                "pressure",
                "p",
                "test pressure",
                "far pressure",
                "far side pressure",
                "gauge pressure",
                "pressure gauge",
                "absolute pressure",
                "pressure absolute",
            ],
            // A room's or a logger's own temperature is not the gas's: only what says no more than "temperature".
            Self::Temperature => &["temperature", "temp", "t", "gas temperature", "gas temp", "temperature gas"],
        }
    }

    /// Other ways to write a unit in a header.
    const fn spelt(self) -> &'static [(&'static str, &'static str)] {
        match self {
            Self::Time => &[
                ("sec", "s"),
                ("secs", "s"),
                ("second", "s"),
                ("seconds", "s"),
                ("msec", "ms"),
                ("milliseconds", "ms"),
                ("mins", "min"),
                ("minute", "min"),
                ("minutes", "min"),
                ("hr", "h"),
                ("hrs", "h"),
                ("hour", "h"),
                ("hours", "h"),
            ],
            Self::Pressure => &[],
            Self::Temperature => &[("kelvin", "K"), ("celsius", "C"), ("fahrenheit", "F")],
        }
    }

    fn choice(self, format: &TraceFormat) -> &ColumnChoice {
        match self {
            Self::Time => &format.time,
            Self::Pressure => &format.pressure,
            Self::Temperature => &format.temperature,
        }
    }

    /// The unit a text names, in whatever case, and which kind of pressure it says.
    fn unit(self, text: &str) -> Option<(UnitDef, Option<PressureReference>)> {
        if let Some(unit) = self.plain_unit(text) {
            return Some((unit, None));
        }
        if self != Self::Pressure {
            return None;
        }
        let lower = text.to_lowercase();
        let endings = [
            ("(g)", PressureReference::Gauge),
            (" gauge", PressureReference::Gauge),
            ("g", PressureReference::Gauge),
            ("(a)", PressureReference::Absolute),
            (" absolute", PressureReference::Absolute),
            (" abs", PressureReference::Absolute),
            ("a", PressureReference::Absolute),
        ];
        endings.into_iter().find_map(|(ending, reference)| {
            let length = lower.strip_suffix(ending)?.len();
            // Lower case may have another length; then it is no unit.
            let unit = self.plain_unit(text.get(..length)?.trim_end())?;
            Some((unit, Some(reference)))
        })
    }

    fn plain_unit(self, text: &str) -> Option<UnitDef> {
        let dimension = self.dimension();
        if text.is_empty() {
            return None;
        }
        if let Some(unit) = dimension.symbol(text) {
            return Some(unit);
        }
        let typed: String = text.chars().filter(|c| !matches!(c, '°' | ' ')).collect();
        let spelt = self.spelt().iter().find(|(name, _)| typed.eq_ignore_ascii_case(name));
        if let Some((_, unit)) = spelt {
            return dimension.symbol(unit);
        }
        // "KPA" and "bar" in capitals are clear; "mPa" is not "MPa", a thousand million times as much.
        let mut units = dimension.symbols().iter().filter(|unit| unit.text.eq_ignore_ascii_case(&typed));
        let (Some(unit), None) = (units.next(), units.next()) else { return None };
        let one_case = typed.chars().all(|c| !c.is_lowercase()) || typed.chars().all(|c| !c.is_uppercase());
        let prefix = |text: &str| text.chars().next().filter(|c| matches!(c, 'm' | 'M'));
        (one_case || prefix(&typed) == prefix(unit.text)).then_some(*unit)
    }
}

/// A unit of times, as typed.
///
/// # Errors
/// Says which there are.
pub fn time_unit(text: &str) -> Result<UnitDef, String> {
    typed_unit(ColumnSubject::Time, text).map(|(unit, _)| unit)
}

/// A unit of pressures, and whether it says gauge or absolute, like "bara".
///
/// # Errors
/// Says which there are.
pub fn pressure_unit(text: &str) -> Result<(UnitDef, Option<PressureReference>), String> {
    typed_unit(ColumnSubject::Pressure, text)
}

/// A unit of temperatures.
///
/// # Errors
/// Says which there are.
pub fn temperature_unit(text: &str) -> Result<UnitDef, String> {
    typed_unit(ColumnSubject::Temperature, text).map(|(unit, _)| unit)
}

fn typed_unit(of: ColumnSubject, text: &str) -> Result<(UnitDef, Option<PressureReference>), String> {
    of.unit(text.trim()).ok_or_else(|| no_unit(of, text.trim()))
}

fn no_unit(of: ColumnSubject, text: &str) -> String {
    let dimension = of.dimension();
    let hint = did_you_mean(text, dimension.symbols().iter().map(|unit| unit.text));
    format!("\"{}\" is no unit of {}{hint} (units taken: {})", shown(text), of.name(), dimension.choices())
}

/// A name of the header, taken apart.
#[derive(Clone, Debug)]
struct HeaderName {
    full: String,
    /// Without the unit, in lower case, words apart by one blank.
    base: String,
    /// As it stands there.
    unit: Option<String>,
    /// Whether it is marked as a unit, by brackets, a slash or a comma, and not only the last word.
    marked: bool,
}

fn words(text: &str) -> String {
    let text = text.to_lowercase().replace(['_', '-', '.'], " ");
    text.split_whitespace().collect::<Vec<_>>().join(" ")
}

impl HeaderName {
    /// "Pressure \[bar\]", "p / kPa", "Pressure, psi", "pressure_pa", "Temp °C".
    fn new(full: &str) -> Self {
        let made = |base: &str, unit: Option<&str>, marked| Self {
            full: full.into(),
            base: words(base),
            unit: unit.map(|unit| unit.trim().to_owned()),
            marked,
        };
        let bracket = full.find('[').map(|at| (at, ']')).or(full.find('(').map(|at| (at, ')')));
        if let Some((at, closing)) = bracket
            && let Some(end) = full.rfind(closing).filter(|end| *end > at)
        {
            // "Pressure (gauge) [bar]" has the unit in the other brackets.
            return made(&full[..at].replace(['(', ')'], " "), Some(&full[at + 1..end]), true);
        }
        let is_unit = |text: &str| ColumnSubject::ALL.iter().any(|subject| subject.unit(text.trim()).is_some());
        for mark in ['/', ','] {
            if let Some((base, unit)) = full.rsplit_once(mark).filter(|(_, unit)| is_unit(unit)) {
                return made(base, Some(unit), true);
            }
        }
        if let Some((base, unit)) = full.rsplit_once([' ', '_']).filter(|(_, unit)| is_unit(unit)) {
            return made(base, Some(unit), false);
        }
        made(full, None, false)
    }

    /// Whether the unit is one of this subject; a unit that is none leaves it open.
    fn may_be(&self, subject: ColumnSubject) -> bool {
        let Some(unit) = &self.unit else { return true };
        let of_another = ColumnSubject::ALL.iter().any(|other| *other != subject && other.unit(unit).is_some());
        subject.unit(unit).is_some() || !of_another
    }
}

/// A column by its place, as far as it is known.
#[derive(Clone, Debug)]
pub(super) struct FoundColumn {
    pub(super) place: usize,
    pub(super) name: String,
    pub(super) unit: Option<UnitDef>,
    /// What the header names as its unit, where that is none.
    unclear: Option<String>,
    /// The unit is the user's.
    pub(super) chosen: bool,
}

/// The columns of a file.
#[derive(Clone, Debug, Default)]
pub(super) struct Columns {
    pub(super) found: [Option<FoundColumn>; 3],
    pub(super) reference: Option<PressureReference>,
    pub(super) width: usize,
    pub(super) notes: Vec<String>,
}

impl Columns {
    /// Finds them in a header.
    ///
    /// # Errors
    /// Says what is missing or unclear, and how to say it.
    pub(super) fn of_header(header: &[String], format: &TraceFormat) -> Result<Self, String> {
        let names: Vec<HeaderName> = header.iter().map(|name| HeaderName::new(name)).collect();
        let mut columns = Self { width: header.len(), reference: format.reference, ..Self::default() };
        for subject in ColumnSubject::ALL {
            if subject == ColumnSubject::Temperature && format.no_temperature {
                continue;
            }
            let choice = subject.choice(format);
            let place = match &choice.column {
                Some(named) => Some(chosen(subject, named, &names)?),
                None => columns.by_name(subject, &names, choice.unit.is_some())?,
            };
            let Some(place) = place else {
                if subject == ColumnSubject::Temperature {
                    continue;
                }
                return Err(none(subject, &names));
            };
            let said = names[place].unit.as_deref();
            columns.take(subject, place, shown(&names[place].full).into_owned(), choice.unit, said);
        }
        let base = columns.found[1].as_ref().map_or("", |column| &names[column.place].base);
        let by_name = match (base.contains("gauge"), base.contains("absolute")) {
            (true, false) => Some(PressureReference::Gauge),
            (false, true) => Some(PressureReference::Absolute),
            _ => None,
        };
        match (by_name, columns.reference) {
            // What was typed goes before what the file says; within the file the two must agree.
            (Some(by_name), Some(by_unit)) if by_name != by_unit && format.reference.is_none() => {
                return Err(format!(
                    "the column's name says {}, its unit {}: say which with --gauge or --absolute",
                    by_name.name(),
                    by_unit.name()
                ));
            }
            (by_name, None) => columns.reference = by_name,
            _ => {}
        }
        let taken = |place: usize| columns.found.iter().flatten().any(|column| column.place == place);
        let others = names.iter().enumerate().filter(|(place, name)| !taken(*place) && !name.full.is_empty());
        let others: Vec<_> = others.map(|(_, name)| shown(&name.full)).collect();
        if !others.is_empty() {
            columns.notes.push(format!("columns ignored: {}", others.join(", ")));
        }
        Ok(columns)
    }

    /// The same of a file that begins with its readings: by the numbers of the columns.
    ///
    /// # Errors
    /// When the user did not give them.
    pub(super) fn without_header(width: usize, format: &TraceFormat) -> Result<Self, String> {
        let mut columns = Self { width, reference: format.reference, ..Self::default() };
        for subject in ColumnSubject::ALL {
            let choice = subject.choice(format);
            let number = choice.column.as_deref().and_then(|named| named.parse::<usize>().ok());
            let place = number.filter(|number| (1..=width).contains(number)).map(|number| number - 1);
            match place {
                Some(place) => columns.take(subject, place, format!("column {}", place + 1), choice.unit, None),
                None if subject == ColumnSubject::Temperature && choice.column.is_none() => {}
                None => {
                    return Err("the first line must name the columns, like \"time_s\" and \"pressure_bar\"; of a file without \
                                such a line say --time-column and --pressure-column as numbers from 1, with their units"
                        .into());
                }
            }
        }
        Ok(columns)
    }

    fn take(
        &mut self,
        subject: ColumnSubject,
        place: usize,
        name: String,
        chosen: Option<UnitDef>,
        said: Option<&str>,
    ) {
        let read = said.and_then(|text| subject.unit(text));
        if let (Some(chosen), Some((unit, _))) = (chosen, read)
            && chosen != unit
        {
            let of = subject.name();
            self.notes.push(format!("{of} taken in {}, as --{of}-unit says, and not in {}", chosen.text, unit.text));
        }
        if let Some((_, Some(reference))) = read {
            match self.reference {
                Some(typed) if typed != reference => {
                    self.notes.push(format!("pressures taken as {}, although the header says otherwise", typed.name()));
                }
                _ => self.reference = Some(reference),
            }
        }
        let unclear = said.filter(|_| read.is_none()).map(str::to_owned);
        let unit = chosen.or(read.map(|(unit, _)| unit));
        self.found[subject as usize] = Some(FoundColumn { place, name, unit, unclear, chosen: chosen.is_some() });
    }

    /// The column that can only be meant, by its name or else by its unit.
    fn by_name(&self, subject: ColumnSubject, names: &[HeaderName], unit_said: bool) -> Result<Option<usize>, String> {
        let free = |place: usize| !self.found.iter().flatten().any(|column| column.place == place);
        let known = |name: &HeaderName| {
            let fits = name.may_be(subject) || unit_said;
            // "T" is a time or a temperature by its unit only.
            let alone = name.base == "t" && name.unit.is_none() && subject == ColumnSubject::Temperature;
            fits && !alone && subject.names().contains(&name.base.as_str())
        };
        let by_unit =
            |name: &HeaderName| name.marked && name.unit.as_deref().is_some_and(|unit| subject.unit(unit).is_some());
        let places = |is: &dyn Fn(&HeaderName) -> bool| -> Vec<usize> {
            names.iter().enumerate().filter(|(place, name)| free(*place) && is(name)).map(|(place, _)| place).collect()
        };
        let mut found = places(&known);
        if found.is_empty() && subject != ColumnSubject::Temperature {
            found = places(&by_unit);
        }
        match found.as_slice() {
            [] => Ok(None),
            [one] => Ok(Some(*one)),
            several => {
                let named: Vec<String> =
                    several.iter().map(|place| format!("{} \"{}\"", place + 1, shown(&names[*place].full))).collect();
                let of = subject.name();
                Err(format!("columns {} may be the {of}: say which with --{of}-column", named.join(" and ")))
            }
        }
    }

    /// Takes a row below the header for one of units, where it is one and the header has none.
    pub(super) fn units_row(&mut self, cells: &[String]) -> bool {
        let trimmed = |cell: &str| cell.trim_matches(['[', ']', '(', ')', ' ']).to_owned();
        let read: Vec<Option<_>> = ColumnSubject::ALL
            .into_iter()
            .map(|subject| {
                let column = self.found[subject as usize].as_ref()?;
                let cell = trimmed(cells.get(column.place)?);
                subject.unit(&cell).map(|unit| (subject, column.place, column.name.clone(), cell, unit))
            })
            .collect();
        // A row of units has one for the pressure; other cells may be empty.
        if !matches!(read.get(1), Some(Some(_))) {
            return false;
        }
        for (subject, place, name, cell, _) in read.into_iter().flatten() {
            let Some(column) = &self.found[subject as usize] else { continue };
            let chosen = column.unit.filter(|_| column.chosen);
            if column.unit.is_none() || column.chosen {
                self.take(subject, place, name, chosen, Some(&cell));
            }
        }
        true
    }

    /// What must be known before the first reading.
    ///
    /// # Errors
    /// Each thing that is not.
    pub(super) fn lacks(&self, clock: bool) -> Vec<String> {
        let mut lacks = Vec::new();
        for subject in ColumnSubject::ALL {
            let Some(column) = &self.found[subject as usize] else { continue };
            if column.unit.is_some() || (clock && subject == ColumnSubject::Time) {
                continue;
            }
            let of = subject.name();
            let why = match &column.unclear {
                Some(text) => no_unit(subject, text),
                None => "no unit is named".into(),
            };
            lacks.push(format!(
                "{}: {why}; name it in the header, like \"{}\", or say --{of}-unit",
                column.name,
                match subject {
                    ColumnSubject::Time => "time [s]",
                    ColumnSubject::Pressure => "pressure [bar]",
                    ColumnSubject::Temperature => "temperature [°C]",
                }
            ));
        }
        if self.reference.is_none() {
            lacks.push(
                "gauge or absolute pressure? Say --gauge or --absolute, or name it in the header, like \"pressure [bara]\""
                    .into(),
            );
        }
        lacks
    }
}

fn chosen(subject: ColumnSubject, named: &str, names: &[HeaderName]) -> Result<usize, String> {
    let option = format!("--{}-column", subject.name());
    let typed = named.trim();
    let same: Vec<usize> = names
        .iter()
        .enumerate()
        .filter(|(_, name)| name.full.eq_ignore_ascii_case(typed) || name.base == words(typed))
        .map(|(place, _)| place)
        .collect();
    match same.as_slice() {
        [one] => return Ok(*one),
        [] => {}
        _ => return Err(format!("{option}: several columns are named \"{}\"; give its number from 1", shown(typed))),
    }
    if let Ok(number) = typed.parse::<usize>() {
        let there = number.checked_sub(1).filter(|place| *place < names.len());
        return there.ok_or_else(|| format!("{option}: {number} is outside 1 to {}", names.len()));
    }
    Err(format!("{option}: no column \"{}\" ({})", shown(typed), listed(names)))
}

fn listed(names: &[HeaderName]) -> String {
    /// Columns named in an error.
    const NAMED: usize = 20;
    let mut list: Vec<_> = names.iter().take(NAMED).map(|name| shown(&name.full)).collect();
    if names.len() > NAMED {
        list.push("…".into());
    }
    format!("there are: {}", list.join(", "))
}

fn none(subject: ColumnSubject, names: &[HeaderName]) -> String {
    let (of, there) = (subject.name(), listed(names));
    let hint = did_you_mean(of, names.iter().map(|name| name.base.as_str())).replace("did you mean", "is it");
    let then = if hint.is_empty() { "; name it in the header, or say" } else { " Then say" };
    format!("no column of {of} ({there}){hint}{then} --{of}-column")
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn columns(header: &[&str], format: &TraceFormat) -> Result<Columns, String> {
        let header: Vec<String> = header.iter().map(|name| (*name).to_owned()).collect();
        Columns::of_header(&header, format)
    }

    fn found(header: &[&str]) -> Vec<(usize, &'static str)> {
        let columns = columns(header, &TraceFormat::default()).unwrap();
        let of = |column: FoundColumn| (column.place, column.unit.map_or("", |unit| unit.text));
        columns.found.into_iter().flatten().map(of).collect()
    }

    #[test]
    fn forms_of_a_header() {
        for (header, expected) in [
            (["time_s", "pressure_pa", "temperature_k"], ["s", "Pa", "K"]),
            (["Time [s]", "Pressure [bar]", "Temp [°C]"], ["s", "bar", "C"]),
            (["t / min", "p / kPa", "T / K"], ["min", "kPa", "K"]),
            (["Elapsed (ms)", "Pressure (psi)", "Temperature (°F)"], ["ms", "psi", "F"]),
            (["Time, sec", "Pressure, mbar", "Temperature, degC"], ["s", "mbar", "degC"]),
            (["TIME_S", "PRESSURE_KPA", "TEMP_C"], ["s", "kPa", "C"]),
            (["Elapsed time (hours)", "Test pressure MPa", "gas temp"], ["h", "MPa", ""]),
            (["Date/Time", "p [hPa]", "Temperature"], ["", "hPa", ""]),
            (["time", "Channel 3 [bar]", "temp"], ["", "bar", ""]),
        ] {
            let expected: Vec<_> = expected.into_iter().enumerate().collect();
            assert_eq!(found(&header), expected, "{header:?}");
        }
    }

    #[test]
    fn a_name_and_a_unit_that_disagree_are_asked_about() {
        let read =
            |format: &TraceFormat| Columns::of_header(&["time_s".into(), "Absolute pressure [barg]".into()], format);
        assert!(read(&TraceFormat::default()).unwrap_err().contains("says absolute, its unit gauge"));
        let said = TraceFormat { reference: Some(PressureReference::Absolute), ..TraceFormat::default() };
        assert_eq!(read(&said).unwrap().reference, Some(PressureReference::Absolute));
    }

    #[test]
    fn gauge_and_absolute_are_read_too() {
        let gauge = Some(PressureReference::Gauge);
        let absolute = Some(PressureReference::Absolute);
        for (name, unit, reference) in [
            ("Pressure [barg]", "bar", gauge),
            ("Pressure [bar(g)]", "bar", gauge),
            ("p / psia", "psi", absolute),
            ("Pressure (mbar abs)", "mbar", absolute),
            ("Pressure (kPa absolute)", "kPa", absolute),
            ("Gauge pressure [Pa]", "Pa", gauge),
            ("Pressure (absolute) [hPa]", "hPa", absolute),
            ("Pressure [bar]", "bar", None),
        ] {
            let columns = columns(&["time_s", name], &TraceFormat::default()).unwrap();
            let read = columns.found[1].clone().unwrap();
            assert_eq!((read.unit.unwrap().text, columns.reference), (unit, reference), "{name}");
        }
    }

    #[test]
    fn what_is_unclear_is_refused() {
        let told = |header: &[&str]| columns(header, &TraceFormat::default()).unwrap_err();
        assert_eq!(
            told(&["time_s", "p1 [bar]", "p2 [bar]"]),
            "columns 2 \"p1 [bar]\" and 3 \"p2 [bar]\" may be the pressure: say which with --pressure-column"
        );
        assert_eq!(
            told(&["time_s", "level"]),
            "no column of pressure (there are: time_s, level); name it in the header, or say --pressure-column"
        );
        assert!(told(&["zeit", "pressure_pa"]).starts_with("no column of time (there are: zeit, pressure_pa)"));
        assert!(told(&["time_s", "presure"]).contains("is it \"presure\"? Then say --pressure-column"));
        let lacks = |header: &[&str], clock| columns(header, &TraceFormat::default()).unwrap().lacks(clock).join("\n");
        assert!(
            lacks(&["time", "pressure [barr]"], true).starts_with(
                "pressure [barr]: \"barr\" is no unit of pressure; did you mean \"bar\"? (units taken: Pa,"
            )
        );
        assert!(lacks(&["time", "pressure_pa"], false).starts_with("time: no unit is named; name it in the header"));
        // A thousand million times as much.
        assert!(lacks(&["time_s", "pressure [mPa]"], false).contains("\"mPa\" is no unit of pressure"));
        // A room's temperature is not the gas's.
        assert_eq!(found(&["time_s", "pressure_pa", "Ambient [°C]"]).len(), 2);
    }

    #[test]
    fn options_count_before_the_header() {
        let bar = pressure_unit("bar").unwrap().0;
        let format = TraceFormat {
            pressure: ColumnChoice { column: Some("p2".into()), unit: Some(bar) },
            reference: Some(PressureReference::Gauge),
            ..TraceFormat::default()
        };
        let columns = columns(&["time_s", "p1 [Pa]", "p2 [Paa]"], &format).unwrap();
        assert_eq!(columns.found[1].as_ref().map(|column| (column.place, column.unit)), Some((2, Some(bar))));
        assert_eq!(columns.notes.len(), 3, "{:?}", columns.notes);
        assert!(pressure_unit("barr").unwrap_err().contains("did you mean \"bar\"?"));
    }

    proptest! {
        /// No header panics.
        #[test]
        fn any_header(names in prop::collection::vec("\\PC{0,24}|[a-zA-Z]{1,12}[\\[(/, _][a-zA-Z°()]{0,8}[\\])]?", 0..6)) {
            let _ = Columns::of_header(&names, &TraceFormat::default()).map(|mut columns| columns.units_row(&names));
        }
    }
}
