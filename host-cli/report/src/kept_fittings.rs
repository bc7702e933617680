//! The fittings of a batch as they were kept for its valves: what lies in the tray, and where it goes.

use std::collections::HashSet;

use seathold_assembly::length::Length;
use seathold_assembly::length_class::{ClassedParts, class_name, class_of, classed};
use seathold_register::assembly::progress::{AssemblyProgress, ValveAssembly};
use seathold_register::assembly::sealed::{PairedValve, SealedPart, mm};
use seathold_text::messages::counted;

use crate::tray::{TrayClass, TrayLeft, TrayPage, TrayValve};

/// A fitting that is in no valve yet.
#[derive(Clone, Debug, PartialEq)]
pub struct KeptFitting {
    /// The fitting.
    pub part: SealedPart,
    /// The valve that it goes to, and its partner; none where it is left over.
    pub goes_to: Option<(String, String)>,
}

impl KeptFitting {
    /// The name of its class.
    pub fn class(&self, width: Length) -> String {
        class_name(class_of(self.length(), width), width)
    }

    fn length(&self) -> Length {
        Length::from_m(self.part.length_mm / 1e3)
    }
}

/// The pairs of valves that are not bolted up.
fn waiting(progress: &AssemblyProgress) -> impl Iterator<Item = (&ValveAssembly, &PairedValve)> {
    let free = progress.valves.iter().filter(|valve| valve.bolted.is_none());
    free.filter_map(|valve| Some((valve, valve.pair.as_ref()?)))
}

/// The fittings that are bolted up in none: in the order of the batch's valves, and then those that are left over.
pub fn kept_fittings(progress: &AssemblyProgress) -> Vec<KeptFitting> {
    let used: HashSet<&str> = progress.used_fittings().collect();
    let paired = waiting(progress).flat_map(|(valve, pair)| {
        let [a, b] = &pair.fittings;
        [(a, b), (b, a)].map(|(part, partner)| KeptFitting {
            part: part.clone(),
            goes_to: Some((valve.serial.clone(), partner.id.clone())),
        })
    });
    let left = progress.left.iter().map(|part| KeptFitting { part: part.clone(), goes_to: None });
    paired.chain(left).filter(|fitting| !used.contains(fitting.part.id.as_str())).collect()
}

/// Their classes, by place in the list.
pub fn kept_classes(fittings: &[KeptFitting], width: Length) -> Vec<ClassedParts> {
    classed(&fittings.iter().map(KeptFitting::length).collect::<Vec<_>>(), width)
}

/// The page for the bench. `when` it is made is local time, and `moment` the same as RFC 3339.
pub fn kept_tray(progress: &AssemblyProgress, batch: &str, width: Length, (when, moment): (&str, &str)) -> TrayPage {
    let fittings = kept_fittings(progress);
    let used: HashSet<&str> = progress.used_fittings().collect();
    let class = |part: &SealedPart| class_name(class_of(Length::from_m(part.length_mm / 1e3), width), width);
    let nominal = progress.requirement.map(|to| to.nominal_mm);
    let signed =
        |off: f64| if mm(off).starts_with(['-', '0']) && off <= 0.0 { mm(off) } else { format!("+{}", mm(off)) };
    let valves: Vec<TrayValve> = waiting(progress)
        .map(|(valve, pair)| TrayValve {
            valve: valve.serial.clone(),
            fittings: pair.fittings.each_ref().map(|part| (part.id.clone(), class(part))),
            finished: mm(pair.finished_mm),
            off: nominal.map_or_else(|| "–".into(), |nominal| signed(pair.finished_mm - nominal)),
        })
        .collect();
    let left = fittings.iter().filter(|fitting| fitting.goes_to.is_none()).map(|fitting| TrayLeft {
        fitting: fitting.part.id.clone(),
        class: fitting.class(width),
        length: mm(fitting.part.length_mm),
        helps: String::new(),
    });
    // Somebody took another fitting than the one that was kept.
    let taken = waiting(progress).flat_map(|(valve, pair)| {
        let gone = pair.fittings.iter().filter(|part| used.contains(part.id.as_str()));
        gone.map(|part| format!("{} is bolted to another valve than {}: pair again.", part.id, valve.serial))
    });
    let bolted = progress.valves.iter().filter(|valve| valve.bolted.is_some()).count();
    let without = progress.valves.iter().filter(|valve| valve.bolted.is_none() && valve.pair.is_none());
    let wanted = progress
        .requirement
        .map(|to| format!("{} mm, {} to {} mm", mm(to.nominal_mm), mm(to.least_mm), mm(to.most_mm)));
    let facts = [
        Some(("Printed".into(), when.into())),
        wanted.map(|wanted| ("Wanted".into(), wanted)),
        Some(("Bolted up".into(), format!("{bolted} of {}", counted(progress.valves.len() as u64, "valve")))),
    ];
    TrayPage {
        title: format!("Tray of batch {batch}"),
        foot: format!("Tray of batch {batch}, printed {when}"),
        moment: moment.into(),
        tally: format!("fittings for {} as they were paired", counted(valves.len() as u64, "valve")),
        facts: facts.into_iter().flatten().collect(),
        class_width: class_name(width, Length::from_nm(1_000)).trim_end_matches('0').trim_end_matches('.').into(),
        classes: kept_classes(&fittings, width)
            .into_iter()
            .map(|class| TrayClass {
                from: class.name,
                fittings: class.parts.iter().map(|at| fittings[*at].part.id.clone()).collect(),
            })
            .collect(),
        left: left.collect(),
        empty: without.map(|valve| valve.serial.clone()).collect(),
        hints: taken.collect(),
        valves,
    }
}
