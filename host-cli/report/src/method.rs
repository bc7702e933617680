//! Method, limits and settings, in every report.

use seathold_document::{Block, DocumentColumn, DocumentTable};
use seathold_quantity::Dimension;
use seathold_recording::Header;
use seathold_sequencer::field::{Field, Unit};
use seathold_sequencer::recipe::{self, Actuation, Model, RawRecipe};
use seathold_sequencer::rig::{self, RawRig};
use seathold_text::layout::percent;

use super::Evidence;

/// Statements on runs, each different one once, with its runs ("For HM-001, HM-004:") where not all are the same.
pub(super) fn each_once<T: PartialEq>(
    runs: &[&Evidence],
    say: impl Fn(&Evidence) -> T,
    called: impl Fn(&Evidence) -> String,
) -> Vec<(T, Option<String>)> {
    let mut said: Vec<(T, Vec<String>)> = Vec::new();
    for run in runs {
        let (what, name) = (say(run), called(run));
        match said.iter_mut().find(|(other, _)| *other == what) {
            Some((_, names)) if names.contains(&name) => {}
            Some((_, names)) => names.push(name),
            None => said.push((what, vec![name])),
        }
    }
    let alike = said.len() == 1;
    said.into_iter().map(|(what, names)| (what, (!alike).then(|| format!("For {}:", names.join(", "))))).collect()
}

/// The same as paragraphs.
fn paragraphs(
    runs: &[&Evidence],
    say: impl Fn(&Evidence) -> String,
    called: impl Fn(&Evidence) -> String,
) -> Vec<Block> {
    let text = |(text, of): (String, Option<String>)| match of {
        Some(of) => format!("{of} {text}"),
        None => text,
    };
    each_once(runs, say, called).into_iter().map(text).map(Block::Text).collect()
}

/// The reference conditions of leaks, and the meaning of ±.
pub(super) fn counted(runs: &[&Evidence], called: impl Fn(&Evidence) -> String) -> Vec<Block> {
    let fitted = |run: &&Evidence| run.summary.sides.iter().any(|side| side.estimate.is_some());
    let runs: Vec<&Evidence> = runs.iter().copied().filter(fitted).collect();
    let say = |run: &Evidence| {
        format!(
            "Leaks are counted at {}. The value after ± covers the true leak with {} %.",
            run.units().reference(),
            percent(run.header.recipe.coverage)
        )
    };
    paragraphs(&runs, say, called)
}

/// How the tests were made, in plain words, with each recipe's own numbers, and what does not follow from them.
pub(super) fn method(runs: &[&Evidence], called: impl Fn(&Evidence) -> String + Copy) -> Vec<Block> {
    if runs.is_empty() {
        return Vec::new();
    }
    let mut blocks = vec![Block::Heading(2, "Method".into())];
    for say in [procedure, evaluation, decision] {
        blocks.extend(paragraphs(runs, say, called));
    }
    blocks.extend(not_said());
    blocks
}

fn procedure(run: &Evidence) -> String {
    let (header, units) = (&run.header, run.units());
    let recipe = &header.recipe;
    let seconds = |ms: u32| format!("{} s", f64::from(ms) / 1e3);
    let volume = write_value(Unit::CubicMetre, header.rig.far_volume_m3, recipe);
    let shut = match recipe.actuation {
        Actuation::Air => "The valve is shut by its spring",
        Actuation::Hand => "The valve is shut by hand",
    };
    format!(
        "Pressure hold with compressed air, one side at a time. Air is let through the open valve into a closed volume \
         of {volume} with a pressure transducer (the far side), to {} gauge, and fed for {} more so that it settles. \
         {shut}, and the other end (the supply side) is vented to atmosphere. The trapped pressure can then only fall \
         through the valve, its joints or the rig. After {} of settling it is read every {} for {} to {}. For the \
         second side the valve's ends are swapped.",
        units.pressure(i32::try_from(recipe.target_pa).unwrap_or(i32::MAX)),
        seconds(recipe.soak_ms),
        seconds(recipe.settle_ms),
        seconds(recipe.sample_period_ms),
        seconds(recipe.measure_ms_min),
        seconds(recipe.measure_ms_max),
    )
}

fn evaluation(run: &Evidence) -> String {
    let recipe = &run.header.recipe;
    let curve = match recipe.model {
        Model::Line => "a straight line",
        Model::LineAndTransient => "a straight line with a decaying transient",
    };
    format!(
        "The readings are fitted by least squares with {curve}; the leak is the far volume times the slope of the \
         line, taken to {}, less the background leak of the rig. The uncertainty follows JCGM 100:2008 (GUM): noise \
         with its autocorrelation, curve, quantisation, volume, sensor gain, gas temperature and background leak, \
         combined as the root of the sum of squares and expanded to cover the true leak with {} %.",
        run.units().reference(),
        percent(recipe.coverage),
    )
}

fn decision(run: &Evidence) -> String {
    let recipe = &run.header.recipe;
    format!(
        "A side is called tight when its leak and a guard band above it lie under the limit, and leaking when both lie \
         over it (guard bands as in JCGM 106:2012). The guard band is chosen for a risk of {} % of calling a side \
         tight whose leak is at the limit, and of {} % of calling it leaking, with the repeated looks at the growing \
         window counted in. When the longest measuring time is over and the limit still lies within the guard band, \
         the side is undecided.",
        percent(recipe.false_accept),
        percent(recipe.false_reject),
    )
}

fn not_said() -> [Block; 2] {
    [
        Block::Heading(2, "What this report does not say".into()),
        Block::List(vec![
            "It states leaks found by the method above against the limit given. It does not state that the valve \
             conforms to any standard. Where the limit was taken from a rate class of a standard, only that value was \
             taken: test media, pressures, durations and the standard's other tests were not."
                .into(),
            "It does not speak of the strength of the body, of tightness at other pressures or temperatures, with \
             other fluids, or later."
                .into(),
            "Where a leak probably is was inferred from both sides; it was not inspected.".into(),
        ]),
    ]
}

/// The rig.
pub(super) fn source(header: &Header) -> String {
    format!("{}; {}", header.rig_name, header.source)
}

/// Comes first wherever no real valve was tested.
pub(super) fn simulated() -> Block {
    Block::Notice(
        "Simulated".into(),
        "The readings come from the simulated rig. No valve was tested, and nothing here is evidence of one.".into(),
    )
}

/// The recipe, field by field.
pub(super) fn recipe_table(name: &str, recipe: &RawRecipe) -> DocumentTable {
    let mut rows = vec![
        vec![
            "actuation".into(),
            word(recipe.actuation == Actuation::Air, "air", "hand"),
            "how the valve is worked".into(),
        ],
        vec![
            "model".into(),
            word(recipe.model == Model::Line, "line", "line and transient"),
            "curve fitted to the trapped pressure".into(),
        ],
    ];
    rows.extend(recipe::FIELDS.iter().map(|field| row(field, recipe, recipe)));
    settings(format!("Recipe as used: {name}"), rows)
}

/// The rig, field by field.
pub(super) fn rig_table(name: &str, rig: &RawRig, recipe: &RawRecipe) -> DocumentTable {
    settings(format!("Rig as described: {name}"), rig::FIELDS.iter().map(|field| row(field, rig, recipe)).collect())
}

fn settings(caption: String, rows: Vec<Vec<String>>) -> DocumentTable {
    let columns = vec![
        DocumentColumn::words("Setting", 3),
        DocumentColumn::words("Value", 3),
        DocumentColumn::words("Meaning", 8),
    ];
    DocumentTable { caption, columns, rows }
}

fn row<T>(field: &Field<T>, of: &T, recipe: &RawRecipe) -> Vec<String> {
    let value = (field.get)(of);
    let value = match field.unit {
        Unit::Flag => word(value != 0.0, "yes", "no"),
        _ => write_value(field.unit, value, recipe),
    };
    vec![field.name.replace('_', " "), value, field.about.into()]
}

fn write_value(unit: Unit, value: f64, recipe: &RawRecipe) -> String {
    let kind = Dimension(unit);
    kind.usual().write_pretty(kind, value, recipe.reference_pa)
}

fn word(is: bool, yes: &str, no: &str) -> String {
    if is { yes } else { no }.to_owned()
}
