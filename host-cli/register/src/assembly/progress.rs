//! What is done on each valve of a batch, and what holds it up. Nothing is stored here: it all follows from the notes.

use std::collections::{HashMap, HashSet};

use seathold_assembly::steps::Step;
use serde::Serialize;

use super::sealed::{self, BoltedHead, DoneHead, PairedHead, PairedLine, PairedValve, SealedPart};
use crate::Register;
use crate::error::Error;
use crate::note::{NoteKind, NoteRecord};

/// How often the steps of a batch may be stated.
pub const STATED_MAX: usize = 100;
/// How often its fittings may be paired.
pub const PAIRED_MAX: usize = 1_000;

/// How far a batch is put together.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct AssemblyProgress {
    /// Its steps, in their order; none where none were stated.
    pub steps: Vec<Step>,
    /// What its valves are to be, where fittings were paired.
    pub requirement: Option<PairedHead>,
    /// Fittings that are in no valve.
    pub left: Vec<SealedPart>,
    /// Its valves, in the order of its list.
    pub valves: Vec<ValveAssembly>,
    /// Notes that are not as they should be, as `BENCH/NUMBER`: they count for nothing.
    pub damaged: Vec<String>,
}

/// How far a valve is put together.
#[derive(Clone, Debug, Default, PartialEq, Serialize)]
pub struct ValveAssembly {
    /// The valve.
    pub serial: String,
    /// Its steps, in the order of the list.
    pub steps: Vec<StepState>,
    /// The fittings that are to go to it.
    pub pair: Option<PairedValve>,
    /// What was stated as these were paired: later pairs may have been forecast by something else.
    #[serde(skip)]
    pub paired_by: Option<PairedHead>,
    /// The fittings that are in it, and its length.
    pub bolted: Option<BoltedValve>,
}

/// A step of a valve.
#[derive(Clone, Debug, Default, PartialEq, Serialize)]
#[serde(rename_all = "kebab-case", tag = "state")]
pub enum StepState {
    /// Not done.
    #[default]
    Open,
    /// Done.
    Done(StepDone),
    /// Done, and undone by a rework.
    Undone {
        /// The rework, as `BENCH/NUMBER`.
        rework: String,
    },
}

/// A step that was done.
#[derive(Clone, Debug, Default, PartialEq, Serialize)]
pub struct StepDone {
    /// The note, as `BENCH/NUMBER`.
    pub note: String,
    /// By whom.
    pub operator: String,
    /// When.
    pub at: String,
    /// What was noted.
    #[serde(flatten)]
    pub head: DoneHead,
}

/// A valve that was bolted up.
#[derive(Clone, Debug, Default, PartialEq, Serialize)]
pub struct BoltedValve {
    /// The note, as `BENCH/NUMBER`.
    pub note: String,
    /// By whom.
    pub operator: String,
    /// When.
    pub at: String,
    /// What was noted.
    #[serde(flatten)]
    pub head: BoltedHead,
    /// The valve was reworked since: taken apart, it may be of another length now.
    pub before_rework: bool,
    /// When these fittings were first bolted to it since its last rework: a later note may be of its length alone.
    #[serde(skip)]
    pub fittings_at: String,
    /// Other lengths that were noted before this one, since its last rework.
    #[serde(skip)]
    pub earlier_mm: Vec<f64>,
}

impl ValveAssembly {
    /// The fittings that are in it.
    fn fittings(&self) -> impl Iterator<Item = &str> {
        self.bolted.iter().flat_map(|bolted| &bolted.head.fittings).map(String::as_str)
    }

    /// The steps that are not done, by their places.
    pub fn open_steps(&self) -> impl Iterator<Item = usize> + '_ {
        self.steps.iter().enumerate().filter(|(_, state)| !matches!(state, StepState::Done(_))).map(|(at, _)| at)
    }
}

impl AssemblyProgress {
    /// That of a batch.
    ///
    /// # Errors
    /// When the register cannot be read.
    pub fn of(register: &Register, batch: &str) -> Result<Self, Error> {
        let listed = register.valves_of(batch)?;
        let serials: Vec<&str> = listed.iter().map(|valve| valve.serial.as_str()).collect();
        Ok(Self::from_notes(&serials, &register.notes(Some(batch), None)?))
    }

    /// That of valves, from the notes on their batch in the order written.
    pub fn from_notes(serials: &[&str], notes: &[NoteRecord]) -> Self {
        Self::followed(serials, notes, |_, _| ())
    }

    /// The same, with a look at how far everything is before each note that counts.
    pub(crate) fn followed<'n>(
        serials: &[&str],
        notes: &'n [NoteRecord],
        mut before: impl FnMut(&Self, &'n NoteRecord),
    ) -> Self {
        let struck = struck(notes);
        let mut all = Self {
            valves: serials
                .iter()
                .map(|serial| ValveAssembly { serial: (*serial).into(), ..Default::default() })
                .collect(),
            ..Self::default()
        };
        let places: HashMap<&str, usize> = serials.iter().enumerate().map(|(at, serial)| (*serial, at)).collect();
        let (mut stated, mut paired) = (0, 0);
        for note in notes.iter().filter(|note| !struck.contains(note.name().as_str())) {
            before(&all, note);
            // Each of these goes over every valve.
            stated += usize::from(note.kind == NoteKind::Steps);
            paired += usize::from(note.kind == NoteKind::Paired);
            let read = match note.kind {
                NoteKind::Steps if stated > STATED_MAX => None,
                NoteKind::Paired if paired > PAIRED_MAX => None,
                NoteKind::Steps => all.stated(note),
                NoteKind::StepDone => all.done(note, &places),
                NoteKind::Paired => all.paired(note, &places),
                NoteKind::Bolted => all.bolted(note, &places),
                NoteKind::Rework => {
                    all.reworked(note, &places);
                    Some(())
                }
                _ => Some(()),
            };
            if read.is_none() {
                all.damaged.push(note.name());
            }
        }
        all
    }

    /// Whether anything was noted of it.
    pub fn is_empty(&self) -> bool {
        self.steps.is_empty() && self.requirement.is_none() && self.valves.iter().all(|valve| valve.bolted.is_none())
    }

    /// A valve.
    pub fn valve(&self, serial: &str) -> Option<&ValveAssembly> {
        self.valves.iter().find(|valve| valve.serial == serial)
    }

    /// Why a serial is none of the batch, if it is not.
    pub(crate) fn not_listed(&self, serial: &str) -> Option<String> {
        self.valve(serial).is_none().then(|| format!("{serial} is not on the list of the batch"))
    }

    /// Fittings that are bolted up.
    pub fn used_fittings(&self) -> impl Iterator<Item = &str> {
        self.valves.iter().flat_map(ValveAssembly::fittings)
    }

    /// Whether a fitting is one of those that were paired; any is where none were.
    pub(crate) fn knows(&self, fitting: &str) -> bool {
        let paired = self.valves.iter().filter_map(|valve| valve.pair.as_ref()).flat_map(|pair| &pair.fittings);
        self.requirement.is_none() || paired.chain(&self.left).any(|part| part.id == fitting)
    }

    /// Why a fitting cannot be bolted to a valve, if it is in another.
    pub(crate) fn is_in_another(&self, fitting: &str, serial: &str) -> Option<String> {
        let holds = |valve: &&ValveAssembly| {
            valve.serial != serial
                && valve.bolted.as_ref().is_some_and(|b| b.head.fittings.iter().any(|f| f == fitting))
        };
        self.valves.iter().find(holds).map(|other| format!("fitting {fitting} is bolted to {}", other.serial))
    }

    /// Fittings that are bolted to two valves: what one bench cannot do, two that are merged can have done.
    pub fn conflicts(&self) -> Vec<String> {
        let mut holders: HashMap<&str, &str> = HashMap::new();
        let bolted = self.valves.iter().flat_map(|valve| valve.fittings().map(move |fitting| (fitting, valve)));
        let twice = bolted.filter_map(|(fitting, valve)| {
            let other = holders.insert(fitting, &valve.serial).filter(|other| *other != valve.serial)?;
            Some(format!("fitting {fitting} is bolted to {other} and to {}", valve.serial))
        });
        twice.collect()
    }

    /// Those that a valve is in.
    pub fn conflicts_of(&self, serial: &str) -> Vec<String> {
        let Some(own) = self.valve(serial).filter(|valve| valve.bolted.is_some()) else { return Vec::new() };
        let others = self.valves.iter().filter(|other| other.serial != serial);
        let shared = others.flat_map(|other| other.fittings().map(move |fitting| (fitting, other)));
        let shared = shared.filter(|(fitting, _)| own.fittings().any(|mine| mine == *fitting));
        shared.map(|(fitting, other)| format!("fitting {fitting} is bolted to {} too", other.serial)).collect()
    }

    fn stated(&mut self, note: &NoteRecord) -> Option<()> {
        let steps = sealed::steps(&note.text)?;
        // What was done under a name stays done where the name stays, and what was noted is what is asked for now.
        let before = std::mem::replace(&mut self.steps, steps);
        let names: HashMap<&str, usize> =
            before.iter().enumerate().map(|(at, step)| (step.name.as_str(), at)).collect();
        for valve in &mut self.valves {
            let mut was = std::mem::take(&mut valve.steps);
            let state = |step: &Step| {
                let was = names.get(step.name.as_str()).and_then(|at| was.get_mut(*at)).map(std::mem::take);
                was.filter(|was| !matches!(was, StepState::Done(done) if !is_met(step, &done.head)))
            };
            valve.steps = self.steps.iter().map(state).map(Option::unwrap_or_default).collect();
        }
        Some(())
    }

    fn done(&mut self, note: &NoteRecord, places: &HashMap<&str, usize>) -> Option<()> {
        let (head, serials) = sealed::done(&note.text, note.serial.as_deref())?;
        // A step of a list that was replaced since.
        let Some(step) = self.steps.iter().position(|step| step.name == head.step) else { return Some(()) };
        // Of a list that asked for something else, as another bench may have had it.
        if !is_met(&self.steps[step], &head) {
            return Some(());
        }
        let done = StepDone { note: note.name(), operator: note.operator.clone(), at: note.written_at.clone(), head };
        for at in serials.iter().filter_map(|serial| places.get(serial.as_str())) {
            if let Some(state) = self.valves.get_mut(*at).and_then(|valve| valve.steps.get_mut(step)) {
                *state = StepState::Done(done.clone());
            }
        }
        Some(())
    }

    fn paired(&mut self, note: &NoteRecord, places: &HashMap<&str, usize>) -> Option<()> {
        let (head, lines) = sealed::paired(&note.text)?;
        self.requirement = Some(head);
        self.left.clear();
        // A valve that is bolted up has its fittings; what it was to have stays beside it.
        for valve in self.valves.iter_mut().filter(|valve| valve.bolted.is_none()) {
            (valve.pair, valve.paired_by) = (None, None);
        }
        for line in lines {
            match line {
                PairedLine::Left(part) => self.left.push(part),
                PairedLine::Valve(pair) => {
                    if let Some(valve) = places.get(pair.serial.as_str()).and_then(|at| self.valves.get_mut(*at)) {
                        (valve.pair, valve.paired_by) = (Some(pair), Some(head));
                    }
                }
            }
        }
        Some(())
    }

    fn bolted(&mut self, note: &NoteRecord, places: &HashMap<&str, usize>) -> Option<()> {
        let head = sealed::bolted(&note.text)?;
        let valve =
            note.serial.as_deref().and_then(|serial| places.get(serial)).and_then(|at| self.valves.get_mut(*at));
        if let Some(valve) = valve {
            let before = valve.bolted.take().filter(|before| !before.before_rework);
            let same = before.as_ref().filter(|before| before.head.fittings == head.fittings);
            let fittings_at = same.map_or_else(|| note.written_at.clone(), |before| before.fittings_at.clone());
            let mut earlier_mm = before.as_ref().map(|before| before.earlier_mm.clone()).unwrap_or_default();
            earlier_mm.extend(before.and_then(|before| before.head.finished_mm));
            earlier_mm.retain(|earlier| Some(*earlier) != head.finished_mm);
            valve.bolted = Some(BoltedValve {
                fittings_at,
                earlier_mm,
                note: note.name(),
                operator: note.operator.clone(),
                at: note.written_at.clone(),
                head,
                before_rework: false,
            });
        }
        Some(())
    }

    fn reworked(&mut self, note: &NoteRecord, places: &HashMap<&str, usize>) {
        let at = note.serial.as_deref().and_then(|serial| places.get(serial));
        let Some(valve) = at.and_then(|at| self.valves.get_mut(*at)) else { return };
        for (state, step) in valve.steps.iter_mut().zip(&self.steps) {
            if step.again_after_rework && *state != StepState::Open {
                *state = StepState::Undone { rework: note.name() };
            }
        }
        if let Some(bolted) = &mut valve.bolted {
            bolted.before_rework = true;
        }
    }
}

fn is_met(step: &Step, done: &DoneHead) -> bool {
    step.is_met_by(done.value.as_deref(), done.tool.is_some(), done.photo.is_some())
}

/// The notes that are struck, as `BENCH/NUMBER`.
pub(crate) fn struck(notes: &[NoteRecord]) -> HashSet<&str> {
    notes.iter().filter(|note| note.kind == NoteKind::Struck).filter_map(|note| note.about.as_deref()).collect()
}
