//! One valve tested: the real sequencer on the simulated rig, both sides.

use std::path::PathBuf;
use std::sync::atomic::{AtomicUsize, Ordering};

use seathold_sequencer::input::Sides;
use seathold_sequencer::rig::Rig;
use seathold_sequencer::step::Sequencer;
use seathold_sequencer::time::millis;
use seathold_sequencer::verdict::SideResult;
use seathold_sequencer::{input::Side, verdict::Verdict};
use seathold_sim::bench::SimBench;

use super::draw::Drawn;
use super::spec::Fleet;
use crate::error::Error;
use crate::files::recipe;
use crate::recording::header::Source;
use crate::recording::{EXTENSION, Header, Writer};
use crate::session::Watch;
use crate::summary::Summary;

/// What every valve of a fleet has in common.
#[derive(Debug)]
pub struct Common {
    /// What valves are drawn from.
    pub fleet: Fleet,
    /// The fleet's seed.
    pub seed: u64,
    /// With its calibrations.
    pub rig: Rig,
    /// What the simulated transducers really are.
    pub as_built: Rig,
    /// The recipe.
    pub recipe: recipe::Read,
    /// The header of each recording, but for what is the valve's own.
    pub header: Header,
    /// Where recordings go, if they are kept.
    pub folder: Option<PathBuf>,
}

/// A valve that has been tested.
#[derive(Clone, Debug, PartialEq)]
pub struct Tested {
    /// The valve.
    pub drawn: Drawn,
    /// The valve's verdict, where there is one.
    pub verdict: Option<Verdict>,
    /// Each side that was judged.
    pub sides: Vec<SideResult>,
    /// Whether a safety fault ended the run.
    pub faulted: bool,
    /// Time on the rig, s.
    pub time_s: f64,
}

impl Tested {
    /// The result of a side.
    pub fn side(&self, side: Side) -> Option<&SideResult> {
        self.sides.iter().find(|result| result.side == side)
    }
}

impl Common {
    /// Gauge pressure the recipe tests at, Pa.
    pub fn target_pa(&self) -> f64 {
        f64::from(self.recipe.recipe.raw().target_pa)
    }

    /// The greatest leak allowed, Pa·m³/s.
    pub fn limit(&self) -> f64 {
        self.recipe.recipe.raw().limit_pa_m3_s
    }

    fn header(&self, drawn: &Drawn) -> Header {
        let mut valve = self.fleet.base.clone();
        valve.scenario = drawn.scenario;
        Header {
            serial: drawn.serial(),
            source: Source::Simulated {
                valve: format!("{}, fleet seed {}, number {}", self.fleet.name, self.seed, drawn.number),
                seed: drawn.seed,
                settings: valve.settings(self.recipe.recipe.raw().reference_pa),
            },
            ..self.header.clone()
        }
    }

    /// Tests valve `number`. Gives it up, with nothing to show for it, once `presses` of Ctrl-C are more than one.
    ///
    /// # Errors
    /// When its recording cannot be written.
    pub fn test(&self, number: u64, presses: &AtomicUsize) -> Result<Option<Tested>, Error> {
        let recipe = self.recipe.recipe;
        let mut drawn = self.fleet.draw(self.seed, number);
        drawn.scenario.far.period_ms = recipe.raw().sample_ms;
        let period = millis(recipe.raw().sample_ms);
        let mut bench = SimBench::with(&drawn.scenario, self.as_built.raw(), drawn.seed, Sides::Both, period)
            .map_err(|errors| Error::usage(format!("{}: {errors}", drawn.serial())))?;
        for written in &self.fleet.base.faults {
            // A valve file holds no more of them than a run.
            let _ = bench.schedule.add(written.fault);
        }
        let mut sequencer = Sequencer::new(self.rig, Some(recipe));
        let mut writer = match &self.folder {
            Some(folder) => {
                let path = folder.join(format!("{}.{EXTENSION}", drawn.serial()));
                Some(Writer::create(&path, &self.header(&drawn))?)
            }
            None => None,
        };
        let (mut summary, mut watch) = (Summary::default(), Watch::default());
        let ended = loop {
            let polled = bench.poll(&mut sequencer);
            if let Some(writer) = &mut writer {
                writer.push(&polled)?;
            }
            for event in &polled.events {
                summary.see(event);
                watch.see(event, polled.at);
            }
            if watch.is_over(&summary, sequencer.status().ask, false, polled.at) {
                break polled.at;
            }
            if presses.load(Ordering::Relaxed) > 1 {
                return Ok(None);
            }
        };
        if let Some(writer) = writer {
            writer.finish()?;
        }
        Ok(Some(Tested {
            drawn,
            faulted: !summary.faults.is_empty(),
            verdict: summary.proved.map(|(verdict, _)| verdict),
            sides: summary.sides,
            time_s: ended.as_ticks() as f64 / 1e6,
        }))
    }
}
