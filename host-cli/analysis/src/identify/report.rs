//! What was found, in plain words and as JSON.

use seathold_quantity::Dimension;
use seathold_sequencer::field::Unit;
use seathold_sequencer::units::Reference;
use seathold_text::layout::{line, percent};
use seathold_text::messages::phase_name;
use serde_json::{Value, json};

use crate::calibration::APART;

use super::check::{CLEARLY, HeldOut, Miss, WITHIN};
use super::{Found, Identified};

/// What the fit says of the plant against a recording that took no part.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Agreement {
    /// None was held out.
    NotChecked,
    /// Predicted within the noise.
    Within,
    /// Missed, but not by much.
    Roughly,
    /// What was fitted or held out is clearly missed.
    Missed,
    /// Known leak and rig contradict each other on how large the bench is.
    Conflict,
}

impl Agreement {
    /// Of the recording that is predicted worst.
    pub fn of(found: &Identified) -> Self {
        let worst = found.held_out.iter().map(HeldOut::multiple).reduce(f64::max);
        match worst {
            // What was fitted is missed already: the plant is another, or the search has not found it.
            _ if found.widened > CLEARLY => Self::Missed,
            _ if found.scale.apart > APART => Self::Conflict,
            None => Self::NotChecked,
            Some(_) if found.held_out.iter().any(HeldOut::is_missed) => Self::Missed,
            Some(multiple) if multiple <= WITHIN => Self::Within,
            Some(_) => Self::Roughly,
        }
    }

    /// In words.
    pub const fn words(self) -> &'static str {
        match self {
            Self::NotChecked => "NOT CHECKED: no recording was held out",
            Self::Within => "the plant predicts what was held out within its noise",
            Self::Roughly => "the plant predicts what was held out, though not within its noise",
            Self::Conflict => {
                "KNOWN LEAK AND RIG CONTRADICT EACH OTHER on how large the bench is: find out which is wrong, and fit again"
            }
            Self::Missed => "THE PLANT DOES NOT DESCRIBE THIS BENCH: it clearly misses what was fitted or held out",
        }
    }
}

/// A value with three digits more than its uncertainty needs, in the usual unit.
fn quantity(unit: Unit, value: f64, digits: usize) -> String {
    let kind = Dimension(unit);
    let symbol = kind.display_unit(None, value.abs());
    let plain = symbol.from_base(value, Reference::ISO_8778.pressure.pascals());
    let name = symbol.pretty();
    let number = number(plain, digits);
    if name.is_empty() { number } else { format!("{number} {name}") }
}

/// A number with so many digits that count.
pub(super) fn number(value: f64, digits: usize) -> String {
    if value == 0.0 || !value.is_finite() {
        return format!("{value}");
    }
    let power = value.abs().log10().floor() as i32;
    if !(-4..7).contains(&power) {
        return format!("{:.*e}", digits.saturating_sub(1), value);
    }
    let after = (digits as i32 - 1 - power).max(0) as usize;
    format!("{value:.after$}")
}

impl Found {
    /// Its value.
    pub fn value_words(&self) -> String {
        quantity(self.parameter.unit(), self.value, 3)
    }

    /// Its value before.
    pub fn before_words(&self) -> String {
        quantity(self.parameter.unit(), self.before, 3)
    }

    /// Its 95 % interval, or that it has none.
    pub fn interval_words(&self) -> String {
        if !self.told {
            return "not told: left as it was".into();
        }
        let (low, high) = self.interval();
        // Of what must be positive nothing less is said.
        let low = if self.parameter.field().is_some_and(|field| field.min >= 0.0) { low.max(0.0) } else { low };
        // Enough digits that the ends differ from each other.
        let digits = if high > low && (high - low) < 0.02 * high.abs() { 5 } else { 3 };
        format!("{} to {}", quantity(self.parameter.unit(), low, digits), quantity(self.parameter.unit(), high, digits))
    }
}

/// A channel by its name.
pub(super) const fn channel(miss: &Miss) -> &'static str {
    if miss.channel == 0 { "far" } else { "supply" }
}

/// "settle, far: 1.02 times the noise, 3.4 Pa".
pub(super) fn miss_words(miss: &Miss) -> String {
    let phase = phase_name(miss.phase);
    format!("{phase}, {}: {:.2} times the noise, {} Pa", channel(miss), miss.over_noise, number(miss.rms_pa, 2))
}

/// The trapped volume.
pub(super) fn trapped_words(found: &Identified) -> String {
    let (now, before) = (found.trapped, found.trapped_before);
    let volume = |of: super::WithU| format!("{:.2} cm³ ± {} %", of.value * 1e6, percent(of.u / of.value));
    let source = match found.scale.by_leak {
        Some(_) if found.scale.apart > APART => format!(
            "of known leak and rig ({}), which are {:.1} standard uncertainties apart: FIND OUT WHICH IS WRONG",
            volume(before),
            found.scale.apart
        ),
        Some(_) => format!("by the known leak and the rig's {}", volume(before)),
        None => "the rig's: without a known leak pressures do not tell it".to_owned(),
    };
    format!("{} (standard uncertainty), {source}", volume(now))
}

/// What tight sides may lose without a word, Pa·m³/s: half a cubic millimetre a second (our judgement).
const LOSS_NO_MATTER: f64 = 5e-5;

/// What is lost.
pub(super) fn loss_words(found: &Identified) -> String {
    // The fit takes for a leak whatever falls like one.
    let clearly = found.loss.value > (3.0 * found.loss.u).max(LOSS_NO_MATTER);
    format!(
        "{:.3} ± {:.3} mm³/s (mean of {} sides, and its standard uncertainty); they scatter by {}{}",
        found.loss.value * 1e4,
        found.loss.u * 1e4,
        found.sides,
        if found.sides < 3 {
            "an assumed 0.1 mm³/s".into()
        } else {
            format!("{:.3} mm³/s", found.loss_scatter * 1e4)
        },
        if clearly {
            "; MORE THAN TIGHT SIDES LOSE: do they leak, or does the room warm or cool? Then the figures of heat are wrong too"
        } else {
            ""
        }
    )
}

/// The noise of each transducer.
pub(super) fn noise_words(found: &Identified) -> Vec<(&'static str, String)> {
    ["far noise", "supply noise"]
        .into_iter()
        .zip(&found.noise)
        .map(|(label, noise)| match noise {
            Some(noise) => (
                label,
                format!(
                    "{:.1} ± {:.1} Pa white, {:.1} ± {:.1} Pa 1/f (standard uncertainties)",
                    noise.white, noise.white_u, noise.pink, noise.pink_u
                ),
            ),
            None => (label, "not told: too few readings at rest, left as it was".into()),
        })
        .collect()
}

/// How a recording that was held out is predicted.
pub(super) fn held_words(held: &HeldOut) -> String {
    let mut text = format!(
        "off by {:.2} times its noise where {:.2} is expected; while held {:.2} where {:.2} is, {} Pa",
        held.over_noise,
        held.expected,
        held.held_over_noise,
        held.held_expected,
        number(held.held_rms_pa, 2)
    );
    if let Some(worst) = &held.worst {
        let phase = phase_name(worst.phase);
        text.push_str(&format!(
            "; worst at {:.2} s in {phase}: {} Pa, {:.1} times",
            worst.at_s,
            number(worst.off_pa, 3),
            worst.over_noise.abs()
        ));
    }
    text
}

/// The result as text.
pub fn text(found: &Identified) -> String {
    let mut out = String::new();
    out.push_str(&format!("  {:16} {:>16}  {:33} before\n", "field", "value", "95 % interval"));
    for one in &found.found {
        let row = format!(
            "  {:16} {:>16}  {:33} {}",
            one.parameter.name,
            one.value_words(),
            one.interval_words(),
            one.before_words()
        );
        out.push_str(row.trim_end());
        out.push('\n');
    }
    line(&mut out, "far + cavity", &trapped_words(found));
    line(&mut out, "loss", &loss_words(found));
    for (label, words) in noise_words(found) {
        line(&mut out, label, &words);
    }
    let names = |told: bool| -> Vec<&str> {
        found.found.iter().filter(|one| one.told == told).map(|one| one.parameter.name).collect()
    };
    let untold = names(false);
    if !untold.is_empty() {
        line(&mut out, "not told", &format!("left as before: {}", untold.join(", ")));
    }
    line(&mut out, "not fitted", NOT_FITTED);
    if found.widened > 1.0 {
        let by = found.misses.iter().max_by(|a, b| a.over_noise.total_cmp(&b.over_noise));
        let place = by.map_or(String::new(), |miss| format!(" ({})", miss_words(miss)));
        line(
            &mut out,
            "widened",
            &format!(
                "every interval by {:.2}: the plant does not follow its own recordings within their noise{place}",
                found.widened
            ),
        );
    }
    for held in &found.held_out {
        line(&mut out, "held out", &held.name);
        line(&mut out, "", &held_words(held));
    }
    if let Some(noise) = &found.noise[0] {
        let next = format!("for a plan: --rig-file RIG --noise \"{:.0} Pa\"", noise.white.hypot(noise.pink).max(1.0));
        line(&mut out, "next", &next);
    }
    line(&mut out, "so", Agreement::of(found).words());
    out
}

/// Fields that no recording of these channels tells apart, or that the fit does not vary.
pub const NOT_FITTED: &str = "bore_b, stroke_time, piston_start, piston_friction, pilot_air, room and its drift, lag and hysteresis \
                              of the transducers: as in the valve file, the last two none";

/// The result as JSON.
pub fn json(found: &Identified) -> Value {
    let parameters: Vec<Value> = found
        .found
        .iter()
        .map(|one| {
            let (low, high) = one.interval();
            json!({
                "field": one.parameter.name, "value": one.value, "before": one.before, "told": one.told,
                "interval_95": if one.told { json!([low, high]) } else { Value::Null },
                "u_over_u_before": one.u_ratio, "told_by": one.parameter.told_by,
            })
        })
        .collect();
    let noise = |noise: &Option<super::SensorNoise>| {
        noise.map_or(Value::Null, |noise| {
            json!({"white_pa": noise.white, "white_u_pa": noise.white_u, "pink_pa": noise.pink, "pink_u_pa": noise.pink_u})
        })
    };
    let miss = |miss: &Miss| {
        json!({
            "phase": miss.phase, "channel": channel(miss), "over_noise": miss.over_noise, "rms_pa": miss.rms_pa,
            "stretches": miss.count,
        })
    };
    let held: Vec<Value> = found
        .held_out
        .iter()
        .map(|held| {
            json!({
                "recording": held.name, "over_noise": held.over_noise, "expected": held.expected,
                "held_over_noise": held.held_over_noise, "held_expected": held.held_expected,
                "held_rms_pa": held.held_rms_pa, "missed": held.is_missed(),
                "worst": held.worst.map(|worst| json!({
                    "at_s": worst.at_s, "phase": worst.phase, "side": worst.side, "off_pa": worst.off_pa,
                    "over_noise": worst.over_noise,
                })),
                "phases": held.misses.iter().map(miss).collect::<Vec<_>>(),
            })
        })
        .collect();
    json!({
        "parameters": parameters,
        "trapped_m3": found.trapped.value, "trapped_u_m3": found.trapped.u,
        "loss_pa_m3_s": found.loss.value, "loss_u_pa_m3_s": found.loss.u, "loss_scatter_pa_m3_s": found.loss_scatter,
        "far_noise": noise(&found.noise[0]), "supply_noise": noise(&found.noise[1]),
        "widened": found.widened,
        "fitted": found.fitted, "phases": found.misses.iter().map(miss).collect::<Vec<_>>(),
        "held_out": held, "missed_beyond": CLEARLY,
        "agreement": match Agreement::of(found) {
            Agreement::NotChecked => "not-checked",
            Agreement::Within => "within",
            Agreement::Roughly => "roughly",
            Agreement::Missed => "missed",
            Agreement::Conflict => "conflict",
        },
    })
}
