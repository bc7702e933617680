//! One valve tested: the real sequencer on the simulated rig, both sides.

use std::path::PathBuf;
use std::sync::atomic::{AtomicUsize, Ordering};

use seathold_config::{Error, recipe};
use seathold_recording::file::safe_name;
use seathold_recording::header::ReadingSource;
use seathold_recording::{EXTENSION, Header, Summary, Watch, Writer};
use seathold_sequencer::input::Sides;
use seathold_sequencer::rig::Rig;
use seathold_sequencer::step::Sequencer;
use seathold_sequencer::time::millis;
use seathold_sequencer::verdict::SideResult;
use seathold_sequencer::{input::Side, verdict::Verdict};
use seathold_sim::bench::SimBench;

use super::sampling::SampledValve;
use super::spec::FleetSpec;

/// The common setup of a fleet.
#[derive(Debug)]
pub struct FleetSetup {
    /// What valves are sampled from.
    pub fleet: FleetSpec,
    /// The fleet's seed.
    pub seed: u64,
    /// With its calibrations.
    pub rig: Rig,
    /// The true characteristics of the simulated transducers.
    pub as_built: Rig,
    /// The recipe.
    pub recipe: recipe::RecipeFile,
    /// The header of each recording, without the valve's own fields.
    pub header: Header,
    /// Where recordings go, if they are kept.
    pub folder: Option<PathBuf>,
}

/// A valve that has been tested.
#[derive(Clone, Debug, PartialEq)]
pub struct TestedValve {
    /// The valve.
    pub drawn: SampledValve,
    /// The valve's verdict, where there is one.
    pub verdict: Option<Verdict>,
    /// Each side that was judged.
    pub sides: Vec<SideResult>,
    /// Whether a safety fault ended the run.
    pub faulted: bool,
    /// Time on the rig, s.
    pub time_s: f64,
}

impl TestedValve {
    /// The result of a side.
    pub fn side(&self, side: Side) -> Option<&SideResult> {
        self.sides.iter().find(|result| result.side == side)
    }
}

impl FleetSetup {
    /// Gauge pressure the recipe tests at, Pa.
    pub fn target_pa(&self) -> f64 {
        f64::from(self.recipe.recipe.raw().target_pa)
    }

    /// The greatest leak allowed, Pa·m³/s.
    pub fn limit(&self) -> f64 {
        self.recipe.recipe.raw().limit_pa_m3_s
    }

    fn header(&self, drawn: &SampledValve) -> Header {
        let mut valve = self.fleet.base.clone();
        valve.scenario = drawn.scenario;
        Header {
            serial: drawn.serial(),
            source: ReadingSource::Simulated {
                valve: format!("{}, fleet seed {}, number {}", self.fleet.name, self.seed, drawn.number),
                seed: drawn.seed,
                settings: valve.settings(self.recipe.recipe.raw().reference_pa),
            },
            ..self.header.clone()
        }
    }

    /// Tests valve `number`. Abandons it, without a result, once `presses` of Ctrl-C are more than one.
    ///
    /// # Errors
    /// When its recording cannot be written.
    pub fn test(&self, number: u64, presses: &AtomicUsize) -> Result<Option<TestedValve>, Error> {
        let recipe = self.recipe.recipe;
        let mut drawn = self.fleet.draw(self.seed, number);
        drawn.scenario.far.period_ms = recipe.raw().sample_period_ms;
        let period = millis(recipe.raw().sample_period_ms);
        let mut bench = SimBench::with(&drawn.scenario, self.as_built.raw(), drawn.seed, Sides::Both, period)
            .map_err(|errors| Error::usage(format!("{}: {errors}", drawn.serial())))?;
        for written in &self.fleet.base.faults {
            // A valve file holds no more of them than a run.
            let _ = bench.schedule.add(written.fault);
        }
        let mut sequencer = Sequencer::new(self.rig, Some(recipe));
        let mut writer = match &self.folder {
            Some(folder) => {
                let path = folder.join(format!("{}.{EXTENSION}", safe_name(&drawn.serial())));
                Some(Writer::create(&path, &self.header(&drawn))?)
            }
            None => None,
        };
        let (mut summary, mut watch) = (Summary::default(), Watch::default());
        let ended = loop {
            let record = bench.poll(&mut sequencer);
            if let Some(writer) = &mut writer {
                writer.push(&record)?;
            }
            for event in &record.events {
                summary.see(event);
                watch.see(event, record.at);
            }
            if watch.is_over(&summary, sequencer.status().prompt, (false, false), record.at) {
                break record.at;
            }
            if presses.load(Ordering::Relaxed) > 1 {
                return Ok(None);
            }
        };
        if let Some(writer) = writer {
            writer.finish()?;
        }
        Ok(Some(TestedValve {
            drawn,
            faulted: !summary.faults.is_empty(),
            verdict: summary.proved.map(|(verdict, _)| verdict),
            sides: summary.sides,
            time_s: ended.as_ticks() as f64 / 1e6,
        }))
    }
}
