//! The result of a run, from its events alone: the same for a run just ended and for a recording.

use std::fmt::Write;

use seathold_sequencer::event::{Disconnect, Event, Fault, Phase, StartRefusal};
use seathold_sequencer::recipe::RawRecipe;
use seathold_sequencer::verdict::{Diagnosis, SideResult, Verdict};

use crate::exit::Exit;
use crate::messages::{self, UnitFormat};
use crate::recording::Discontinuity;

/// The result of a run.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Summary {
    /// Each side's result, in the order judged.
    pub sides: Vec<SideResult>,
    /// The valve's.
    pub proved: Option<(Verdict, Diagnosis)>,
    /// Faults in order.
    pub faults: Vec<Fault>,
    /// Why it did not start.
    pub refused: Option<StartRefusal>,
    /// Aborted by the operator.
    pub aborted: bool,
    /// The known pressure state behind a fitting, as last reported.
    pub disconnect: Disconnect,
    /// The last phase entered.
    pub phase: Option<Phase>,
    /// The discontinuity of the readings, if any. Results after it are ignored.
    pub broken: Option<Discontinuity>,
    started: bool,
}

impl Summary {
    /// Adds an event.
    pub fn see(&mut self, event: &Event) {
        match event {
            Event::Entered { phase, .. } => {
                self.phase = Some(*phase);
                self.started |= *phase == Phase::Precheck;
            }
            Event::Refused(refusal) if !self.started => self.refused = Some(*refusal),
            Event::SideFinished(_) | Event::RunFinished { .. } if self.broken.is_some() => {}
            Event::SideFinished(result) => self.sides.push(*result),
            Event::RunFinished { verdict, diagnosis } => self.proved = Some((*verdict, diagnosis.clone())),
            Event::Faulted(fault) => self.faults.push(*fault),
            Event::Aborted => self.aborted = true,
            Event::Disconnect(disconnect) => self.disconnect = *disconnect,
            _ => {}
        }
    }

    /// From all events of a run.
    pub fn of(events: impl Iterator<Item = Event>) -> Self {
        let mut summary = Self::default();
        for event in events {
            summary.see(&event);
        }
        summary
    }

    /// The exit code that belongs to it.
    pub fn exit(&self) -> Exit {
        if !self.faults.is_empty() {
            return Exit::Fault;
        }
        match self.broken {
            Some(Discontinuity::Differs) => return Exit::Differs,
            Some(Discontinuity::Restarted) if self.proved.is_none() => return Exit::Fault,
            _ => {}
        }
        self.proved.as_ref().map_or(Exit::NoVerdict, |(verdict, _)| (*verdict).into())
    }

    /// The verdict in a word.
    pub fn word(&self) -> &'static str {
        match &self.proved {
            _ if self.broken == Some(Discontinuity::Differs) => "no verdict",
            _ if self.refused.is_some() => "not started",
            Some((verdict, _)) => messages::verdict_word(*verdict),
            None => "no verdict",
        }
    }

    /// A table of the sides, the diagnosis, faults, and whether the far side is empty.
    pub fn text(&self, recipe: &RawRecipe, units: &UnitFormat) -> String {
        let mut out = String::new();
        self.write_sides(&mut out, recipe, units);
        if let Some((_, diagnosis)) = &self.proved
            && self.faults.is_empty()
            && !self.aborted
        {
            line(&mut out, "where", &messages::diagnosis(diagnosis));
        }
        if let Some(refusal) = self.refused {
            line(&mut out, "not started", &messages::refused(refusal));
        }
        if self.aborted {
            line(&mut out, "aborted", "by the operator: no verdict on the valve");
        }
        if let Some(why) = self.broken {
            line(&mut out, "NOT WHOLE", &why.to_string());
            if self.proved.is_none() || why == Discontinuity::Differs {
                line(&mut out, "", "→ these readings carry no verdict: test again");
            }
        }
        for fault in &self.faults {
            let (what, next) = messages::fault(*fault);
            line(&mut out, "FAULT", &what);
            line(&mut out, "", &format!("→ {next}"));
        }
        line(&mut out, "far side", &messages::far_side_at_end(self.disconnect));
        out
    }

    /// Whether the far side was measured empty, as far as one transducer can show.
    pub fn reads_empty(&self) -> bool {
        self.disconnect.reads_empty()
    }

    fn write_sides(&self, out: &mut String, recipe: &RawRecipe, units: &UnitFormat) {
        if self.sides.is_empty() {
            return;
        }
        let limit = units.limit(recipe.limit_pa_m3_s);
        let leak = |side: &SideResult| side.estimate.as_ref().map_or_else(|| "no figure".into(), |f| units.leak(f));
        let leaks: Vec<String> = self.sides.iter().map(leak).collect();
        let width =
            leaks.iter().map(|t| t.chars().count()).max().unwrap_or(0).max("leak ± uncertainty".chars().count());
        let _ = writeln!(out, "  side         on supply  verdict    {:width$}  limit", "leak ± uncertainty");
        for (side, leak) in self.sides.iter().zip(&leaks) {
            let name = messages::side_name(side.side).trim_end_matches(" side");
            let (end, verdict) = (messages::supply_end(side.side), messages::verdict_word(side.verdict));
            let _ = writeln!(out, "  {name:11}  end {end}      {verdict:9}  {leak:width$}  {limit}");
        }
        for side in self.sides.iter().filter(|s| s.reason != seathold_sequencer::verdict::Reason::Measured) {
            line(out, messages::side_name(side.side), &units.reason(side));
        }
        if let Some(estimate) = self.sides.iter().find_map(|s| s.estimate) {
            let counted = format!("leaks are counted at {}", units.reference());
            let covers = format!("± covers the true leak with {} %", percent(estimate.coverage));
            line(out, "figures", &format!("{counted}; {covers}"));
        }
    }

    /// What to do next.
    pub fn next_step(&self) -> &'static str {
        if !self.faults.is_empty() {
            return "deal with the fault before anything else, then test again";
        }
        match &self.proved {
            Some((Verdict::Tight, _)) if self.sides.len() < 2 => {
                "test the other side too: a valve is tight when both are"
            }
            Some((Verdict::Tight, _)) => "this valve is done; take the next",
            Some((Verdict::Leaking, _)) => "rework the part named, then test again under the same serial",
            Some((Verdict::Undecided, _)) => {
                "measure longer (measure_max), make it quieter, or make the far volume smaller"
            }
            Some((Verdict::Void, _)) => "remove the cause, then test again",
            None => "test again when the cause is removed",
        }
    }
}

/// A ratio as a percentage without needless digits.
pub fn percent(ratio: f64) -> String {
    let text = format!("{:.2}", ratio * 100.0);
    text.trim_end_matches('0').trim_end_matches('.').to_owned()
}

/// Text is wrapped here: a terminal of 80 columns.
const WIDTH: usize = 80;
/// Width of the labels in front.
const LABEL: usize = 15;

/// A labelled line, wrapped under its own text.
pub fn line(out: &mut String, label: &str, text: &str) {
    wrapped(out, &format!("  {label}"), LABEL, text);
}

/// A text beside a label of a given width, wrapped under itself.
pub fn wrapped(out: &mut String, label: &str, width: usize, text: &str) {
    let mut at = width;
    let _ = write!(out, "{label:width$}");
    for (i, word) in text.split(' ').enumerate() {
        let length = word.chars().count();
        if i > 0 && at + 1 + length > WIDTH {
            let _ = write!(out, "\n{:width$}", "");
            at = width;
        } else if i > 0 {
            out.push(' ');
            at += 1;
        }
        out.push_str(word);
        at += length;
    }
    out.push('\n');
}
