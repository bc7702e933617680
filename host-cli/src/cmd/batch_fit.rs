//! How a valve of a batch is run: with its own limit and recipe, on the adapter for its size. What does not fit it is found
//! before there is air, and refused unless somebody answers for it.

use std::path::Path;

use seathold_config::rig::AdapterChoice;
use seathold_quantity::limit::{self, Limit};
use seathold_register::override_note::{override_text, same_limit};
use seathold_register::reason::Correction;
use seathold_register::valves::ValveRecord;
use seathold_register::{NewNote, NoteKind, Register};

use super::batch_limits::{counted_elsewhere, limit_at, limit_words, reference_of, stated_by, word_of};
use super::files::whole_rig;
use super::run_common::{BUILT_IN_DN, built_in_for, built_in_recipe};
use crate::args::{ActuationArg, RunArgs};
use crate::error::Error;
use crate::rig::Address;

/// A run as it is asked for a valve.
#[derive(Debug)]
pub(super) struct FittedRun {
    pub(super) run: RunArgs,
    /// What does not fit the valve, each in a sentence.
    pub(super) misfits: Vec<String>,
    /// By what it will be judged, where that is known before the recipe is read.
    pub(super) limit: Option<Limit>,
    /// What the valve must meet, where its batch says it, Pa·m³/s.
    required: Option<f64>,
    recipe: String,
    adapter: Option<String>,
}

/// The run of a valve. `given` are options for every valve, `mixed` whether the batch has valves of several sizes.
///
/// # Errors
/// When an option cannot be read, or a file.
pub(super) fn fit(
    valve: &ValveRecord,
    mixed: bool,
    given: &RunArgs,
    recipe: Option<&Path>,
) -> Result<FittedRun, Error> {
    let serial = &valve.serial;
    let mut run = given.clone();
    run.serial = Some(serial.clone());
    let named = given.recipe.as_deref().or(recipe);
    run.recipe = named.map(Into::into).or_else(|| (!valve.recipe.is_empty()).then(|| (&valve.recipe).into()));
    run.actuation = match valve.actuation.as_str() {
        "air" => Some(ActuationArg::Air),
        "hand" => Some(ActuationArg::Hand),
        _ => run.actuation,
    };
    if let (Some(typed), Some(listed)) = (given.dn, valve.dn)
        && typed != listed
    {
        let why =
            format!("--dn {typed}: {serial} is DN {listed} by the batch's list; `batch require` states another size");
        return Err(Error::usage(why));
    }
    if let (Some(typed), false) = (given.actuation.map(ActuationArg::word), valve.actuation.is_empty())
        && typed != valve.actuation
    {
        let why = format!(
            "--actuation {typed}: {serial} is worked by {} by the batch's list; `batch require` states another kind",
            valve.actuation
        );
        return Err(Error::usage(why));
    }
    // A class goes by it, and the rig's adapter.
    run.dn = valve.dn.or(given.dn);
    let name = run.recipe.as_ref().map(|file| file.display().to_string());
    let name = name.unwrap_or_else(|| built_in_for(&valve.actuation).into());
    let stated = stated_by(&name)?;
    let mut misfits = Vec::new();
    if let Some(kind) = stated.actuation.map(word_of).filter(|k| !valve.actuation.is_empty() && *k != valve.actuation) {
        misfits.push(format!(
            "recipe {name} is for valves worked by {kind}, and {serial} is worked by {}",
            valve.actuation
        ));
    }
    // A volume of gas is counted at the recipe's reference pressure.
    let reference = reference_of(&name)?;
    misfits.extend(counted_elsewhere(valve, &name)?.map(|why| format!("recipe {name}: {why}")));
    let parse = |text: &str| limit::parse(text, run.dn, reference);
    let required = limit_at(valve, reference)?;
    let must_meet = required.as_ref().map(|limit| limit.leak.pa_m3_s());
    let size = run.dn.map_or_else(String::new, |dn| format!(" (DN {dn})"));
    let nothing = format!("nothing says what {serial}{size} must meet");
    let limit = match (&given.limit, required) {
        (Some(text), required) => {
            let typed = parse(text).map_err(|why| Error::usage(format!("--limit: {why}")))?;
            match required {
                Some(required) if !same_limit(typed.leak.pa_m3_s(), required.leak.pa_m3_s()) => misfits.push(format!(
                    "the limit is to be {}, and {serial} must meet {}",
                    limit_words(&typed),
                    limit_words(&required)
                )),
                None if mixed && typed.class.is_none() => {
                    misfits.push(format!("{nothing}: --limit is one for all, and the batch has several sizes"));
                }
                _ => {}
            }
            Some(typed)
        }
        (None, Some(required)) => {
            run.limit = Some(valve.limit.clone());
            Some(required)
        }
        (None, None) => {
            let own = stated.limit.as_deref().map(parse);
            if named.is_some() && mixed {
                misfits.push(format!("{nothing}: --recipe is one for all, and the batch has several sizes"));
            } else if built_in_recipe(&name).is_some() && run.dn.is_some_and(|dn| dn != BUILT_IN_DN) {
                misfits.push(format!("{nothing}: the limit of recipe {name} is for DN {BUILT_IN_DN}"));
            } else if let Some(Err(_)) = own {
                misfits.push(format!(
                    "the limit of recipe {name}, {}, is not for {serial}{size}",
                    stated.limit.unwrap_or_default()
                ));
            }
            own.and_then(Result::ok)
        }
    };
    let adapter = match adapter(&run) {
        Ok(adapter) => adapter,
        Err(why) => {
            misfits.push(why);
            run.adapter.clone()
        }
    };
    Ok(FittedRun { run, misfits, limit, required: must_meet, recipe: name, adapter })
}

/// The adapter that the run will be on, in words; `None` where the rig has none.
///
/// # Errors
/// Why none fits.
fn adapter(run: &RunArgs) -> Result<Option<String>, String> {
    if run.rig != Address::Sim {
        let by_size = || run.dn.map(|dn| format!("the controller's for DN {dn}"));
        return Ok(run.adapter.clone().or_else(by_size));
    }
    let rig = whole_rig(run.rig_file.as_deref()).map_err(|why| why.own_words())?;
    let (_, number) = rig
        .with(AdapterChoice { name: run.adapter.as_deref(), dn: run.dn })
        .map_err(|why| Error::from(why).own_words())?;
    Ok(number.and_then(|number| rig.adapters.get(number)).map(|adapter| adapter.name.to_string()))
}

impl FittedRun {
    /// What it will be judged by and on what, as the person at the rig must see it before there is air.
    pub(super) fn words(&self, valve: &ValveRecord) -> String {
        let size = valve.dn.map_or_else(|| "size not stated".into(), |dn| format!("DN {dn}"));
        let limit = match &self.limit {
            Some(limit) => {
                let class = limit.class.map_or_else(String::new, |class| format!(" ({})", class.name()));
                format!("LIMIT {}{class}", limit_words(limit))
            }
            None => "LIMIT the recipe's".into(),
        };
        let kind =
            if valve.actuation.is_empty() { String::new() } else { format!("   {}", valve.actuation.to_uppercase()) };
        let adapter = self.adapter.as_ref().map_or_else(String::new, |adapter| format!("   ADAPTER {adapter}"));
        format!("{size}{kind}   {limit}{adapter}   recipe {}", self.recipe)
    }

    /// What does not fit, in one text; empty where all of it does.
    pub(super) fn misfit(&self) -> String {
        self.misfits.join("; ")
    }

    /// The run all the same, as somebody answers for what does not fit: on record before there is air. Returns the number of that as well.
    ///
    /// # Errors
    /// When it cannot be written.
    pub(super) fn overridden(
        mut self,
        register: &mut Register,
        (batch, serial): (&str, &str),
        why: Correction<'_>,
    ) -> Result<(RunArgs, i64), Error> {
        let Some(limit) = &self.limit else {
            return Err(Error::usage(format!("override: recipe {} states no limit: give --limit", self.recipe)));
        };
        let words = format!("{}: {}", self.misfit(), why.reason);
        let note = NewNote {
            kind: NoteKind::Override,
            batch: Some(batch.into()),
            serial: Some(serial.into()),
            about: None,
            operator: why.operator.into(),
            text: override_text(limit.leak.pa_m3_s(), self.required, &words),
        };
        let number = register.note(&note, why.now)?;
        self.run.any_adapter = true;
        Ok((self.run, number))
    }
}
