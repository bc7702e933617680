//! A rig loaded over the line into the emulated part's flash: kept over a reset and without power, old or new when the
//! power goes in the middle, and what a run is judged by.

use super::runs::{RUN, replayed};
use seathold_sequencer::adapters::divider::MILLIKELVIN;
use seathold_sequencer::output::Outputs;
use seathold_sequencer::rig::Transducer;
use seathold_sim::scenario::Scenario;
use seathold_tests::chip_kit::Chip;
use seathold_tests::doctor_kit::{answered, flat};
use std::path::{Path, PathBuf};
use std::sync::atomic::AtomicUsize;

#[path = "../../../sequencer/boards/rp2040/src/rig.rs"]
#[allow(dead_code, reason = "the image uses all of it")]
mod board;

/// Erases and programs of one store: a sector, four pages at most of the rig, one of the header.
const OPERATIONS_MAX: u8 = 6;

fn say(arguments: &[&str]) -> (u8, String) {
    let (code, out, err) = answered(arguments, &AtomicUsize::new(0), &RUN, 0, &mut |_| {});
    (code, flat(&format!("{out}{err}")))
}

/// A rig file for this board, with two adapters.
fn rig_file(dir: &Path, name: &str) -> PathBuf {
    let path = dir.join(format!("{}.toml", name.replace(' ', "-")));
    let adapters = [("DN 15", "8-25", 45), ("DN 50", "32-50", 150)]
        .map(|(name, dn, cm3)| format!("[[adapter]]\nname = \"{name}\"\ndn = \"{dn}\"\nfar_volume = \"{cm3} cm3\"\n"));
    let rig = board::rig().unwrap();
    let transducer = |side: &str, of: Transducer| {
        format!(
            "{side}_zero = {}\n{side}_per_count = \"{} Pa/count\"\n{side}_counts_min = {}\n{side}_counts_max = {}\n",
            of.zero_counts, of.pa_per_count, of.counts_min, of.counts_max
        )
    };
    let (far, supply) = (transducer("far", rig.far), transducer("supply", rig.far));
    let thermometer = MILLIKELVIN;
    let thermometer = format!(
        "thermometer_zero = \"{} K\"\nthermometer_per_count = \"{} K/count\"\n",
        thermometer.kelvin_at_zero, thermometer.kelvin_per_count
    );
    let text =
        format!("name = \"{name}\"\n{far}supply_transducer = \"yes\"\n{supply}{thermometer}{}", adapters.concat());
    std::fs::write(&path, text).unwrap();
    path
}

/// Loads it, as soon as the far side has been measured empty for the dwell.
fn load(chip: &Chip, file: &Path) -> (u8, String) {
    say(&["rig", "load", file.to_str().unwrap(), "--yes", "--rig", &chip.at])
}

fn shown(chip: &Chip) -> String {
    let (code, said) = say(&["rig", "show", "--rig", &chip.at]);
    assert_eq!(code, 0, "{said}");
    said
}

/// Off, and on again when somebody is there to see it.
fn without_power(chip: &Chip) {
    chip.bench().power = false;
    chip.wait(50);
    switched_on(chip);
}

fn switched_on(chip: &Chip) {
    chip.bench().cut_at = None;
    chip.bench().power = true;
    chip.wait(2_500);
}

#[test]
#[ignore = "needs the image and the emulator: .ci/run chip"]
fn a_rig_is_kept_without_power_and_judged_by() {
    let dir = tempfile::tempdir().unwrap();
    let chip = Chip::on(&Scenario::TIGHT);
    chip.wait(2_500);
    assert!(!shown(&chip).contains("bench 3"));
    let (code, said) = load(&chip, &rig_file(dir.path(), "bench 3"));
    assert_eq!(code, 0, "{said}");
    // A sector takes the longest it may, four times as long as the watchdog waits between two polls.
    assert_eq!((chip.report().bites, chip.report().outputs()), (0, Outputs::REST));
    println!("{} operations of the flash", chip.report().flash_begun);
    without_power(&chip);
    let said = shown(&chip);
    assert!(said.contains("bench 3") && said.contains("DN 50"), "{said}");

    let file = dir.path().join("run.hold");
    let run = ["run", "--rig", &chip.at, "--sides", "first", "--dn", "50", "--out", file.to_str().unwrap()];
    let (code, said) = say(&run);
    assert!(code == 3 && said.contains("has not been checked"), "{said}");
    let (code, said) = say(&["rig", "waive-check", "--yes", "--rig", &chip.at]);
    assert_eq!(code, 0, "{said}");
    let (code, said) = say(&run);
    assert_eq!(code, 0, "{said}");
    let header = replayed(&file).header;
    assert!(
        header.rig_name.starts_with("bench 3, loaded ") && header.rig_name.ends_with("adapter DN 50"),
        "{header:?}"
    );
    assert!((header.rig.far_volume_m3 - 150e-6).abs() < 1e-12, "{header:?}");
    println!("{}; {:.1} s of the part's time", header.rig_name, chip.report().us as f64 / 1e6);
}

/// In the middle of every single operation of the flash.
#[test]
#[ignore = "needs the image and the emulator: .ci/run chip"]
fn the_power_cut_while_it_is_stored_leaves_the_old_or_the_new() {
    let dir = tempfile::tempdir().unwrap();
    let [old, new] = ["old bench", "new bench"].map(|name| rig_file(dir.path(), name));
    let chip = Chip::on(&Scenario::TIGHT);
    chip.wait(2_500);
    let (code, said) = load(&chip, &old);
    assert_eq!(code, 0, "{said}");
    let each = chip.report().flash_begun;
    assert!((3..=OPERATIONS_MAX).contains(&each), "{each} operations");
    let mut outcomes = Vec::new();
    for operation in 1..=each {
        let begun = chip.report().flash_begun;
        chip.bench().cut_at = Some(begun.wrapping_add(operation));
        let (code, said) = load(&chip, &new);
        assert_ne!(code, 0, "operation {operation}: {said}");
        assert!(!chip.bench().power, "operation {operation} of {each} did not come: {said}");
        switched_on(&chip);
        let said = shown(&chip);
        let is_new = said.contains("new bench");
        assert!(is_new || said.contains("old bench"), "operation {operation}: {said}");
        outcomes.push(is_new);
        // Loaded once more it is the new one, and then the old one again, so that each cut finds the same.
        for (file, name) in [(&new, "new bench"), (&old, "old bench")] {
            let (code, said) = load(&chip, file);
            assert_eq!(code, 0, "operation {operation}: {said}");
            assert!(shown(&chip).contains(name));
        }
    }
    println!("cut in each of {each} operations; the new one was kept: {outcomes:?}");
    assert_eq!(chip.report().bites, 0);
}
