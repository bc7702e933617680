//! Faults of the simulated rig, as typed. The rig itself is [`seathold_sim::bench::SimBench`].

use seathold_sequencer::field::Unit;
use seathold_sequencer::time::{Duration, millis};
use seathold_sim::fault::{CATALOGUE, Fault, When};

use crate::error::did_you_mean;
use crate::quantity::Kind;

/// Reads "far-open" (when the catalogue says), "far-open@20s" (from then on) or "stop@20s..25s".
///
/// # Errors
/// Says what is wrong and what there is.
pub fn parse_fault(text: &str) -> Result<Fault, String> {
    let (name, times) = text.split_once('@').map_or((text, None), |(name, times)| (name, Some(times)));
    let Some(entry) = CATALOGUE.iter().find(|entry| entry.name == name) else {
        let hint = did_you_mean(name, CATALOGUE.iter().map(|entry| entry.name));
        return Err(format!("no fault \"{name}\"{hint} (`seathold run --fault list` names them)"));
    };
    let Some(times) = times else { return Ok(entry.fault) };
    let (from, to) = match times.split_once("..") {
        Some((from, to)) => (time(from)?, Some(time(to)?)),
        None => (time(times)?, None),
    };
    let lasts = match to {
        Some(to) if to <= from => return Err(format!("\"{text}\" ends before it begins")),
        Some(to) => Some(Duration::from_ticks(to.as_ticks() - from.as_ticks())),
        None => None,
    };
    Ok(Fault { when: When::At(from), lasts, ..entry.fault })
}

/// Latest moment a fault may begin or end: a day.
const TIME_MAX_MS: f64 = 86_400_000.0;

fn time(text: &str) -> Result<Duration, String> {
    let quantity = Kind(Unit::Millisecond).parse(text).map_err(|why| why.to_string())?;
    let ms = quantity.value(1.0);
    if (0.0..=TIME_MAX_MS).contains(&ms) {
        Ok(millis(ms as u32))
    } else {
        Err(format!("\"{text}\" is outside 0 s to 24 h"))
    }
}
