//! `seathold study lengths` and `study causes`: what assembled batches tell.

use std::path::Path;

use seathold::console::Timestamp;
use seathold::schema::JsonKind;
use seathold_register::assembly::keep::AssemblyBy;
use seathold_register::assembly::sealed::{BoltedHead, PairedHead, PairedLine, PairedValve, SealedPart};
use seathold_register::valves::ValveRecord;
use seathold_register::{Access, Register};
use seathold_tests::batch_kit::{AT, opened, say};
use seathold_tests::cli_kit::{golden, seathold};
use serde_json::Value;

use super::schemas::held;

fn good(dir: &Path, arguments: &[&str]) {
    let said = say(dir, &[arguments, &["--operator", "Ada"]].concat());
    assert_eq!(said.code, 0, "{arguments:?}: {}", said.err);
}

/// What is printed for programs, as its schema has it.
fn json(dir: &Path, kind: JsonKind, more: &[&str]) -> Value {
    held(dir, kind, &[&AT[..], more].concat()).remove(0)
}

const HEAD: PairedHead = PairedHead {
    nominal_mm: 120.0,
    least_mm: 119.8,
    most_mm: 120.2,
    compression_mm: 0.4,
    compression_u_mm: 0.03,
    forecast_u_mm: 0.041_833,
    gauge_u_mm: 0.01,
    reading_u_mm: 0.005,
    once_u_mm: 0.005,
    risk: 0.01,
};

/// A batch of valves that were paired and bolted up, each so many thousandths of a millimetre off its forecast, or not measured.
fn assembled(dir: &Path, name: &str, off_um: &[Option<f64>]) {
    let now: Timestamp = "2026-03-02T08:00:00Z".parse().unwrap();
    let mut register = Register::open(&dir.join("bench.sqlite"), Access::Make).unwrap();
    let serials: Vec<String> = (1..=off_um.len()).map(|n| format!("{name}-{n}")).collect();
    let valves: Vec<ValveRecord> =
        serials.iter().map(|serial| ValveRecord { serial: serial.clone(), ..ValveRecord::default() }).collect();
    let batch = register.open_batch(name, &valves, "", "Ada", now).unwrap().batch;
    let by = AssemblyBy { batch: &batch, operator: "Ada", now };
    let ids = |serial: &str| ["a", "b"].map(|end| format!("{serial}{end}"));
    let pair = |serial: &String| {
        let fittings = ids(serial).map(|id| SealedPart { id, length_mm: 30.0 });
        PairedLine::Valve(PairedValve { serial: serial.clone(), body_mm: 60.4, fittings, finished_mm: 120.0 })
    };
    register.keep_pairs(&HEAD, &serials.iter().map(pair).collect::<Vec<_>>(), by).unwrap();
    for (serial, off) in serials.iter().zip(off_um) {
        let finished_mm = off.map(|off| 120.0 + off / 1e3);
        register
            .bolt_up(serial, &BoltedHead { fittings: ids(serial), finished_mm, ..BoltedHead::default() }, by)
            .unwrap();
    }
}

fn some(off_um: &[f64]) -> Vec<Option<f64>> {
    off_um.iter().map(|off| Some(*off)).collect()
}

/// One batch that scatters little, a small one, one whose forecast stated too little; all together, and they differ.
#[test]
fn lengths_in_words() {
    let dir = tempfile::tempdir().unwrap();
    let dir = dir.path();
    assembled(dir, "spring", &some(&[-12.0, -3.0, 4.0, 9.0, 0.0, -6.0, 7.0, 2.0, -9.0, 5.0, 11.0, 1.0]));
    assembled(dir, "summer", &[Some(30.0), Some(-55.0), None, Some(8.0)]);
    assembled(dir, "winter", &some(&[240.0, 120.0, 60.0, 330.0, 180.0, -90.0, 210.0, 20.0, 150.0, 280.0, 0.0]));
    let said = say(dir, &["study", "lengths"]);
    assert_eq!((said.code, said.err.as_str()), (0, ""));
    golden("study-lengths.txt", &said.out);
    // What is chosen is what `pair` takes.
    std::fs::write(dir.join("f.csv"), "fitting,length\nF1,30.1\nF2,30.2\n").unwrap();
    let found = json(dir, JsonKind::Lengths, &["--batch", "spring", "--batch", "spring"]);
    assert_eq!(found["batches"].as_array().unwrap().len(), 1, "a batch that is named twice counts once");
    let options = found["pooled"]["pair_options"].as_array().unwrap();
    let options: Vec<&str> = options.iter().map(|option| option.as_str().unwrap()).collect();
    let pair = [
        "pair",
        "[DIR]/f.csv",
        "--bodies",
        "1",
        "--body-length",
        "60.4mm",
        "--body-u",
        "0.02mm",
        "--gauge-u",
        "0.01mm",
        "--repeat-u",
        "0.01mm",
        "--nominal",
        "120mm",
        "--tolerance",
        "1mm",
    ];
    let paired = seathold(dir, &[&pair[..], &options].concat());
    assert!(paired.code == 0 && paired.out.contains("less 0.399 that the seals give"), "{}{}", paired.out, paired.err);
    let said = say(dir, &["study", "lengths", "--batch", "sprig"]);
    assert!(said.code == 2 && said.err.contains("did you mean \"spring\"?"), "{}", said.err);
}

#[test]
fn of_too_little_nothing_is_told() {
    let dir = tempfile::tempdir().unwrap();
    let dir = dir.path();
    drop(Register::open(&dir.join("bench.sqlite"), Access::Make).unwrap());
    let lengths = say(dir, &["study", "lengths"]);
    assert_eq!((lengths.code, lengths.err.as_str()), (3, ""));
    let causes = say(dir, &["study", "causes"]);
    assert_eq!((causes.code, causes.err.as_str()), (3, ""));
    assert!(json(dir, JsonKind::Lengths, &[])["pooled"].is_null());
    assert_eq!(json(dir, JsonKind::Causes, &[])["comparison_count"], 0);
    assembled(dir, "spring", &some(&[10.0]));
    let one = say(dir, &["study", "lengths"]);
    assert_eq!(one.code, 3);
    let none_proved = say(dir, &["study", "causes"]);
    golden("study-too-little.txt", &[lengths.out, causes.out, one.out, none_proved.out].join("\n"));
    // Two that are alike to the last digit: no scatter, and nothing said of what was stated.
    assembled(dir, "autumn", &some(&[10.0, 10.0]));
    let two = say(dir, &["study", "lengths", "--batch", "autumn"]);
    assert!(two.code == 0 && two.out.contains("written too coarsely?"), "{}", two.out);
}

const STEPS: &str = "[[step]]\nname = \"seals\"\ntext = \"New seals in\"\nvalue = \"kit lot\"\nagain_after_rework = true\n\n\
    [[step]]\nname = \"bolts\"\ntext = \"Bolts criss-cross\"\ntool = true\nagain_after_rework = true\n";

/// A batch of nine: four with seals of lot K-2, three of which leak; bolted by Ada with one tool, by Bo with another. What was noted after the first proof says nothing of it.
fn proved(dir: &Path) {
    opened(dir, "HM-001..HM-009");
    std::fs::write(dir.join("steps.toml"), STEPS).unwrap();
    good(dir, &["assembly", "steps", "[DIR]/steps.toml"]);
    good(dir, &["assembly", "tick", "seals", "HM-001", "HM-002", "HM-003", "HM-004", "--value", "K-2"]);
    good(dir, &["assembly", "tick", "seals", "HM-005", "HM-006", "HM-007", "HM-008", "--value", "K-1"]);
    good(dir, &["assembly", "tick", "bolts", "HM-001", "HM-002", "HM-003", "--tool", "TW-3"]);
    let bo = ["--tool", "TW-4", "--operator", "Bo"];
    let said = say(dir, &[&["assembly", "tick", "bolts", "HM-004", "HM-005", "HM-006"], &bo[..]].concat());
    assert_eq!(said.code, 0, "{}", said.err);
    let run = |n: u32, more: &[&str]| {
        let (serial, out) = (format!("HM-00{n}"), format!("[DIR]/HM-00{n}-{}.hold", more.len()));
        let said = seathold(dir, &[&["run", "-q", "--serial", &serial, "--out", &out], &AT[..], more].concat());
        assert!(said.code != 2, "{serial}: {}", said.err);
    };
    let leaks = ["--seat-a", "20 mm3/s"];
    for n in 1..=3 {
        run(n, &leaks);
    }
    (4..=7).for_each(|n| run(n, &[]));
    run(8, &["--fault", "guard"]);
    run(9, &["--seat-a", "7 mm3/s"]);
    // Reworked with seals of another lot, and tight: its first proof leaked, with the old ones.
    good(dir, &["batch", "rework", "HM-001", "--note", "new seals"]);
    good(dir, &["assembly", "tick", "seals", "HM-001", "--value", "K-1"]);
    run(1, &[]);
}

#[test]
fn causes_in_words() {
    let dir = tempfile::tempdir().unwrap();
    let dir = dir.path();
    proved(dir);
    let said = say(dir, &["study", "causes"]);
    assert_eq!((said.code, said.err.as_str()), (0, ""), "{}", said.out);
    golden("study-causes.txt", &said.out);
    let found = json(dir, JsonKind::Causes, &["--batch", "spring"]);
    assert_eq!((&found["leaking"], &found["tight"]), (&3.into(), &4.into()), "{found}");
    assert_eq!((&found["left_out"]["undecided"], &found["left_out"]["not_proved"]), (&1.into(), &1.into()));
    let lot = &found["comparisons"].as_array().unwrap().iter().find(|one| one["factor"] == "seals, kit lot").unwrap();
    // 3 of 4 against none of 3: 4 of 35 tables each way.
    assert_eq!(
        (&lot["level"], &lot["with"]["leaking"], &lot["with"]["of"]),
        (&"K-2".into(), &3.into(), &4.into()),
        "{lot}"
    );
    assert_eq!((&lot["without"]["leaking"], &lot["without"]["of"]), (&0.into(), &3.into()));
    assert!((lot["p"].as_f64().unwrap() - 5.0 / 35.0).abs() < 1e-9, "{lot}");
    // A tick that is struck was never one; a leak that is struck neither.
    good(dir, &["assembly", "strike", "4", "--note", "another batch"]);
    let found = json(dir, JsonKind::Causes, &[]);
    assert!(found["comparisons"].as_array().unwrap().iter().all(|one| one["factor"] != "seals, kit lot"), "{found}");
    let lines = say(dir, &["find", "--json", "--serial", "HM-002"]).out;
    let runs: Vec<Value> = lines.lines().map(|line| serde_json::from_str(line).unwrap()).collect();
    let number = runs.iter().find_map(|line| line["run"]["number"].as_i64()).unwrap().to_string();
    good(dir, &["batch", "strike", &number, "--note", "wrong valve"]);
    assert_eq!(json(dir, JsonKind::Causes, &[])["leaking"], 2);
}
