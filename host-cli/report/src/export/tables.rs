//! The tables: what their columns are, and a recording as rows of them.
//!
//! Every number is in the base unit its name ends with. `run` is the SHA-256 of the recording, so rows of many benches
//! can be combined without renumbering, and duplicates are recognised.

use seathold_recording::{Header, Recording, Summary};
use seathold_register::batch::run_marks::RunMark;
use seathold_register::{Error, RunRow};
use seathold_sequencer::input::{Side, Sides};
use seathold_sequencer::output::{GasValve, Pilot};
use seathold_sequencer::verdict::SideResult;
use seathold_text::messages::{phase_name, supply_end};
use seathold_text::outcome;
use serde::Serialize;

use super::samples::{SampleRow, samples};
use super::{Cell, ColumnType, ExportColumn, ExportTable};

pub(super) const fn must(name: &'static str, kind: ColumnType, about: &'static str) -> ExportColumn {
    ExportColumn { name, kind, optional: false, about }
}

pub(super) const fn may(name: &'static str, kind: ColumnType, about: &'static str) -> ExportColumn {
    ExportColumn { name, kind, optional: true, about }
}

/// A row a run.
pub const RUNS: &[ExportColumn] = &[
    must("run", ColumnType::Words, "SHA-256 of the recording, in hexadecimal"),
    must("serial", ColumnType::Words, "the valve's serial number"),
    may("started_at", ColumnType::Moment, "when the run began"),
    must("operator", ColumnType::Words, "who ran it; empty where not given"),
    must("sides_requested", ColumnType::Words, "both, first or second"),
    must("recipe", ColumnType::Words, "file or name of the recipe"),
    must("rig", ColumnType::Words, "file or name of the rig's description"),
    must("program", ColumnType::Words, "program and version that wrote the recording"),
    must("target_pa", ColumnType::Whole, "gauge pressure to test at"),
    must("limit_pa_m3_s", ColumnType::Number, "greatest leak allowed, at the reference temperature"),
    must("reference_k", ColumnType::Number, "temperature leaks are counted at"),
    must("reference_pa", ColumnType::Number, "absolute pressure at which leaks become volumes"),
    must("verdict", ColumnType::Words, "tight, leaking, undecided, void, no-verdict or not-started"),
    may("fault", ColumnType::Words, "the first fault, where there was one"),
    must("aborted", ColumnType::Flag, "aborted by the operator"),
    must("reads_empty", ColumnType::Flag, "the far side was measured empty at the end"),
    must("length_s", ColumnType::Number, "from the first poll to the last"),
    must("polls", ColumnType::Whole, "polls recorded"),
    must("complete", ColumnType::Flag, "the recording is whole"),
    must("replays", ColumnType::Flag, "the sequencer comes to the same from its readings; if not, it has no verdict"),
    must("simulated", ColumnType::Flag, "no valve was tested: the rig was simulated"),
    must("source", ColumnType::Words, "source of the readings: rig and firmware"),
    may("bench", ColumnType::Words, "UUID of the bench; this and what follows only from a register"),
    may("number", ColumnType::Whole, "number of the run in the bench's chain"),
    may("batch", ColumnType::Words, "UUID of the batch"),
    may("batch_name", ColumnType::Words, "name of the batch"),
    may("after_rework", ColumnType::Words, "the rework note that the run follows, as BENCH/NUMBER"),
    may(
        "correction",
        ColumnType::Words,
        "struck, moved to SERIAL, other limit (judged by another than its valve must meet, and so not counted), override \
         (counted because somebody answers for it), or several with commas; nothing where the run counts as it was recorded",
    ),
];

/// Columns of a run from the register, beyond its recording.
#[derive(Clone, Copy, Debug)]
pub struct RunContextColumns<'a> {
    /// Its row.
    pub run: &'a RunRow,
    /// The name of its batch.
    pub batch_name: Option<&'a str>,
    /// What corrected it since.
    pub correction: Option<&'a str>,
}

/// What is to be known of a run before it is counted, as the table has it.
pub fn correction_words(mark: &RunMark) -> Option<String> {
    let said = [
        mark.struck.as_ref().map(|_| "struck".into()),
        mark.moved_to().map(|serial| format!("moved to {serial}")),
        mark.other_limit.as_ref().map(|_| "other limit".into()),
        mark.overridden.as_ref().map(|_| "override".into()),
    ];
    let said: Vec<String> = said.into_iter().flatten().collect();
    (!said.is_empty()).then(|| said.join(", "))
}

/// A row a side judged.
pub const SIDES: &[ExportColumn] = &[
    must("run", ColumnType::Words, "as in runs"),
    must("serial", ColumnType::Words, "as in runs"),
    must("side", ColumnType::Words, "first or second"),
    must("supply_end", ColumnType::Words, "end of the valve on the supply side: A or B"),
    must("verdict", ColumnType::Words, "tight, leaking, undecided or void"),
    must("reason", ColumnType::Words, "why: measured, maximum-time, gross-fall, …"),
    may("leak_pa_m3_s", ColumnType::Number, "leak at the reference temperature, background leak subtracted"),
    may("expanded_pa_m3_s", ColumnType::Number, "expanded uncertainty of the leak"),
    may("coverage", ColumnType::Number, "probability that leak ± expanded covers the true leak"),
    may("combined_pa_m3_s", ColumnType::Number, "combined standard uncertainty of the leak"),
    may("u_fit_pa_m3_s", ColumnType::Number, "its part from the noise of the readings"),
    may("u_curve_pa_m3_s", ColumnType::Number, "its part from the curve the gas follows"),
    may("u_resolution_pa_m3_s", ColumnType::Number, "its part from quantisation"),
    may("u_volume_pa_m3_s", ColumnType::Number, "its part from the far volume"),
    may("u_gain_pa_m3_s", ColumnType::Number, "its part from the sensor gain"),
    may("u_temperature_pa_m3_s", ColumnType::Number, "its part from the drift of the gas temperature"),
    may("u_background_pa_m3_s", ColumnType::Number, "its part from the background leak"),
    may("u_law_pa_m3_s", ColumnType::Number, "its part from how the leak grows with pressure"),
    may("slope_pa_s", ColumnType::Number, "slope of the trapped pressure"),
    may(
        "pressure_pa",
        ColumnType::Number,
        "mean of the trapped pressure over the window, gauge; the leak is stated at the target",
    ),
    may("window_s", ColumnType::Number, "length of the judged window"),
    may("readings", ColumnType::Whole, "readings in it"),
    may("isolated_pa", ColumnType::Whole, "far-side gauge pressure when the valve was shut"),
    must("fall_pa", ColumnType::Whole, "how far the trapped pressure had fallen when the side ended"),
    must("after_s", ColumnType::Number, "how long after shutting that was"),
];

/// A row a poll.
pub const SAMPLES: &[ExportColumn] = &[
    must("run", ColumnType::Words, "as in runs"),
    must("serial", ColumnType::Words, "as in runs"),
    must("time_us", ColumnType::Whole, "microseconds on the rig's clock"),
    may(
        "far_pa",
        ColumnType::Whole,
        "far side, gauge pressure; nothing where no reading came or the transducer was faulty",
    ),
    may("far_counts", ColumnType::Whole, "the same in counts of the converter"),
    may("far_number", ColumnType::Whole, "running number of the conversion"),
    may("supply_pa", ColumnType::Whole, "supply side, gauge pressure"),
    may("temperature_k", ColumnType::Number, "gas or wall temperature"),
    may("phase", ColumnType::Words, "the phase of the test"),
    may("side", ColumnType::Words, "first or second"),
    must("supply_open", ColumnType::Flag, "the supply valve was fed"),
    must("vent_open", ColumnType::Flag, "the vent valve was open"),
    must("pilot_fed", ColumnType::Flag, "the actuator was fed"),
    must("stop", ColumnType::Flag, "the emergency stop was pressed"),
    must("guard_closed", ColumnType::Flag, "the guard was closed"),
    must("valve_shut", ColumnType::Flag, "the switch on the valve said shut"),
];

/// A recording's row of [`RUNS`].
pub fn run_row(id: &str, recording: &Recording, replays: bool, place: Option<RunContextColumns<'_>>) -> Vec<Cell> {
    let header = &recording.header;
    let recipe = &header.recipe;
    let summary = Summary::of(recording.events().map(|(_, event)| event));
    let started: Option<jiff::Timestamp> = header.started_at.parse().ok();
    vec![
        id.into(),
        header.serial.as_str().into(),
        started.map_or(Cell::Nothing, |at| Cell::Moment(at.as_microsecond())),
        header.operator.as_str().into(),
        match header.sides {
            Sides::Both => "both",
            Sides::First => "first",
            Sides::Second => "second",
        }
        .into(),
        header.recipe_name.as_str().into(),
        header.rig_name.as_str().into(),
        header.program.as_str().into(),
        recipe.target_pa.into(),
        recipe.limit_pa_m3_s.into(),
        recipe.reference_k.into(),
        recipe.reference_pa.into(),
        if replays { outcome::word(&summary) } else { "no verdict" }.replace(' ', "-").as_str().into(),
        summary.faults.first().map_or(Cell::Nothing, tag),
        summary.aborted.into(),
        summary.reads_empty().into(),
        (recording.length().as_ticks() as f64 / 1e6).into(),
        recording.polls.len().into(),
        recording.damage.is_none().into(),
        replays.into(),
        header.source.is_simulated().into(),
        header.source.to_string().as_str().into(),
        place.map(|place| place.run.bench.as_str()).into(),
        place.map_or(Cell::Nothing, |place| Cell::Whole(place.run.number)),
        place.and_then(|place| place.run.batch.as_deref()).into(),
        place.and_then(|place| place.batch_name).into(),
        place.and_then(|place| place.run.after_rework.as_deref()).into(),
        place.and_then(|place| place.correction).into(),
    ]
}

/// A recording's rows of [`SIDES`].
pub fn side_rows(id: &str, recording: &Recording) -> Vec<Vec<Cell>> {
    let summary = Summary::of(recording.events().map(|(_, event)| event));
    summary.sides.iter().map(|result| side_row(id, &recording.header, result)).collect()
}

fn side_row(id: &str, header: &Header, result: &SideResult) -> Vec<Cell> {
    let estimate = result.estimate.as_ref();
    let part = |of: fn(&seathold_sequencer::measure::LeakEstimate) -> f64| Cell::from(estimate.map(of));
    vec![
        id.into(),
        header.serial.as_str().into(),
        side(result.side).into(),
        supply_end(result.side).into(),
        tag(&result.verdict),
        tag(&result.reason),
        part(|f| f.leak.pa_m3_s()),
        part(|f| f.expanded.pa_m3_s()),
        estimate.map(|_| header.recipe.coverage).into(),
        part(|f| f.budget.combined),
        part(|f| f.budget.fit),
        part(|f| f.budget.curve),
        part(|f| f.budget.resolution),
        part(|f| f.budget.volume),
        part(|f| f.budget.gain),
        part(|f| f.budget.temperature),
        part(|f| f.budget.background),
        part(|f| f.budget.law),
        part(|f| f.slope.pascals_per_second()),
        part(|f| f64::from(f.pressure.pascals())),
        part(|f| f64::from(f.window_ms) / 1e3),
        estimate.map(|f| f.samples).into(),
        result.isolated_at.map(|at| at.pascals()).into(),
        result.fall_pa.into(),
        (f64::from(result.after_ms) / 1e3).into(),
    ]
}

/// Writes a recording's rows of [`SAMPLES`].
///
/// # Errors
/// When they cannot be written.
pub fn write_samples(id: &str, recording: &Recording, to: &mut ExportTable) -> Result<(), Error> {
    samples(recording).try_for_each(|sample| to.row(&sample_row(id, &recording.header.serial, &sample)))
}

fn sample_row(id: &str, serial: &str, sample: &SampleRow) -> Vec<Cell> {
    let (contacts, outputs) = (sample.poll.inputs.contacts, sample.poll.outputs);
    vec![
        id.into(),
        serial.into(),
        Cell::Whole(i64::try_from(sample.poll.at.as_ticks()).unwrap_or(i64::MAX)),
        sample.far_pa.into(),
        sample.far.map(|far| far.0).into(),
        sample.far.map(|far| far.1).into(),
        sample.supply_pa.into(),
        sample.temperature_k.into(),
        sample.phase.map(phase_name).into(),
        sample.side.map(side).into(),
        (outputs.supply == GasValve::Open).into(),
        (outputs.vent == GasValve::Open).into(),
        (outputs.pilot == Pilot::Fed).into(),
        contacts.stop.into(),
        contacts.guard_closed.into(),
        contacts.valve_shut.into(),
    ]
}

const fn side(side: Side) -> &'static str {
    match side {
        Side::First => "first",
        Side::Second => "second",
    }
}

/// A value of the sequencer by the name recordings use: "maximum-time". One that holds another is named by its own.
fn tag(value: &impl Serialize) -> Cell {
    match serde_json::to_value(value) {
        Ok(serde_json::Value::String(name)) => Cell::Words(name),
        Ok(serde_json::Value::Object(map)) => map.keys().next().map_or(Cell::Nothing, |name| name.as_str().into()),
        _ => Cell::Nothing,
    }
}
