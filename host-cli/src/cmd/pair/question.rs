//! What is asked of `seathold pair`: lists that were read, and what the valves are to be.

use std::collections::HashSet;
use std::ops::RangeInclusive;
use std::path::Path;

use seathold_assembly::finished_length::{LengthLimits, LengthRequirement, LengthUncertainty};
use seathold_assembly::length::Length;
use seathold_assembly::length_unit;
use seathold_assembly::likely_length::{LikelyLengths, likely};
use seathold_assembly::measured_parts::{self, MeasuredParts, PARTS_MAX, Part};
use seathold_assembly::reading::PART_M;
use seathold_assembly::repeatability::{Repeatability, of_mean};
use seathold_quantity::{InputError, UnitDef, list_file};
use seathold_recording::file::read_at_most;
use seathold_sequencer::field::Unit;

use super::args::PairArgs;
use crate::cmd::class_arg::CLASS_M;
use crate::error::Error;
use crate::quantity_args::QuantityArgs;

/// The longest list that is read, in bytes: as many parts as are taken, with twenty readings each.
const LIST_BYTES_MAX: u64 = 4 << 20;

/// Degrees of freedom from which on a standard deviation is taken as known: with 10 it is known to a fifth (our judgement).
const FREEDOM_MIN: usize = 10;

/// Bounds of a tolerance, in metres.
const TOLERANCE_M: RangeInclusive<f64> = 1e-6..=0.1;

/// Everything that is asked.
pub(super) struct Question {
    pub fittings: Parts,
    pub bodies: Parts,
    pub to: LengthRequirement,
    pub scatter: Scatter,
    pub class: Length,
    pub cut_max: Length,
}

/// What of a batch waits for its fittings, and what does not.
pub(super) struct Waiting {
    /// Valves that are neither bolted up nor set aside, in the order of the list.
    pub valves: Vec<String>,
    /// Fittings that are bolted up.
    pub used: HashSet<String>,
}

/// Parts of one kind.
pub(super) struct Parts {
    /// As they were read, or said to be.
    pub read: Vec<Part>,
    /// As they are likely to be.
    pub likely: LikelyLengths,
    /// Which columns they were read from, in words; `None` where they were not measured.
    pub columns: Option<String>,
    /// The least number of readings of any, and the greatest.
    pub readings: (usize, usize),
    /// The step by which they were read, in metres.
    pub step_m: f64,
}

/// How far readings of one part scatter.
pub(super) struct Scatter {
    pub deviation_m: f64,
    /// `None` where it was stated.
    pub freedom: Option<usize>,
}

impl Parts {
    /// Measured ones. No more scatter than `scatter_max_m` in what each was read as.
    fn measured(list: MeasuredParts, scatter: &Scatter, scatter_max_m: f64) -> Self {
        let of = |readings: &usize| of_mean(scatter.deviation_m, *readings, list.step_m).min(scatter_max_m);
        let each: Vec<f64> = list.readings.iter().map(of).collect();
        Self {
            likely: likely(&list.parts, &each),
            columns: Some(list.columns),
            readings: list.readings.iter().fold((usize::MAX, 1), |(least, most), n| (least.min(*n), most.max(*n))),
            step_m: list.step_m,
            read: list.parts,
        }
    }

    /// Only those whose names are so.
    fn retain(&mut self, is_wanted: impl Fn(&str) -> bool) {
        self.read.retain(|part| is_wanted(&part.id));
        self.likely.parts.retain(|part| is_wanted(&part.id));
    }

    /// Of one length, so many or by their names.
    fn of_one_length(count: usize, named: Option<&[String]>, length: Length) -> Self {
        // In the order of their numbers as words too.
        let digits = count.to_string().len();
        let numbered = || (1..=count).map(|n| format!("{n:0digits$}")).collect();
        let names: Vec<String> = named.map_or_else(numbered, <[String]>::to_vec);
        let read: Vec<Part> = names.into_iter().map(|id| Part { id, length }).collect();
        Self { likely: LikelyLengths::as_read(&read, 0.0), read, columns: None, readings: (1, 1), step_m: 0.0 }
    }
}

fn list(path: &Path, args: &PairArgs, unit: UnitDef) -> Result<MeasuredParts, Error> {
    let wrong = |problems| Error::from(InputError { origin: path.display().to_string(), problems });
    let text = list_file::text(read_at_most(path, LIST_BYTES_MAX)?).map_err(|problem| wrong(vec![problem]))?;
    let mut list = measured_parts::parse(&text, unit).map_err(wrong)?;
    match list.doubts.last_mut() {
        Some(last) if !args.lengths_checked => {
            last.message += " Measure again, or say --lengths-checked";
            Err(wrong(list.doubts))
        }
        _ => Ok(list),
    }
}

/// Reads and checks everything. Of a batch only what waits takes part: what is bolted up has its fittings.
pub(super) fn question(args: &PairArgs, batch: Option<&Waiting>) -> Result<Question, Error> {
    let mut o = QuantityArgs::default();
    let mut length = |option: &str, text: &str, range| Length::from_m(o.quantity(option, Unit::Metre, text, range));
    let nominal = length("--nominal", &args.nominal, PART_M);
    let above = length("--tolerance", &args.tolerance, TOLERANCE_M);
    let below = args.tolerance_below.as_deref().map(|text| length("--tolerance-below", text, TOLERANCE_M));
    let compression = length("--compression", &args.compression, 0.0..=0.05);
    let cut_max = length("--cut-max", &args.cut_max, 0.0..=0.1);
    let class = length("--class", &args.class, CLASS_M);
    let body = args.body_length.as_deref().map(|text| length("--body-length", text, PART_M));
    let mut u = |option: &str, text: Option<&str>| o.maybe(option, Unit::Metre, text, 0.0..=0.01);
    let gauge_m = u("--gauge-u", Some(&args.gauge_u)).unwrap_or_default();
    let (repeat, body_u) = (u("--repeat-u", args.repeat_u.as_deref()), u("--body-u", args.body_u.as_deref()));
    let compression_m = u("--compression-u", Some(&args.compression_u)).unwrap_or_default();
    let risk = o.quantity("--risk", Unit::Ratio, &args.risk, 1e-6..=0.5);
    let unit = length_unit::unit(&args.unit.to_lowercase());
    if unit.is_none() {
        let taken = length_unit::choices();
        o.wrong(format!("--unit: \"{}\" is no unit of length (units taken: {taken})", args.unit));
    }
    if args.bodies.is_some_and(|n| !(1..=PARTS_MAX).contains(&n)) {
        o.wrong(format!("--bodies: {} is outside 1 to {PARTS_MAX}", args.bodies.unwrap_or_default()));
    }
    if body.is_some() && body_u.is_none() {
        o.wrong("--body-u: say how well the bodies' length is known, as a standard uncertainty, like \"0.02 mm\"");
    }
    o.finish()?;
    let unit = unit.unwrap_or(seathold_quantity::Dimension(Unit::Metre).usual());
    let fittings = list(&args.fittings, args, unit)?;
    let bodies = args.bodies_file.as_deref().map(|path| list(path, args, unit)).transpose()?;
    let scatter = scatter(args, repeat, &fittings, bodies.as_ref())?;
    let mut fittings = Parts::measured(fittings, &scatter, f64::INFINITY);
    // What is said of bodies is all that is uncertain of them.
    let mut measured = bodies.map(|list| Parts::measured(list, &scatter, body_u.unwrap_or(f64::INFINITY)));
    if let Some(batch) = batch {
        // They are of the same lot, and tell how it scatters.
        fittings.retain(|id| !batch.used.contains(id));
        if let Some(bodies) = &mut measured {
            let missing = batch.valves.iter().find(|serial| bodies.read.iter().all(|body| body.id != **serial));
            if let (Some(serial), Some(path)) = (missing, &args.bodies_file) {
                let why = format!("{}: has no body {serial}, which waits for its fittings", path.display());
                return Err(Error::usage(why));
            }
            bodies.retain(|id| batch.valves.iter().any(|serial| serial == id));
        }
    }
    // A body that is measured with the same gauge shares its error, which then counts three times: (3 g)² = (2 g)² + 5 g².
    let shared_m = 5f64.sqrt() * gauge_m;
    let body_m = match (body_u, &measured) {
        (Some(u), Some(bodies)) => u.hypot(bodies.likely.shrinkage_m),
        (Some(u), None) => u,
        (None, Some(bodies)) => bodies.likely.of_one_m().hypot(shared_m),
        (None, None) => 0.0,
    };
    let fittings_m = fittings.likely.of_two_m();
    let mut uncertainty = LengthUncertainty { body_m, fittings_m, gauge_m, compression_m, freedom: None };
    // Of the variance, what comes from the estimated scatter: of two fittings, and of a body where that is known by it.
    let of_mean2 = |parts: &Parts| scatter.deviation_m * scatter.deviation_m / parts.readings.0 as f64;
    let of_body2 = measured.as_ref().filter(|_| body_u.is_none()).map_or(0.0, of_mean2);
    uncertainty.freedom = scatter.freedom.and_then(|freedom| {
        let share = (2.0 * of_mean2(&fittings) + of_body2) / uncertainty.combined_m().powi(2);
        // Welch & Satterthwaite, with one component that is an estimate (JCGM 100:2008, G.4.1).
        (share > 0.0).then(|| freedom as f64 / (share * share))
    });
    let limits = LengthLimits { least: nominal - below.unwrap_or(above), most: nominal + above, nominal };
    let of_one_length = || {
        let waiting = batch.map(|batch| batch.valves.as_slice());
        Parts::of_one_length(args.bodies.unwrap_or_default(), waiting, body.unwrap_or_default())
    };
    let bodies = measured.unwrap_or_else(of_one_length);
    let to = LengthRequirement::new(limits, compression, uncertainty, risk);
    Ok(Question { fittings, bodies, to, scatter, class, cut_max })
}

/// The scatter of one reading: what is stated where the lists do not contradict it, or what they tell.
fn scatter(
    args: &PairArgs,
    stated: Option<f64>,
    fittings: &MeasuredParts,
    bodies: Option<&MeasuredParts>,
) -> Result<Scatter, Error> {
    let lists = || [Some(fittings), bodies].into_iter().flatten();
    let found = Repeatability::pooled(lists());
    let freedom = found.map_or(0, |found| found.freedom);
    let step_m = lists().map(|list| list.step_m).fold(0.0, f64::max);
    match (stated, found) {
        (Some(stated), Some(found)) if found.refutes(stated, step_m) => Err(Error::usage(format!(
            "--repeat-u: {:.4} mm cannot be right: in {} readings of one part scatter by {:.4} mm ({freedom} degrees of \
             freedom). Leave it out, or say no less than that",
            stated * 1e3,
            args.fittings.display(),
            found.deviation_m * 1e3,
        ))),
        (Some(stated), _) => Ok(Scatter { deviation_m: stated, freedom: None }),
        (None, Some(found)) if freedom >= FREEDOM_MIN => {
            Ok(Scatter { deviation_m: found.deviation_m, freedom: Some(freedom) })
        }
        (None, _) => Err(Error::usage(format!(
            "--repeat-u: say how far readings of one part scatter, as a standard deviation, like \"0.01 mm\"; the list tells it \
             only where there are {FREEDOM_MIN} readings more than parts, and it has {freedom}"
        ))),
    }
}
