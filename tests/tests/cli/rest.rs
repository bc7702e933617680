//! Rest runs: how fast the gas warms or cools by itself, and which verdicts rest on it.

use seathold_analysis::calibration::Calibration;
use seathold_tests::cli_kit::{golden, seathold};
use seathold_tests::warming_room::{Room, Tally, rigs, tested};
use serde_json::Value;
use std::path::Path;

fn drift(dir: &Path, name: &str) -> f64 {
    Calibration::read(&dir.join(name)).unwrap().values.temperature_drift_u_k_s
}

/// On the simulated rig: as the book shows it; and in a room that warms by 4 K/h, which are 1.11 mK/s.
#[test]
fn a_rest_finds_the_drift_of_the_room() {
    let dir = tempfile::tempdir().unwrap();
    let said = seathold(dir.path(), &["calibrate", "rest", "--duration", "10 min", "--out", "[DIR]/r.toml"]);
    let file = std::fs::read_to_string(dir.path().join("r.toml")).unwrap();
    golden("calibrate-rest.txt", &format!("{}{}---\n{file}", said.err, said.out));
    let said = seathold(
        dir.path(),
        &["calibrate", "rest", "--duration", "30 min", "--valve", "warming-room", "--out", "[DIR]/warm.toml"],
    );
    assert_eq!(said.code, 0, "{}", said.err);
    // The wall follows the room in some minutes, so the beginning is slower.
    assert!((drift(dir.path(), "warm.toml") / (4.0 / 3_600.0) - 1.0).abs() < 0.12, "{}", said.out);
    for (duration, wrong) in [("2 min", "2 min is outside 5 min to 60 min"), ("2 h", "outside"), ("5", "unit")] {
        let said = seathold(dir.path(), &["calibrate", "rest", "--duration", duration, "--out", "[DIR]/x.toml"]);
        assert!(said.code == 2 && said.err.contains("--duration") && said.err.contains(wrong), "{}", said.err);
    }
}

/// From recordings: one, and two at other times; with a background leak; and what is no rest.
#[test]
fn rests_are_read_from_recordings() {
    let dir = tempfile::tempdir().unwrap();
    let say = |typed: &[&str]| seathold(dir.path(), typed);
    std::fs::write(dir.path().join("long.toml"), "measure_min = \"6 min\"\nmeasure_max = \"6 min\"\n").unwrap();
    let run = |name: &str, more: &[&str]| {
        let out = format!("[DIR]/{name}.hold");
        let said = say(&[&["run", "-q", "--sides", "first", "--out", &out], more].concat());
        assert!(said.code < 4, "{}{}", said.out, said.err);
    };
    let long = ["--recipe", "[DIR]/long.toml"];
    run("still", &long);
    run("warm", &[&long[..], &["--valve", "warming-room", "--set", "operator.start=10 min"]].concat());
    run("leaky", &[&long[..], &["--rig-leak", "30 mm3/s"]].concat());
    run("short", &[]);
    let rest = |names: &[&str], more: &[&str]| {
        let of: Vec<String> = names.iter().map(|name| format!("[DIR]/{name}.hold")).collect();
        let mut typed = vec!["calibrate", "rest"];
        of.iter().for_each(|file| typed.extend(["--recording", file]));
        let _ = std::fs::remove_file(dir.path().join("r.toml"));
        let said = say(&[&typed[..], &["--out", "[DIR]/r.toml"], more].concat());
        (said.code == 0).then(|| drift(dir.path(), "r.toml")).ok_or(said.err).map(|k_s| (k_s, said.out))
    };
    let (still, said) = rest(&["still"], &[]).unwrap();
    assert!(
        said.contains("one rest tells of its own time only") && said.contains("65 s to ") || said.contains("60 s to "),
        "{said}"
    );
    let (warm, _) = rest(&["warm"], &[]).unwrap();
    assert!(warm > 5e-4 && still < warm, "{still} {warm}");
    let (both, said) = rest(&["still", "warm"], &[]).unwrap();
    assert!(still < both && both < warm && !said.contains("one rest tells"), "{still} {both} {warm}: {said}");
    // A leak of the rig that is not known is drift; one that is known is not.
    let (unknown, said) = rest(&["leaky"], &[]).unwrap();
    assert!(unknown > 5e-3 && said.contains("judged leaking") && said.contains("not known"), "{unknown}: {said}");
    let blank = "calibration = \"blank\"\nmade = \"2026-01-02\"\nexpires = \"2027-01-01\"\n\
                 background = \"30 mm3/s\"\nbackground_u = \"0.1 mm3/s\"\n";
    std::fs::write(dir.path().join("b.toml"), blank).unwrap();
    let (known, said) = rest(&["leaky"], &["--calibrations", "[DIR]/b.toml"]).unwrap();
    assert!(known < 0.2 * unknown && said.contains("taken off"), "{known}: {said}");

    let refused = rest(&["short"], &[]).unwrap_err();
    assert!(refused.contains("short.hold") && refused.contains("a rest run takes 300 s to 3600 s"), "{refused}");
    std::fs::write(dir.path().join("rig.toml"), "far_volume = \"46 cm3\"\n").unwrap();
    run("other", &[&long[..], &["--rig-file", "[DIR]/rig.toml"]].concat());
    assert!(rest(&["still", "other"], &[]).unwrap_err().contains("not the same rig"));
    let whole = std::fs::read(dir.path().join("still.hold")).unwrap();
    std::fs::write(dir.path().join("cut.hold"), &whole[..whole.len() / 2]).unwrap();
    assert!(rest(&["cut"], &[]).unwrap_err().contains("cut.hold"));
}

/// A run says what drift it counts with and where that is from, in text, JSON and recording; and at which drift each verdict
/// would fall.
#[test]
fn runs_say_which_drift_they_rest_on() {
    let dir = tempfile::tempdir().unwrap();
    let rest = |expires: &str| {
        let text = format!(
            "calibration = \"rest\"\nmade = \"2026-01-02\"\nexpires = \"{expires}\"\ntemperature_drift_u = \"0.5 mK/s\"\n"
        );
        std::fs::write(dir.path().join("r.toml"), text).unwrap();
    };
    let run = |more: &[&str]| {
        let _ = std::fs::remove_file(dir.path().join("x.hold"));
        let said =
            seathold(dir.path(), &[&["run", "--valve", "scratched-seat-a", "--out", "[DIR]/x.hold"], more].concat());
        assert_eq!(said.code, 1, "{}{}", said.out, said.err);
        said.out.split_whitespace().collect::<Vec<_>>().join(" ")
    };
    let plain = run(&["-q"]);
    assert!(plain.contains("first side holds while the gas temperature drifts by less than"), "{plain}");
    assert!(plain.contains("second side holds while the gas temperature drifts by less than"), "{plain}");
    assert!(
        plain.contains("; ±0.2 mK/s assumed: no rest run)") && plain.contains("temperature (±0.2 mK/s)"),
        "{plain}"
    );
    rest("2027-01-01");
    let with = run(&["-q", "--calibrations", "[DIR]/r.toml"]);
    assert!(with.contains("drift of the gas temperature ±0.5 mK/s, by rest run, of 2026-01-02"), "{with}");
    assert!(with.contains("; ±0.5 mK/s by the rest run)"), "{with}");
    rest("2026-02-01");
    let old = run(&["--json", "--calibrations", "[DIR]/r.toml"]);
    let last: Value = serde_json::from_str(&old[old.rfind("{\"result\"").unwrap()..]).unwrap();
    let result = &last["result"];
    let notes: Vec<&str> = result["notes"].as_array().unwrap().iter().map(|note| note.as_str().unwrap()).collect();
    let has = |begin: &str| assert!(notes.iter().any(|note| note.starts_with(begin)), "{begin}: {notes:?}");
    has("calibrated: OUT OF DATE since 2026-02-01: drift of the gas temperature");
    has("first side: holds while the gas temperature drifts");
    has("where: likeliest first: the seat at end A");
    has("far side: reads empty");
    let margins = result["drift_margins"].as_array().unwrap();
    assert_eq!(margins.len(), 2);
    assert_eq!(margins[0]["falls_when"], "cooling");
    assert!(margins[1]["falls_at_k_s"].as_f64().unwrap() > 0.0 && margins[1]["drift_u_k_s"] == 5e-4, "{margins:?}");
    let shown = seathold(dir.path(), &["show", "--json", "[DIR]/x.hold"]);
    let shown: Value = serde_json::from_str(&shown.out).unwrap();
    assert_eq!((&shown["notes"], &shown["drift_margins"]), (&result["notes"], &result["drift_margins"]));
}

/// A room that warms hides a leak, and one that cools looks like one. Counted with the drift that a rest run finds there, sides at
/// the limit are not decided, and the interval covers the truth. `cargo bench --bench warming_room` has larger numbers.
#[test]
fn a_rest_run_keeps_the_risks_in_a_room_that_warms() {
    let [mut before, mut after] = [Tally::default(); 2];
    for kelvin_an_hour in [4.0, -4.0] {
        let dir = tempfile::tempdir().unwrap();
        let room = Room { kelvin_an_hour, before_s: 300, wall_ratio: 10_000.0 };
        let [(blind, _), (told, k_s)] = rigs(&room, "10 min", dir.path());
        assert!(k_s > 5e-4, "{k_s}");
        before = [before, tested(&room, &blind, 1.0, 1..5)].into_iter().sum();
        after = [after, tested(&room, &told, 1.0, 1..5)].into_iter().sum();
    }
    assert_eq!((before.sides(), after.sides()), (16, 16));
    assert!(before.covered < 10 && before.tight + before.leaking > 4, "{before:?}");
    assert!(after.covered >= 15 && after.tight + after.leaking == 0, "{after:?}");
}

/// Rest runs of several days are studied like the other calibrations.
#[test]
fn rests_of_several_days_show_how_the_drift_moves() {
    let dir = tempfile::tempdir().unwrap();
    for (day, mk_s) in [("01", 0.3), ("08", 0.35), ("15", 0.32), ("22", 0.4)] {
        let text = format!(
            "calibration = \"rest\"\nmade = \"2026-03-{day}\"\nexpires = \"2027-03-01\"\ntemperature_drift_u = \"{mk_s} mK/s\"\n"
        );
        std::fs::create_dir_all(dir.path().join("cal")).unwrap();
        std::fs::write(dir.path().join(format!("cal/{day}.toml")), text).unwrap();
    }
    let said = seathold(dir.path(), &["study", "drift", "[DIR]/cal"]);
    assert_eq!(said.code, 0, "{}", said.err);
    assert!(said.out.contains("drift of the gas temperature: 4 values from 2026-03-01 to 2026-03-22"), "{}", said.out);
    assert!(said.out.contains("0.40 mK/s, standard uncertainty 0.16 mK/s"), "{}", said.out);
    let bad =
        "calibration = \"rest\"\nmade = \"2026-03-01\"\nexpires = \"2027-03-01\"\ntemperature_drift_u = \"2 K/s\"\n";
    std::fs::write(dir.path().join("bad.toml"), bad).unwrap();
    let said = seathold(dir.path(), &["run", "--calibrations", "[DIR]/bad.toml", "--out", "[DIR]/x.hold"]);
    assert!(
        said.code == 2 && said.err.contains("temperature_drift_u") && said.err.contains("0 K/s to 1 K/s"),
        "{}",
        said.err
    );
}
