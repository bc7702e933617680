//! `seathold fleet`: repeatable, true to the plant, careful with files.

use std::collections::BTreeMap;
use std::fs;
use std::io::{self, Write};
use std::path::Path;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::time::Duration;

use seathold::console::Clock;
use seathold::console::Console;
use seathold::console::Timestamp;
use seathold::environment::Environment;
use seathold_tests::cli_kit::{Silent, golden, seathold};
use serde_json::Value;

/// Every file of a folder by name.
fn files(folder: &Path) -> BTreeMap<String, Vec<u8>> {
    let entries = fs::read_dir(folder).unwrap().map(|e| e.unwrap());
    entries.map(|e| (e.file_name().into_string().unwrap(), fs::read(e.path()).unwrap())).collect()
}

/// The rows of a table, each by column.
fn rows(folder: &Path) -> Vec<BTreeMap<String, String>> {
    let text = fs::read_to_string(folder.join("fleet.csv")).unwrap();
    let mut lines = text.lines().map(|l| l.split(',').map(str::to_owned).collect::<Vec<_>>());
    let names = lines.next().unwrap();
    lines
        .map(|line| {
            assert_eq!(line.len(), names.len());
            names.iter().cloned().zip(line).collect()
        })
        .collect()
}

fn number(row: &BTreeMap<String, String>, name: &str) -> f64 {
    row[name].parse().unwrap_or_else(|_| panic!("{name} of {row:?}"))
}

/// The same bytes whatever the number of threads, and the same valves whatever their number; and each recording replays.
#[test]
fn one_seed_is_one_fleet() {
    let dir = tempfile::tempdir().unwrap();
    for (threads, valves, out) in [("1", "6", "[DIR]/one"), ("2", "6", "[DIR]/two"), ("2", "3", "[DIR]/few")] {
        let said = seathold(dir.path(), &["fleet", "-n", valves, "--threads", threads, "--seed", "5", "--out", out]);
        assert_eq!(said.code, 0, "{said:?}");
    }
    let (one, two, few) = (files(&dir.path().join("one")), files(&dir.path().join("two")), dir.path().join("few"));
    assert_eq!(one.len(), 7);
    assert!(one == two, "another number of threads, other bytes");
    let few = files(&few);
    assert_eq!(few.len(), 4);
    for (name, bytes) in few {
        let same = if name == "fleet.csv" { one[&name].starts_with(&bytes) } else { one[&name] == bytes };
        assert!(same, "{name} depends on how many valves there are");
    }
    let recordings: Vec<String> = (1..=6).map(|n| format!("[DIR]/one/HM-{n:04}.hold")).collect();
    let typed: Vec<&str> = ["replay"].into_iter().chain(recordings.iter().map(String::as_str)).collect();
    let said = seathold(dir.path(), &typed);
    assert!(!said.out.contains("differs") && said.code < 5, "{said:?}");

    seathold(dir.path(), &["fleet", "-n", "3", "--seed", "6", "--no-recordings", "--out", "[DIR]/other"]);
    let other = files(&dir.path().join("other"));
    assert_eq!(other.len(), 1);
    assert!(!one["fleet.csv"].starts_with(&other["fleet.csv"]));
}

/// Leaks that are clear are found where they are, and the figures cover the truth.
#[test]
fn clear_leaks_are_found_on_their_side() {
    let dir = tempfile::tempdir().unwrap();
    let tight = ["seat_b", "stem", "body_joint", "joint_a", "joint_b"].map(|p| format!("{p}.share=0"));
    let mut typed = vec!["fleet", "-n", "6", "--no-recordings", "--json", "--out", "[DIR]/f"];
    for set in ["seat_a.share=1", "seat_a.spread=normal", "seat_a.mean=20 mm3/s", "seat_a.deviation=1 mm3/s"]
        .into_iter()
        .chain(tight.iter().map(String::as_str))
    {
        typed.extend(["--set", set]);
    }
    let said = seathold(dir.path(), &typed);
    let result: Value = serde_json::from_str(&said.out).unwrap();
    assert_eq!(result["fleet"]["result"]["sides"]["truly_over"]["leaking"], 6);
    assert_eq!(result["fleet"]["result"]["sides"]["truly_within"]["tight"], 6);
    let rows = rows(&dir.path().join("f"));
    assert_eq!(rows.len(), 6);
    for row in &rows {
        assert_eq!([&row["verdict"], &row["first_verdict"], &row["second_verdict"]], ["leaking", "leaking", "tight"]);
        let seat = number(row, "seat_a_pa_m3_s");
        assert!((1.6e-3..=2.4e-3).contains(&seat), "{seat}");
        // 6 bar is what leaks are stated at and what the recipe tests at: the side leaks the sum of its paths.
        let sum = seat + 5e-7 + 2e-7 + 2e-7;
        assert!((number(row, "first_true_leak_pa_m3_s") / sum - 1.0).abs() < 1e-9);
        // ± covers the truth with at least 95 %; half as wide again does so in all six.
        for side in ["first", "second"] {
            let of = |what: &str| number(row, &format!("{side}_{what}_pa_m3_s"));
            assert!((of("leak") - of("true_leak")).abs() < 1.5 * of("expanded"), "{row:?}");
        }
    }
}

/// The summary says what the table says.
#[test]
fn the_summary_counts_the_table() {
    let dir = tempfile::tempdir().unwrap();
    let typed = ["fleet", "-n", "16", "--seed", "2", "--set", "seat_a.share=40 %", "--set", "stem.share=20 %"];
    let said = seathold(dir.path(), &[&typed[..], &["--no-recordings", "--out", "[DIR]/text"]].concat());
    assert_eq!(said.code, 0, "{said:?}");
    golden("fleet.txt", &said.out);
    golden("fleet-talk.txt", &said.err);
    let said = seathold(dir.path(), &[&typed[..], &["--no-recordings", "--json", "--out", "[DIR]/json"]].concat());
    let result: Value = serde_json::from_str(&said.out).unwrap();
    let result = &result["fleet"]["result"];
    let rows = rows(&dir.path().join("json"));
    assert_eq!((rows.len(), result["done"].as_u64()), (16, Some(16)));
    for (truth, over) in [("truly_over", true), ("truly_within", false)] {
        for verdict in ["tight", "leaking", "undecided", "void"] {
            let count = |side: &str| {
                let of = |row: &&BTreeMap<String, String>| {
                    let is_over = number(row, &format!("{side}_true_leak_pa_m3_s")) > 7.5e-4;
                    is_over == over && row[&format!("{side}_verdict")] == verdict
                };
                rows.iter().filter(of).count() as u64
            };
            let counted = result["sides"][truth][verdict].as_u64();
            assert_eq!(counted, Some(count("first") + count("second")), "{truth} {verdict}");
        }
    }
    let mut times: Vec<f64> = rows.iter().map(|row| number(row, "time_s")).collect();
    times.sort_by(f64::total_cmp);
    assert_eq!(result["median_time_s"].as_f64(), Some((times[7] + times[8]) / 2.0));
}

/// The template is the built-in fleet.
#[test]
fn the_template_reads_back() {
    let dir = tempfile::tempdir().unwrap();
    let template = seathold(dir.path(), &["fleet", "--template"]);
    assert_eq!((template.code, template.err.as_str()), (0, ""));
    fs::write(dir.path().join("f.toml"), template.out).unwrap();
    let plain = ["fleet", "-n", "2", "--no-recordings", "--out"];
    seathold(dir.path(), &[&plain[..], &["[DIR]/a"]].concat());
    seathold(dir.path(), &[&plain[..], &["[DIR]/b", "--fleet", "[DIR]/f.toml"]].concat());
    assert_eq!(files(&dir.path().join("a")), files(&dir.path().join("b")));
}

/// Everything wrong at once, with its line; nothing is run and nothing made.
#[test]
fn bad_input() {
    let dir = tempfile::tempdir().unwrap();
    let text = "based_on = \"tigth\"\n\
                [seat_a]\nshare = \"120 %\"\nfrom = \"1 bar\"\n\
                [stem]\nfrom = \"3 mm3/s\"\nto = \"2 mm3/s\"\n\
                [joint_a]\nmean = \"2 mm3/s\"\n\
                [joint_b]\nspread = \"normal\"\n\
                [body_joint]\nfrom = \"0 mm3/s\"\n\
                [noise]\nspread = \"lognormal\"\n\
                [far_volume]\nto = \"400 l\"\n\
                [room]\nmean = \"29 C\"\n\
                [rooms]\nmean = \"20 C\"\n";
    fs::write(dir.path().join("bad.toml"), text).unwrap();
    let mut all = String::new();
    for typed in [
        &["--fleet", "[DIR]/bad.toml"][..],
        &["--fleet", "[DIR]/none.toml"],
        &["--set", "stem.shar=20 %"],
        &["--set", "stem"],
        &["--set", "based_on=creeping-seats", "--set", "far_volume.from=0.2 cm3"],
        &["--limit", "7.5 bar"],
    ] {
        let said = seathold(dir.path(), &[&["fleet", "-n", "2", "--out", "[DIR]/out"], typed].concat());
        assert_eq!((said.code, said.out.as_str()), (if typed[1].contains("none") { 6 } else { 2 }, ""), "{said:?}");
        all.push_str(&format!("$ seathold fleet {}\n{}", typed.join(" "), said.err));
    }
    golden("fleet-bad.txt", &all);
    for typed in [["-n", "0"], ["--threads", "0"], ["-n", "many"]] {
        assert_eq!(seathold(dir.path(), &[&["fleet", "--out", "[DIR]/out"], &typed[..]].concat()).code, 2);
    }
    assert!(!dir.path().join("out").exists());
}

/// Nothing is written over, and what was done before something is in the way is kept.
#[test]
fn nothing_is_written_over() {
    let dir = tempfile::tempdir().unwrap();
    let typed = ["fleet", "-n", "4", "--threads", "1", "--out", "[DIR]/f"];
    fs::create_dir(dir.path().join("f")).unwrap();
    fs::write(dir.path().join("f/HM-0003.hold"), "mine").unwrap();
    let said = seathold(dir.path(), &typed);
    assert_eq!(said.code, 6);
    assert!(said.err.ends_with(
        "what was done before is kept: [DIR]/f/fleet.csv\n\
         error: could not make [DIR]/f/HM-0003.hold: it exists already\n"
    ));
    let rows: Vec<String> = rows(&dir.path().join("f")).iter().map(|row| row["serial"].clone()).collect();
    assert!(rows.starts_with(&["HM-0001".into(), "HM-0002".into()]) && !rows.contains(&"HM-0003".into()), "{rows:?}");
    assert_eq!(fs::read(dir.path().join("f/HM-0003.hold")).unwrap(), b"mine");
    let before = files(&dir.path().join("f"));
    let said = seathold(dir.path(), &typed);
    assert_eq!((said.code, said.err), (6, "error: could not make [DIR]/f/fleet.csv: it exists already\n".into()));
    assert_eq!(files(&dir.path().join("f")), before);
}

/// A clock that stands.
struct Standing;

impl Clock for Standing {
    fn now(&self) -> Timestamp {
        "2026-03-02T09:30:00Z".parse().unwrap()
    }

    fn elapsed(&self) -> Duration {
        Duration::ZERO
    }

    fn pause(&mut self, _: Duration) {}
}

/// Presses Ctrl-C when it reads this.
struct PressAt<'a>(&'static str, &'a AtomicUsize, Vec<u8>);

impl Write for PressAt<'_> {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        self.2.extend_from_slice(bytes);
        if String::from_utf8_lossy(&self.2).contains(self.0) {
            self.1.store(1, Ordering::Relaxed);
        }
        Ok(bytes.len())
    }

    fn flush(&mut self) -> io::Result<()> {
        Ok(())
    }
}

/// Ctrl-C lets the valves under way end, keeps what is done, and says so.
#[test]
fn ctrl_c_keeps_what_is_done() {
    let dir = tempfile::tempdir().unwrap();
    let folder = dir.path().join("f");
    let presses = AtomicUsize::new(0);
    let (mut out, mut err) = (Vec::new(), PressAt("  2 of 20 valves", &presses, Vec::new()));
    let typed = ["seathold", "fleet", "-n", "20", "--threads", "2", "--out", folder.to_str().unwrap()];
    let exit = seathold::main_with(
        typed.map(Into::into),
        &mut Console {
            out: &mut out,
            err: &mut err,
            live: false,
            clock: &mut Standing,
            interrupts: &presses,
            keys: &mut Silent,
            environment: &Environment::default(),
        },
    );
    let err = String::from_utf8(err.2).unwrap();
    assert_eq!(exit.code(), 3, "{err}");
    let done: usize = err.rsplit_once("stopped: ").unwrap().1.split_once(' ').unwrap().0.parse().unwrap();
    assert!((2..20).contains(&done), "{err}");
    assert!(err.ends_with(&format!("stopped: {done} of 20 valves are done and kept\n")), "{err}");
    let serials: Vec<String> = rows(&folder).iter().map(|row| row["serial"].clone()).collect();
    let wanted: Vec<String> = (1..=done).map(|n| format!("HM-{n:04}")).collect();
    assert_eq!(serials, wanted);
    let found: Vec<String> = files(&folder).into_keys().collect();
    let mut all: Vec<String> = wanted.iter().map(|serial| format!("{serial}.hold")).collect();
    all.push("fleet.csv".into());
    assert_eq!(found, all);
    assert!(String::from_utf8(out).unwrap().contains("median time"));
}
