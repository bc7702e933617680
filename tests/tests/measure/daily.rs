//! The daily check: a reference leak and a plug on control charts, against the certificate, and made today.

use std::path::Path;

use seathold_tests::cli_kit::{golden, seathold};
use serde_json::Value;

/// A check, with this leak on the rig; the seed of the day.
fn check(dir: &Path, serial: &str, day: u32, leak: &str) {
    let (at, seed) = (format!("2026-03-{day:02}T07:30:00Z"), day.to_string());
    let kept = ["--out", "[DIR]/checks/", "--register", "[DIR]/bench.sqlite"];
    let of = ["--serial", serial, "--rig-leak", leak, "--started-at", &at, "--seed", &seed];
    let said = seathold(dir, &[&["run", "-q", "--sides", "first"], &of[..], &kept].concat());
    assert!(said.code < 2, "{}{}", said.out, said.err);
}

fn daily(dir: &Path, at: &str, more: &[&str]) -> (u8, String) {
    let from = ["study", "daily", "--reference", "20 mm3/s", "--at", at];
    let said = seathold(dir, &[&from[..], more].concat());
    (said.code, said.out + &said.err)
}

const NINE: &str = "2026-03-06T09:00:00Z";

#[test]
fn a_leak_and_a_plug_are_checked_before_the_first_valve() {
    let dir = tempfile::tempdir().unwrap();
    let dir = dir.path();
    let register = ["--register", "[DIR]/bench.sqlite"];
    for day in 2..=6 {
        check(dir, "CHECK-LEAK", day, "20 mm3/s");
        if day == 5 {
            let (code, said) = daily(dir, "2026-03-05T09:00:00Z", &register);
            assert!(code == 3 && said.contains("the last 2026-03-04T07:30:00Z: NOT MADE since then"), "{said}");
        }
        check(dir, "CHECK-PLUG", day, "0 mm3/s");
    }
    let (code, said) = daily(dir, NINE, &register);
    assert_eq!(code, 0, "{said}");
    golden("study-daily.txt", &said);
    // The same from the files, and as JSON.
    assert_eq!(daily(dir, NINE, &["[DIR]/checks"]), (0, said));
    let (code, said) = daily(dir, NINE, &["[DIR]/checks", "--json"]);
    let json: Value = serde_json::from_str(&said).unwrap();
    assert_eq!((code, json["daily"]["in_control"].as_bool()), (0, Some(true)));
    assert_eq!(json["daily"]["standards"][0]["certificate_mm3_s"][0], 20.0);
    // Yesterday's is none.
    assert_eq!(daily(dir, "2026-03-07T09:00:00Z", &register).0, 3);
    assert_eq!(daily(dir, "2026-03-07T09:00:00Z", &["--within", "36 h", "[DIR]/checks"]).0, 0);
    // A leak that has grown is out of limits and of what its certificate says; a plug that leaks is called what it is not.
    check(dir, "CHECK-LEAK", 7, "30 mm3/s");
    check(dir, "CHECK-PLUG", 7, "20 mm3/s");
    let (code, said) =
        daily(dir, "2026-03-07T08:00:00Z", &[&register[..], &["--first", "5", "--html", "[DIR]/c.html"]].concat());
    assert_eq!(code, 3, "{said}");
    golden("study-daily-out.txt", &said);
    let page = std::fs::read_to_string(dir.join("c.html")).unwrap();
    assert!(page.contains("DOES NOT AGREE") && page.matches("<svg").count() == 2, "{page}");
}

#[test]
fn what_was_not_made_or_cannot_be_is_named() {
    let dir = tempfile::tempdir().unwrap();
    let dir = dir.path();
    check(dir, "CHECK-LEAK", 2, "20 mm3/s");
    let (code, said) = daily(dir, "2026-03-02T09:00:00Z", &["[DIR]/checks"]);
    assert!(code == 3 && said.contains("NOT MADE: there is no run of CHECK-PLUG"), "{said}");
    for (wrong, why) in [
        (&["--plug-serial", "CHECK-LEAK"][..], "is the reference leak's"),
        (&["--first", "1"], "1 is not in 2..=1000"),
        (&["--within", "1 s"], "outside"),
        (&["--reference-u", "30 %"], "--reference-u"),
    ] {
        let (code, said) = daily(dir, NINE, &[wrong, &["[DIR]/checks"]].concat());
        assert!(code == 2 && said.contains(why), "{said}");
    }
}
