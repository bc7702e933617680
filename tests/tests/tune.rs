//! A recipe tuned on one fleet keeps its promise on another.

mod cli_kit;

use std::path::Path;

use cli_kit::seathold;
use seathold::tune::rates::Rate;

fn fleet(dir: &Path, recipe: &str, name: &str, valves: &str, seed: &str) -> String {
    let out = format!("[DIR]/{name}");
    let options = ["fleet", "-n", valves, "--seed", seed, "--recipe", recipe, "--out", &out];
    let leaky = ["--set", "seat_a.share=60 %", "--set", "seat_b.share=60 %"];
    let said = seathold(dir, &[options.as_slice(), leaky.as_slice()].concat());
    assert_eq!(said.code, 0, "{}", said.err);
    format!("{out}/fleet.csv")
}

/// Leaking sides accepted and good sides not accepted, by the fleet's own table.
fn rates(dir: &Path, name: &str, limit: f64) -> (Rate, Rate) {
    let text = std::fs::read_to_string(dir.join(name).join("fleet.csv")).unwrap();
    let mut lines = text.lines().map(|line| line.split(',').collect::<Vec<&str>>());
    let names = lines.next().unwrap();
    let at = |name: &str| names.iter().position(|n| *n == name).unwrap();
    let mut rates = (Rate::default(), Rate::default());
    for record in lines {
        for side in ["first", "second"] {
            let truth: f64 = record[at(&format!("{side}_true_leak_pa_m3_s"))].parse().unwrap();
            let tight = record[at(&format!("{side}_verdict"))] == "tight";
            if truth <= limit { rates.1.see(!tight) } else { rates.0.see(tight) }
        }
    }
    rates
}

#[test]
fn the_promise_holds_on_a_fresh_fleet() {
    let dir = tempfile::tempdir().unwrap();
    let long = "settle = \"5 s\"\nfalse_accept = 0.000001\nfalse_reject = 0.000001\n";
    std::fs::write(dir.path().join("long.toml"), long).unwrap();
    let truth = fleet(dir.path(), "[DIR]/long.toml", "learn", "60", "11");
    let tune = |more: &[&str]| {
        let options = ["tune", "[DIR]/learn", "--truth", &truth, "--with", "[DIR]/long.toml", "--settle", "3,5"];
        let risks = ["--measure", "40", "--false-accept", "0.2", "--false-reject", "0.25"];
        seathold(dir.path(), &[options.as_slice(), risks.as_slice(), more].concat())
    };
    let one = tune(&["--threads", "1", "--out", "[DIR]/tuned.toml", "--html", "[DIR]/tuned.html"]);
    println!("{}{}", one.out, one.err);
    assert_eq!(one.code, 0, "{}{}", one.out, one.err);
    assert_eq!(one.out, tune(&["--threads", "2"]).out);
    let again = tune(&["--out", "[DIR]/tuned.toml"]);
    assert!(again.code != 0 && again.err.contains("exists"), "{}", again.err);
    let checked = seathold(dir.path(), &["recipe", "check", "[DIR]/tuned.toml"]);
    assert_eq!(checked.code, 0, "{}", checked.err);
    let text = std::fs::read_to_string(dir.path().join("tuned.toml")).unwrap();
    assert!(text.contains("# chosen: settle") && text.contains("# ") && text.contains("held out"), "{text}");

    let page = std::fs::read_to_string(dir.path().join("tuned.html")).unwrap();
    assert_eq!(page.matches("<svg").count(), 2);
    if let Some(keep) = std::env::var_os("KEEP_PAGE") {
        std::fs::write(keep, page).unwrap();
    }

    fleet(dir.path(), "[DIR]/tuned.toml", "fresh", "60", "12");
    let limit = seathold_sequencer::recipe::RawRecipe::DEMO.limit_pa_m3_s;
    let (accepted, refused) = rates(dir.path(), "fresh", limit);
    println!("fresh: accepted in error {accepted}; not accepted {refused}");
    assert!(accepted.of > 10 && refused.of > 20);
    assert!(accepted.share() <= 0.2 && refused.share() <= 0.25, "{accepted} {refused}");
}

/// What cannot be kept is not promised, and a sample too small is called small.
#[test]
fn nothing_is_promised_on_too_little() {
    let dir = tempfile::tempdir().unwrap();
    std::fs::write(dir.path().join("plain.toml"), "settle = \"5 s\"\n").unwrap();
    let truth = fleet(dir.path(), "[DIR]/plain.toml", "learn", "6", "3");
    let said = seathold(dir.path(), &["tune", "[DIR]/learn", "--truth", &truth, "--settle", "5", "--measure", "60"]);
    assert_eq!(said.code, 3, "{}{}", said.out, said.err);
    assert!(said.out.contains("a small sample") && said.out.contains("no candidate keeps"), "{}", said.out);
    std::fs::write(dir.path().join("bad.csv"), "serial,side,truth\nHM-001,first,fine\n").unwrap();
    let said = seathold(dir.path(), &["tune", "[DIR]/learn", "--truth", "[DIR]/bad.csv"]);
    assert!(said.code == 2 && said.err.contains("line 2") && said.err.contains("\"fine\""), "{}", said.err);
}

/// Clopper and Pearson's interval: 0 of 10 ends at 1 − 0.025^(1/10) = 0.3085; 5 of 10 from 0.1871 to 0.8129 (closed form,
/// and from memory of common tables).
#[test]
fn intervals_are_exact() {
    let (low, high) = Rate { wrong: 0, of: 10 }.interval(0.95);
    assert!(low == 0.0 && (high - (1.0 - 0.025f64.powf(0.1))).abs() < 1e-9, "{high}");
    let (low, high) = Rate { wrong: 5, of: 10 }.interval(0.95);
    assert!((low - 0.1871).abs() < 1e-4 && (high - 0.8129).abs() < 1e-4, "{low} {high}");
    assert_eq!(seathold::tune::choice::fewest(0.05), 59);
}
