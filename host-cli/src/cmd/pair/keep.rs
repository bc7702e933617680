//! `seathold pair --keep`: the valves of a batch that wait for their fittings, and what they get, kept on record.

use std::collections::HashSet;

use seathold_assembly::forecast::Pairing;
use seathold_assembly::length::Length;
use seathold_assembly::repeatability::of_mean;
use seathold_register::assembly::keep::AssemblyBy;
use seathold_register::assembly::progress::AssemblyProgress;
use seathold_register::assembly::sealed::{PairedHead, PairedLine, PairedValve, SealedPart};
use seathold_register::batch::status::{self, NextAction};
use seathold_register::valves::BatchRecord;
use seathold_register::{Access, Register};
use seathold_text::messages::counted;

use super::args::PairArgs;
use super::question::{Question, Waiting};
use crate::cmd::batch_common::refused;
use crate::console::Console;
use crate::error::Error;

/// A batch whose valves get fittings.
pub(super) struct KeptBatch {
    register: Register,
    batch: BatchRecord,
    pub waiting: Waiting,
}

impl KeptBatch {
    /// The open batch that is meant.
    pub(super) fn open(args: &PairArgs) -> Result<Self, Error> {
        let register = Register::open(&args.register.register, Access::Write)?;
        let batch = args.batch.open(&register)?;
        let progress = AssemblyProgress::of(&register, &batch.batch)?;
        let aside: HashSet<String> = status::of_batch(&register, &batch)?
            .into_iter()
            .filter(|status| status.stand == NextAction::SetAside)
            .map(|status| status.valve.serial)
            .collect();
        let waits = progress.valves.iter().filter(|valve| valve.bolted.is_none() && !aside.contains(&valve.serial));
        let valves: Vec<String> = waits.map(|valve| valve.serial.clone()).collect();
        if valves.is_empty() {
            return Err(refused(&register, format!("every valve of batch {} is bolted up", batch.name)));
        }
        let used = progress.used_fittings().map(str::to_owned).collect();
        Ok(Self { register, batch, waiting: Waiting { valves, used } })
    }

    /// Keeps it, and says so.
    pub(super) fn keep(
        &mut self,
        question: &Question,
        pairing: &Pairing,
        operator: &str,
        console: &Console<'_>,
    ) -> Result<String, Error> {
        let Question { fittings, bodies, to, scatter, .. } = question;
        let u = &to.uncertainty;
        let head = PairedHead {
            nominal_mm: to.limits.nominal.mm(),
            least_mm: to.limits.least.mm(),
            most_mm: to.limits.most.mm(),
            compression_mm: to.compression.mm(),
            compression_u_mm: u.compression_m * 1e3,
            forecast_u_mm: u.combined_m() * 1e3,
            gauge_u_mm: u.gauge_m * 1e3,
            reading_u_mm: u.fittings_m * 1e3 / 2f64.sqrt(),
            once_u_mm: of_mean(scatter.deviation_m, 1, fittings.step_m) * 1e3,
            risk: to.risk,
        };
        let part = |at: usize| SealedPart {
            id: fittings.read[at].id.clone(),
            length_mm: Length::mm(fittings.read[at].length),
        };
        let valves = pairing.valves.iter().map(|valve| {
            PairedLine::Valve(PairedValve {
                serial: bodies.read[valve.body].id.clone(),
                body_mm: bodies.read[valve.body].length.mm(),
                fittings: valve.fittings.map(part),
                finished_mm: valve.finished.mm(),
            })
        });
        let lines: Vec<PairedLine> = valves.chain(pairing.left.iter().map(|at| PairedLine::Left(part(*at)))).collect();
        let by = AssemblyBy { batch: &self.batch.batch, operator, now: console.date()? };
        let number = self.register.keep_pairs(&head, &lines, by)?;
        let valves = counted(pairing.valves.len() as u64, "valve");
        Ok(format!("batch {}: fittings for {valves} kept (record {number})", self.batch.name))
    }
}
