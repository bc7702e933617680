//! The page of `seathold pair`, for the bench.

use seathold_assembly::finished_length::{LengthLimits, LengthVerdict};
use seathold_assembly::forecast::Pairing;
use seathold_assembly::length_class::{class_name, class_of, classed};
use seathold_assembly::pairing::{MostConforming, cuts, rescues};
use seathold_document::Document;
use seathold_report::tray::{self, TrayClass, TrayLeft, TrayPage, TrayValve};
use seathold_text::messages::counted;

use super::args::PairArgs;
use super::question::Question;
use super::words::{accepted, made_of, signed, surety};

/// Most hints of one kind.
const HINTS_MAX: usize = 20;

/// The page. `when` is the local time, and `moment` the same as RFC 3339.
pub(super) fn page(
    args: &PairArgs,
    question: &Question,
    most: &MostConforming,
    (when, moment): (&str, &str),
) -> Document {
    let Question { fittings, bodies, to, class, .. } = question;
    let pairing: &Pairing = &most.pairing;
    let read = &fittings.read;
    let file = args.fittings.file_name().map_or_else(String::new, |name| name.to_string_lossy().into_owned());
    let LengthLimits { least, most: longest, nominal } = to.limits;
    let of_class = |at: usize| class_name(class_of(read[at].length, *class), *class);
    let name = |at: usize| read[at].id.clone();
    let lengths: Vec<_> = read.iter().map(|part| part.length).collect();
    let classes = classed(&lengths, *class);
    let valves = pairing.valves.iter().map(|valve| TrayValve {
        valve: bodies.read[valve.body].id.clone(),
        fittings: valve.fittings.map(|at| (name(at), of_class(at))),
        finished: valve.finished.to_string(),
        off: signed(valve.finished - nominal),
    });
    let alike = bodies.read.windows(2).all(|two| two[0].length == two[1].length);
    let rescues = rescues(&fittings.likely.parts, &bodies.likely.parts, to, pairing);
    let helps = |at: usize| {
        let Some(rescue) = rescues.iter().find(|rescue| rescue.fitting == at) else { return String::new() };
        let (from, upto) = rescue.partner;
        let with = if alike { String::new() } else { format!("body {} and ", bodies.read[rescue.body].id) };
        format!("{with}a fitting of {from} to {upto} mm")
    };
    let left = pairing.left.iter().map(|at| TrayLeft {
        fitting: name(*at),
        class: of_class(*at),
        length: read[*at].length.to_string(),
        helps: helps(*at),
    });
    let cuts = cuts(&fittings.likely.parts, &bodies.likely.parts, to, pairing, question.cut_max);
    let hints = cuts.iter().take(HINTS_MAX).map(|cut| {
        let [a, b] = cut.fittings.map(name);
        format!("{} mm off {a} or {b}, or shared by both, makes a valve at nominal.", cut.off)
    });
    let conform = pairing.count(LengthVerdict::Conforms);
    let facts = [
        ("Paired", format!("{when}, {} of {file}", counted(read.len() as u64, "fitting"))),
        ("Wanted", format!("{nominal} mm, {least} to {longest} mm")),
        ("Accepted", accepted(to)),
        ("Made of", made_of(&bodies.read, to)),
        ("Found", surety(most)),
    ];
    tray::document(&TrayPage {
        title: format!("Tray: {file}"),
        foot: format!("Tray: {file}, paired {when}"),
        moment: moment.into(),
        tally: format!("{conform} of {} would conform", counted(bodies.read.len() as u64, "valve")),
        facts: facts.into_iter().map(|(name, value)| (name.into(), value)).collect(),
        class_width: class.to_string().trim_end_matches('0').trim_end_matches('.').into(),
        classes: classes
            .iter()
            .map(|class| TrayClass {
                from: class.name.clone(),
                fittings: class.parts.iter().map(|at| name(*at)).collect(),
            })
            .collect(),
        valves: valves.collect(),
        left: left.collect(),
        empty: pairing.empty(&bodies.likely.parts).into_iter().map(|at| bodies.read[at].id.clone()).collect(),
        hints: hints.collect(),
    })
}
