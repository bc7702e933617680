//! `seathold identify`: what it says, what it refuses, and that what it writes is taken by the other commands.

use std::path::Path;

use seathold_tests::cli_kit::{golden, recorded, seathold};
use serde_json::Value;

const AT: [&str; 2] = ["--started-at", "2026-03-02T09:30:00Z"];

/// First sides of the tight valve, on a bench that is not quite the built-in one.
fn recordings(dir: &Path, count: u64) -> Vec<String> {
    (1..=count)
        .map(|seed| {
            let (name, seed) = (format!("tight-{seed}.hold"), seed.to_string());
            let bench = ["--set", "plant.far_tau=1.6 s", "--set", "plant.supply_c=1.2 dm3/(s*bar)", "--seed", &seed];
            recorded(dir, &name, &[&AT[..], &bench].concat());
            format!("[DIR]/{name}")
        })
        .collect()
}

/// Of three the last is held out; the truth lies in the intervals; and run, plan and fleet take the files that are written.
#[test]
fn a_bench_is_found_and_what_is_written_is_taken() {
    let dir = tempfile::tempdir().unwrap();
    let files = recordings(dir.path(), 3);
    let files: Vec<&str> = files.iter().map(String::as_str).collect();
    let written = ["--out-valve", "[DIR]/valve.toml", "--out-rig", "[DIR]/rig.toml", "--html", "[DIR]/page.html"];
    let said = seathold(dir.path(), &[&["identify"], &files[..], &written].concat());
    assert_eq!(
        (said.code, said.err.as_str()),
        (0, "valve written to [DIR]/valve.toml\nrig written to [DIR]/rig.toml\n")
    );
    golden("identify.txt", &said.out);
    let page = std::fs::read_to_string(dir.path().join("page.html")).unwrap();
    assert!(page.contains("Held out, while held") && page.contains("told by"), "{page}");

    let said = seathold(dir.path(), &[&["identify", "--json"], &files[..]].concat());
    let found: Value = serde_json::from_str(&said.out).unwrap();
    assert_eq!((said.code, found["agreement"].as_str()), (0, Some("within")));
    let of = |field: &str| found["parameters"].as_array().unwrap().iter().find(|one| one["field"] == field).unwrap();
    for (field, truth) in
        [("far_tau", 1.6), ("supply_c", 1.2e-8), ("regulator_set", 600_000.0), ("cavity_volume", 5e-6)]
    {
        let ends: Vec<f64> =
            of(field)["interval_95"].as_array().unwrap().iter().map(|end| end.as_f64().unwrap()).collect();
        assert!((ends[0]..=ends[1]).contains(&truth), "{field}: {ends:?}");
    }
    // Half a minute tells nothing of a wall that takes ten.
    assert_eq!((of("wall_tau")["told"].as_bool(), of("wall_tau")["value"].as_f64()), (Some(false), Some(600.0)));

    let takes = |typed: &[&str]| {
        let said = seathold(dir.path(), typed);
        assert!(said.code < 2, "{typed:?}: {} {}", said.code, said.err);
        said.out
    };
    takes(&["valve", "check", "[DIR]/valve.toml"]);
    takes(&["rig", "check", "[DIR]/rig.toml"]);
    let both = ["--valve", "[DIR]/valve.toml", "--rig-file", "[DIR]/rig.toml"];
    takes(&[&["run", "-q", "--sides", "first", "--out", "[DIR]/again.hold"], &both[..], &AT].concat());
    takes(&["plan", "--limit", "7.5 mm3/s", "--rig-file", "[DIR]/rig.toml", "--noise", "20 Pa"]);
    takes(&[&["fleet", "-n", "6", "--out", "[DIR]/fleet"], &both[..], &AT].concat());
    // What is tuned is tuned on runs of that bench.
    let tuned =
        seathold(dir.path(), &["tune", "[DIR]/fleet", "--labels", "[DIR]/fleet/fleet.csv", "--false-accept", "50 %"]);
    // Of six valves it may find that none of its recipes is safe.
    assert!(matches!(tuned.code, 0 | 3) && !tuned.err.contains("error"), "{} {}", tuned.code, tuned.err);
}

/// A plant that does not describe the bench says so, with a code of its own: here the readings held out are of another bench.
#[test]
fn a_bench_that_is_missed_is_said_to_be() {
    let dir = tempfile::tempdir().unwrap();
    let files = recordings(dir.path(), 1);
    recorded(dir.path(), "other.hold", &["--set", "plant.far_tau=4 s", "--set", "plant.droop=60000 Pa"]);
    let said = seathold(
        dir.path(),
        &["identify", &files[0], "--hold-out", "[DIR]/other.hold", "--out-valve", "[DIR]/valve.toml"],
    );
    assert_eq!(said.code, 3, "{}", said.out);
    assert!(said.out.contains("THE PLANT DOES NOT DESCRIBE THIS BENCH"), "{}", said.out);
    let valve = std::fs::read_to_string(dir.path().join("valve.toml")).unwrap();
    assert!(valve.contains("# so           THE PLANT DOES NOT DESCRIBE THIS BENCH"), "{valve}");
}

/// A known leak that is half of what is said: leak and rig cannot both be right, and no number comes out as if they were.
#[test]
fn a_known_leak_that_contradicts_the_rig_is_said() {
    let dir = tempfile::tempdir().unwrap();
    recorded(dir.path(), "tight.hold", &AT);
    recorded(dir.path(), "leak.hold", &["--rig-leak", "20 mm3/s"]);
    let typed = ["identify", "[DIR]/tight.hold", "--with-leak", "[DIR]/leak.hold", "--reference", "40 mm3/s"];
    let said = seathold(dir.path(), &typed);
    assert_eq!(said.code, 3, "{}{}", said.out, said.err);
    assert!(said.out.contains("KNOWN LEAK AND RIG CONTRADICT EACH OTHER"), "{}", said.out);
}

#[test]
fn what_cannot_be_fitted_is_named() {
    let dir = tempfile::tempdir().unwrap();
    recorded(dir.path(), "tight.hold", &AT);
    recorded(dir.path(), "hand.hold", &["--valve", "hand"]);
    std::fs::write(dir.path().join("small.toml"), "far_volume = \"20 cm3\"\n").unwrap();
    recorded(dir.path(), "small.hold", &["--rig-file", "[DIR]/small.toml"]);
    std::fs::copy(dir.path().join("tight.hold"), dir.path().join("copy.hold")).unwrap();
    let refused = |typed: &[&str], code: u8, message: &str| {
        let said = seathold(dir.path(), &[&["identify"], typed].concat());
        assert_eq!((said.code, said.out.as_str()), (code, ""), "{}", said.err);
        assert!(said.err.contains(message), "{}", said.err);
    };
    refused(&["[DIR]/hand.hold"], 2, "[DIR]/hand.hold: actuation is \"hand\": when a lever was moved is not recorded");
    refused(&["[DIR]/tight.hold", "[DIR]/copy.hold"], 2, "[DIR]/copy.hold: the same recording as [DIR]/tight.hold");
    refused(&["[DIR]/tight.hold", "[DIR]/small.hold"], 2, "far_volume is 20 cm³, and 45 cm³ in [DIR]/tight.hold");
    let leak = ["[DIR]/tight.hold", "--with-leak", "[DIR]/small.hold", "--reference"];
    refused(&[&leak[..], &["20 parsecs"]].concat(), 2, "--reference: \"20 parsecs\": unit \"parsecs\" does not fit");
    refused(&[&leak[..], &["20000 cm3/s"]].concat(), 2, "--reference: 20000 cm3/s is outside");
    refused(&["[DIR]/tight.hold", "--hold-out", "[DIR]/tight.hold"], 2, "no recording of a tight valve is left");
    refused(&["[DIR]/none.hold"], 6, "none.hold");
    let said = seathold(dir.path(), &["identify", "[DIR]/tight.hold", "--with-leak", "[DIR]/small.hold"]);
    assert_eq!(said.code, 2);
    // A valve that is none of the tight ones.
    recorded(dir.path(), "leaking.hold", &["--rig-leak", "40 mm3/s"]);
    refused(&["[DIR]/tight.hold", "[DIR]/leaking.hold"], 2, "leaking.hold: a side of it was judged leaking");
    // A leak that was not open.
    recorded(dir.path(), "again.hold", &["--seed", "9"]);
    let typed = ["[DIR]/tight.hold", "--with-leak", "[DIR]/again.hold", "--reference", "20 mm3/s"];
    refused(&typed, 2, "which is not clearly more: was it open");
}
