//! What a certificate states, as data. A page of it says nothing else, so that what is read by eye and by a program is one.

use std::collections::BTreeMap;

use seathold_assembly::finished_length::LengthVerdict;
use seathold_picture::mark::ShopMark;
use seathold_recording::hash::sha256;
use seathold_register::batch::status::NextAction;
use seathold_register::customer::{order::OrderField, order_notes::BatchOrder};
use seathold_sequencer::input::Side;
use seathold_sequencer::verdict::Verdict;
use seathold_text::layout::percent;
use seathold_text::messages::{side_name, supply_end, verdict_word};
use serde::{Serialize, Serializer};

use crate::label::{label_result, unsound};
use crate::method::source;
use crate::valve::{SIDES, leak, limit, operator, pressure};
use crate::{Evidence, ValveHistory};

/// The shop that issues it.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize)]
pub struct CertifyingShop {
    /// Its name.
    pub name: String,
    /// Its address.
    pub address: String,
    /// How it is reached.
    pub contact: String,
}

/// A certificate.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct CertificateData {
    /// The kind and version of this data.
    pub schema: &'static str,
    /// Its number; none on a draft.
    pub certificate: Option<String>,
    /// When it was issued, RFC 3339.
    pub issued_at: String,
    /// Who issued it.
    pub issued_by: String,
    /// Who released it; empty where nobody was named.
    pub released_by: String,
    /// What stands below that name.
    pub role: String,
    /// Public part of the key it is signed with, in hexadecimal digits; none where it is not.
    pub key: Option<String>,
    /// The shop.
    pub shop: CertifyingShop,
    /// The shop's mark, which is known by its hash and comes beside the data; none where it has none.
    #[serde(rename = "mark_sha256", serialize_with = "hash_of_mark", skip_serializing_if = "Option::is_none")]
    pub mark: Option<ShopMark>,
    /// The batch.
    pub batch: String,
    /// The valves.
    pub valves: Vec<CertifiedValve>,
}

/// The kind and version of a certificate's data.
const SCHEMA: &str = "seathold/certificate-issue/1";

/// A valve on it.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct CertifiedValve {
    /// Serial number.
    pub serial: String,
    /// Nominal size.
    pub dn: Option<u32>,
    /// "air" or "hand"; empty where not stated.
    pub actuation: String,
    /// For whom, on which order, of what material.
    pub order: BTreeMap<OrderField, String>,
    /// The result in words: "TIGHT", "LEAKING", with "BY OVERRIDE" and "SIMULATED" where that is so.
    pub result: String,
    /// Whether that is tight from both sides.
    pub tight: bool,
    /// The reason, in a sentence.
    pub reason: String,
    /// What was done to it before the tests that count; none where nothing was.
    pub reworked: Option<String>,
    /// The limit as its batch states it, such as a class of a standard; empty where it states none.
    pub required: String,
    /// Its runs that do not count, such as those that were struck, and why.
    pub not_counted: Vec<String>,
    /// Each side.
    pub sides: Vec<CertifiedSide>,
    /// The finished length in words, with its uncertainty; none where none was kept.
    pub finished_length: Option<String>,
    /// Whether that conforms; none where nobody can say.
    pub length_verdict: Option<LengthVerdict>,
    /// What that is to be; none where nothing was stated.
    pub length_required: Option<String>,
    /// The steps of assembly in words; none where none are stated.
    pub assembly: Option<String>,
    /// A step is open, or a fitting is on record in another valve too.
    pub assembly_incomplete: bool,
}

/// A side of a valve.
#[derive(Clone, Debug, Default, PartialEq, Serialize)]
pub struct CertifiedSide {
    /// "first" or "second".
    pub side: String,
    /// The end that was on the supply.
    pub supply_end: String,
    /// In a word; "none" where there is no result.
    pub verdict: String,
    /// The leak in Pa·m³/s, of the reference conditions; none where there is no figure.
    pub leak_pa_m3_s: Option<f64>,
    /// Its expanded uncertainty.
    pub expanded_pa_m3_s: Option<f64>,
    /// Both in words, in the unit of the recipe.
    pub leak: String,
    /// The limit in Pa·m³/s.
    pub limit_pa_m3_s: Option<f64>,
    /// The same in words.
    pub limit: String,
    /// Gauge pressure of the test, in words.
    pub pressure: String,
    /// How long the trapped pressure was read, in seconds.
    pub hold_s: Option<f64>,
    /// Reference conditions of leaks, in words.
    pub reference: String,
    /// How the leak was decided on, in a sentence.
    pub rule: String,
    /// When the test began, RFC 3339.
    pub tested_at: String,
    /// Who tested.
    pub tested_by: String,
    /// The rig.
    pub rig: String,
    /// The state of its calibrations.
    pub calibrations: Vec<String>,
    /// What must be known of the run: that it was moved here, or wanted although it does not fit, by whom and why.
    pub notes: Vec<String>,
    /// The record in the register, as `BENCH/NUMBER`.
    pub record: String,
    /// The same as short as it can be.
    pub record_short: String,
    /// Its seal.
    pub seal: String,
    /// SHA-256 of the recording.
    pub recording_sha256: String,
}

/// What people compare of a public key in hexadecimal digits: half of its SHA-256, in groups of four.
pub fn fingerprint(key: &str) -> String {
    let hash = sha256(key.as_bytes());
    let groups: Vec<String> =
        hash.as_bytes().chunks(4).take(8).map(|group| String::from_utf8_lossy(group).into_owned()).collect();
    groups.join(" ")
}

fn hash_of_mark<S: Serializer>(mark: &Option<ShopMark>, serializer: S) -> Result<S::Ok, S::Error> {
    serializer.serialize_str(&mark.as_ref().map(|mark| sha256(&mark.png)).unwrap_or_default())
}

/// Why no certificate can be made out for a valve, whatever anybody answers for; none where it can.
pub fn not_certifiable(valve: &ValveHistory<'_>, order: &BatchOrder) -> Option<String> {
    let defects = unsound(valve).into_iter().chain(order.altered.iter().cloned());
    let defects: Vec<String> = defects.collect();
    if !defects.is_empty() {
        return Some(defects.join("; "));
    }
    let Some(history) = valve.history else { return Some("it is in no register".into()) };
    if history.status.stand == NextAction::SetAside {
        return Some("it was set aside".into());
    }
    SIDES.iter().all(|side| valve.run(*side).is_none()).then(|| "it was not tested".into())
}

impl CertificateData {
    /// The hash that its record seals.
    pub fn sha256(&self) -> String {
        sha256(self.json().as_bytes())
    }

    /// As a program reads it.
    pub fn json(&self) -> String {
        // Texts, numbers and lists: nothing that JSON cannot write.
        serde_json::to_string(self).unwrap_or_default()
    }

    /// Of no valve yet.
    pub fn new(shop: CertifyingShop, batch: &str) -> Self {
        Self {
            schema: SCHEMA,
            certificate: None,
            issued_at: String::new(),
            issued_by: String::new(),
            released_by: String::new(),
            role: String::new(),
            key: None,
            shop,
            mark: None,
            batch: batch.into(),
            valves: Vec::new(),
        }
    }

    /// Whether readings on it come from the simulated rig.
    pub fn simulated(&self) -> bool {
        self.valves.iter().any(|valve| valve.result.contains("SIMULATED"))
    }
}

impl CertifiedValve {
    /// What its runs, its batch and its order say of a valve.
    pub fn of(valve: &ValveHistory<'_>, order: &BatchOrder) -> Self {
        let history = valve.history;
        let status = history.map(|history| &history.status);
        let of = |text: fn(&seathold_register::valves::ValveRecord) -> &String| {
            status.map(|status| text(&status.valve).clone()).unwrap_or_default()
        };
        let assembly = history.and_then(|history| history.assembly.as_ref());
        Self {
            serial: valve.serial.into(),
            dn: status.and_then(|status| status.valve.dn),
            actuation: of(|valve| &valve.actuation),
            order: order.valve(valve.serial),
            result: label_result(valve).text(),
            tight: valve.verdict() == Some(Verdict::Tight),
            reason: valve.reason(),
            reworked: status.and_then(|status| status.reworked()),
            required: of(|valve| &valve.limit),
            not_counted: valve
                .runs
                .iter()
                .filter_map(|run| run.seal.as_ref())
                .filter_map(|seal| Some(format!("record {}: {}", seal.short, seal.excluded.as_ref()?)))
                .collect(),
            sides: SIDES.map(|side| certified(valve, side)).into(),
            finished_length: assembly.and_then(|assembly| assembly.length()),
            length_verdict: assembly.and_then(|assembly| assembly.length_verdict()),
            length_required: assembly.and_then(|assembly| assembly.length_required()),
            assembly: assembly.and_then(|assembly| assembly.steps_in_short()),
            assembly_incomplete: assembly.is_some_and(|assembly| assembly.is_incomplete()),
        }
    }
}

fn certified(valve: &ValveHistory<'_>, side: Side) -> CertifiedSide {
    let mut certified = CertifiedSide {
        side: side_name(side).into(),
        supply_end: supply_end(side).to_string(),
        verdict: "none".into(),
        leak: leak(valve, side),
        ..CertifiedSide::default()
    };
    let Some(run) = valve.run(side) else { return certified };
    if let Some(result) = valve.side(side) {
        certified.verdict = verdict_word(result.verdict).into();
        if let Some(estimate) = &result.estimate {
            certified.leak_pa_m3_s = Some(estimate.leak.pa_m3_s());
            certified.expanded_pa_m3_s = Some(estimate.expanded.pa_m3_s());
            certified.hold_s = Some(f64::from(estimate.window_ms) / 1e3);
        }
    }
    certified.limit_pa_m3_s = Some(run.header.recipe.limit_pa_m3_s);
    certified.limit = limit(run);
    certified.pressure = pressure(run);
    certified.reference = run.units().reference();
    certified.rule = rule(run);
    certified.tested_at = run.header.started_at.clone();
    certified.tested_by = operator(run);
    certified.rig = source(&run.header);
    certified.calibrations.clone_from(&run.header.calibrations);
    certified.recording_sha256.clone_from(&run.sha256);
    if let Some(seal) = &run.seal {
        certified.record.clone_from(&seal.run);
        certified.record_short.clone_from(&seal.short);
        certified.seal.clone_from(&seal.hash);
        let notes = [("moved", &seal.moved), ("override", &seal.overridden)];
        certified.notes =
            notes.into_iter().filter_map(|(what, words)| Some(format!("{what}: {}", words.as_ref()?))).collect();
    }
    certified
}

/// The decision rule in a sentence (JCGM 106:2012, 8.3).
fn rule(run: &Evidence) -> String {
    let recipe = &run.header.recipe;
    format!(
        "A side is tight where its leak and a guard band above it lie under the limit, for a risk of {} % of calling a side tight \
         that leaks as much as the limit (guarded acceptance, JCGM 106:2012, 8.3). The value after ± covers the true leak with {} %",
        percent(recipe.false_accept),
        percent(recipe.coverage),
    )
}
