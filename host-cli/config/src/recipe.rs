//! Recipes as files.

use std::path::Path;

use seathold_quantity::Dimension;
use seathold_recording::header::DisplayUnits;
use seathold_sequencer::field::{Field, Unit};
use seathold_sequencer::recipe::{Actuation, FIELDS, Model, RawRecipe, Recipe};
use seathold_sequencer::rig::Rig;

use super::config_file::{ConfigFile, template};
use crate::Error;

/// A recipe that has been read and checked.
#[derive(Clone, Debug)]
pub struct RecipeFile {
    /// File or built-in name.
    pub name: String,
    /// The recipe, checked against the rig.
    pub recipe: Recipe,
    /// The units it was written in.
    pub display_units: DisplayUnits,
}

const ACTUATIONS: &[(&str, Actuation)] = &[("air", Actuation::Air), ("hand", Actuation::Hand)];
const MODELS: &[(&str, Model)] = &[("line", Model::Line), ("line-and-transient", Model::LineAndTransient)];

/// Reads a recipe from a file, and checks it against the rig. `actuation`, where given, overrides the file's.
///
/// # Errors
/// Everything wrong with it, at once.
pub fn read(path: &Path, rig: &Rig, actuation: Option<Actuation>) -> Result<RecipeFile, Error> {
    from_config(ConfigFile::read(path)?, path.display().to_string(), rig, actuation)
}

/// Reads a recipe from a text.
///
/// # Errors
/// As for [`read`].
pub fn parse(name: &str, text: &str, rig: &Rig, actuation: Option<Actuation>) -> Result<RecipeFile, Error> {
    from_config(ConfigFile::parse(name, text)?, name.into(), rig, actuation)
}

fn from_config(
    mut config: ConfigFile,
    name: String,
    rig: &Rig,
    actuation: Option<Actuation>,
) -> Result<RecipeFile, Error> {
    let mut raw = RawRecipe::DEMO;
    raw.actuation = config.choice("actuation", ACTUATIONS).unwrap_or(raw.actuation);
    raw.model = config.choice("model", MODELS).unwrap_or(raw.model);
    config.fields(&mut raw, FIELDS, |r| r.reference_pa);
    raw.actuation = actuation.unwrap_or(raw.actuation);
    check_standard(&mut config, &raw);
    check_planned_volume(&mut config, rig);
    let display_units = units_of(&config);
    match raw.validate(rig) {
        Ok(recipe) => {
            let decides_ms = u64::from(raw.decides_from_ms(rig)) + 2 * u64::from(raw.sample_period_ms);
            if u64::from(raw.measure_ms_max) < decides_ms {
                config.wrong("measure_max", "tau_max", &never_decides(&raw, rig, decides_ms));
            }
            config.finish().map(|()| RecipeFile { name, recipe, display_units })
        }
        Err(errors) => {
            config.add(&errors, raw.reference_pa);
            config.finish().and(Err(Error::usage("the recipe is not valid")))
        }
    }
}

/// A file with a limit in standard volumes states both reference conditions: the temperature matters as much.
fn check_standard(config: &mut ConfigFile, raw: &RawRecipe) {
    let Some(symbol) = config.unit("limit").filter(|symbol| symbol.is_standard()) else { return };
    if config.unit("reference_temperature").is_none() || config.unit("reference_pressure").is_none() {
        let leaks = Dimension(Unit::PascalCubicMetrePerSecond);
        let typed = symbol.write(leaks, raw.limit_pa_m3_s, raw.reference_pa);
        config.wrong("limit", "limit", &seathold_quantity::limit::standard_unstated(&typed));
    }
}

/// The far volume that a recipe was planned for, where it says so: its times fit no other.
const PLANNED: &[Field<f64>] = &[Field {
    name: "planned_far_volume",
    about: "the far volume that it was planned for: with another it is refused",
    unit: Unit::CubicMetre,
    min: 1e-7,
    max: 0.1,
    get: |volume| *volume,
    set: |volume, v| *volume = v,
}];

fn check_planned_volume(config: &mut ConfigFile, rig: &Rig) {
    let here = rig.raw().far_volume_m3;
    let mut planned = here;
    config.fields(&mut planned, PLANNED, |_| 1.0);
    if (here / planned - 1.0).abs() > PLANNED_WITHIN {
        let message = format!(
            "this recipe was planned for {:.1} cm³, and the rig, with its adapter, has {:.1} cm³: plan one for it, or choose the \
             adapter that it is for",
            planned * 1e6,
            here * 1e6
        );
        config.wrong(PLANNED[0].name, PLANNED[0].name, &message);
    }
}

/// The line of a recipe file that says which far volume it was planned for.
pub fn planned_for(far_volume_m3: f64) -> String {
    template(&far_volume_m3, PLANNED, 1.0)
}

/// How far, as a ratio, the rig's far volume may be from it (our judgement: settling and the fall at the limit go with it).
const PLANNED_WITHIN: f64 = 0.1;

/// What is wrong where the longest window is shorter than the shortest that decides.
fn never_decides(raw: &RawRecipe, rig: &Rig, decides_ms: u64) -> String {
    let why = match rig.raw().tau_s {
        Some(tau_s) => format!("two of the calibrated settling time constants, {tau_s:.2} s"),
        None => format!("the longest settling time constant, tau_max, {} s", f64::from(raw.tau_ms_max) / 1e3),
    };
    let (most, least) = (f64::from(raw.measure_ms_max) / 1e3, decides_ms as f64 / 1e3);
    format!("{most} s decides nothing on this rig: a window must outlast {why}, and two samples; {least} s or more")
}

/// What a recipe states of the valves that it is for.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct StatedValves {
    /// Greatest leak allowed, as written: a class is for one size.
    pub limit: Option<String>,
    /// How they are worked.
    pub actuation: Option<Actuation>,
}

/// What a recipe states of the valves that it is for; whether it is a good recipe is not looked at.
///
/// # Errors
/// When it is no TOML.
pub fn stated(name: &str, text: &str) -> Result<StatedValves, Error> {
    Ok(stated_by(ConfigFile::parse(name, text)?))
}

/// The same of a file.
///
/// # Errors
/// When it cannot be read, or is no TOML.
pub fn stated_in(path: &Path) -> Result<StatedValves, Error> {
    Ok(stated_by(ConfigFile::read(path)?))
}

fn stated_by(mut config: ConfigFile) -> StatedValves {
    StatedValves { limit: config.text("limit"), actuation: config.choice("actuation", ACTUATIONS) }
}

/// A recipe with some fields replaced from options. It is not checked as a whole.
///
/// # Errors
/// Every field that is unknown or out of its range.
pub fn replaced<'a>(base: &RawRecipe, options: impl Iterator<Item = (&'a str, &'a str)>) -> Result<RawRecipe, Error> {
    onto(base, ConfigFile::from_options(options)).map(|(raw, _)| raw)
}

/// Reads a recipe from a file, without the rig that it is to fit.
///
/// # Errors
/// Every field that is unknown or out of its range, or when the file cannot be read.
pub fn without_rig(path: &Path) -> Result<RawRecipe, Error> {
    without_rig_as_written(path).map(|(raw, _)| raw)
}

/// The same with the units it was written in.
///
/// # Errors
/// As for [`without_rig`].
pub fn without_rig_as_written(path: &Path) -> Result<(RawRecipe, DisplayUnits), Error> {
    onto(&RawRecipe::DEMO, ConfigFile::read(path)?)
}

fn onto(base: &RawRecipe, mut config: ConfigFile) -> Result<(RawRecipe, DisplayUnits), Error> {
    let mut raw = *base;
    raw.actuation = config.choice("actuation", ACTUATIONS).unwrap_or(raw.actuation);
    raw.model = config.choice("model", MODELS).unwrap_or(raw.model);
    config.fields(&mut raw, FIELDS, |r| r.reference_pa);
    config.skip(PLANNED[0].name);
    check_standard(&mut config, &raw);
    let units = units_of(&config);
    config.finish().map(|()| (raw, units))
}

/// The units that limit and target were written in.
fn units_of(config: &ConfigFile) -> DisplayUnits {
    let mut units = DisplayUnits::default();
    if let Some(symbol) = config.unit("limit") {
        units.leak = symbol.text.into();
    }
    if let Some(symbol) = config.unit("target") {
        units.pressure = symbol.text.into();
    }
    units
}

impl RecipeFile {
    /// The same with another limit from an option.
    ///
    /// # Errors
    /// When it is no limit, or does not fit rig and recipe.
    pub fn with_limit(self, text: &str, dn: Option<u32>, rig: &Rig) -> Result<Self, Error> {
        let wrong = |why: String| Error::usage(format!("--limit: {why}"));
        let limit = seathold_quantity::limit::parse(text, dn, self.recipe.reference()).map_err(wrong)?;
        let raw = RawRecipe { limit_pa_m3_s: limit.leak.pa_m3_s(), ..*self.recipe.raw() };
        let recipe = raw.validate(rig).map_err(|errors| wrong(errors.to_string()))?;
        Ok(Self {
            recipe,
            display_units: DisplayUnits { leak: limit.symbol.text.into(), ..self.display_units },
            ..self
        })
    }
}

/// A commented recipe file with every field.
pub fn template_file() -> String {
    let head = "# A seathold recipe. Every field may be left out; the value here is then the default.\n\
                # Check it with: seathold recipe check FILE\n";
    file_of(&RawRecipe::DEMO, head)
}

/// A recipe as a commented file with every field. `head` comes before it: comment lines.
pub fn file_of(raw: &RawRecipe, head: &str) -> String {
    let actuation = ACTUATIONS.iter().find(|(_, one)| *one == raw.actuation).map_or("air", |(word, _)| word);
    let model = MODELS.iter().find(|(_, one)| *one == raw.model).map_or("line", |(word, _)| word);
    format!(
        "{head}\n# how the valve is worked: \"air\" (spring return) or \"hand\"\n\
         actuation = \"{actuation}\"\n\
         \n# curve fitted to the trapped pressure: \"line\", or \"line-and-transient\" where gas still settles\n\
         model = \"{model}\"\n{}",
        template(raw, FIELDS, raw.reference_pa)
    )
}

#[cfg(test)]
mod tests {
    use seathold_sequencer::rig::RawRig;

    use super::*;

    #[test]
    fn the_template_reads_back_as_the_demo_recipe() {
        let rig = RawRig::DEMO.validate().unwrap();
        let read = parse("template", &template_file(), &rig, None).unwrap();
        assert_eq!(*read.recipe.raw(), RawRecipe::DEMO);
    }
}
