//! What a page or a screen says of how a valve was put together.

use seathold_assembly::finished_length::{LengthLimits, LengthRequirement, LengthUncertainty, LengthVerdict};
use seathold_assembly::length::Length;
use seathold_assembly::steps::Step;
use seathold_document::{Block, DocumentColumn, DocumentTable};
use seathold_register::assembly::progress::{AssemblyProgress, StepState, ValveAssembly};
use seathold_register::assembly::sealed::{PairedHead, mm};
use seathold_register::name_or_none;
use serde::{Deserialize, Serialize};

use super::moment::moment;

/// Coverage factor of a stated expanded uncertainty: about 95 % (JCGM 100:2008, 6.3.3).
const K: f64 = 2.0;

/// A finished length as it was measured, millimetres.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct ReportedLength {
    /// The length; none where it was not measured.
    pub mm: Option<f64>,
    /// Its expanded uncertainty, for a coverage of about 95 %; none where nothing says it.
    pub expanded_mm: Option<f64>,
    /// Whether the valve was reworked since.
    pub before_rework: bool,
    /// Lengths that were noted before this one, since the last rework.
    pub earlier_mm: Vec<f64>,
}

/// What a finished length is to be, millimetres.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct RequiredLength {
    /// As drawn.
    pub nominal_mm: f64,
    /// The least.
    pub least_mm: f64,
    /// The most.
    pub most_mm: f64,
    /// Risk of calling a length conforming that is not.
    pub risk: f64,
}

/// How a valve was put together.
#[derive(Clone, Debug)]
pub struct ReportedAssembly {
    steps: Vec<Step>,
    requirement: Option<PairedHead>,
    valve: ValveAssembly,
    /// Fittings of it that are on record in another valve too.
    conflicts: Vec<String>,
}

impl ReportedAssembly {
    /// That of a valve; none where nothing was noted of its batch.
    pub(crate) fn of(progress: &AssemblyProgress, serial: &str) -> Option<Self> {
        let valve = progress.valve(serial)?;
        (!progress.is_empty()).then(|| Self {
            steps: progress.steps.clone(),
            requirement: progress.requirement,
            valve: valve.clone(),
            conflicts: progress.conflicts_of(serial),
        })
    }

    /// The steps that are not done.
    fn open(&self) -> Vec<&str> {
        self.valve.open_steps().filter_map(|at| Some(self.steps.get(at)?.name.as_str())).collect()
    }

    /// In a few words: "all steps done", "NOT DONE: seals, bolts".
    pub(crate) fn in_short(&self) -> String {
        let steps = match (self.steps.len(), self.open()) {
            (0, _) => "no steps stated".into(),
            (_, open) if open.is_empty() => "all steps done".into(),
            (_, open) => format!("NOT DONE: {}", open.join(", ")),
        };
        [vec![steps], self.conflicts.clone()].concat().join("; ")
    }

    /// The same in parts: whether steps are stated, those that are not done, fittings that are on record in another valve too.
    pub(crate) fn in_parts(&self) -> (bool, Vec<String>, Vec<String>) {
        let open = self.open().into_iter().map(str::to_owned).collect();
        (!self.steps.is_empty(), open, self.conflicts.clone())
    }

    /// What was done to it after this time: steps, and that it was bolted up (an empty name).
    pub(crate) fn done_after(&self, at: &str) -> (Vec<String>, bool) {
        let steps = self.valve.steps.iter().zip(&self.steps).filter_map(|(state, step)| match state {
            StepState::Done(done) if done.at.as_str() > at => Some(step.name.clone()),
            _ => None,
        });
        let bolted = self.valve.bolted.as_ref().is_some_and(|bolted| bolted.fittings_at.as_str() > at);
        (steps.collect(), bolted)
    }

    /// The finished length as it was measured.
    pub(crate) fn reported_length(&self) -> Option<ReportedLength> {
        let bolted = self.valve.bolted.as_ref()?;
        Some(ReportedLength {
            mm: bolted.head.finished_mm,
            expanded_mm: bolted.head.finished_u_mm.map(|u| K * u),
            before_rework: bolted.before_rework,
            earlier_mm: bolted.earlier_mm.clone(),
        })
    }

    /// What the finished length is to be.
    pub(crate) fn required_length(&self) -> Option<RequiredLength> {
        let to = self.requirement?;
        Some(RequiredLength { nominal_mm: to.nominal_mm, least_mm: to.least_mm, most_mm: to.most_mm, risk: to.risk })
    }

    /// The finished length as it was measured, its uncertainty and whether it conforms: "120.045 ± 0.042 mm, conforms".
    pub(crate) fn length(&self) -> Option<String> {
        let head = &self.valve.bolted.as_ref()?.head;
        let Some(finished) = head.finished_mm else { return Some("not measured".into()) };
        let mut text = match head.finished_u_mm {
            Some(u) => format!("{} ± {} mm", mm(finished), mm(K * u)),
            None => format!("{} mm", mm(finished)),
        };
        if let Some(verdict) = verdict(self.requirement, &self.valve) {
            text.push_str(&format!(", {}", verdict.words()));
        }
        if self.valve.bolted.as_ref().is_some_and(|bolted| bolted.before_rework) {
            text.push_str("; measured before a rework");
        }
        Some(text)
    }

    /// Whether the finished length conforms; none where it was not measured, or nothing says what it is to be.
    pub(crate) fn length_verdict(&self) -> Option<LengthVerdict> {
        verdict(self.requirement, &self.valve)
    }

    /// What the finished length is to be: "120.000 mm, 119.800 to 120.200 mm".
    pub(crate) fn length_required(&self) -> Option<String> {
        let to = self.requirement?;
        Some(format!("{} mm, {} to {} mm", mm(to.nominal_mm), mm(to.least_mm), mm(to.most_mm)))
    }

    /// What a report says of it.
    pub(crate) fn blocks(&self) -> Vec<Block> {
        let mut blocks = Vec::new();
        let open = self.open();
        if !open.is_empty() {
            blocks.push(Block::Notice("Assembly not complete".into(), format!("Not done: {}.", open.join(", "))));
        }
        for conflict in &self.conflicts {
            blocks.push(Block::Notice("Contradiction".into(), format!("{conflict}: one of them is not so.")));
        }
        let mut facts = Vec::new();
        if let Some(bolted) = &self.valve.bolted {
            facts.push(("End fittings".into(), bolted.head.fittings.join(" and ")));
            let by = format!("{}, by {}", moment(&bolted.at), name_or_none(&bolted.operator));
            facts.push(("Bolted up".into(), by));
        }
        facts.extend(self.length().map(|length| ("Finished length".into(), length)));
        if let (Some(to), Some(words)) = (&self.requirement, self.length_required()) {
            facts.push(("Length required".into(), words));
            if self.valve.bolted.as_ref().is_some_and(|bolted| bolted.head.finished_u_mm.is_some()) {
                let risk = seathold_text::layout::percent(to.risk);
                let rule = format!(
                    "± is the expanded uncertainty, k = {K}; conforms: inside the tolerance by a guard band for a risk of {risk} (JCGM \
                     106:2012, 8.3.2)"
                );
                facts.push(("Decision rule".into(), rule));
            }
        }
        if !facts.is_empty() {
            blocks.push(Block::Facts(facts));
        }
        if !self.steps.is_empty() {
            blocks.push(Block::Table(self.table()));
        }
        blocks
    }

    fn table(&self) -> DocumentTable {
        let columns = vec![
            DocumentColumn::words("Step", 12),
            DocumentColumn::words("Done", 7),
            DocumentColumn::words("Value, tool, photograph", 7),
            DocumentColumn::words("By", 3),
        ];
        let row = |(step, state): (&Step, &StepState)| match state {
            StepState::Done(done) => {
                let head = &done.head;
                let noted = [
                    head.value.clone(),
                    head.tool.as_ref().map(|tool| format!("tool {tool}")),
                    head.photo.as_ref().map(|photo| photo.file.clone()),
                    Some(head.remark.clone()).filter(|remark| !remark.is_empty()),
                ];
                let noted: Vec<String> = noted.into_iter().flatten().collect();
                vec![step.text.clone(), moment(&done.at), noted.join("; "), name_or_none(&done.operator).into()]
            }
            StepState::Open => vec![step.text.clone(), "NOT DONE".into(), String::new(), String::new()],
            StepState::Undone { .. } => {
                vec![step.text.clone(), "UNDONE by a rework".into(), String::new(), String::new()]
            }
        };
        let rows = self.steps.iter().zip(&self.valve.steps).map(row).collect();
        DocumentTable { caption: format!("Assembly of {}", self.valve.serial), columns, rows }
    }
}

/// The finished length of a valve, measured or else forecast, in millimetres.
pub fn finished_mm(valve: &ValveAssembly) -> Option<f64> {
    match (&valve.bolted, &valve.pair) {
        (Some(bolted), _) => bolted.head.finished_mm,
        (None, pair) => pair.as_ref().map(|pair| pair.finished_mm),
    }
}

/// How far that is off the length that is wanted, in millimetres.
pub fn off_nominal(progress: &AssemblyProgress, valve: &ValveAssembly) -> Option<f64> {
    Some(finished_mm(valve)? - progress.requirement?.nominal_mm)
}

/// Whether a measured length conforms; none where it was not measured, or nothing says what it is to be or how well it is known.
pub fn length_verdict(progress: &AssemblyProgress, valve: &ValveAssembly) -> Option<LengthVerdict> {
    verdict(progress.requirement, valve)
}

fn verdict(to: Option<PairedHead>, valve: &ValveAssembly) -> Option<LengthVerdict> {
    let (to, measured) = (to?, &valve.bolted.as_ref()?.head);
    let (finished, u) = (measured.finished_mm?, measured.finished_u_mm?);
    let of = |mm: f64| Length::from_m(mm / 1e3);
    let limits = LengthLimits { least: of(to.least_mm), most: of(to.most_mm), nominal: of(to.nominal_mm) };
    // Measured as it is, nothing is left of what it was made of.
    let uncertainty = LengthUncertainty { body_m: u / 1e3, ..LengthUncertainty::default() };
    let requirement = LengthRequirement::new(limits, Length::ZERO, uncertainty, to.risk);
    Some(requirement.verdict(of(finished)))
}
