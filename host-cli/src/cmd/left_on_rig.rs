//! What was left on the rig under pressure, or may have been: when a batch's program was killed or the power went, found by the unfinished
//! recordings it left; and when a run ended without its far side shown empty.

use std::collections::HashSet;
use std::fs::File;
use std::path::{Path, PathBuf};

use jiff::Timestamp;
use seathold_recording::plain::shown;
use seathold_recording::{Header, Summary};
use seathold_register::{Register, RunFilter, RunRow};
use seathold_text::layout::wrapped;
use seathold_text::messages;

use super::find::date;
use crate::error::Error;

/// A run that was not ended by the program that began it.
#[derive(Debug)]
pub(super) struct LeftRun {
    /// Its unfinished recording.
    pub(super) file: PathBuf,
    pub(super) header: Header,
    /// Whether the controller went on by itself, so that the run can be resumed.
    pub(super) resumable: bool,
}

/// The runs of a batch's valves that were left in this folder, the oldest first. Those of a program that still runs are not
/// among them, nor those whose valve was under test again since.
pub(super) fn find(folder: &Path, register: &Register, batch: &str) -> Result<Vec<LeftRun>, Error> {
    let Ok(entries) = std::fs::read_dir(folder) else { return Ok(Vec::new()) };
    let listed: HashSet<String> = register.valves_of(batch)?.into_iter().map(|valve| valve.serial).collect();
    let mut left = Vec::new();
    for file in entries.filter_map(|entry| Some(entry.ok()?.path())) {
        if file.extension().is_none_or(|ending| ending != "part") {
            continue;
        }
        // A file that is no recording, or of no valve of the batch, is ignored.
        let Ok(recording) = seathold_recording::read(&file) else { continue };
        let header = recording.header;
        if !listed.contains(&header.serial) || being_written(&file) {
            continue;
        }
        let resumable = file.with_extension("link").exists();
        if resumable || !tested_since(register, batch, &header)? {
            left.push(LeftRun { file, header, resumable });
        }
    }
    left.sort_by(|a, b| (&a.header.started_at, &a.file).cmp(&(&b.header.started_at, &b.file)));
    Ok(left)
}

/// A valve whose last run ended without its far side shown empty.
#[derive(Debug)]
pub(super) struct NotEmpty {
    pub(super) serial: String,
    /// The run, as `BENCH/NUMBER`.
    pub(super) run: String,
}

/// The valve of the batch's last run, where that did not show it empty.
pub(super) fn not_empty(register: &Register, batch: &str) -> Result<Option<NotEmpty>, Error> {
    let mut last = None;
    for run in register.runs(RunFilter { batch: Some(batch.into()), ..RunFilter::default() }) {
        let run = run?;
        // One that was refused let nothing in, and another bench has its own rig.
        if run.outcome != "refused"
            && run.bench == register.bench()
            && last.as_ref().is_none_or(|last: &RunRow| last.started_at <= run.started_at)
        {
            last = Some(run);
        }
    }
    let Some(run) = last else { return Ok(None) };
    let recording = seathold_recording::read_bytes(&register.recording(run.id)?);
    let empty = recording.is_ok_and(|recording| {
        Summary::of(recording.events().map(|(_, event)| event)).reads_empty() && recording.damage.is_none()
    });
    Ok((!empty).then(|| NotEmpty { serial: run.serial.clone(), run: run.name() }))
}

impl NotEmpty {
    /// What the person at the rig must know before anything else.
    pub(super) fn words(&self, register: &Register) -> String {
        let mut text = format!("{} WAS ON THE RIG in the last run, and was not shown empty\n", shown(&self.serial));
        let mut line = |label: &str, words: &str| wrapped(&mut text, label, 12, words);
        line("  the run", &format!("record {}", register.short(&self.run)));
        line("  CAUTION", "it may be PRESSURISED: loosen nothing before gauge and screen both show the far side empty");
        text
    }
}

/// Until when a claim of a dead program can have been made: it wrote to its files after it had claimed the valve.
pub(super) fn last_written(run: &LeftRun) -> Option<Timestamp> {
    let of = |file: PathBuf| Timestamp::try_from(std::fs::metadata(file).ok()?.modified().ok()?).ok();
    [of(run.file.clone()), of(run.file.with_extension("link"))].into_iter().flatten().max()
}

/// Whether the program that began it still holds it.
fn being_written(file: &Path) -> bool {
    File::open(file).is_ok_and(|file| matches!(file.try_lock_shared(), Err(std::fs::TryLockError::WouldBlock)))
}

fn tested_since(register: &Register, batch: &str, header: &Header) -> Result<bool, Error> {
    let since = RunFilter {
        serial: Some(header.serial.clone()),
        batch: Some(batch.into()),
        since: Some(header.started_at.clone()),
        ..RunFilter::default()
    };
    Ok(register.count(&since)? > 0)
}

impl LeftRun {
    /// What the person at the rig must know before anything else.
    pub(super) fn words(&self) -> String {
        let Header { serial, sides, operator, started_at, .. } = &self.header;
        let by = if operator.is_empty() { String::new() } else { format!(", by {}", shown(operator)) };
        let serial = shown(serial);
        let mut text = format!("{serial} WAS ON THE RIG when the program was stopped\n");
        let mut line = |label: &str, words: &str| wrapped(&mut text, label, 12, words);
        line("  the run", &format!("{}, begun {} UTC{by}", messages::sides(*sides), date(started_at)));
        line("  CAUTION", "it may be PRESSURISED: loosen nothing before gauge and screen both show the far side empty");
        let now = if self.resumable {
            "the controller has gone on by itself; the run is resumed, and what it did meanwhile is fetched".to_owned()
        } else {
            format!(
                "nothing moves until you start it. What was recorded proves nothing, and is kept; the next run begins with all \
                 at rest, and looks whether the far side is empty before it lets air in. {serial} is next"
            )
        };
        line("  now", &now);
        line("  recording", &self.file.display().to_string());
        text
    }
}
