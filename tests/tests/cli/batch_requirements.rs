//! What each valve of a batch must meet: its own limit and recipe, whatever was tested before it.

use std::path::Path;

use seathold_register::claim::Claimant;
use seathold_register::valves::ValveRecord;
use seathold_register::{Access, NewNote, NoteKind, Register};
use seathold_tests::batch_kit::{AT, Meanwhile, say, test_with, typed};
use seathold_tests::cli_kit::seathold;
use serde_json::Value;

/// A recipe for DN 50 beside the register: the built-in one with twice the limit.
fn dn50(dir: &Path) -> String {
    let path = dir.join("dn50.toml");
    let text = include_str!("../../../host-cli/examples/recipes/dn25-air.toml").replace("7.5 mm3/s", "15 mm3/s");
    std::fs::write(&path, text).unwrap();
    path.display().to_string()
}

/// "HM-001 7.5" for each run, in mm³/s.
fn limits(dir: &Path) -> Vec<String> {
    let said = say(dir, &["find", "--json"]);
    let limit = |line: &str| {
        let run = &serde_json::from_str::<Value>(line).unwrap()["run"];
        format!("{} {}", run["serial"].as_str().unwrap(), (run["limit_pa_m3_s"].as_f64().unwrap() * 1e7).round() / 1e3)
    };
    said.out.lines().map(limit).collect()
}

/// A batch of an older program, which did not ask what its valves must meet.
fn opened_without_limits(dir: &Path) {
    let mut register = Register::open(&dir.join("bench.sqlite"), Access::Make).unwrap();
    let valve = |(serial, dn): (&str, u32)| ValveRecord {
        serial: serial.into(),
        actuation: "air".into(),
        dn: Some(dn),
        ..ValveRecord::default()
    };
    let valves = [("HM-001", 25), ("HM-002", 50), ("HM-003", 25)].map(valve);
    register.open_batch("spring", &valves, "", "", "2026-03-02T09:00:00Z".parse().unwrap()).unwrap();
}

/// One valve of DN 50 with its recipe, and the program started again: the DN 25 after it is judged by its own limit.
#[test]
fn the_last_recipe_used_judges_no_other_size() {
    let dir = tempfile::tempdir().unwrap();
    let dir = dir.path();
    let recipe: &'static str = Box::leak(format!("recipe {}", dn50(dir)).into_boxed_str());
    opened_without_limits(dir);
    typed(dir, &["", recipe, ""], &["--operator", "Ada"]);
    let said = typed(dir, &[""], &[]);
    assert_eq!(limits(dir), ["HM-001 7.5", "HM-002 15", "HM-003 7.5"], "{}{}", said.out, said.err);
}

/// A mixed list with the rule of its batch: each is judged by its own size, in whatever order, and the prompt says by
/// what before there is air.
#[test]
fn a_class_goes_by_each_valves_own_size() {
    let dir = tempfile::tempdir().unwrap();
    let dir = dir.path();
    std::fs::write(dir.join("list.csv"), "serial,actuation,dn\nHM-001,air,25\nHM-002,air,50\nHM-003,hand,15\n")
        .unwrap();
    let open = ["batch", "open", "spring", "--list", "[DIR]/list.csv"];
    let said = say(dir, &open);
    let words = said.err.split_whitespace().collect::<Vec<_>>().join(" ");
    assert!(said.code == 2 && words.contains("for HM-002 (DN 50) HM-003 (DN 15)"), "{words}");
    assert!(!dir.join("bench.sqlite").exists());
    let said = say(dir, &[&open[..], &["--limit", "ISO 5208 rate B by DN"]].concat());
    assert_eq!(said.code, 0, "{}", said.err);
    for line in [
        "DN 25 air: limit 7.5 mm³/s (ISO 5208 rate B DN 25), recipe dn25-air: 1 valve",
        "DN 50 air: limit 15 mm³/s (ISO 5208 rate B DN 50), recipe dn25-air: 1 valve",
        "DN 15 hand: limit 4.5 mm³/s (ISO 5208 rate B DN 15), recipe dn25-hand: 1 valve",
    ] {
        assert!(said.out.contains(line), "{}", said.out);
    }
    let said = typed(dir, &["HM-002", ""], &[]);
    assert!(said.err.contains("next HM-001: both sides\n  DN 25   AIR   LIMIT 7.5 mm³/s (ISO 5208 rate B DN 25)"));
    typed(dir, &["HM-003"], &[]);
    assert_eq!(limits(dir), ["HM-002 15", "HM-001 7.5", "HM-003 4.5"]);
    assert_eq!(say(dir, &["register", "verify"]).code, 0);
}

/// A run that was judged by another limit stays, marked, and does not count; a limit stated anew makes earlier runs such.
#[test]
fn a_run_by_another_limit_does_not_count() {
    let dir = tempfile::tempdir().unwrap();
    let dir = dir.path();
    assert_eq!(
        say(dir, &["batch", "open", "spring", "--serials", "HM-001", "--actuation", "air", "--dn", "25"]).code,
        0
    );
    let run = ["run", "-q", "--serial", "HM-001", "--limit", "15 mm3/s", "--out", "[DIR]/lax.hold"];
    assert_eq!(seathold(dir, &run).code, 0);
    assert_eq!(say(dir, &["register", "import", "[DIR]/lax.hold", "--batch", "spring"]).code, 0);
    let stand = || {
        let said = say(dir, &["batch", "status", "--json"]).out;
        serde_json::from_str::<Value>(said.trim()).unwrap()
    };
    assert_eq!(stand()["stand"], "next");
    assert_eq!(stand()["excluded"][0]["why"]["limit"]["required_pa_m3_s"], 7.5e-4);
    let said = say(dir, &["batch", "status"]).out.split_whitespace().collect::<Vec<_>>().join(" ");
    assert!(said.contains("record 2 does not count: judged by the limit 15 mm³/s, and the valve must meet 7.5 mm³/s"));
    assert_eq!(say(dir, &["batch", "close", "--operator", "Ada"]).code, 2);
    assert_eq!(seathold(dir, &["report", "--batch", "spring", "-o", "[DIR]/b.html", AT[0], AT[1]]).code, 0);
    let page = std::fs::read_to_string(dir.join("b.html")).unwrap();
    assert!(page.contains("Does not count") && page.contains("the valve must meet 7.5 mm³/s"), "{page}");
    // Stated anew, with the reason on record and somebody who says so, it fits.
    let nobody = ["batch", "require", "--limit", "15 mm3/s", "--note", "drawing 7, revision B"];
    assert!(say(dir, &nobody).err.contains("--operator <NAME>"));
    let require = ["batch", "require", "--limit", "15 mm3/s", "--note", "drawing 7, revision B", "--operator", "Ada"];
    assert_eq!(say(dir, &require).code, 0);
    assert_eq!(stand()["stand"], "tight");
    let back =
        ["batch", "require", "HM-001", "--limit", "rate B", "--note", "revision B withdrawn", "--operator", "Ada"];
    assert_eq!(say(dir, &back).code, 0);
    assert_eq!(stand()["stand"], "next");
    assert_eq!(stand()["limit"], "ISO 5208 rate B DN 25");
    assert_eq!(say(dir, &["register", "verify"]).code, 0);
}

/// What a batch demands goes with it into another register, and what was last said of a valve elsewhere does not change it.
#[test]
fn what_is_demanded_goes_where_the_batch_goes() {
    let dir = tempfile::tempdir().unwrap();
    let dir = dir.path();
    let open = ["batch", "open", "spring", "--serials", "HM-001..HM-002", "--actuation", "air", "--dn", "50"];
    assert_eq!(say(dir, &[&open[..], &["--limit", "rate B"]].concat()).code, 0);
    let require = ["batch", "require", "HM-002", "--limit", "rate C", "--note", "order 12", "--operator", "Ada"];
    assert_eq!(say(dir, &require).code, 0);
    let other = ["--register", "[DIR]/other.sqlite"];
    let elsewhere = ["batch", "open", "autumn", "--serials", "HM-001", "--actuation", "hand", "--dn", "25"];
    assert_eq!(seathold(dir, &[&elsewhere[..], &other].concat()).code, 0);
    assert_eq!(seathold(dir, &[&["register", "merge", "[DIR]/bench.sqlite"], &other[..]].concat()).code, 0);
    let said = seathold(dir, &[&["batch", "status", "--json", "--batch", "spring"], &other[..]].concat());
    let of = |line: &str| {
        let valve = serde_json::from_str::<Value>(line).unwrap();
        format!("{} {} {}", valve["dn"], valve["actuation"].as_str().unwrap(), valve["limit"].as_str().unwrap())
    };
    let found: Vec<String> = said.out.lines().map(of).collect();
    assert_eq!(found, ["50 air ISO 5208 rate B DN 50", "50 air ISO 5208 rate C DN 50"]);
    assert_eq!(seathold(dir, &[&["register", "verify"], &other[..]].concat()).code, 0);
}

/// What does not fit a valve is refused before there is air; who wants it all the same says why, and the report says so.
#[test]
fn what_does_not_fit_is_refused_until_somebody_answers_for_it() {
    let dir = tempfile::tempdir().unwrap();
    let dir = dir.path();
    let open = ["batch", "open", "spring", "--serials", "HM-001..HM-002", "--actuation", "air", "--dn", "25"];
    assert_eq!(say(dir, &open).code, 0);
    let lax = ["--operator", "Ada", "--", "--limit", "15 mm3/s"];
    let said = typed(dir, &[""], &lax);
    let words = said.err.split_whitespace().collect::<Vec<_>>().join(" ");
    assert!(words.contains("DOES NOT FIT: the limit is to be 15 mm³/s, and HM-001 must meet 7.5 mm³/s"), "{words}");
    assert!(words.contains("HM-001: nothing was run, it does not fit"), "{words}");
    assert!(limits(dir).is_empty());
    // Deliberate: with a reason, by somebody.
    let said = typed(dir, &["override HM-001", "override", "override HM-009 x"], &lax);
    assert!(said.err.contains("override HM-001: why?") && said.err.contains("which valve, and why?"), "{}", said.err);
    let said = typed(dir, &["override HM-001 drawing 7"], &lax[2..]);
    assert!(said.err.contains("who answers for it?"), "{}", said.err);
    assert!(limits(dir).is_empty());
    let said = typed(dir, &["override HM-001 customer's drawing 7"], &lax);
    assert!(said.err.contains("HM-001: OVERRIDE (record 2)"), "{}", said.err);
    let words = said.out.split_whitespace().collect::<Vec<_>>().join(" ");
    assert!(words.contains("BY OVERRIDE: the limit is to be 15 mm³/s") && words.contains("drawing 7 (Ada)"), "{words}");
    assert!(words.contains("of 2 valves 1 tight (1 BY OVERRIDE), 1 not finished"), "{words}");
    // It was for that run only.
    assert_eq!(limits(dir), ["HM-001 15"]);
    let run = ["run", "-q", "--serial", "HM-001", "--limit", "15 mm3/s", "--seed", "5", "--out", "[DIR]/lax.hold"];
    assert_eq!(seathold(dir, &run).code, 0);
    assert_eq!(say(dir, &["register", "import", "[DIR]/lax.hold", "--batch", "spring"]).code, 0);
    let status = say(dir, &["batch", "status"]).out.split_whitespace().collect::<Vec<_>>().join(" ");
    assert!(status.contains("record 4 does not count"), "{status}");
    // Wherever runs are listed.
    let found = say(dir, &["find", "--serial", "HM-001"]).out;
    let marked = |mark: &str| found.lines().filter(|line| line.ends_with(mark)).count();
    assert_eq!(found.matches("  OVERRIDE: the limit is to be 15 mm³/s").count(), 1, "{found}");
    assert!(!found.contains("judged by"), "an override is told without its figures: {found}");
    assert_eq!(marked("OTHER LIMIT: the valve must meet 7.5 mm³/s"), 1, "{found}");
    let json = say(dir, &["find", "--serial", "HM-001", "--json"]).out;
    let lines = json.lines().map(|line| serde_json::from_str::<Value>(line).unwrap());
    let marks: Vec<Value> = lines.filter(|line| line["run"].is_object()).map(|line| line["mark"].clone()).collect();
    assert_eq!(marks[0]["overridden"]["operator"], "Ada", "{json}");
    assert_eq!(marks[1]["other_limit"]["required_pa_m3_s"], 7.5e-4, "{json}");
    assert_eq!(say(dir, &["export", "--runs", "[DIR]/runs.csv"]).code, 0);
    let table = std::fs::read_to_string(dir.join("runs.csv")).unwrap();
    // The last column.
    let corrected: Vec<_> = table.lines().map(|row| row.rsplit(',').next().unwrap()).collect();
    assert_eq!(corrected, ["correction", "override", "other limit"], "{table}");
    // One whose run never came, as after a kill, is not for another run.
    {
        let mut register = Register::open(&dir.join("bench.sqlite"), Access::Write).unwrap();
        let batch = register.batch_named("spring").unwrap().batch;
        let note = NewNote {
            kind: NoteKind::Override,
            batch: Some(batch),
            serial: Some("HM-002".into()),
            about: None,
            operator: "Ada".into(),
            text: "judged by 0.0015 Pa·m³/s; required 0.00075 Pa·m³/s; lost".into(),
        };
        register.note(&note, "2026-03-02T09:00:00Z".parse().unwrap()).unwrap();
    }
    assert!(!typed(dir, &["HM-002"], &[]).out.contains("lost"));
    // Nor is one that was answered for still so when its valve must meet something else since.
    let stricter = ["batch", "require", "HM-001", "--limit", "1 mm3/s", "--note", "order 9", "--operator", "Bo"];
    assert_eq!(say(dir, &stricter).code, 0);
    let status = say(dir, &["batch", "status"]).out.split_whitespace().collect::<Vec<_>>().join(" ");
    assert!(status.contains("record 3 does not count: judged by the limit 15 mm³/s"), "{status}");
    assert!(!status.contains("1 BY OVERRIDE"), "{status}");
    let back =
        ["batch", "require", "HM-001", "--limit", "7.5 mm3/s", "--note", "order 9 is not it", "--operator", "Bo"];
    assert_eq!(say(dir, &back).code, 0);
    let said = typed(dir, &["override HM-002 to be sure"], &["--operator", "Ada"]);
    assert!(said.err.contains("there is nothing to override"), "{}", said.err);
    for out in ["v.html", "b.html"] {
        let of: &[&str] = if out == "v.html" { &["--serial", "HM-001"] } else { &["--batch", "spring"] };
        let path = format!("[DIR]/{out}");
        assert_eq!(say(dir, &[&["report", "-o", &path], of].concat()).code, 0);
        let page = std::fs::read_to_string(dir.join(out)).unwrap();
        assert!(page.contains("Override") && page.contains("drawing 7 (Ada)"), "{out}: {page}");
        assert!(page.contains("tight; BY OVERRIDE"), "{out}");
    }
    assert_eq!(say(dir, &["register", "verify"]).code, 0);
}

/// The adapter goes by each valve's size; one that is named for all and is not for it is refused.
#[test]
fn an_adapter_for_another_size_is_refused() {
    let dir = tempfile::tempdir().unwrap();
    let dir = dir.path();
    let rig = "[[adapter]]\nname = \"small\"\ndn = \"15-25\"\n[[adapter]]\nname = \"large\"\ndn = \"50\"\n";
    std::fs::write(dir.join("rig.toml"), rig).unwrap();
    std::fs::write(dir.join("list.csv"), "serial,actuation,dn\nHM-001,air,25\nHM-002,air,50\nHM-003,air,80\n").unwrap();
    let open = ["batch", "open", "spring", "--list", "[DIR]/list.csv", "--limit", "ISO 5208 rate B by DN"];
    assert_eq!(say(dir, &open).code, 0);
    let by_size = ["--operator", "Ada", "--", "--rig-file", "[DIR]/rig.toml"];
    let said = typed(dir, &["", "", "", "q"], &by_size);
    let words = said.err.split_whitespace().collect::<Vec<_>>().join(" ");
    assert!(words.contains("(ISO 5208 rate B DN 25) ADAPTER small recipe dn25-air"), "{words}");
    assert!(words.contains("(ISO 5208 rate B DN 50) ADAPTER large recipe dn25-air"), "{words}");
    assert!(words.contains("HM-003: nothing was run, it does not fit"), "{words}");
    assert_eq!(limits(dir), ["HM-001 7.5", "HM-002 15"]);
    let small = [&by_size[..], &["--adapter", "small"]].concat();
    let said = typed(dir, &["", "override HM-003 borrowed flange"], &small);
    let words = said.err.split_whitespace().collect::<Vec<_>>().join(" ");
    assert!(
        words.contains("DOES NOT FIT: [DIR]/rig.toml: --adapter small: it is for DN 15 to 25, and the valve is DN 80"),
        "{words}"
    );
    assert_eq!(limits(dir), ["HM-001 7.5", "HM-002 15", "HM-003 24"]);
    let status = say(dir, &["batch", "status"]).out.split_whitespace().collect::<Vec<_>>().join(" ");
    assert!(status.contains("of 3 valves 3 tight (1 BY OVERRIDE)"), "{status}");
}

/// A list as a shop keeps it: its own names of columns, inches, levers, serials with strokes and blanks. What became of each
/// column is said; what is unclear is named at once.
#[test]
fn a_list_as_a_shop_keeps_it() {
    let dir = tempfile::tempdir().unwrap();
    let dir = dir.path();
    let list = "Serial No.;Type;Size [in];Class;Customer\n\
                HM/001 A;lever;1;;Hatchery North\nHM 002;pneumatic;2;;\nHM-003;manual;1 1/2;C;\n";
    std::fs::write(dir.join("shop.csv"), list).unwrap();
    let bad = list.replace("lever", "steam").replace("manual", "steam").replace("1 1/2", "7").replace(";C;", ";H;");
    std::fs::write(dir.join("bad.csv"), bad + "HM-004;;DN 80;;\n").unwrap();
    let mut text = String::new();
    for arguments in [
        &["batch", "open", "b", "--list", "[DIR]/bad.csv"][..],
        &["batch", "open", "b", "--list", "[DIR]/bad.csv", "--column", "Klass=limit", "--column", "Type=remark"],
        &["batch", "open", "b", "--list", "[DIR]/bad.csv", "--column", "Type=colour"],
        &[
            "batch",
            "open",
            "b",
            "--list",
            "[DIR]/shop.csv",
            "--limit",
            "ISO 5208 rate B",
            "--column",
            "customer=ignore",
        ],
        &["batch", "status"],
    ] {
        let said = say(dir, arguments);
        text.push_str(&format!("$ seathold {}\n{}{}\n", arguments.join(" "), said.out, said.err));
    }
    seathold_tests::cli_kit::golden("batch-shop-list.txt", &text);
    // They are scanned and typed as they are.
    let said = typed(
        dir,
        &["HM/001 A", "again HM 002 first", "remark HM/001 A stiff lever", "HM 002"],
        &["--operator", "Ada"],
    );
    assert!(said.out.contains("HM/001 A: remark"), "{}{}", said.out, said.err);
    assert_eq!(limits(dir), ["HM/001 A 7.5", "HM 002 15", "HM 002 15"]);
    let files: Vec<_> = std::fs::read_dir(dir.join("recordings")).unwrap().map(|f| f.unwrap().file_name()).collect();
    assert_eq!(files.len(), 3, "{files:?}");
    assert_eq!(say(dir, &["report", "--serial", "HM/001 A", "-o", "[DIR]/v.html"]).code, 0);
    assert_eq!(say(dir, &["register", "verify"]).code, 0);
}

/// An Enter that was meant for one limit starts no test by another.
#[test]
fn what_was_shown_is_what_is_tested() {
    let dir = tempfile::tempdir().unwrap();
    let dir = dir.path();
    let open = ["batch", "open", "spring", "--serials", "HM-001", "--actuation", "air", "--dn", "25"];
    assert_eq!(say(dir, &open).code, 0);
    let stated = || {
        let require = ["batch", "require", "--limit", "rate C", "--note", "order 12", "--operator", "Ada"];
        assert_eq!(say(dir, &require).code, 0);
    };
    let mut keys = Meanwhile([(Box::new(stated) as Box<dyn Fn()>, "")].into());
    let said = test_with(dir, &mut keys, &[], false);
    assert!(said.err.contains("gone on with this batch; this is next now:\nnext HM-001"), "{}", said.err);
    assert!(said.err.contains("LIMIT 75 mm³/s (ISO 5208 rate C DN 25)"), "{}", said.err);
    assert!(limits(dir).is_empty());
}

/// A recipe that counts volumes of gas at another pressure would make another leak of the same limit.
#[test]
fn a_recipe_that_counts_elsewhere_moves_no_limit() {
    let dir = tempfile::tempdir().unwrap();
    let dir = dir.path();
    let path = dir.join("high.toml");
    let text = include_str!("../../../host-cli/examples/recipes/dn25-air.toml");
    assert!(!text.contains("reference_pressure"));
    std::fs::write(&path, format!("{text}\nreference_pressure = \"120 kPa\"\n")).unwrap();
    let open = ["batch", "open", "spring", "--serials", "HM-001..HM-002", "--actuation", "air", "--dn", "25"];
    assert_eq!(say(dir, &[&open[..], &["--limit", "ISO 5208 rate B by DN"]].concat()).code, 0);
    let recipe: &'static str = Box::leak(format!("recipe {}", path.display()).into_boxed_str());
    let said = typed(dir, &[recipe, ""], &[]);
    let words = said.err.split_whitespace().collect::<Vec<_>>().join(" ");
    assert!(words.contains("is not used: it counts volumes of gas at another reference pressure"), "{words}");
    assert_eq!(limits(dir), ["HM-001 7.5"], "the one that was shown");
    // Nor for one run.
    let one: [&str; 3] = ["--", "--recipe", Box::leak(path.display().to_string().into_boxed_str())];
    let said = typed(dir, &[""], &one);
    assert!(said.err.contains("DOES NOT FIT") && said.err.contains("120 % of it would be"), "{}", said.err);
    assert_eq!(limits(dir), ["HM-001 7.5"]);
}

/// What another program has under test is not taken away, stated anew, or closed over.
#[test]
fn a_valve_under_test_is_left_alone() {
    let dir = tempfile::tempdir().unwrap();
    let dir = dir.path();
    let open = ["batch", "open", "spring", "--serials", "HM-001..HM-002", "--actuation", "air", "--dn", "25"];
    assert_eq!(say(dir, &open).code, 0);
    let mut register = Register::open(&dir.join("bench.sqlite"), Access::Write).unwrap();
    let batch = register.batches().unwrap().remove(0).batch;
    // The clock of these commands.
    let now = "2026-03-02T09:30:00Z".parse().unwrap();
    let _held = register.claim(&Claimant::new("Ada"), &batch, "HM-001", now).unwrap();
    for command in [
        &["batch", "require", "HM-001", "--limit", "9 mm3/s", "--note", "by word", "--operator", "Bo"][..],
        &["batch", "set-aside", "HM-001", "--note", "cracked", "--operator", "Ada"],
        &["batch", "close", "--unfinished", "noon", "--operator", "Ada"],
    ] {
        let said = say(dir, command);
        assert!(
            said.code == 2 && said.err.contains("HM-001 is under test by Ada"),
            "{command:?}: {} {}",
            said.code,
            said.err
        );
    }
    assert_eq!(say(dir, &["batch", "set-aside", "HM-002", "--note", "cracked", "--operator", "Ada"]).code, 0);
}
