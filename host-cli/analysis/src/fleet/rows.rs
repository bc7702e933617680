//! `fleet.csv`: a row a valve, in the order of their numbers.

use std::collections::BTreeMap;
use std::fs::{File, OpenOptions};
use std::io;
use std::path::{Path, PathBuf};

use seathold_config::Error;
use seathold_sequencer::input::Side;
use seathold_sim::leak_path::LeakPath;
use seathold_text::messages::verdict_word;

use super::test::TestedValve;

/// The file's name.
pub const NAME: &str = "fleet.csv";

/// The file being written. Valves come in as threads finish them and go out in order; only those that still wait for a
/// smaller number are kept.
#[derive(Debug)]
pub struct FleetTable {
    to: csv::Writer<File>,
    path: PathBuf,
    target_pa: f64,
    waiting: BTreeMap<u64, TestedValve>,
    next: u64,
}

impl FleetTable {
    /// Begins the file; never writes over one.
    ///
    /// # Errors
    /// When it exists or cannot be made.
    pub fn create(folder: &Path, target_pa: f64) -> Result<Self, Error> {
        let path = folder.join(NAME);
        std::fs::create_dir_all(folder).map_err(|why| Error::file("make", folder, why))?;
        let file = OpenOptions::new().write(true).create_new(true).open(&path);
        let file = file.map_err(|why| Error::file("make", &path, why))?;
        let mut rows = Self { to: csv::Writer::from_writer(file), path, target_pa, waiting: BTreeMap::new(), next: 1 };
        rows.write(header())?;
        Ok(rows)
    }

    /// Adds a valve.
    ///
    /// # Errors
    /// When the file cannot be written.
    pub fn push(&mut self, tested: TestedValve) -> Result<(), Error> {
        self.waiting.insert(tested.drawn.number, tested);
        while let Some(tested) = self.waiting.remove(&self.next) {
            self.next += 1;
            self.write(row(&tested, self.target_pa))?;
        }
        Ok(())
    }

    fn write(&mut self, row: Vec<String>) -> Result<(), Error> {
        self.to.write_record(row).map_err(|why| Error::file("write", &self.path, io::Error::other(why)))
    }

    /// Writes what still waits, and syncs.
    ///
    /// # Errors
    /// When the file cannot be written.
    pub fn finish(mut self) -> Result<PathBuf, Error> {
        for tested in std::mem::take(&mut self.waiting).into_values() {
            self.write(row(&tested, self.target_pa))?;
        }
        let Self { to, path, .. } = self;
        let written = to.into_inner().map_err(|why| io::Error::other(why.to_string()));
        written.and_then(|file| file.sync_all()).map_err(|why| Error::file("write", &path, why))?;
        Ok(path)
    }
}

fn header() -> Vec<String> {
    let mut names: Vec<String> = ["serial", "seed"].map(Into::into).into();
    names.extend(LeakPath::ALL.iter().map(|spot| format!("{}_pa_m3_s", spot.name())));
    names.extend(["noise_pa", "far_volume_m3", "far_tau_s", "room_k", "verdict"].map(Into::into));
    for side in ["first", "second"] {
        for what in ["verdict", "leak_pa_m3_s", "expanded_pa_m3_s", "true_leak_pa_m3_s"] {
            names.push(format!("{side}_{what}"));
        }
    }
    names.push("time_s".into());
    names
}

fn row(tested: &TestedValve, target_pa: f64) -> Vec<String> {
    // The shortest text that reads back as the same double.
    let number = |value: f64| format!("{value:e}");
    let drawn = &tested.drawn;
    let plant = &drawn.scenario.plant;
    let mut row = vec![drawn.serial(), drawn.seed.to_string()];
    row.extend(drawn.stated().map(number));
    row.extend([drawn.scenario.far.noise_pa, plant.far_volume_m3, plant.far_tau_s, plant.room_k].map(number));
    row.push(match (tested.faulted, tested.verdict) {
        (true, _) => "fault".into(),
        (false, verdict) => verdict.map(verdict_word).unwrap_or_default().into(),
    });
    for side in [Side::First, Side::Second] {
        let result = tested.side(side);
        let figure = result.and_then(|result| result.estimate);
        row.push(result.map(|result| verdict_word(result.verdict)).unwrap_or_default().into());
        row.push(figure.map(|figure| number(figure.leak.pa_m3_s())).unwrap_or_default());
        row.push(figure.map(|figure| number(figure.expanded.pa_m3_s())).unwrap_or_default());
        row.push(number(drawn.true_leak(side, target_pa)));
    }
    row.push(number(tested.time_s));
    row
}
