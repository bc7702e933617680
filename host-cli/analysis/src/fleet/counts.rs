//! Counts of a fleet, against the true leaks.

use std::fmt::Write;

use seathold_sequencer::input::Side;
use seathold_sequencer::verdict::Verdict;
use seathold_text::layout::wrapped;
use seathold_text::messages::verdict_word;
use serde_json::{Value, json};

use super::test::TestedValve;

/// The rows of the table, and of every count.
const VERDICTS: [Option<Verdict>; 5] =
    [Some(Verdict::Tight), Some(Verdict::Leaking), Some(Verdict::Undecided), Some(Verdict::Void), None];

fn index(verdict: Option<Verdict>) -> usize {
    VERDICTS.iter().position(|v| *v == verdict).unwrap_or(VERDICTS.len() - 1)
}

/// A line under the table.
pub fn labelled(out: &mut String, label: &str, text: &str) {
    wrapped(out, &format!("  {label}"), 19, text);
}

/// How many have which verdict: of those truly not over the limit, and of those over it.
type VerdictCounts = [[u64; VERDICTS.len()]; 2];

/// The counts of a fleet.
#[derive(Clone, Debug, Default)]
pub struct FleetCounts {
    valves: VerdictCounts,
    sides: VerdictCounts,
    faulted: u64,
    times_s: Vec<f64>,
}

impl FleetCounts {
    /// Counts a valve.
    pub fn see(&mut self, tested: &TestedValve, limit: f64, target_pa: f64) {
        let mut any = false;
        for side in [Side::First, Side::Second] {
            let over = tested.drawn.true_leak(side, target_pa) > limit;
            any |= over;
            let verdict = tested.side(side).map(|result| result.verdict);
            self.sides[usize::from(over)][index(verdict)] += 1;
        }
        let verdict = tested.verdict.filter(|_| !tested.faulted);
        self.valves[usize::from(any)][index(verdict)] += 1;
        self.faulted += u64::from(tested.faulted);
        self.times_s.push(tested.time_s);
    }

    /// Valves counted.
    pub fn done(&self) -> u64 {
        self.times_s.len() as u64
    }

    /// The median time on the rig, s.
    fn median_s(&self) -> Option<f64> {
        let mut times = self.times_s.clone();
        times.sort_by(f64::total_cmp);
        let half = times.len() / 2;
        match times.len() {
            0 => None,
            n if n % 2 == 1 => Some(times[half]),
            _ => Some((times[half - 1] + times[half]) / 2.0),
        }
    }

    /// The table, with the limit in the user's units.
    pub fn text(&self, limit: &str) -> String {
        let mut out = String::new();
        let _ = writeln!(out, "               valves   sides   truly within   truly over   limit {limit}");
        for (i, verdict) in VERDICTS.iter().enumerate() {
            let [within, over] = [0, 1].map(|truth: usize| self.sides[truth][i]);
            let valves = self.valves[0][i] + self.valves[1][i];
            let word = verdict.map_or("no verdict", verdict_word);
            let _ = writeln!(out, "  {word:11} {valves:>8} {:>7} {within:>14} {over:>12}", within + over);
        }
        for (what, said, truth) in [("wrongly tight", Verdict::Tight, 1), ("wrongly leaking", Verdict::Leaking, 0)] {
            let which = ["within the limit", "over the limit"][truth];
            let count = |counts: &VerdictCounts| (counts[truth][index(Some(said))], counts[truth].iter().sum::<u64>());
            let ((sides, of_sides), (valves, of_valves)) = (count(&self.sides), count(&self.valves));
            let of = format!("{sides} of {of_sides} sides, {valves} of {of_valves} valves truly {which}");
            labelled(&mut out, what, &of);
        }
        if self.faulted > 0 {
            labelled(&mut out, "faults", &format!("{} valves ended in a safety fault", self.faulted));
        }
        if let Some(median) = self.median_s() {
            labelled(&mut out, "median time", &format!("{median:.0} s on the rig for both sides"));
        }
        out
    }

    /// The same for programs.
    pub fn json(&self, limit: f64) -> Value {
        let counts = |counts: &VerdictCounts| {
            let of = |truth: usize| {
                let named = VERDICTS.iter().enumerate().map(|(i, verdict)| {
                    (verdict.map_or("no-verdict", verdict_word).to_owned(), Value::from(counts[truth][i]))
                });
                Value::Object(named.collect())
            };
            json!({ "truly_within": of(0), "truly_over": of(1) })
        };
        json!({
            "done": self.done(),
            "limit_pa_m3_s": limit,
            "valves": counts(&self.valves),
            "sides": counts(&self.sides),
            "faulted": self.faulted,
            "median_time_s": self.median_s(),
        })
    }
}
