//! A rig with its adapters, as a controller keeps it.
//!
//! What is compiled in bounds what may be loaded: a rig sent over the line may not raise the hard maximum, drop a guard that
//! is wired, nor claim a contact or a sensor that is not. So a wrong file gives wrong figures at worst, which a check of the
//! rig finds, and not less protection.

use heapless::{String, Vec};
use serde::{Deserialize, Serialize};

use crate::field::{FieldError, Unit, Validator, conflict};
use crate::link::write;
use crate::rig::{RawRig, Rig, Transducer};

/// Most adapters of a rig.
pub const ADAPTERS_MAX: usize = 8;

/// Longest name of an adapter, in bytes.
pub const ADAPTER_NAME_MAX: usize = 16;

/// Longest name of a rig, in bytes.
pub const RIG_NAME_MAX: usize = 32;

/// Most bytes an encoded image takes: a rig of 200, its name, and as many adapters of 100 as there may be.
pub const IMAGE_MAX: usize = 1_024;

/// What the store's contents are called: the version of [`RigImage`]'s encoding.
pub const IMAGE_KIND: u32 = 1;

/// Furthest that a loaded transducer's pascals a count may be from the compiled-in one's, up or down: transducers of
/// other ranges, and no slip of a decimal (our judgement, no source).
const SCALE_RATIO_MAX: f64 = 4.0;

/// Furthest that a calibration moves a transducer's scale, as a ratio: more is another transducer (our judgement, no source).
const CALIBRATED_WITHIN: f64 = 0.02;

/// Whether this can be the name of a rig or an adapter: something to be seen, and nothing that acts on a screen or is not seen. No
/// blank at either end, no control character, none without a width or that turns the order of letters round.
pub fn is_name(text: &str) -> bool {
    let hidden = |c: char| {
        c.is_control()
            || matches!(c, '\u{a0}' | '\u{ad}' | '\u{200b}'..='\u{200f}' | '\u{2028}'..='\u{202f}' | '\u{2060}'..='\u{206f}' | '\u{feff}')
    };
    !text.is_empty() && text.trim() == text && !text.chars().any(hidden)
}

/// Greatest DN of a valve.
pub const DN_MAX: u16 = 4_000;

/// What belongs to an adapter: the valve's port is connected through it, and what gas lies beyond the ball goes by it.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Adapter {
    /// Its name.
    pub name: String<ADAPTER_NAME_MAX>,
    /// Least DN of valves it takes; 0 with the next where it is chosen by name alone.
    pub dn_min: u16,
    /// Greatest.
    pub dn_max: u16,
    /// As [`RawRig::far_volume_m3`], and so on to the last.
    pub far_volume_m3: f64,
    /// See above.
    pub far_volume_u_rel: f64,
    /// See above.
    pub background_pa_m3_s: f64,
    /// See above.
    pub background_u_pa_m3_s: f64,
    /// See above.
    pub background_early_pa_m3_s: f64,
    /// See above.
    pub background_early_u_pa_m3_s: f64,
    /// See above.
    pub blank_runs: u32,
    /// See above.
    pub tau_s: Option<f64>,
    /// See above.
    pub tau_u_rel: f64,
}

impl Adapter {
    /// With the values that the rig itself has; chosen by name alone. `None` where the name is too long.
    pub fn of(name: &str, rig: &RawRig) -> Option<Self> {
        Some(Self {
            name: String::try_from(name).ok()?,
            dn_min: 0,
            dn_max: 0,
            far_volume_m3: rig.far_volume_m3,
            far_volume_u_rel: rig.far_volume_u_rel,
            background_pa_m3_s: rig.background_pa_m3_s,
            background_u_pa_m3_s: rig.background_u_pa_m3_s,
            background_early_pa_m3_s: rig.background_early_pa_m3_s,
            background_early_u_pa_m3_s: rig.background_early_u_pa_m3_s,
            blank_runs: rig.blank_runs,
            tau_s: rig.tau_s,
            tau_u_rel: rig.tau_u_rel,
        })
    }

    /// The rig with this adapter on it.
    pub const fn on(&self, rig: &RawRig) -> RawRig {
        RawRig {
            far_volume_m3: self.far_volume_m3,
            far_volume_u_rel: self.far_volume_u_rel,
            background_pa_m3_s: self.background_pa_m3_s,
            background_u_pa_m3_s: self.background_u_pa_m3_s,
            background_early_pa_m3_s: self.background_early_pa_m3_s,
            background_early_u_pa_m3_s: self.background_early_u_pa_m3_s,
            blank_runs: self.blank_runs,
            tau_s: self.tau_s,
            tau_u_rel: self.tau_u_rel,
            ..*rig
        }
    }

    /// Whether it takes valves of this DN.
    pub const fn takes(&self, dn: u16) -> bool {
        self.dn_min <= dn && dn <= self.dn_max && self.dn_max > 0
    }
}

/// Whether the rig has been checked, output by output and sensor by sensor, since it was loaded.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub enum RigCheck {
    /// No: no air may be let in.
    #[default]
    NotYet,
    /// Yes.
    Passed {
        /// Milliseconds since 1970-01-01 00:00 UTC.
        unix_ms: u64,
    },
    /// No, and somebody has decided that air may be let in all the same.
    Waived {
        /// Milliseconds since 1970-01-01 00:00 UTC.
        unix_ms: u64,
    },
}

/// A rig with its adapters.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct RigImage {
    /// Its name.
    pub name: String<RIG_NAME_MAX>,
    /// When it was loaded, in milliseconds since 1970-01-01 00:00 UTC, as the host had it.
    pub loaded_unix_ms: u64,
    /// Whether it has been checked since.
    pub check: RigCheck,
    /// The far transducer's pascals a count when that was decided: calibrations may move it so far from there, however many there
    /// are.
    pub checked_pa_per_count: f64,
    /// The last moment at which all the calibrations it was loaded with are valid, in the same milliseconds; 0 where it was loaded
    /// with none.
    pub calibrated_until_unix_ms: u64,
    /// The rig. What belongs to an adapter is used only where there are none.
    pub rig: RawRig,
    /// Its adapters. Where there are any, one must be chosen before a run.
    pub adapters: Vec<Adapter, ADAPTERS_MAX>,
}

impl RigImage {
    /// A rig alone.
    pub const fn new(name: String<RIG_NAME_MAX>, rig: RawRig) -> Self {
        Self {
            name,
            loaded_unix_ms: 0,
            check: RigCheck::NotYet,
            checked_pa_per_count: 0.0,
            calibrated_until_unix_ms: 0,
            rig,
            adapters: Vec::new(),
        }
    }

    /// Checks it as a whole: the rig, the rig with each adapter, and what is compiled in. True where nothing is wrong.
    // Once in an image, whoever wants to know: so one reporter by reference.
    #[inline(never)]
    pub fn validate_with(&self, compiled_in: &RawRig, report: &mut dyn FnMut(FieldError)) -> bool {
        let mut sound = validated(&self.rig, report).is_some() & fits(&self.rig, compiled_in, report);
        let mut named = Validator::new(&mut *report);
        let length = self.name.len() as f64;
        let error = conflict("name", Unit::Count, length, "must be letters that can be seen, at least", 1.0, "name");
        named.require(is_name(&self.name), error);
        sound &= named.clean();
        for adapter in &self.adapters {
            sound &= validated(&adapter.on(&self.rig), report).is_some();
            let named = self.adapters.iter().filter(|other| other.name.eq_ignore_ascii_case(&adapter.name)).count();
            let length = adapter.name.len() as f64;
            let (least, most) = (f64::from(adapter.dn_min), f64::from(adapter.dn_max));
            let mut validator = Validator::new(&mut *report);
            let error =
                conflict("name", Unit::Count, length, "must be letters that can be seen, at least", 1.0, "name");
            validator.require(is_name(&adapter.name), error);
            let error = conflict("name", Unit::Count, named as f64, "adapters have this name, at most", 1.0, "name");
            validator.require(named == 1, error);
            let error = conflict("dn_min", Unit::Count, least, "must not exceed dn_max,", most, "dn_max");
            validator.require(least <= most, error);
            let error =
                conflict("dn_max", Unit::Count, most, "must not exceed the largest DN,", f64::from(DN_MAX), "dn_max");
            validator.require(adapter.dn_max <= DN_MAX, error);
            sound &= validator.clean();
        }
        sound
    }

    /// Whether a check of `checked` holds for this one too: it has the same name, and differs by calibrations and adapters alone, and by no more of the
    /// far transducer's scale than a calibration does.
    pub fn is_wired_as(&self, checked: &Self) -> bool {
        let scale = self.rig.far.pa_per_count / checked.checked_pa_per_count;
        let calibrated = |rig: &RawRig| {
            let own = Adapter::of("", &checked.rig).map_or(*rig, |same| same.on(rig));
            let far = Transducer { pa_per_count: checked.rig.far.pa_per_count, ..rig.far };
            let RawRig { gain_u_rel, temperature_drift_u_k_s, .. } = checked.rig;
            RawRig { far, gain_u_rel, temperature_drift_u_k_s, ..own }
        };
        self.name == checked.name
            && scale > 1.0 - CALIBRATED_WITHIN
            && scale < 1.0 + CALIBRATED_WITHIN
            && calibrated(&self.rig) == checked.rig
    }

    /// The rig with the adapter of this number on it, or without any.
    pub fn with(&self, adapter: Option<u8>) -> Option<RawRig> {
        match adapter {
            None => Some(self.rig),
            Some(number) => self.adapters.get(usize::from(number)).map(|adapter| adapter.on(&self.rig)),
        }
    }

    /// As bytes; `None` where they do not fit, which [`IMAGE_MAX`] excludes.
    pub fn encode<'a>(&self, room: &'a mut [u8]) -> Option<&'a [u8]> {
        write::to_slice(self, room).map(|bytes| &*bytes)
    }

    /// From bytes, all of them; `None` where they are no image.
    pub fn decode(bytes: &[u8]) -> Option<Self> {
        postcard::take_from_bytes(bytes).ok().filter(|(_, rest)| rest.is_empty()).map(|(image, _)| image)
    }

    /// The check sum over rig, name and adapters, by which whoever confirms a rig says which one is meant.
    pub fn check_sum(&self) -> u32 {
        // Of what it was, not of when it was loaded or checked.
        let bare = Self { loaded_unix_ms: 0, check: RigCheck::NotYet, checked_pa_per_count: 0.0, ..self.clone() };
        let mut room = [0; IMAGE_MAX];
        bare.encode(&mut room).map_or(0, crate::link::frame::check_sum)
    }
}

/// A rig by itself, as [`RawRig::validate_with`].
#[inline(never)]
pub(crate) fn validated(rig: &RawRig, report: &mut dyn FnMut(FieldError)) -> Option<Rig> {
    rig.validate_with(report)
}

/// Whether what is wired and what protects is as it is compiled in.
#[inline(never)]
fn fits(rig: &RawRig, compiled_in: &RawRig, report: &mut dyn FnMut(FieldError)) -> bool {
    let mut validator = Validator::new(report);
    let mut most = |holds: bool, field, unit, value: f64, rule, bound: f64| {
        validator.require(holds, conflict(field, unit, value, rule, bound, "the controller's own"));
    };
    let (hard, own) = (rig.hard_max_pa, compiled_in.hard_max_pa);
    let rule = "must not exceed what is compiled in,";
    most(hard <= own, "hard_max", Unit::Pascal, hard.into(), rule, own.into());
    let (safe, own) = (rig.safe_pressure_pa, compiled_in.safe_pressure_pa);
    most(safe <= own, "safe_pressure", Unit::Pascal, safe.into(), rule, own.into());
    let (gap, own) = (rig.poll_gap_ms_max, compiled_in.poll_gap_ms_max);
    most(gap <= own, "poll_gap_max", Unit::Millisecond, gap.into(), rule, own.into());
    let rule = "must be at least what is compiled in,";
    let (dwell, own) = (rig.safe_dwell_ms, compiled_in.safe_dwell_ms);
    most(dwell >= own, "safe_dwell", Unit::Millisecond, dwell.into(), rule, own.into());
    let (pause, own) = (rig.changeover_ms, compiled_in.changeover_ms);
    most(pause >= own, "changeover", Unit::Millisecond, pause.into(), rule, own.into());
    let rule = "must be as it is wired,";
    let mut wired = |field, is: bool, own: bool| {
        most(is == own, field, Unit::Flag, f64::from(u8::from(is)), rule, f64::from(u8::from(own)));
    };
    wired("guard_fitted", rig.guard_fitted, compiled_in.guard_fitted);
    wired("shut_switch_fitted", rig.shut_switch_fitted, compiled_in.shut_switch_fitted);
    // Without it a frozen transducer is not detected.
    wired("far_flickers", rig.far_flickers || !compiled_in.far_flickers, true);
    wired("supply_fitted", rig.supply.is_some(), compiled_in.supply.is_some());
    // One that is wired need not be used.
    wired("thermometer_fitted", rig.thermometer.is_some() && compiled_in.thermometer.is_none(), false);
    let rule = "must lie within a quarter to four times what is compiled in,";
    let mut scale = |field, of: &Transducer, own: &Transducer| {
        let (step, own) = (of.pa_per_count, own.pa_per_count);
        let holds = step * SCALE_RATIO_MAX >= own && step <= own * SCALE_RATIO_MAX;
        most(holds, field, Unit::PascalPerCount, step, rule, own);
    };
    scale("far_per_count", &rig.far, &compiled_in.far);
    if let (Some(supply), Some(own)) = (&rig.supply, &compiled_in.supply) {
        scale("supply_per_count", supply, own);
    }
    validator.clean()
}
