//! What a certificate states, as data. A page of it says nothing else, so that what is read by eye and by a program is one.

use std::collections::BTreeMap;

use seathold_assembly::finished_length::LengthVerdict;
use seathold_picture::mark::ShopMark;
use seathold_recording::hash::sha256;
use seathold_register::batch::counted_runs::ExcludedRun;
use seathold_register::batch::status::NextAction;
use seathold_register::customer::certificate::CertificateManner;
use seathold_register::customer::{order::OrderField, order_notes::BatchOrder};
use seathold_sequencer::input::Side;
use seathold_sequencer::verdict::Verdict;
use seathold_text::messages::{side_name, supply_end, verdict_word};
use serde::{Deserialize, Serialize};

use crate::assembly::{ReportedLength, RequiredLength};
use crate::label::scanned::LabelWord;
use crate::label::{label_result, unsound};
use crate::method::source;
use crate::run_remark::RunRemark;
use crate::valve::{SIDES, limit};
use crate::{Evidence, ValveHistory};

/// The shop that issues it.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct CertifyingShop {
    /// Its name.
    pub name: String,
    /// Its address.
    pub address: String,
    /// How it is reached.
    pub contact: String,
}

/// A certificate.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct CertificateData {
    /// The kind and version of this data.
    pub schema: String,
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
    /// How it was made out.
    #[serde(flatten)]
    pub manner: CertificateManner,
    /// The shop.
    pub shop: CertifyingShop,
    /// UUID of the bench that issued it: records of it are named by their number alone.
    pub bench: String,
    /// SHA-256 of the shop's mark, which comes beside the data; none where it has none.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub mark_sha256: Option<String>,
    /// The mark itself.
    #[serde(skip)]
    pub mark: Option<ShopMark>,
    /// The batch.
    pub batch: String,
    /// Whether the register had a selection of the batch's records only.
    pub selection: bool,
    /// The valves.
    pub valves: Vec<CertifiedValve>,
}

/// The kind and version of a certificate's data.
const SCHEMA: &str = "seathold/certificate-issue/1";

/// A valve on it.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
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
    /// Its first word, for a program.
    pub word: LabelWord,
    /// Whether it came about under an override.
    pub by_override: bool,
    /// Whether the readings were simulated.
    pub simulated: bool,
    /// Whether it is tight from both sides, by the limit that it must meet: not where it came about under an override.
    pub tight: bool,
    /// Whether a fault ended a run that counts.
    pub faulted: bool,
    /// How often it was reworked before the tests that count.
    pub reworks: u32,
    /// The limit as its batch states it, such as a class of a standard; empty where it states none.
    pub required: String,
    /// Its runs that do not count, such as those that were struck, and why.
    pub not_counted: Vec<UncountedRun>,
    /// What other records of the register say of it, later than the tests that count: a leak, a rework, that it was set aside.
    pub later: Vec<LaterRecord>,
    /// Each side.
    pub sides: Vec<CertifiedSide>,
    /// The finished length; none where none was kept.
    pub finished_length: Option<ReportedLength>,
    /// Whether that conforms; none where nobody can say.
    pub length_verdict: Option<LengthVerdict>,
    /// What that is to be; none where nothing was stated.
    pub length_required: Option<RequiredLength>,
    /// The steps of assembly; none where none are stated, and no fitting contradicts another.
    pub assembly: Option<CertifiedAssembly>,
}

/// A run that does not count.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct UncountedRun {
    /// The record, as `BENCH/NUMBER`.
    pub record: String,
    /// What it found, in a word; "none" where it came to no result.
    pub found: String,
    /// Why.
    #[serde(flatten)]
    pub why: RunRemark,
}

/// A record outside the batch that is later than the tests that count.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct LaterRecord {
    /// The record, as `BENCH/NUMBER`.
    pub record: String,
    /// What it is: a run that found a leak, a rework, that it was set aside.
    pub what: LaterWhat,
    /// When, RFC 3339.
    pub at: String,
    /// By whom; empty where nobody was named.
    pub by: String,
    /// Why; empty of a run.
    pub text: String,
}

/// What a later record is.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum LaterWhat {
    /// A run found a leak.
    Leak,
    /// It was reworked.
    Rework,
    /// It was taken out of a batch.
    SetAside,
}

/// How a valve was put together.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct CertifiedAssembly {
    /// Whether its batch states steps.
    pub stated: bool,
    /// Those that are not done.
    pub open: Vec<String>,
    /// Those that were done after the first of the tests that count.
    pub after_test: Vec<String>,
    /// Whether fittings were bolted to it after that.
    pub bolted_after_test: bool,
    /// Fittings that are on record in another valve too, in words.
    pub contradictions: Vec<String>,
}

/// A side of a valve.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
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
    /// Both in the unit of the recipe; empty where there is no figure.
    pub leak: String,
    /// The limit in Pa·m³/s.
    pub limit_pa_m3_s: Option<f64>,
    /// The same in the unit of the recipe.
    pub limit: String,
    /// Gauge pressure of the test, with its unit.
    pub pressure: String,
    /// How long the trapped pressure was read, in seconds.
    pub hold_s: Option<f64>,
    /// Reference temperature of leaks, with its unit.
    pub reference_temperature: String,
    /// Reference pressure of leaks, with its unit.
    pub reference_pressure: String,
    /// Risk of calling a side tight that leaks as much as the limit.
    pub false_accept: Option<f64>,
    /// Probability with which the uncertainty covers the true leak.
    pub coverage: Option<f64>,
    /// When the test began, RFC 3339.
    pub tested_at: String,
    /// Who tested; empty where nobody was named.
    pub tested_by: String,
    /// The rig.
    pub rig: String,
    /// The state of its calibrations, as it was recorded.
    pub calibrations: Vec<String>,
    /// What must be known of the run: that it was moved here, or wanted although it does not fit, by whom and why.
    pub notes: Vec<RunRemark>,
    /// The record in the register, as `BENCH/NUMBER`.
    pub record: String,
    /// Its seal.
    pub seal: String,
    /// SHA-256 of the recording; empty where nothing was tested.
    pub recording_sha256: String,
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
    let since = if history.status.reworks > 0 { " since it was reworked" } else { "" };
    let uncounted = |run: &&Evidence| {
        let seal = run.seal.as_ref()?;
        Some(format!("record {} does not count: {}", seal.short, seal.excluded.as_ref()?.words()))
    };
    let uncounted: Vec<String> = valve.runs.iter().filter_map(uncounted).collect();
    let why = if uncounted.is_empty() { String::new() } else { format!(": {}", uncounted.join("; ")) };
    SIDES.iter().all(|side| valve.run(*side).is_none()).then(|| format!("it was not tested{since}{why}"))
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
    pub fn new(shop: CertifyingShop, bench: &str, batch: &str, manner: CertificateManner) -> Self {
        Self {
            schema: SCHEMA.into(),
            certificate: None,
            issued_at: String::new(),
            issued_by: String::new(),
            released_by: String::new(),
            role: String::new(),
            key: None,
            manner,
            shop,
            bench: bench.into(),
            mark_sha256: None,
            mark: None,
            batch: batch.into(),
            selection: false,
            valves: Vec::new(),
        }
    }

    /// The same with the shop's mark.
    #[must_use]
    pub fn with_mark(self, mark: Option<ShopMark>) -> Self {
        Self { mark_sha256: mark.as_ref().map(|mark| sha256(&mark.png)), mark, ..self }
    }

    /// Whether readings on it come from the simulated rig.
    pub fn simulated(&self) -> bool {
        self.valves.iter().any(|valve| valve.simulated)
    }
}

impl CertifiedValve {
    /// What its runs, its batch and its order say of a valve.
    pub fn of(valve: &ValveHistory<'_>, order: &BatchOrder, later: Vec<LaterRecord>) -> Self {
        let history = valve.history;
        let status = history.map(|history| &history.status);
        let of = |text: fn(&seathold_register::valves::ValveRecord) -> &String| {
            status.map(|status| text(&status.valve).clone()).unwrap_or_default()
        };
        let assembly = history.and_then(|history| history.assembly.as_ref());
        let result = label_result(valve);
        Self {
            serial: valve.serial.into(),
            dn: status.and_then(|status| status.valve.dn),
            actuation: of(|valve| &valve.actuation),
            order: order.valve(valve.serial),
            result: result.text(),
            word: result.word,
            by_override: result.by_override,
            simulated: result.simulated,
            tight: valve.verdict() == Some(Verdict::Tight) && !result.by_override,
            faulted: valve.faulted(),
            reworks: status.map_or(0, |status| status.reworks.try_into().unwrap_or(u32::MAX)),
            required: of(|valve| &valve.limit),
            not_counted: uncounted(valve),
            later,
            sides: SIDES.map(|side| certified(valve, side)).into(),
            finished_length: assembly.and_then(|assembly| assembly.reported_length()),
            length_verdict: assembly.and_then(|assembly| assembly.length_verdict()),
            length_required: assembly.and_then(|assembly| assembly.required_length()),
            assembly: assembly.and_then(|assembly| {
                let (stated, open, contradictions) = assembly.in_parts();
                let tested = SIDES.iter().filter_map(|side| Some(valve.run(*side)?.header.started_at.as_str())).min();
                let (after_test, bolted_after_test) = tested.map(|at| assembly.done_after(at)).unwrap_or_default();
                (stated || bolted_after_test || !contradictions.is_empty()).then_some(CertifiedAssembly {
                    stated,
                    open,
                    after_test,
                    bolted_after_test,
                    contradictions,
                })
            }),
        }
    }

    /// A step is open, was done after the test, or a fitting is on record in another valve too.
    pub fn assembly_incomplete(&self) -> bool {
        self.assembly.as_ref().is_some_and(|of| {
            let after = !of.after_test.is_empty() || of.bolted_after_test;
            after || !of.open.is_empty() || !of.contradictions.is_empty()
        })
    }
}

/// The runs of a valve that do not count, those as well that were moved to another.
fn uncounted(valve: &ValveHistory<'_>) -> Vec<UncountedRun> {
    let excluded = valve.history.map(|history| history.status.excluded.as_slice()).unwrap_or_default();
    let of = |run: &ExcludedRun| {
        let name = run.row.name();
        let read = valve.runs.iter().find(|known| known.seal.as_ref().is_some_and(|seal| seal.run == name));
        let units = read.or(valve.runs.first())?.units();
        let found = run.row.verdict.map_or("none", verdict_word).to_owned();
        Some(UncountedRun { record: name, found, why: RunRemark::excluded(run, &units) })
    };
    excluded.iter().filter_map(of).collect()
}

impl CertifiedSide {
    /// Whether it was tested, and the run is in the register.
    pub fn was_tested(&self) -> bool {
        !self.record.is_empty()
    }
}

fn certified(valve: &ValveHistory<'_>, side: Side) -> CertifiedSide {
    let mut certified = CertifiedSide {
        side: side_name(side).split(' ').next().unwrap_or_default().into(),
        supply_end: supply_end(side).to_string(),
        verdict: "none".into(),
        ..CertifiedSide::default()
    };
    let Some(run) = valve.run(side) else { return certified };
    if let Some(result) = valve.side(side) {
        certified.verdict = verdict_word(result.verdict).into();
        if let Some(estimate) = &result.estimate {
            certified.leak = run.units().leak(estimate).replace('-', "−");
            certified.leak_pa_m3_s = Some(estimate.leak.pa_m3_s());
            certified.expanded_pa_m3_s = Some(estimate.expanded.pa_m3_s());
            certified.hold_s = Some(f64::from(estimate.window_ms) / 1e3);
        }
    }
    let recipe = &run.header.recipe;
    certified.limit_pa_m3_s = Some(recipe.limit_pa_m3_s);
    certified.limit = limit(run);
    certified.pressure = run.units().pressure(recipe.target_pa.try_into().unwrap_or(i32::MAX));
    (certified.reference_temperature, certified.reference_pressure) = run.units().reference_parts();
    certified.false_accept = Some(recipe.false_accept);
    certified.coverage = Some(recipe.coverage);
    certified.tested_at = run.header.started_at.clone();
    certified.tested_by.clone_from(&run.header.operator);
    certified.rig = source(&run.header);
    certified.calibrations.clone_from(&run.header.calibrations);
    certified.recording_sha256.clone_from(&run.sha256);
    if let Some(seal) = &run.seal {
        certified.record.clone_from(&seal.run);
        certified.seal.clone_from(&seal.hash);
        certified.notes = [&seal.moved, &seal.overridden].into_iter().flatten().cloned().collect();
    }
    certified
}
