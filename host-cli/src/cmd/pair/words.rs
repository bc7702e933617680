//! What `seathold pair` says in words.

use seathold_assembly::finished_length::{LengthLimits, LengthRequirement, LengthUncertainty, LengthVerdict};
use seathold_assembly::forecast::Pairing;
use seathold_assembly::length::Length;
use seathold_assembly::length_class::classes;
use seathold_assembly::measured_parts::Part;
use seathold_assembly::pairing::{MostConforming, cuts, rescues};
use seathold_recording::plain::shown;
use seathold_text::layout::{line, percent};
use seathold_text::messages::counted;

use super::args::PairArgs;
use super::question::{Parts, Question};

/// So many of what is left over, and of bodies without fittings, are told one by one; `--json` has all.
const TOLD_MAX: usize = 20;

/// The result for a terminal.
pub(super) fn text(args: &PairArgs, question: &Question, shops: &Pairing, most: &MostConforming) -> String {
    let Question { fittings, bodies, to, .. } = question;
    let file = args.fittings.display().to_string();
    let count = bodies.read.len();
    let mut out = format!(
        "{}  {} for {}\n",
        shown(&file),
        counted(fittings.read.len() as u64, "fitting"),
        if count == 1 { "1 body".into() } else { format!("{count} bodies") }
    );
    line(&mut out, "fittings", fittings.columns.as_deref().unwrap_or_default());
    if let Some(columns) = &bodies.columns {
        line(&mut out, "bodies", columns);
    }
    let LengthLimits { least, most: longest, nominal } = to.limits;
    line(&mut out, "wanted", &format!("{nominal} mm, {least} to {longest} mm"));
    line(&mut out, "accepted", &accepted(to));
    line(&mut out, "made of", &made_of(&bodies.read, to));
    line(&mut out, "uncertainty", &uncertainty(&to.uncertainty));
    line(&mut out, "readings", &readings(question));
    line(&mut out, "shrunk", &shrunk(question));
    line(&mut out, "laid out", &laid_out(question));
    line(&mut out, "inward", &format!("longest with shortest: {}", way(shops, to, count)));
    line(&mut out, "best", &way(&most.pairing, to, count));
    line(&mut out, "", &surety(most));
    if !most.pairing.valves.is_empty() {
        out.push_str(&table(question, &most.pairing));
    }
    left_over(&mut out, question, &most.pairing);
    if !most.pairing.valves.is_empty() {
        line(&mut out, "then", "measure every finished valve: this is a forecast, and no proof of any of them");
    }
    out
}

pub(super) fn accepted(to: &LengthRequirement) -> String {
    match to.accepted() {
        Some((from, upto)) => format!(
            "{from} to {upto} mm: inside by {} mm, so that of the valves called conforming {} % at most are outside, on average",
            to.guard_band(),
            percent(to.risk)
        ),
        None => {
            "nothing: the lengths are not known well enough for this tolerance. Read each part more often, or take a \
                 better gauge"
                .into()
        }
    }
}

/// What nobody typed is seen here too.
pub(super) fn made_of(bodies: &[Part], to: &LengthRequirement) -> String {
    let lengths = || bodies.iter().map(|body| body.length);
    let body = match (lengths().min(), lengths().max()) {
        (Some(least), Some(most)) if least < most => format!("of {least} to {most}"),
        (Some(length), _) => length.to_string(),
        _ => "none".into(),
    };
    format!("body {body}, two fittings, less {} that the seals give, in mm", to.compression)
}

fn mm(m: f64) -> String {
    format!("{:.3}", m * 1e3)
}

fn uncertainty(u: &LengthUncertainty) -> String {
    format!(
        "{} mm of a finished length (standard): body {}, both fittings {}, gauge twice {}, compression {} mm",
        mm(u.combined_m()),
        mm(u.body_m),
        mm(u.fittings_m),
        mm(u.gauge_m),
        mm(u.compression_m)
    )
}

fn readings(question: &Question) -> String {
    let Question { fittings, scatter, .. } = question;
    let known = match scatter.freedom {
        Some(freedom) => format!("found with {freedom} degrees of freedom"),
        None => "as stated".into(),
    };
    let (least, most) = fittings.readings;
    let means =
        if least == most { format!("{least} of each fitting") } else { format!("{least} to {most} of a fitting") };
    format!("{means}; one scatters by {} mm ({known}), in steps of {} mm", mm(scatter.deviation_m), mm(fittings.step_m))
}

/// How far lengths are likely to be from what was read.
fn shrunk(question: &Question) -> String {
    let most = |parts: &Parts| (parts.likely.share, parts.likely.most);
    let ((share, off), (share_of_bodies, off_bodies)) = (most(&question.fittings), most(&question.bodies));
    let (share, off) = (share.max(share_of_bodies), off.max(off_bodies));
    if off == Length::ZERO {
        return "no length: parts lie where they were read".into();
    }
    let percent = match percent(share) {
        none if none == "0" => "less than 0.01".into(),
        percent => percent,
    };
    let by = if off < Length::from_nm(1_000) { "less than 0.001 mm".into() } else { format!("{off} mm at most") };
    format!("by {percent} % of its distance from the mean, {by}: what reads far out is likely less far out")
}

/// Classes left to right, with how many lie in each.
fn laid_out(question: &Question) -> String {
    let of = classes(question.fittings.read.iter().map(|part| part.length), question.class);
    let each: Vec<String> = of.iter().map(|class| format!("{}×{}", class.from, class.count)).collect();
    format!("in classes of {} mm, from and how many: {}", question.class, each.join(" "))
}

fn way(pairing: &Pairing, to: &LengthRequirement, bodies: usize) -> String {
    let of = |verdict| pairing.count(verdict);
    let (right, close, wrong) = (of(LengthVerdict::Conforms), of(LengthVerdict::TooClose), of(LengthVerdict::DoesNot));
    let conform = if right == 1 { "conforms" } else { "conform" };
    let mut said = format!("{right} of {} {conform}", counted(bodies as u64, "valve"));
    if close > 0 {
        said += &format!(", {close} too close to say");
    }
    if wrong > 0 {
        said += &format!(", {wrong} {} not", if wrong == 1 { "does" } else { "do" });
    }
    if right > 0 {
        let those = if right == 1 { "it is" } else { "they are" };
        let off = mm(pairing.rms_off_m(to.limits.nominal));
        said += &format!("; {those} {off} mm off nominal (root mean square)");
    }
    said
}

/// How sure it is that there is nothing better.
pub(super) fn surety(most: &MostConforming) -> String {
    let found = most.pairing.valves.len();
    match (most.exact, found == most.at_most) {
        (true, _) => "no way makes more, and none that makes as many is closer to nominal".into(),
        (false, true) => "no way makes more; one that is closer to nominal may exist".into(),
        (false, false) => format!("found by exchanging; no way makes more than {}", most.at_most),
    }
}

/// A length with its sign, where it has one.
pub(super) fn signed(length: Length) -> String {
    let text = length.to_string();
    if text == "0.000" || text.starts_with('-') { text } else { format!("+{text}") }
}

fn table(question: &Question, pairing: &Pairing) -> String {
    let Question { fittings, bodies, to, .. } = question;
    let rows: Vec<[String; 5]> = pairing
        .valves
        .iter()
        .map(|valve| {
            let [a, b] = valve.fittings.map(|at| shown(&fittings.read[at].id).into_owned());
            let off = signed(valve.finished - to.limits.nominal);
            [shown(&bodies.read[valve.body].id).into_owned(), a, b, valve.finished.to_string(), off]
        })
        .collect();
    let heads = ["body", "fitting", "fitting", "finished, mm", "off, mm"].map(str::to_owned);
    let all = || std::iter::once(&heads).chain(&rows);
    let width = |column: usize| all().map(|row| row[column].chars().count()).max().unwrap_or_default();
    let widths: [usize; 5] = std::array::from_fn(width);
    let row = |row: &[String; 5]| {
        let cells = row.iter().zip(widths).enumerate();
        let pad = |(i, (cell, width)): (usize, (&String, usize))| {
            let blanks = " ".repeat(width - cell.chars().count());
            if i < 3 { format!("{cell}{blanks}") } else { format!("{blanks}{cell}") }
        };
        format!("  {}\n", cells.map(pad).collect::<Vec<_>>().join("  ").trim_end())
    };
    all().map(row).collect()
}

fn left_over(out: &mut String, question: &Question, pairing: &Pairing) {
    let Question { fittings, bodies, to, .. } = question;
    let empty = pairing.empty(&bodies.likely.parts);
    if !empty.is_empty() {
        let names: Vec<_> = empty.iter().take(TOLD_MAX).map(|at| shown(&bodies.read[*at].id)).collect();
        let more = empty.len().saturating_sub(TOLD_MAX);
        let more = if more > 0 { format!(" and {more} more") } else { String::new() };
        let body = if empty.len() == 1 { "body" } else { "bodies" };
        line(out, "empty", &format!("{body} {}{more}: no two fittings are left that fit", names.join(", ")));
    }
    // Which body is meant is said where that makes a difference.
    let alike = bodies.read.windows(2).all(|two| two[0].length == two[1].length);
    let rescues = rescues(&fittings.likely.parts, &bodies.likely.parts, to, pairing);
    for rescue in rescues.iter().take(TOLD_MAX) {
        let part = &fittings.read[rescue.fitting];
        let body = &bodies.read[rescue.body];
        let with = if alike { String::new() } else { format!("body {}, {} mm, and ", shown(&body.id), body.length) };
        let (from, upto) = rescue.partner;
        let words = format!(
            "{}, {} mm: makes a valve with {with}a fitting of {from} to {upto} mm",
            shown(&part.id),
            part.length
        );
        line(out, "left over", &words);
    }
    if rescues.len() > TOLD_MAX {
        line(out, "left over", &format!("and {} more; --json has all of them", rescues.len() - TOLD_MAX));
    }
    for cut in cuts(&fittings.likely.parts, &bodies.likely.parts, to, pairing, question.cut_max).iter().take(TOLD_MAX) {
        let [a, b] = cut.fittings.map(|at| shown(&fittings.read[at].id).into_owned());
        line(out, "one cut", &format!("{} mm off {a} or {b}, or shared by both, makes a valve at nominal", cut.off));
    }
}
