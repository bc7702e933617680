//! The result of a run, from its events alone: the same for a run just ended and for a recording.

use std::fmt::Write;

use seathold_sequencer::event::{Disconnect, Event, Fault, Phase, Refusal};
use seathold_sequencer::recipe::RawRecipe;
use seathold_sequencer::verdict::{Diagnosis, SideResult, Verdict};

use crate::exit::Exit;
use crate::recording::Why;
use crate::words::{self, Speaker};

/// What a run came to.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Summary {
    /// Each side's result, in the order judged.
    pub sides: Vec<SideResult>,
    /// The valve's.
    pub proved: Option<(Verdict, Diagnosis)>,
    /// Faults in order.
    pub faults: Vec<Fault>,
    /// Why it did not start.
    pub refused: Option<Refusal>,
    /// Given up by the operator.
    pub aborted: bool,
    /// What is known of the pressure behind a fitting, as last told.
    pub disconnect: Disconnect,
    /// The last phase entered.
    pub phase: Option<Phase>,
    /// Why the readings do not hang together, if they do not. Results that came after that are not taken in.
    pub broken: Option<Why>,
    started: bool,
}

impl Summary {
    /// Takes in an event.
    pub fn see(&mut self, event: &Event) {
        match event {
            Event::Entered { phase, .. } => {
                self.phase = Some(*phase);
                self.started |= *phase == Phase::Precheck;
            }
            Event::Refused(refusal) if !self.started => self.refused = Some(*refusal),
            Event::Judged(_) | Event::Proved { .. } if self.broken.is_some() => {}
            Event::Judged(result) => self.sides.push(*result),
            Event::Proved { verdict, diagnosis } => self.proved = Some((*verdict, diagnosis.clone())),
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
            Some(Why::Differs) => return Exit::Differs,
            Some(Why::Restarted) if self.proved.is_none() => return Exit::Fault,
            _ => {}
        }
        self.proved.as_ref().map_or(Exit::NoVerdict, |(verdict, _)| (*verdict).into())
    }

    /// The verdict in a word.
    pub fn word(&self) -> &'static str {
        match &self.proved {
            _ if self.broken == Some(Why::Differs) => "no verdict",
            _ if self.refused.is_some() => "not started",
            Some((verdict, _)) => words::verdict_word(*verdict),
            None => "no verdict",
        }
    }

    /// A table of the sides, the diagnosis, faults, and whether the far side is empty.
    pub fn text(&self, recipe: &RawRecipe, speaker: &Speaker) -> String {
        let mut out = String::new();
        self.write_sides(&mut out, recipe, speaker);
        if let Some((_, diagnosis)) = &self.proved
            && self.faults.is_empty()
            && !self.aborted
        {
            line(&mut out, "where", &words::diagnosis(diagnosis));
        }
        if let Some(refusal) = self.refused {
            line(&mut out, "not started", &words::refused(refusal));
        }
        if self.aborted {
            line(&mut out, "given up", "by the operator: no verdict on the valve");
        }
        if let Some(why) = self.broken {
            line(&mut out, "NOT WHOLE", &why.to_string());
            if self.proved.is_none() || why == Why::Differs {
                line(&mut out, "", "→ these readings carry no verdict: test again");
            }
        }
        for fault in &self.faults {
            let (what, next) = words::fault(*fault);
            line(&mut out, "FAULT", &what);
            line(&mut out, "", &format!("→ {next}"));
        }
        line(&mut out, "far side", &words::far_side_at_end(self.disconnect));
        out
    }

    /// Whether the far side was measured empty, as far as one transducer can tell.
    pub fn reads_empty(&self) -> bool {
        self.disconnect.reads_empty()
    }

    fn write_sides(&self, out: &mut String, recipe: &RawRecipe, speaker: &Speaker) {
        if self.sides.is_empty() {
            return;
        }
        let limit = speaker.limit(recipe.limit_pa_m3_s);
        let leak = |side: &SideResult| side.figure.as_ref().map_or_else(|| "no figure".into(), |f| speaker.leak(f));
        let leaks: Vec<String> = self.sides.iter().map(leak).collect();
        let width =
            leaks.iter().map(|t| t.chars().count()).max().unwrap_or(0).max("leak ± uncertainty".chars().count());
        let _ = writeln!(out, "  side         on supply  verdict    {:width$}  limit", "leak ± uncertainty");
        for (side, leak) in self.sides.iter().zip(&leaks) {
            let name = words::side_name(side.side).trim_end_matches(" side");
            let (end, verdict) = (words::supply_end(side.side), words::verdict_word(side.verdict));
            let _ = writeln!(out, "  {name:11}  end {end}      {verdict:9}  {leak:width$}  {limit}");
        }
        for side in self.sides.iter().filter(|s| s.ground != seathold_sequencer::verdict::Ground::Measured) {
            line(out, words::side_name(side.side), &speaker.ground(side));
        }
        if let Some(figure) = self.sides.iter().find_map(|s| s.figure) {
            let counted = format!("leaks are counted at {}", speaker.reference());
            let covers = format!("± covers the true leak with {} %", percent(figure.coverage));
            line(out, "figures", &format!("{counted}; {covers}"));
        }
    }

    /// What to do next.
    pub fn next_step(&self) -> &'static str {
        if !self.faults.is_empty() {
            return "see to the fault before anything else, then test again";
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
