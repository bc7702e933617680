//! Finished lengths of a batch: each as it was forecast, with what that was made of, and as it was measured.

use serde::Serialize;

use super::progress::{AssemblyProgress, ValveAssembly, struck};
use super::sealed::PairedHead;
use crate::Register;
use crate::error::Error;
use crate::note::NoteKind;
use crate::valves::BatchRecord;

/// A valve of which both lengths are known.
#[derive(Clone, Debug, PartialEq)]
pub struct FinishedLength {
    /// The valve.
    pub serial: String,
    /// Length of its body, as the forecast took it.
    pub body_mm: f64,
    /// Finished length, as it was forecast.
    pub forecast_mm: f64,
    /// Finished length, measured.
    pub measured_mm: f64,
    /// Standard uncertainty of that, where one was kept.
    pub measured_u_mm: Option<f64>,
    /// What the forecast was made of.
    pub by: PairedHead,
}

/// How many valves, and notes, do not count, and why.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize)]
pub struct LengthsLeftOut {
    /// Valves that are not bolted up, or were not measured.
    pub not_measured: usize,
    /// Valves whose fittings were never paired.
    pub without_forecast: usize,
    /// Valves that were bolted of other fittings than the forecast was for.
    pub other_fittings: usize,
    /// Valves that were measured before a rework, and not since.
    pub before_rework: usize,
    /// Valves with a figure that is no length.
    pub no_length: usize,
    /// Notes of pairs and of bolting up that are struck.
    pub struck_notes: usize,
    /// Notes that are not as they should be.
    pub damaged_notes: usize,
}

/// Those of a batch.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct FinishedLengths {
    /// Its valves, in the order of its list.
    pub valves: Vec<FinishedLength>,
    /// How many do not count.
    pub left_out: LengthsLeftOut,
}

/// No valve is longer than that; a register that was merged may say anything.
const LENGTH_MM: std::ops::RangeInclusive<f64> = 0.1..=1e4;

impl FinishedLengths {
    /// Those of a batch.
    ///
    /// # Errors
    /// When the register cannot be read.
    pub fn of(register: &Register, batch: &BatchRecord) -> Result<Self, Error> {
        let notes = register.notes(Some(&batch.batch), None)?;
        let listed = register.valves_of(&batch.batch)?;
        let serials: Vec<&str> = listed.iter().map(|valve| valve.serial.as_str()).collect();
        let progress = AssemblyProgress::from_notes(&serials, &notes);
        let struck = struck(&notes);
        let counts = |kind| matches!(kind, NoteKind::Paired | NoteKind::Bolted);
        let struck_notes =
            notes.iter().filter(|note| counts(note.kind) && struck.contains(note.name().as_str())).count();
        let damaged_notes = progress.damaged.len();
        let mut all = Self {
            valves: Vec::new(),
            left_out: LengthsLeftOut { struck_notes, damaged_notes, ..LengthsLeftOut::default() },
        };
        progress.valves.into_iter().for_each(|valve| all.take(valve));
        Ok(all)
    }

    fn take(&mut self, valve: ValveAssembly) {
        let out = &mut self.left_out;
        let measured = valve.bolted.and_then(|bolted| bolted.head.finished_mm.map(|mm| (bolted, mm)));
        let Some((bolted, measured_mm)) = measured else {
            out.not_measured += 1;
            return;
        };
        let Some((pair, by)) = valve.pair.zip(valve.paired_by) else {
            out.without_forecast += 1;
            return;
        };
        let [a, b] = pair.fittings.each_ref().map(|part| part.id.as_str());
        let [one, other] = bolted.head.fittings.each_ref().map(String::as_str);
        let u =
            [by.compression_mm, by.compression_u_mm, by.forecast_u_mm, by.gauge_u_mm, by.reading_u_mm, by.once_u_mm];
        let u = u.into_iter().chain(bolted.head.finished_u_mm);
        if [one, other] != [a, b] && [other, one] != [a, b] {
            out.other_fittings += 1;
        } else if bolted.before_rework {
            out.before_rework += 1;
        } else if ![measured_mm, pair.finished_mm, pair.body_mm].iter().all(|mm| LENGTH_MM.contains(mm))
            || !u.into_iter().all(|mm| (0.0..=*LENGTH_MM.end()).contains(&mm))
        {
            out.no_length += 1;
        } else {
            self.valves.push(FinishedLength {
                serial: valve.serial,
                body_mm: pair.body_mm,
                forecast_mm: pair.finished_mm,
                measured_mm,
                measured_u_mm: bolted.head.finished_u_mm,
                by,
            });
        }
    }
}
