//! What each valve of a batch must meet, from its list, the batch's options and its recipes: decided when valves are put
//! on the list, and sealed there. Nothing of it is left to be guessed at the bench.

use std::collections::{BTreeMap, BTreeSet};
use std::path::Path;

use clap::Args;
use seathold_config::recipe::{self as recipes, StatedValves};
use seathold_quantity::limit::{self, Limit};
use seathold_quantity::{InputError, InputProblem};
use seathold_recording::header::DisplayUnits;
use seathold_register::batch::sealed_list::BatchRule;
use seathold_register::override_note::same_limit;
use seathold_register::valves::ValveRecord;
use seathold_sequencer::recipe::{Actuation, RawRecipe};
use seathold_sequencer::units::Reference;
use seathold_text::messages::UnitFormat;

use super::run_common::{BUILT_IN_DN, built_in_for, built_in_recipe};
use crate::error::Error;

/// What valves must meet that do not say it in the list.
#[derive(Clone, Debug, Default, Args)]
pub struct LimitArgs {
    /// Greatest leak of valves whose list does not give it: a leak, or a class that goes by each one's size, like "ISO 5208 rate B by DN" [default: the recipe's]
    #[arg(long, value_name = "LEAK|CLASS")]
    pub limit: Option<String>,
    /// Recipe of valves whose list does not give it: FILE, or for some of them "DN 50=FILE", "hand=FILE", "DN 15-25 air=FILE"; may be given again [default: the built-in one for the kind of valve]
    #[arg(long, value_name = "[VALVES=]FILE")]
    pub recipe: Vec<String>,
}

/// Between the recipes of a batch's rule, as it is kept.
const BETWEEN_RULES: &str = "; ";

/// Which recipe for which valves.
#[derive(Clone, Debug, PartialEq, Eq)]
struct RecipeRule {
    /// Least and greatest size; any where there is none.
    dn: Option<(u32, u32)>,
    /// "air", "hand", or empty for either.
    actuation: String,
    recipe: String,
}

impl RecipeRule {
    fn parse(text: &str) -> Result<Self, String> {
        if text.contains(BETWEEN_RULES) {
            return Err(format!("\"{text}\": a name with \"{BETWEEN_RULES}\" in it cannot be kept with the batch"));
        }
        let Some((valves, recipe)) = text.split_once('=') else {
            return Ok(Self { dn: None, actuation: String::new(), recipe: text.trim().into() });
        };
        let mut rule = Self { dn: None, actuation: String::new(), recipe: recipe.trim().into() };
        let spaced = valves.to_lowercase().replace("dn", " ");
        for word in spaced.split_whitespace() {
            let ends = word.split_once('-').unwrap_or((word, word));
            match (word, ends.0.parse::<u32>(), ends.1.parse::<u32>()) {
                ("air" | "hand", ..) if rule.actuation.is_empty() => rule.actuation = word.into(),
                (_, Ok(least), Ok(most)) if rule.dn.is_none() && least <= most => rule.dn = Some((least, most)),
                _ => {
                    return Err(format!(
                        "\"{text}\": write it like FILE, \"DN 50=FILE\", \"hand=FILE\" or \"DN 15-25 air=FILE\""
                    ));
                }
            }
        }
        if rule.recipe.is_empty() || (rule.dn.is_none() && rule.actuation.is_empty()) {
            return Err(format!("\"{text}\": which valves, and which file?"));
        }
        Ok(rule)
    }

    /// Whether it is for every valve.
    fn for_all(&self) -> bool {
        self.dn.is_none() && self.actuation.is_empty()
    }

    fn takes(&self, valve: &ValveRecord) -> bool {
        let dn = self.dn.is_none_or(|(least, most)| valve.dn.is_some_and(|dn| (least..=most).contains(&dn)));
        dn && (self.actuation.is_empty() || self.actuation == valve.actuation)
    }
}

/// Which valves are meant by "DN 50", "hand" or "DN 15-25 air"; all where nothing is said.
pub(super) fn selection(of: Option<&str>) -> Result<impl Fn(&ValveRecord) -> bool, Error> {
    let rule = match of {
        Some(text) => {
            let any = RecipeRule::parse(&format!("{text}=any"));
            Some(any.map_err(|_| {
                Error::usage(format!("--of {text}: write it like \"DN 50\", \"hand\" or \"DN 15-25 air\""))
            })?)
        }
        None => None,
    };
    Ok(move |valve: &ValveRecord| rule.as_ref().is_none_or(|rule| rule.takes(valve)))
}

/// The options as a batch keeps them for valves that are added later.
pub(super) fn rule_of(args: &LimitArgs) -> BatchRule {
    BatchRule { limit: args.limit.clone().unwrap_or_default(), recipes: args.recipe.join(BETWEEN_RULES) }
}

/// What was given when the batch was opened, where nothing else is given now.
pub(super) fn or_rule(args: &LimitArgs, rule: &BatchRule) -> LimitArgs {
    let recipes = || rule.recipes.split(BETWEEN_RULES).filter(|rule| !rule.is_empty()).map(str::to_owned).collect();
    LimitArgs {
        limit: args.limit.clone().or_else(|| Some(rule.limit.clone()).filter(|limit| !limit.is_empty())),
        recipe: if args.recipe.is_empty() { recipes() } else { args.recipe.clone() },
    }
}

/// What a recipe states of its valves: a file's, or a built-in one's.
pub(super) fn stated_by(recipe: &str) -> Result<StatedValves, Error> {
    Ok(match built_in_recipe(recipe) {
        Some(text) => recipes::stated(recipe, text)?,
        None => recipes::stated_in(Path::new(recipe))?,
    })
}

/// A limit in the unit that it was written in, counted at the usual reference: "15 mm³/s".
pub(super) fn limit_words(limit: &Limit) -> String {
    let display_units = DisplayUnits { leak: limit.symbol.text.into(), ..DisplayUnits::default() };
    UnitFormat::new(&RawRecipe::DEMO, &display_units).limit(limit.leak.pa_m3_s())
}

/// A valve's limit; `None` where its batch does not say.
///
/// # Errors
/// What is wrong with what the batch says.
pub(super) fn limit_of(valve: &ValveRecord) -> Result<Option<Limit>, Error> {
    limit_at(valve, Reference::ISO_8778)
}

/// The reference at which a recipe counts volumes of gas: a file's, or a built-in one's.
pub(super) fn reference_of(recipe: &str) -> Result<Reference, Error> {
    match built_in_recipe(recipe) {
        Some(_) => Ok(Reference::ISO_8778),
        None => Ok(limit::reference_at(recipes::without_rig(Path::new(recipe))?.reference_pa)),
    }
}

/// A valve's limit, counted at this reference.
///
/// # Errors
/// As for [`limit_of`].
pub(super) fn limit_at(valve: &ValveRecord, reference: Reference) -> Result<Option<Limit>, Error> {
    seathold_register::batch::requirement::limit_of(valve, reference)
        .map_err(|why| Error::usage(format!("what {} must meet: {}", valve.serial, own_words(&why))))
}

/// Why a valve's limit would be another by this recipe: a volume of gas is counted at the recipe's reference pressure, and its own
/// recipe's is the one that it was stated for. `None` where it stays.
///
/// # Errors
/// When a recipe cannot be read.
pub(super) fn counted_elsewhere(valve: &ValveRecord, recipe: &str) -> Result<Option<String>, Error> {
    let own = if valve.recipe.is_empty() { built_in_for(&valve.actuation) } else { &valve.recipe };
    let (stated, here) = (limit_at(valve, reference_of(own)?)?, limit_at(valve, reference_of(recipe)?)?);
    let (Some(stated), Some(here)) = (stated, here) else { return Ok(None) };
    let (a, b) = (stated.leak.pa_m3_s(), here.leak.pa_m3_s());
    Ok((!same_limit(a, b)).then(|| {
        format!(
            "it counts volumes of gas at another reference pressure than {own}, by which the limit of {} was stated: {:.0} % of it would be \
             allowed. `batch require` states another limit",
            valve.serial,
            100.0 * b / a
        )
    }))
}

/// The size comes from the list here, and not from an option.
fn own_words(why: &str) -> String {
    why.replace(", --dn says ", ", and the valve is DN ")
}

/// Sets the limit and the recipe of each valve that does not state them itself.
///
/// # Errors
/// All that is missing or contradicts itself, at once.
pub(super) fn resolve(origin: &str, args: &LimitArgs, valves: &mut [ValveRecord]) -> Result<(), Error> {
    let rules: Result<Vec<RecipeRule>, String> = args.recipe.iter().map(|text| RecipeRule::parse(text)).collect();
    let rules = rules.map_err(|why| Error::usage(format!("--recipe: {why}")))?;
    let mut problems = Problems::default();
    let mut stated: BTreeMap<String, StatedValves> = BTreeMap::new();
    // Sizes of the valves that have their limit from a recipe which is for all.
    let mut sizes: BTreeMap<String, BTreeSet<Option<u32>>> = BTreeMap::new();
    for valve in valves.iter_mut() {
        let serial = valve.serial.clone();
        if valve.recipe.is_empty() {
            let narrow: Vec<&RecipeRule> = rules.iter().filter(|rule| !rule.for_all() && rule.takes(valve)).collect();
            let rule = match narrow.as_slice() {
                [] => rules.iter().find(|rule| rule.for_all()),
                [one, rest @ ..] => {
                    if rest.iter().any(|other| other.recipe != one.recipe) {
                        problems.add("--recipe: more than one is for", &serial);
                    }
                    Some(*one)
                }
            };
            valve.recipe = rule.map(|rule| rule.recipe.clone()).unwrap_or_default();
        }
        let recipe =
            if valve.recipe.is_empty() { built_in_for(&valve.actuation).to_owned() } else { valve.recipe.clone() };
        if !stated.contains_key(&recipe) {
            stated.insert(recipe.clone(), stated_by(&recipe)?);
        }
        let Some(of_recipe) = stated.get(&recipe) else { continue };
        let kind = of_recipe.actuation.map(word_of);
        if let Some(kind) = kind.filter(|kind| !valve.actuation.is_empty() && *kind != valve.actuation) {
            problems.add(&format!("recipe {recipe} is for valves worked by {kind}, and these are not:"), &serial);
        }
        if valve.limit.is_empty()
            && let Some(limit) = &args.limit
        {
            valve.limit.clone_from(limit);
        } else if valve.limit.is_empty() {
            match &of_recipe.limit {
                None => problems
                    .add(&format!("recipe {recipe} states no limit: give --limit, or a column limit, for"), &serial),
                Some(_) if built_in_recipe(&recipe).is_some() && valve.dn.is_some_and(|dn| dn != BUILT_IN_DN) => {
                    let what = format!(
                        "nothing says what they must meet (the built-in recipe's limit is for DN {BUILT_IN_DN}): give \
                         --limit, like \"ISO 5208 rate B by DN\", or a column limit, for"
                    );
                    problems.add(&what, &format!("{serial} (DN {})", valve.dn.unwrap_or_default()));
                }
                Some(limit) => {
                    valve.limit.clone_from(limit);
                    sizes.entry(recipe.clone()).or_default().insert(valve.dn);
                }
            }
        }
        if valve.limit.is_empty() {
            continue;
        }
        match limit::parse(&valve.limit, valve.dn, Reference::ISO_8778) {
            // As it is for this valve: nothing that is said elsewhere changes it.
            Ok(Limit { class: Some(class), .. }) => valve.limit = class.name(),
            Ok(_) => {}
            Err(why) => problems.add(&format!("limit {}:", own_words(&why)), &serial),
        }
    }
    for (recipe, of) in sizes.iter().filter(|(recipe, of)| built_in_recipe(recipe).is_none() && of.len() > 1) {
        let of: Vec<String> = of.iter().map(|dn| dn.map_or("no size".into(), |dn| format!("DN {dn}"))).collect();
        let what = format!(
            "the one limit of recipe {recipe} would be that of {}: give --limit, or a recipe for each size, like \"DN 50=FILE\"",
            of.join(", ")
        );
        problems.0.push((what, Vec::new()));
    }
    problems.end(origin)
}

/// How a valve is worked, in the register's word.
pub(super) const fn word_of(actuation: Actuation) -> &'static str {
    match actuation {
        Actuation::Air => "air",
        Actuation::Hand => "hand",
    }
}

/// Most serials named with one mistake.
const NAMED_MAX: usize = 12;

/// Mistakes, each with the valves that have it.
#[derive(Default)]
struct Problems(Vec<(String, Vec<String>)>);

impl Problems {
    fn add(&mut self, what: &str, serial: &str) {
        match self.0.iter_mut().find(|(known, _)| known == what) {
            Some((_, serials)) => serials.push(serial.into()),
            None => self.0.push((what.into(), vec![serial.into()])),
        }
    }

    fn end(self, origin: &str) -> Result<(), Error> {
        if self.0.is_empty() {
            return Ok(());
        }
        let problem = |(what, serials): (String, Vec<String>)| {
            let named = serials.iter().take(NAMED_MAX).cloned().collect::<Vec<_>>().join(" ");
            let more = serials.len().saturating_sub(NAMED_MAX);
            let more = if more > 0 { format!(" and {more} more") } else { String::new() };
            InputProblem { line: None, message: format!("{what} {named}{more}").trim_end().to_owned() }
        };
        let problems = self.0.into_iter().map(problem).collect();
        Err(Error::Input(InputError { origin: origin.into(), problems }))
    }
}

/// What the valves must meet, a line for each kind of them: "DN 50 air: 15 mm³/s (ISO 5208 rate B DN 50), recipe x: 3 valves".
pub(super) fn overview(valves: &[ValveRecord]) -> Result<Vec<String>, Error> {
    let mut kinds: Vec<(String, u64)> = Vec::new();
    for valve in valves {
        let words = requirement_words(valve)?;
        match kinds.iter_mut().find(|(known, _)| *known == words) {
            Some((_, count)) => *count += 1,
            None => kinds.push((words, 1)),
        }
    }
    Ok(kinds
        .into_iter()
        .map(|(words, n)| format!("{words}: {}", seathold_text::messages::counted(n, "valve")))
        .collect())
}

/// "DN 50 air: 15 mm³/s (ISO 5208 rate B DN 50), recipe dn50.toml".
pub(super) fn requirement_words(valve: &ValveRecord) -> Result<String, Error> {
    let size = valve.dn.map_or_else(|| "no size".into(), |dn| format!("DN {dn}"));
    let kind = if valve.actuation.is_empty() { String::new() } else { format!(" {}", valve.actuation) };
    let limit = limit_of(valve)?;
    let limit = match &limit {
        Some(limit) => {
            let class = limit.class.map_or_else(String::new, |class| format!(" ({})", class.name()));
            format!("limit {}{class}", limit_words(limit))
        }
        None => "no limit stated".into(),
    };
    let recipe = if valve.recipe.is_empty() { built_in_for(&valve.actuation) } else { &valve.recipe };
    Ok(format!("{size}{kind}: {limit}, recipe {recipe}"))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn valve(serial: &str, dn: u32, actuation: &str) -> ValveRecord {
        ValveRecord { serial: serial.into(), dn: Some(dn), actuation: actuation.into(), ..ValveRecord::default() }
    }

    fn args(limit: Option<&str>, recipe: &[&str]) -> LimitArgs {
        LimitArgs { limit: limit.map(Into::into), recipe: recipe.iter().map(|r| (*r).to_owned()).collect() }
    }

    #[test]
    fn a_class_becomes_each_valves_own() {
        let mut valves = [valve("HM-001", 25, "air"), valve("HM-002", 50, "hand")];
        resolve("list", &args(Some("ISO 5208 rate B by DN"), &[]), &mut valves).unwrap();
        assert_eq!(valves[0].limit, "ISO 5208 rate B DN 25");
        assert_eq!(valves[1].limit, "ISO 5208 rate B DN 50");
        let words = overview(&valves).unwrap();
        assert_eq!(words[1], "DN 50 hand: limit 15 mm³/s (ISO 5208 rate B DN 50), recipe dn25-hand: 1 valve");
    }

    #[test]
    fn a_size_that_no_limit_is_stated_for_is_refused_with_its_valves() {
        let mut valves = [valve("HM-001", 25, "air"), valve("HM-002", 50, "air"), valve("HM-003", 15, "air")];
        let why = resolve("list", &args(None, &[]), &mut valves).unwrap_err().to_string();
        assert!(
            why.contains("nothing says what they must meet") && why.contains("HM-002 (DN 50) HM-003 (DN 15)"),
            "{why}"
        );
        let mut small = [valve("HM-001", 25, "air")];
        resolve("list", &args(None, &[]), &mut small).unwrap();
        assert_eq!(small[0].limit, "7.5 mm3/s");
    }

    #[test]
    fn recipes_go_by_size_and_kind() {
        let rule = |text| RecipeRule::parse(text);
        let small = rule("DN 15-25 air=a.toml").unwrap();
        assert!(small.takes(&valve("x", 20, "air")) && !small.takes(&valve("x", 20, "hand")));
        assert!(!small.takes(&valve("x", 32, "air")));
        assert!(rule("hand=h.toml").unwrap().takes(&valve("x", 400, "hand")));
        assert!(rule("a.toml").unwrap().for_all());
        for wrong in ["=a.toml", "DN 50=", "steam=a.toml", "DN 50-15=a.toml", "air hand=a.toml"] {
            assert!(rule(wrong).is_err(), "{wrong}");
        }
        let mut valves = [valve("HM-001", 25, "air")];
        let why = resolve("list", &args(None, &["hand=dn25-hand", "DN 25=dn25-hand", "air=dn25-air"]), &mut valves);
        assert!(why.unwrap_err().to_string().contains("more than one is for HM-001"));
        let mut valves = [valve("HM-001", 25, "air")];
        let why = resolve("list", &args(None, &["dn25-hand"]), &mut valves).unwrap_err().to_string();
        assert!(why.contains("worked by hand, and these are not: HM-001"), "{why}");
    }
}
