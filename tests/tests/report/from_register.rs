//! Reports and tables of runs in the register: what counts, what was noted in between, and what is selected.

use std::collections::VecDeque;
use std::path::Path;

use seathold::console::KeyboardInput;
use seathold::console::Keys;
use seathold_tests::cli_kit::{Said, Stage, seathold, seathold_on};

/// Somebody who types these lines and goes.
struct Lines(VecDeque<&'static str>);

impl Keys for Lines {
    fn line(&mut self) -> KeyboardInput {
        self.0.pop_front().map_or(KeyboardInput::Closed, |line| KeyboardInput::Line(line.into()))
    }
}

const AT: [&str; 2] = ["--register", "[DIR]/bench.sqlite"];

fn say(dir: &Path, arguments: &[&str]) -> Said {
    seathold(dir, &[arguments, &AT[..]].concat())
}

/// A batch of four: HM-001 tight, HM-002 leaking, reworked and retested tight, HM-003 leaking, HM-004 not tested.
fn batch(dir: &Path) {
    let said =
        say(dir, &["batch", "open", "spring", "--serials", "HM-001..HM-004", "--actuation", "air", "--dn", "25"]);
    assert_eq!(said.code, 0, "{}", said.err);
    let typed = |lines: &[&'static str], more: &[&str]| {
        let folder = ["--out", "[DIR]/recordings", "--operator", "Ada"];
        let arguments = [&["batch", "test", "-q"], &AT[..], &folder[..], more].concat();
        let mut keys = Lines(lines.iter().copied().collect());
        let stage = Stage { interrupt_at: Vec::new(), keys: &mut keys, out_breaks: None, live: false };
        assert_eq!(seathold_on(dir, &arguments, stage).code, 0);
    };
    typed(&["HM-001", "HM-002"], &["--valve", "HM-002=scratched-seat-a"]);
    let later = ["--", "--started-at", "2026-03-02T10:00:00Z"];
    typed(&["rework HM-002 new seat at end A", "HM-002", "remark HM-001 lever is stiff"], &later);
    typed(&["HM-003"], &[&["--valve", "HM-003=stem-leak", "--order", "side"], &later[..]].concat());
}

fn page(dir: &Path, arguments: &[&str]) -> String {
    let said = say(dir, &[&["report", "-o", "[DIR]/page.html"], arguments].concat());
    assert_eq!((said.code, said.err.as_str()), (0, ""));
    words(&std::fs::read_to_string(dir.join("page.html")).unwrap())
}

/// A page as words, a line a block, so that a test can say what stands in it.
fn words(html: &str) -> String {
    let mut text = String::new();
    let mut inside = false;
    for c in html.replace("</tr>", "</tr>\n").replace("</dd>", "</dd>\n").replace("</td>", " </td>").chars() {
        match c {
            '<' => inside = true,
            '>' => {
                inside = false;
                text.push(' ');
            }
            c if !inside => text.push(c),
            _ => {}
        }
    }
    text.lines().map(|line| line.split_whitespace().collect::<Vec<_>>().join(" ") + "\n").collect()
}

#[test]
fn a_batch_says_where_every_valve_stands_and_what_was_done() {
    let dir = tempfile::tempdir().unwrap();
    let dir = dir.path();
    batch(dir);
    let page = page(dir, &["--batch", "spring"]);
    let has = |line: &str| assert!(page.contains(line), "\"{line}\" is not in\n{page}");
    has("Batch spring");
    has("Tally of 4 valves 2 tight (1 after rework), 1 leaking, 1 not finished.");
    has("Batch spring, opened 2026-03-02 09:30:00 UTC, still open");
    // The leaker's first run does not count any more; what was done to it stands between.
    has("HM-002 tight tight; reworked 1.1 ± 2.9 mm³/s 0.6 ± 3.9 mm³/s 7.5 mm³/s 2");
    has("HM-003 leaking to rework");
    has("HM-004 not proved next not tested not tested 7.5 mm3/s 0");
    has("2026-03-02 09:30:00 UTC reworked 3 new seat at end A Ada");
    has("2026-03-02 09:30:00 UTC remark 2 lever is stiff Ada");
    has("record 3 of bench.sqlite");
    // As in the work list, word for word.
    let work = say(dir, &["batch", "status"]).out;
    assert!(work.contains("of 4 valves 2 tight (1 after rework), 1 leaking, 1 not finished"), "{work}");
}

/// What holds for some of the valves only is said of those: not of all, by the recipe of one.
#[test]
fn method_and_calibrations_are_told_of_the_valves_they_hold_for() {
    let dir = tempfile::tempdir().unwrap();
    let dir = dir.path();
    assert_eq!(seathold(dir, &["calibrate", "blank", "--out", "[DIR]/cal/"]).code, 0);
    let run = |serial: &str, at: &str, more: &[&str]| {
        let out = format!("[DIR]/{serial}.hold");
        let run = ["run", "-q", "--serial", serial, "--started-at", at, "--out", &out];
        assert_eq!(say(dir, &[&run[..], more].concat()).code, 0);
    };
    run("HM-001", "2026-03-02T09:30:00Z", &["--actuation", "air"]);
    run("HM-002", "2026-03-02T09:40:00Z", &["--actuation", "hand"]);
    let alike = page(dir, &["--title", "All", "--serial", "HM-001"]).replace('\n', " ");
    assert!(alike.contains(" Pressure hold with compressed air"), "{alike}");
    assert!(!alike.contains("For HM-001"), "{alike}");
    run("HM-003", "2026-03-02T09:50:00Z", &["--actuation", "air", "--calibrations", "[DIR]/cal/"]);
    let page = page(dir, &[]).replace('\n', " ");
    let has = |line: &str| assert!(page.contains(line), "\"{line}\" is not in\n{page}");
    has("For HM-001, HM-003: Pressure hold");
    has("For HM-002: Pressure hold");
    let of = |serial: &str| page.split_once(&format!("For {serial}: Pressure")).unwrap().1;
    assert!(of("HM-002").find("shut by hand") < of("HM-002").find("For the second side"), "{page}");
    // The other paragraphs are the same for all, and stand once.
    assert_eq!(page.matches("A side is called tight when").count(), 1);
    has("For HM-001, HM-002: no calibration given");
    has("For HM-003: ");
    has("Test pressure 6.000 bar gauge");
}

#[test]
fn a_valve_is_told_by_its_serial_and_what_counts_is_there_whatever_was_selected() {
    let dir = tempfile::tempdir().unwrap();
    let dir = dir.path();
    batch(dir);
    let whole = page(dir, &["--serial", "HM-002"]);
    for line in ["Result so far tight; reworked", "Record 3: 2026-03-02", "Record 5: 2026-03-02", "new seat at end A"] {
        assert!(whole.contains(line), "\"{line}\" is not in\n{whole}");
    }
    // Only its leaking run was asked for; what the valve is now comes from the other, which is there for that.
    let leaking = page(dir, &["--serial", "HM-002", "--verdict", "leaking"]);
    assert!(leaking.contains("Tight The leak of each side") && leaking.contains("Record 5: "), "{leaking}");
    // Two valves had a leaking run.
    let both = page(dir, &["--verdict", "leaking"]);
    assert!(both.contains("HM-002 tight tight; reworked") && both.contains("HM-003 leaking to rework"), "{both}");
    assert!(!both.contains("HM-001") && !both.contains("HM-004"));
}

/// Every leak of a page, "20.0 ± 3.9 mm³/s".
fn figures(page: &str) -> Vec<String> {
    let words: Vec<&str> = page.split_whitespace().collect();
    let leaks = words.windows(4).filter(|four| four[1] == "±" && four[3].starts_with("mm³/s"));
    let mut leaks: Vec<String> = leaks.map(|four| four[..3].join(" ")).collect();
    leaks.sort();
    leaks
}

#[test]
fn the_recordings_alone_come_to_the_same_but_know_of_no_rework() {
    let dir = tempfile::tempdir().unwrap();
    let dir = dir.path();
    batch(dir);
    let said = seathold(dir, &["report", "[DIR]/recordings", "--serial", "HM-002", "-o", "[DIR]/loose.html"]);
    assert_eq!((said.code, said.err.as_str()), (0, ""));
    let loose = std::fs::read_to_string(dir.join("loose.html")).unwrap();
    let told = page(dir, &["--serial", "HM-002"]);
    let of_both = figures(&told);
    // Two sides before the rework, and two after it, which count and so are told at the head as well.
    assert_eq!(of_both.len(), 6, "{of_both:?}");
    assert_eq!(figures(&words(&loose)), of_both);
    assert!(loose.contains("recordings alone do not say what was done about it") && !loose.contains("Result so far"));
    assert!(!told.contains("recordings alone"));
}

#[test]
fn tables_of_a_selection_are_those_of_its_recordings() {
    let dir = tempfile::tempdir().unwrap();
    let dir = dir.path();
    batch(dir);
    let rows = |name: &str| -> Vec<String> {
        let text = std::fs::read_to_string(dir.join(name)).unwrap();
        let mut rows: Vec<String> = text.lines().map(str::to_owned).collect();
        rows.sort();
        rows
    };
    for (more, valve) in [(&[][..], None), (&["--serial", "HM-002"], Some("HM-002"))] {
        let said = say(dir, &[&["export", "--sides", "[DIR]/a.csv"], more].concat());
        assert_eq!((said.code, said.err.as_str()), (0, ""));
        let said = seathold(dir, &[&["export", "[DIR]/recordings", "--sides", "[DIR]/b.csv"], more].concat());
        assert_eq!((said.code, said.err.as_str()), (0, ""));
        assert_eq!(rows("a.csv"), rows("b.csv"));
        assert_eq!(rows("a.csv").len(), if valve.is_some() { 5 } else { 8 });
    }
    let said = say(dir, &["export", "--runs", "[DIR]/leaking.csv", "--verdict", "leaking", "--batch", "spring"]);
    assert_eq!(said.code, 0, "{}", said.err);
    // A line of names, HM-002 before its rework, and HM-003.
    assert_eq!(rows("leaking.csv").len(), 3);
}

/// What only the register knows of a run: its bench, batch, and the rework it follows.
#[test]
fn a_table_of_runs_says_where_they_stand_in_the_register() {
    let dir = tempfile::tempdir().unwrap();
    let dir = dir.path();
    batch(dir);
    let read = |name: &str| -> Vec<serde_json::Value> {
        let text = std::fs::read_to_string(dir.join(name)).unwrap();
        text.lines().map(|line| serde_json::from_str(line).unwrap()).collect()
    };
    assert_eq!(say(dir, &["export", "--runs", "[DIR]/a.jsonl"]).code, 0);
    let kept = read("a.jsonl");
    let numbers: Vec<i64> = kept.iter().map(|run| run["number"].as_i64().unwrap()).collect();
    assert_eq!(numbers, [2, 3, 5, 7]);
    let bench = kept[0]["bench"].as_str().unwrap();
    assert!(kept.iter().all(|run| run["bench"] == bench && run["batch_name"] == "spring" && run["simulated"] == true));
    // The rework is record 4; only the run after it answers it.
    let answers: Vec<Option<&str>> = kept.iter().map(|run| run["after_rework"].as_str()).collect();
    assert_eq!(answers, [None, None, Some(format!("{bench}/4").as_str()), None]);
    assert_eq!(seathold(dir, &["export", "[DIR]/recordings", "--runs", "[DIR]/b.jsonl"]).code, 0);
    let loose = read("b.jsonl");
    assert_eq!(loose.len(), kept.len());
    for run in loose {
        assert!(["bench", "number", "batch", "batch_name", "answers"].iter().all(|name| run[name].is_null()), "{run}");
    }
}

#[test]
fn mistakes_are_named_and_leave_nothing() {
    let dir = tempfile::tempdir().unwrap();
    let dir = dir.path();
    let none = |arguments: &[&str], what: &str, code: u8| {
        let said = say(dir, arguments);
        assert!(said.err.contains(what) && said.code == code, "{arguments:?}: {} {}", said.code, said.err);
    };
    none(&["report", "-o", "[DIR]/a.html"], "bench.sqlite", 6);
    none(&["export", "--runs", "[DIR]/a.csv"], "bench.sqlite", 6);
    assert!(std::fs::read_dir(dir).unwrap().next().is_none());
    batch(dir);
    none(&["report", "-o", "[DIR]/a.html", "--serial", "HM-009"], "no run in", 2);
    none(&["report", "-o", "[DIR]/a.html", "--batch", "autumn"], "autumn", 2);
    none(&["report", "-o", "[DIR]/a.html", "--since", "soon"], "--since", 2);
    none(&["report", "[DIR]/recordings", "-o", "[DIR]/a.html", "--batch", "spring"], "name no recordings with it", 2);
    none(&["export", "[DIR]/recordings", "--runs", "[DIR]/a.csv", "--verdict", "tight"], "--verdict selects in", 2);
    let written = std::fs::read_dir(dir).unwrap().map(|e| e.unwrap().file_name().into_string().unwrap());
    assert!(written.filter(|name| name.starts_with("a.")).count() == 0);
}

/// Changes a register as it must not be changed.
fn change(dir: &Path, text: &str) {
    let db = rusqlite::Connection::open(dir.join("bench.sqlite")).unwrap();
    let mut query = db.prepare("SELECT name FROM sqlite_master WHERE type = 'trigger'").unwrap();
    let triggers: Vec<String> = query.query_map([], |row| row.get(0)).unwrap().map(Result::unwrap).collect();
    for trigger in triggers {
        db.execute_batch(&format!("DROP TRIGGER {trigger}")).unwrap();
    }
    assert_eq!(db.execute(text, []).unwrap(), 1);
}

/// A register that somebody changed by hand: the page tells which records are not the sealed ones, whether it was the
/// recording, what is written beside it, or a note.
#[test]
fn bytes_that_were_not_sealed_are_told() {
    let dir = tempfile::tempdir().unwrap();
    let dir = dir.path();
    batch(dir);
    let other = "SELECT bytes FROM recordings WHERE sha256 = (SELECT recording FROM runs WHERE serial = 'HM-003')";
    let of_the_first = "sha256 = (SELECT recording FROM runs WHERE serial = 'HM-001')";
    change(dir, &format!("UPDATE recordings SET bytes = ({other}) WHERE {of_the_first}"));
    let said = say(dir, &["report", "--batch", "spring", "-o", "[DIR]/a.html"]);
    assert_eq!(said.code, 6, "{}", said.err);
    assert!(said.err.contains("record 2 has a recording that was altered: its hash does not match"), "{}", said.err);
    assert!(
        std::fs::read_to_string(dir.join("a.html"))
            .unwrap()
            .contains("<strong>Altered</strong> record 2 has a recording that was altered")
    );
    change(dir, "UPDATE runs SET verdict = 'tight' WHERE serial = 'HM-003'");
    change(dir, "UPDATE notes SET text = 'cleaned' WHERE kind = 'rework'");
    let said = say(dir, &["report", "--batch", "spring", "-o", "[DIR]/b.html"]);
    assert_eq!(said.code, 6, "{}", said.err);
    let page = std::fs::read_to_string(dir.join("b.html")).unwrap();
    for what in ["record 7 was altered", "record 4 was altered", "3 records are not what was sealed", "seal NOT valid"]
    {
        assert!(page.contains(what), "{what}");
    }
    // What nobody touched holds.
    let said = say(dir, &["report", "--serial", "HM-004", "--batch", "spring", "-o", "[DIR]/c.html"]);
    assert_eq!((said.code, said.err.as_str()), (0, ""));
}

/// A recording in the register that cannot be read: its run is named, carries no verdict, and hides no other.
#[test]
fn one_unreadable_recording_stops_no_other() {
    let dir = tempfile::tempdir().unwrap();
    let dir = dir.path();
    batch(dir);
    let of_the_third = "sha256 = (SELECT recording FROM runs WHERE serial = 'HM-003')";
    change(dir, &format!("UPDATE recordings SET bytes = x'00' WHERE {of_the_third}"));
    for (name, said_by) in [("a.html", &["--batch", "spring"][..]), ("b.html", &["--serial", "HM-003"]), ("c.pdf", &[])]
    {
        let out = format!("[DIR]/{name}");
        let said = say(dir, &[&["report", "-o", &out], said_by].concat());
        assert_eq!(said.code, 6, "{}", said.err);
        assert!(said.err.contains("is unreadable: ") && said.err.ends_with("The page says so.\n"), "{}", said.err);
        let page = std::fs::read(dir.join(name)).unwrap();
        if name.ends_with("html") {
            let page = String::from_utf8(page).unwrap();
            let notice = "<strong>Not all</strong> Not shown here, and without a verdict: record ";
            assert!(page.find(notice).unwrap() < page.find("Serial number").unwrap_or(usize::MAX), "{page}");
            assert_eq!(page.contains("HM-001"), name == "a.html");
        }
    }
    let said = say(dir, &["export", "--runs", "[DIR]/runs.csv"]);
    assert_eq!(said.code, 6);
    assert!(said.err.contains("is unreadable: ") && said.err.ends_with("; left out\n"), "{}", said.err);
    let rows = std::fs::read_to_string(dir.join("runs.csv")).unwrap();
    assert!(rows.contains("HM-001") && !rows.contains("HM-003"));
    let said = say(dir, &["study", "stability"]);
    assert!(said.err.contains("; left out\n") && said.err.contains("HM-001 A and HM-001 B"), "{}", said.err);
    // Gone altogether, and with it what the batch stands on.
    let db = rusqlite::Connection::open(dir.join("bench.sqlite")).unwrap();
    db.pragma_update(None, "foreign_keys", false).unwrap();
    assert_eq!(db.execute(&format!("DELETE FROM recordings WHERE {of_the_third}"), []).unwrap(), 1);
    drop(db);
    let said = say(dir, &["report", "--serial", "HM-003", "-o", "[DIR]/b.html"]);
    assert!(said.code == 6 && said.err.contains("its recording is not there"), "{}", said.err);
    assert_eq!(say(dir, &["batch", "status"]).code, 0);
}
