//! `seathold study causes`: whether leaks at the first proof go with how valves were put together.

use std::collections::BTreeMap;

use seathold_analysis::study::causes::{
    COVERAGE, LeakCauses, LeakComparison, LeakShare, ObservedValve, VALVES_MIN, causes,
};
use seathold_register::assembly::first_proof::FirstProofs;
use seathold_sequencer::verdict::Verdict;
use seathold_text::layout::{line, wrapped};
use seathold_text::messages::counted;
use serde_json::json;

use super::study_factors::factors;
use super::study_lengths::AssembledArgs;
use crate::console::Console;
use crate::error::Error;
use crate::exit::Exit;
use crate::schema::{self, JsonKind};

/// So many comparisons are printed; all are in what programs get.
const PRINTED_MAX: usize = 20;

/// So many levels of a factor that too few valves have are named.
const NAMED_MAX: usize = 6;

/// An adjusted p up to here stands out: common practice, no source.
const STANDS_OUT_P: f64 = 0.05;

/// The valves that count, and how many do not.
#[derive(Default)]
struct ProvedValves {
    valves: Vec<ObservedValve>,
    batches: Vec<String>,
    undecided: usize,
    void: usize,
    not_proved: usize,
    damaged: usize,
}

pub(super) fn run(args: &AssembledArgs, console: &mut Console<'_>) -> Result<Exit, Error> {
    let (register, batches) = args.open()?;
    let mut proved = ProvedValves::default();
    for batch in batches {
        let FirstProofs { valves, damaged } = FirstProofs::of(&register, &batch)?;
        proved.damaged += damaged.len();
        for valve in &valves {
            let leaking = match valve.verdict {
                Some(Verdict::Leaking) => true,
                Some(Verdict::Tight) => false,
                Some(Verdict::Undecided) => {
                    proved.undecided += 1;
                    continue;
                }
                Some(Verdict::Void) => {
                    proved.void += 1;
                    continue;
                }
                None => {
                    proved.not_proved += 1;
                    continue;
                }
            };
            proved.valves.push(ObservedValve { leaking, levels: factors(&batch.name, valve) });
        }
        proved.batches.push(batch.name);
    }
    let found = causes(&proved.valves);
    if args.json {
        let leaking = proved.leaking();
        let all = json!({
            "batches": proved.batches, "leaking": leaking, "tight": proved.valves.len() - leaking,
            "left_out": { "undecided": proved.undecided, "void": proved.void, "not_proved": proved.not_proved, "damaged_notes": proved.damaged },
            "comparison_count": found.comparisons.len(), "comparisons": found.comparisons, "too_few": found.too_few,
            "valves_min": VALVES_MIN, "coverage": COVERAGE,
        });
        schema::write(console, JsonKind::Causes, all)?;
    } else {
        write!(console.out, "{}", text(&proved, &found))?;
    }
    Ok(if found.comparisons.is_empty() || proved.all_alike() { Exit::NoVerdict } else { Exit::Good })
}

impl ProvedValves {
    fn leaking(&self) -> usize {
        self.valves.iter().filter(|valve| valve.leaking).count()
    }

    /// Whether there is nothing to compare.
    fn all_alike(&self) -> bool {
        let leaking = self.leaking();
        leaking == 0 || leaking == self.valves.len()
    }
}

fn text(proved: &ProvedValves, found: &LeakCauses) -> String {
    let mut out = String::new();
    let leaking = proved.leaking();
    let valves = counted(proved.valves.len() as u64, "valve");
    let batches = match proved.batches.len() {
        1 => "1 batch".into(),
        n => format!("{n} batches"),
    };
    let tight = proved.valves.len() - leaking;
    wrapped(&mut out, "", 0, &format!("first proofs of {valves} in {batches}: {leaking} leaking, {tight} tight"));
    let out_of = [
        (proved.undecided, "undecided"),
        (proved.void, "void"),
        (proved.not_proved, "not proved from both sides before a rework"),
    ];
    let left: Vec<String> = out_of.iter().filter(|(n, _)| *n > 0).map(|(n, why)| format!("{n} {why}")).collect();
    let damaged = (proved.damaged > 0).then(|| counted(proved.damaged as u64, "damaged note"));
    let left: Vec<String> = left.into_iter().chain(damaged).collect();
    if !left.is_empty() {
        line(&mut out, "left out", &left.join(", "));
    }
    if proved.all_alike() {
        let all = if proved.valves.is_empty() {
            "no valve was proved"
        } else if tight == 0 {
            "every valve leaked"
        } else {
            "no valve leaked"
        };
        line(&mut out, "nothing", &format!("{all}: there is nothing to compare"));
        return out;
    }
    comparisons(&mut out, found);
    not_compared(&mut out, found);
    if !found.comparisons.is_empty() {
        cautions(&mut out, found);
    }
    out
}

fn comparisons(out: &mut String, found: &LeakCauses) {
    let all = &found.comparisons;
    if all.is_empty() {
        let why = format!(
            "nothing is compared: no level of a factor has {VALVES_MIN} valves, and {VALVES_MIN} others beside them"
        );
        line(out, "compared", &why);
        return;
    }
    let how =
        "by Fisher's exact test, two-sided; p adjusted for so many by Holm's rule; intervals of shares cover with 95 %";
    line(out, "compared", &format!("{}, {how}", counted(all.len() as u64, "comparison")));
    for (number, one) in all.iter().take(PRINTED_MAX).enumerate() {
        wrapped(out, &format!("{:4}", number + 1), 6, &format!("{}: {}", one.factor, one.level));
        wrapped(out, "", 6, &format!("leaking {}", share(&one.with)));
        wrapped(out, "", 6, &format!("others  {}", share(&one.without)));
        wrapped(out, "", 6, &format!("p {}, adjusted {}", p_words(one.p), p_words(one.adjusted_p)));
        if !one.same_valves.is_empty() {
            let same: Vec<String> = one.same_valves.iter().take(NAMED_MAX).map(|(f, l)| format!("{f}: {l}")).collect();
            let more = more_than(one.same_valves.len(), NAMED_MAX);
            wrapped(out, "", 6, &format!("not to be told apart from {}{more}: the same valves", same.join("; ")));
        }
    }
    if all.len() > PRINTED_MAX {
        line(out, "", &format!("{} more, of greater p: --json has them", all.len() - PRINTED_MAX));
    }
}

fn more_than(all: usize, named: usize) -> String {
    if all > named { format!(" and {} more", all - named) } else { String::new() }
}

/// "5 of 8, 62 % (24 to 91 %)".
fn share(of: &LeakShare) -> String {
    let percent = |ratio: f64| format!("{:.0}", 100.0 * ratio);
    let (share, low, high) = (percent(of.share), percent(of.low), percent(of.high));
    format!("{} of {}, {share} % ({low} to {high} %)", of.counted.leaking, of.counted.of)
}

fn p_words(p: f64) -> String {
    match p {
        p if p < 1e-4 => "below 0.0001".into(),
        p if p < 0.01 => format!("{p:.4}"),
        p => format!("{p:.3}"),
    }
}

fn not_compared(out: &mut String, found: &LeakCauses) {
    let mut few: BTreeMap<&str, Vec<String>> = BTreeMap::new();
    let mut alike = Vec::new();
    for one in &found.too_few {
        if one.with < VALVES_MIN {
            few.entry(&one.factor).or_default().push(format!("{} ({})", one.level, one.with));
        } else if one.without == 0 {
            alike.push(format!("{}: {}", one.factor, one.level));
        }
    }
    for (factor, levels) in few {
        let named: Vec<&str> = levels.iter().take(NAMED_MAX).map(String::as_str).collect();
        let more = more_than(levels.len(), NAMED_MAX);
        line(out, "too few", &format!("{factor}: {}{more}", named.join(", ")));
    }
    if !alike.is_empty() {
        line(out, "all alike", &alike.join("; "));
    }
}

fn cautions(out: &mut String, found: &LeakCauses) {
    let stand_out: Vec<&LeakComparison> =
        found.comparisons.iter().filter(|one| one.adjusted_p <= STANDS_OUT_P).collect();
    let said = match stand_out.len() {
        0 => format!(
            "nothing, at an adjusted p of {STANDS_OUT_P} or less: so few valves may hide a cause, and chance alone makes one raw p in \
             twenty that small"
        ),
        n => format!("{}, at an adjusted p of {STANDS_OUT_P} or less", counted(n as u64, "comparison")),
    };
    line(out, "stands out", &said);
    line(
        out,
        "CAUTION",
        "What goes with leaks need not cause them: ask what else changed with it, and who got the hard valves. Many comparisons find \
         something by chance",
    );
    line(
        out,
        "next",
        "a deliberate trial: change that one thing alone, on valves drawn by lot, and settle before how many and what would convince you",
    );
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn where_all_are_alike_there_is_nothing_to_compare() {
        for (leaking, said) in [(true, "every valve leaked"), (false, "no valve leaked")] {
            let valve = |n: usize| {
                let lot = ["K-1", "K-2"][n % 2];
                ObservedValve { leaking, levels: [("lot".to_owned(), lot.to_owned())].into() }
            };
            let proved = ProvedValves { valves: (0..8).map(valve).collect(), ..ProvedValves::default() };
            let text = text(&proved, &causes(&proved.valves));
            assert!(text.contains(said) && !text.contains("adjusted"), "{text}");
        }
    }

    #[test]
    fn a_p_is_never_told_as_nothing() {
        assert_eq!([p_words(0.0), p_words(0.001_23), p_words(0.5)], ["below 0.0001", "0.0012", "0.500"]);
    }
}
