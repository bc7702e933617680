//! What a note seals of assembly, as text: a line of JSON, and then one for each part or valve.
//!
//! | note | first line | then a line for each |
//! |---|---|---|
//! | `steps` | [`StepsHead`] | step |
//! | `step-done` | [`DoneHead`] | valve, where it is not of one |
//! | `paired` | [`PairedHead`] | [`PairedLine`]: a valve with its fittings, or a fitting that is left |
//! | `bolted` | [`BoltedHead`] | |
//!
//! Lengths are millimetres. A program reads what it knows of a line, and leaves what a newer one added.

use seathold_assembly::steps::{STEPS_MAX, Step};
use serde::de::DeserializeOwned;
use serde::{Deserialize, Serialize};

use crate::photo::sealed::KeptPhoto;

/// The steps of a batch, stated.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct StepsHead {
    /// How many there are.
    pub steps: usize,
    /// The file that they came from.
    #[serde(default)]
    pub source: String,
}

/// A step was done.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct DoneHead {
    /// Which.
    pub step: String,
    /// What was read or noted.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub value: Option<String>,
    /// The number of the tool.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub tool: Option<String>,
    /// The photograph.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub photo: Option<Photo>,
    /// Anything else.
    #[serde(default, skip_serializing_if = "String::is_empty")]
    pub remark: String,
}

/// A photograph: the file stays where it is, and is known again by its check sum. A copy of what it shows is kept.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Photo {
    /// The file's name.
    pub file: String,
    /// SHA-256 of its bytes.
    pub sha256: String,
    /// The copy; none where none could be made.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub kept: Option<Box<KeptPhoto>>,
}

/// A part with its length.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct SealedPart {
    /// Its name.
    pub id: String,
    /// Its length.
    pub length_mm: f64,
}

/// Fittings were paired: what the valves are to be.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct PairedHead {
    /// Finished length that is wanted.
    pub nominal_mm: f64,
    /// Shortest allowed.
    pub least_mm: f64,
    /// Longest allowed.
    pub most_mm: f64,
    /// By how much the seals shorten it, both together.
    pub compression_mm: f64,
    /// Standard uncertainty of that.
    pub compression_u_mm: f64,
    /// Standard uncertainty of a forecast length.
    pub forecast_u_mm: f64,
    /// Standard uncertainty of the gauge.
    pub gauge_u_mm: f64,
    /// Standard uncertainty of a part's length as it was read, which may be the mean of several readings.
    pub reading_u_mm: f64,
    /// Of a single reading; 0 where an older program kept none.
    #[serde(default)]
    pub once_u_mm: f64,
    /// Risk of calling a valve at an end of its tolerance conforming.
    pub risk: f64,
}

impl PairedHead {
    /// Standard uncertainty of a length that was read once, without the gauge's own.
    pub fn read_once_u_mm(&self) -> f64 {
        self.once_u_mm.max(self.reading_u_mm)
    }
}

/// A valve with its fittings, or a fitting that is left.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum PairedLine {
    /// A valve as it is to be put together.
    Valve(PairedValve),
    /// A fitting that is in none.
    Left(SealedPart),
}

/// A valve as it is to be put together.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct PairedValve {
    /// The valve.
    pub serial: String,
    /// Length of its body.
    pub body_mm: f64,
    /// Its fittings, the shorter first.
    pub fittings: [SealedPart; 2],
    /// Finished length, as it is forecast.
    pub finished_mm: f64,
}

/// A valve was bolted up.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct BoltedHead {
    /// Its fittings, as scanned or confirmed.
    pub fittings: [String; 2],
    /// Finished length, measured.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub finished_mm: Option<f64>,
    /// Standard uncertainty of that.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub finished_u_mm: Option<f64>,
    /// Anything else, such as why other fittings were taken.
    #[serde(default, skip_serializing_if = "String::is_empty")]
    pub remark: String,
}

/// As text.
pub(crate) fn text<L: Serialize>(head: &impl Serialize, lines: impl IntoIterator<Item = L>) -> String {
    // These types have nothing that JSON cannot write: texts, finite numbers, lists.
    let mut text = serde_json::to_string(head).unwrap_or_default();
    for line in lines {
        text.push('\n');
        text.push_str(&serde_json::to_string(&line).unwrap_or_default());
    }
    text
}

/// The first line; none where it is not that.
pub(crate) fn head<T: DeserializeOwned>(text: &str) -> Option<T> {
    serde_json::from_str(text.lines().next()?).ok()
}

/// The other lines; none where one is not that.
pub(crate) fn lines<T: DeserializeOwned>(text: &str) -> Option<Vec<T>> {
    text.lines().skip(1).map(|line| serde_json::from_str(line).ok()).collect()
}

/// The steps that a note's text states.
pub fn steps(text: &str) -> Option<Vec<Step>> {
    head::<StepsHead>(text)?;
    // Each of them is kept for each valve: a text of somebody else's is not to make that more than a list may have.
    lines(text).filter(|steps: &Vec<Step>| steps.len() <= STEPS_MAX)
}

/// What a note's text says was done, and of which valves: its own, where it is of one.
pub fn done(text: &str, serial: Option<&str>) -> Option<(DoneHead, Vec<String>)> {
    let serials = match serial {
        Some(serial) => vec![serial.to_owned()],
        None => lines(text)?,
    };
    Some((head(text)?, serials))
}

/// The pairs that a note's text keeps.
pub fn paired(text: &str) -> Option<(PairedHead, Vec<PairedLine>)> {
    Some((head(text)?, lines(text)?))
}

/// How a note's text says that its valve was bolted up.
pub fn bolted(text: &str) -> Option<BoltedHead> {
    head(text)
}

/// A length in millimetres, to the micrometre.
pub fn mm(length: f64) -> String {
    let text = format!("{length:.3}");
    if text == "-0.000" { "0.000".into() } else { text }
}

/// The steps as people read them; none where the text is damaged, as for the others.
pub(crate) fn steps_words(text: &str) -> Option<String> {
    let word = |step: &Step| match &step.value {
        Some(value) => format!("{} ({}: {})", step.name, value.what, value.range()),
        None => step.name.clone(),
    };
    Some(steps(text)?.iter().map(word).collect::<Vec<_>>().join(", "))
}

/// What was done, in words.
pub(crate) fn done_words(text: &str, serial: Option<&str>) -> Option<String> {
    let (head, serials) = done(text, serial)?;
    let of = if serial.is_none() { format!(" of {} valves", serials.len()) } else { String::new() };
    let noted = [
        head.value,
        head.tool.map(|tool| format!("tool {tool}")),
        head.photo.map(|photo| format!("photograph {}", photo.file)),
    ];
    let all: Vec<String> = [Some(head.step + &of)].into_iter().chain(noted).flatten().collect();
    Some(with_remark(all.join(", "), &head.remark))
}

/// Pairs, in words.
pub(crate) fn paired_words(text: &str) -> Option<String> {
    let (head, lines) = paired(text)?;
    let valves = lines.iter().filter(|line| matches!(line, PairedLine::Valve(_))).count();
    let left = lines.len() - valves;
    let (nominal, least, most) = (mm(head.nominal_mm), mm(head.least_mm), mm(head.most_mm));
    Some(format!("for {valves} valves of {nominal} mm ({least} to {most} mm), {left} left"))
}

/// How it was bolted up, in words.
pub(crate) fn bolted_words(text: &str) -> Option<String> {
    let head = bolted(text)?;
    let length = head.finished_mm.map_or_else(String::new, |length| format!(", {} mm", mm(length)));
    Some(with_remark(head.fittings.join(" and ") + &length, &head.remark))
}

fn with_remark(text: String, remark: &str) -> String {
    if remark.is_empty() { text } else { format!("{text}: {remark}") }
}
