//! What is printed with `--json` is what `docs/schema/` says: by a validator of others, as published and with no field that it
//! does not name.

use std::collections::BTreeSet;
use std::path::Path;
use std::sync::atomic::AtomicUsize;

use jsonschema::{Validator, draft202012};
use seathold::schema::{JsonKind, KINDS};
use seathold_tests::cli_kit::{Silent, seathold};
use seathold_tests::register_kit::forged;
use seathold_tests::served_kit::{Rig, program};
use serde_json::{Value, json};

/// A schema that takes no field it does not name: one that is added to an output must be added to its schema as well.
fn closed(schema: &Value) -> Value {
    match schema {
        Value::Object(fields) => {
            let mut fields: serde_json::Map<_, _> = fields.iter().map(|(k, v)| (k.clone(), closed(v))).collect();
            if fields.get("properties").is_some_and(Value::is_object) && !fields.contains_key("additionalProperties") {
                fields.insert("additionalProperties".into(), json!(false));
            }
            Value::Object(fields)
        }
        Value::Array(items) => Value::Array(items.iter().map(closed).collect()),
        other => other.clone(),
    }
}

/// Validators of one kind: as published, and closed.
struct Held(JsonKind, [Validator; 2]);

impl Held {
    fn of(kind: JsonKind) -> Self {
        let schema: Value = serde_json::from_str(kind.schema()).unwrap_or_else(|why| panic!("{kind:?}: {why}"));
        draft202012::meta::validate(&schema).unwrap_or_else(|why| panic!("{kind:?}: {why}"));
        let made = |schema: &Value| draft202012::new(schema).unwrap_or_else(|why| panic!("{kind:?}: {why}"));
        Self(kind, [made(&schema), made(&closed(&schema))])
    }

    /// Holds an output against both, and gives its objects.
    fn hold(&self, out: &str) -> Vec<Value> {
        let values: Vec<Value> = match self.0 {
            JsonKind::Show => vec![serde_json::from_str(out).unwrap()],
            _ => out
                .lines()
                .map(|line| serde_json::from_str(line).unwrap_or_else(|why| panic!("{why}: {line}")))
                .collect(),
        };
        assert!(!values.is_empty(), "{:?}: nothing was printed", self.0);
        for value in &values {
            assert_eq!(value["schema"], self.0.mark(), "{value}");
            for (validator, how) in self.1.iter().zip(["as published", "with no other field"]) {
                let wrong: Vec<String> =
                    validator.iter_errors(value).map(|why| format!("{}: {why}", why.instance_path)).collect();
                assert!(wrong.is_empty(), "{:?}, {how}: {}", self.0, wrong.join("\n"));
            }
        }
        values
    }
}

/// Runs a command with `--json`, and holds what it prints against its schema.
pub(super) fn held(dir: &Path, kind: JsonKind, more: &[&str]) -> Vec<Value> {
    let command: Vec<&str> = kind.command().split(' ').collect();
    let said = seathold(dir, &[&command, more, &["--json"]].concat());
    assert!(said.code < 5 && said.code != 2, "{more:?}: {}", said.err);
    Held::of(kind).hold(&said.out)
}

/// What a command prints.
fn said_by(dir: &Path, typed: &[&str]) -> String {
    seathold(dir, typed).out
}

/// Every command that has `--json`, by its path.
fn with_json(command: &clap::Command, above: &str, found: &mut BTreeSet<String>) {
    for inner in command.get_subcommands() {
        let path = format!("{above} {}", inner.get_name()).trim().to_owned();
        if inner.get_arguments().any(|arg| arg.get_id() == "json") {
            found.insert(path.clone());
        }
        with_json(inner, &path, found);
    }
}

#[test]
fn every_command_with_json_has_a_published_schema() {
    let mut commands = BTreeSet::new();
    with_json(&seathold::help::command(), "", &mut commands);
    assert_eq!(commands, KINDS.iter().map(|kind| kind.command().to_owned()).collect());
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("../docs/schema");
    let published: BTreeSet<String> =
        std::fs::read_dir(folder).unwrap().map(|entry| entry.unwrap().file_name().into_string().unwrap()).collect();
    assert_eq!(published, KINDS.iter().map(|kind| format!("{}.json", kind.name())).collect());
    for kind in KINDS {
        let schema: Value = serde_json::from_str(kind.schema()).unwrap();
        assert_eq!(schema["$id"], format!("urn:seathold:{}:{}", kind.name(), kind.version()));
        assert_eq!(schema["title"], format!("seathold {} --json", kind.command()));
    }
    // And the program hands them out.
    let dir = tempfile::tempdir().unwrap();
    let said = seathold(dir.path(), &["schema", "--out", "[DIR]/schema"]);
    assert_eq!((said.code, said.err.as_str()), (0, ""));
    assert_eq!(said.out, format!("{} schemas written to [DIR]/schema\n", KINDS.len()));
    let find = std::fs::read_to_string(dir.path().join("schema/find.json")).unwrap();
    assert_eq!(seathold(dir.path(), &["schema", "find"]).out, find);
    assert_eq!(find, JsonKind::Find.schema());
    let list = seathold(dir.path(), &["schema"]).out;
    assert!(KINDS.iter().all(|kind| list.contains(&kind.mark())) && list.lines().count() == KINDS.len(), "{list}");
    let said = seathold(dir.path(), &["schema", "finds"]);
    assert!(said.code == 2 && said.err.contains("did you mean \"find\"?"), "{}", said.err);
}

/// Tight, leaking, undecided, void, without a verdict; by hand, by air; faulted, aborted, refused.
#[test]
fn runs_and_what_is_shown_of_them() {
    let dir = tempfile::tempdir().unwrap();
    let mut verdicts = BTreeSet::new();
    let cases: &[(&str, &[&str])] = &[
        ("tight", &[]),
        ("leaking", &["--valve", "scratched-seat-a"]),
        ("hand", &["--valve", "hand-half-shut"]),
        ("undecided", &["--seat-a", "7 mm3/s"]),
        ("void", &["--fault", "guard"]),
        ("stop", &["--fault", "stop@30s"]),
        ("far-short", &["--fault", "far-short"]),
        ("answers", &["--fault", "never-answers"]),
        ("stuck", &["--fault", "vent-stuck"]),
        ("one", &["--sides", "first", "--unit", "psi", "--operator", "Ada"]),
    ];
    for (name, more) in cases {
        let file = format!("[DIR]/{name}.hold");
        let lines = held(dir.path(), JsonKind::Run, &[&["--out", &file], *more].concat());
        let result = &lines.last().unwrap()["result"];
        verdicts.insert(result["verdict"].as_str().unwrap().to_owned());
        let shown = held(dir.path(), JsonKind::Show, &[&file]);
        assert_eq!(shown[0]["verdict"], result["verdict"], "{name}");
    }
    for word in ["tight", "leaking", "undecided", "void", "no-verdict"] {
        assert!(verdicts.contains(word), "no run was {word}: {verdicts:?}");
    }
    // What is left of a recording.
    let whole = std::fs::read(dir.path().join("tight.hold")).unwrap();
    std::fs::write(dir.path().join("cut.hold"), &whole[..whole.len() / 2]).unwrap();
    let cut = seathold(dir.path(), &["show", "[DIR]/cut.hold", "--json"]);
    assert_eq!(cut.code, 6);
    Held::of(JsonKind::Show).hold(&cut.out);
    let files = ["[DIR]/tight.hold", "[DIR]/leaking.hold", "[DIR]/void.hold", "[DIR]/undecided.hold"];
    held(dir.path(), JsonKind::Rejudge, &[&files[..], &["--limit", "20 mm3/s"]].concat());
    held(dir.path(), JsonKind::Rejudge, &[&files[..], &["--set", "settle=100 s"]].concat());
}

#[test]
fn the_register_and_its_batches() {
    let dir = tempfile::tempdir().unwrap();
    let dir = dir.path();
    let at = ["--register", "[DIR]/bench.sqlite"];
    let say = |typed: &[&str]| {
        let said = seathold(dir, &[typed, &at].concat());
        assert!(said.code < 2 || said.code == 6, "{typed:?}: {}", said.err);
    };
    say(&["batch", "open", "spring", "--serials", "HM-001..HM-005", "--dn", "25"]);
    for (serial, more) in [
        ("HM-001", &["--operator", "Ada"][..]),
        ("HM-002", &["--seat-a", "20 mm3/s"]),
        ("HM-003", &["--seat-a", "20 mm3/s"]),
        ("HM-004", &["--fault", "guard"]),
        ("HM-005", &["--limit", "9 mm3/s", "--override", "asked for", "--operator", "Ada"]),
    ] {
        let out = format!("[DIR]/{serial}.hold");
        let said = seathold(dir, &[&["run", "-q", "--serial", serial, "--out", &out], &at[..], more].concat());
        assert!(said.code != 2, "{serial}: {}", said.err);
    }
    let by = ["--note", "a note", "--operator", "Bo"];
    say(&[&["batch", "rework", "HM-002"], &by[..]].concat());
    say(&[&["batch", "set-aside", "HM-004"], &by[..]].concat());
    let found = held(dir, JsonKind::Find, &at);
    let record = |serial: &str| {
        let run = found.iter().find(|line| line["run"]["serial"] == serial).unwrap();
        run["run"]["number"].to_string()
    };
    say(&[&["batch", "strike", &record("HM-001")], &by[..]].concat());
    say(&[&["batch", "move", &record("HM-003"), "HM-001"], &by[..]].concat());
    let bad = forged(
        &std::fs::read(dir.join("HM-002.hold")).unwrap(),
        |_| (),
        &std::fs::read(dir.join("HM-001.hold")).unwrap(),
    );
    std::fs::write(dir.join("bad.hold"), bad).unwrap();
    say(&["register", "import", "[DIR]/bad.hold"]);

    let lines = held(dir, JsonKind::Find, &at);
    assert!(lines.iter().any(|line| line.get("corrections").is_some()), "{lines:?}");
    let history = held(dir, JsonKind::Find, &[&["--serial", "HM-002"], &at[..]].concat());
    assert!(history.iter().any(|line| line.get("note").is_some()), "{history:?}");
    let valves = held(dir, JsonKind::BatchStatus, &at);
    for field in ["excluded", "moved", "overridden"] {
        assert!(valves.iter().any(|valve| !valve[field].as_array().unwrap().is_empty()), "{field}: {valves:?}");
    }
    held(dir, JsonKind::BatchList, &at);
    held(dir, JsonKind::RegisterInfo, &at);
    assert_eq!(held(dir, JsonKind::QuarantineList, &at).len(), 1);
    let ada = ["--operator", "Ada"];
    let steps = said_by(dir, &["assembly", "template"]).replace("\nagain_after", "\nphoto = true\nagain_after");
    std::fs::write(dir.join("steps.toml"), steps).unwrap();
    say(&[&["assembly", "steps", "[DIR]/steps.toml"], &ada[..]].concat());
    say(&[&["assembly", "tick", "purge", "--all", "--note", "argon"], &ada[..]].concat());
    std::fs::write(dir.join("seals.png"), b"\x89PNG\r\n\x1a\nseals").unwrap();
    let more = ["--value", "K-1", "--photo", "[DIR]/seals.png"];
    say(&[&["assembly", "tick", "seals", "HM-003"], &more, &ada[..]].concat());
    say(&[
        &["assembly", "bolt", "HM-003", "--fittings", "F1,F2", "--length", "120 mm", "--length-u", "0.01 mm"],
        &ada[..],
    ]
    .concat());
    held(dir, JsonKind::AssemblyStatus, &at);
    say(&[&["batch", "order", "--customer", "Shellfish hatchery"], &ada[..]].concat());
    std::fs::write(dir.join("shop.toml"), said_by(dir, &["certificate", "template"])).unwrap();
    let page = ["HM-001", "--any-result", "--shop", "[DIR]/shop.toml", "--out", "[DIR]/c.html"];
    held(dir, JsonKind::CertificateIssue, &[&page[..], &ada, &at].concat());
    held(dir, JsonKind::CertificateIssue, &[&page[..], &["--draft"], &ada, &at].concat());
    held(dir, JsonKind::CertificateList, &at);
    say(&["batch", "close", "--unfinished", "enough", "--operator", "Ada"]);
    held(dir, JsonKind::BatchList, &at);
    held(dir, JsonKind::RegisterInfo, &at);
}

#[test]
fn plans_traces_fleets_and_settings() {
    let dir = tempfile::tempdir().unwrap();
    let dir = dir.path();
    held(dir, JsonKind::Settings, &[]);
    held(dir, JsonKind::Plan, &["--limit", "ISO 5208 rate B DN 25", "--tau", "12 s"]);
    held(dir, JsonKind::Plan, &["--limit", "0.3 mm3/s"]);
    let fittings: String =
        (0..7).map(|i| format!("F{i},{},{}\n", 29.5 + 0.2 * f64::from(i), 29.51 + 0.2 * f64::from(i))).collect();
    std::fs::write(dir.join("f.csv"), format!("part,length_1,length_2\n{fittings}")).unwrap();
    let pair = [
        "[DIR]/f.csv",
        "--bodies",
        "3",
        "--body-length",
        "60.4mm",
        "--body-u",
        "0.02mm",
        "--gauge-u",
        "0.01mm",
        "--repeat-u",
        "0.01mm",
    ];
    // All conform; too long by a cut; and nothing can be called conforming.
    for valve in [
        ["--nominal", "120.6mm", "--tolerance", "1mm"],
        ["--nominal", "119.5mm", "--tolerance", "0.2mm"],
        ["--nominal", "120mm", "--tolerance", "0.01mm"],
    ] {
        held(dir, JsonKind::Pair, &[&pair[..], &valve].concat());
    }
    held(dir, JsonKind::Fleet, &["-n", "6", "--no-recordings", "--out", "[DIR]/fleet"]);
    let mut verdicts = BTreeSet::new();
    for (name, slope) in [("tight", 1.0), ("leaking", 60.0), ("undecided", 16.0), ("void", 0.0)] {
        let mut text = String::from("time_s,pressure_pa\n");
        for poll in 0..4_000 {
            // Noise that repeats, so that no random numbers are needed.
            let noise = if slope == 0.0 { 0.0 } else { f64::from((poll * 7_919) % 41 - 20) };
            text +=
                &format!("{:.2},{:.0}\n", f64::from(poll) * 0.01, 600_000.0 - slope * f64::from(poll) * 0.01 + noise);
        }
        std::fs::write(dir.join(format!("{name}.csv")), text).unwrap();
        let trace = format!("[DIR]/{name}.csv");
        let judged = held(dir, JsonKind::Assess, &[&trace, "--gauge", "--volume", "45cm3", "--limit", "7.5mm3/s"]);
        verdicts.insert(judged[0]["verdict"].as_str().unwrap().to_owned());
    }
    assert_eq!(verdicts.len(), 4, "{verdicts:?}");
}

#[test]
fn studies_and_fits() {
    let dir = tempfile::tempdir().unwrap();
    let dir = dir.path();
    let published = format!("{}/reference/gauge_rr.csv", env!("CARGO_MANIFEST_DIR"));
    held(dir, JsonKind::GaugeRr, &["--table", &published]);
    let table = "reference,value\n1,1.1\n1,1.2\n2,2.1\n2,2.2\n3,3.2\n3,3.3\n";
    std::fs::write(dir.join("linear.csv"), table).unwrap();
    held(dir, JsonKind::Linearity, &["--table", "[DIR]/linear.csv"]);
    std::fs::write(dir.join("values.csv"), "value\n1\n2\n1\n2\n1\n9\n1\n2\n1\n2\n1\n40\n").unwrap();
    held(dir, JsonKind::Stability, &["--table", "[DIR]/values.csv"]);
    for day in 2..=4 {
        for (serial, leak) in [("CHECK-LEAK", "20 mm3/s"), ("CHECK-PLUG", "0 mm3/s")] {
            let (out, at) = (format!("[DIR]/checks/{serial}-{day}.hold"), format!("2026-03-0{day}T07:00:00Z"));
            let typed = ["run", "-q", "--serial", serial, "--sides", "first", "--seat-b", leak, "--started-at", &at];
            let seed = day.to_string();
            seathold(dir, &[&typed[..], &["--out", &out, "--seed", &seed]].concat());
        }
    }
    let daily = ["[DIR]/checks", "--reference", "20 mm3/s", "--at"];
    held(dir, JsonKind::Daily, &[&daily[..], &["2026-03-04T09:00:00Z"]].concat());
    held(dir, JsonKind::Daily, &[&daily[..], &["2026-03-09T09:00:00Z"]].concat());
    held(dir, JsonKind::Drift, &["[DIR]/checks"]);
    for seed in ["1", "2", "3"] {
        let bench = ["--set", "plant.far_tau=1.6 s", "--seed", seed];
        let out = format!("[DIR]/bench/{seed}.hold");
        seathold(dir, &[&["run", "-q", "--sides", "first", "--out", &out], &bench[..]].concat());
    }
    held(dir, JsonKind::Identify, &["[DIR]/bench/1.hold", "[DIR]/bench/2.hold", "[DIR]/bench/3.hold"]);
    held(dir, JsonKind::Identify, &["[DIR]/bench/1.hold", "[DIR]/bench/2.hold"]);
    std::fs::write(dir.join("labels.csv"), "serial,side,truth\nHM-001,first,good\n").unwrap();
    held(dir, JsonKind::Tune, &["[DIR]/bench", "--labels", "[DIR]/labels.csv", "--settle", "5 s", "--measure", "60 s"]);
}

/// A controller: what it says of itself, before a rig is loaded and after, its check, and a run on it.
#[test]
fn controllers() {
    let dir = tempfile::tempdir().unwrap();
    let rig = Rig::on("127.0.0.1:0", &["--speed", "50"]);
    let at = format!("tcp:{}", rig.at);
    let say = |typed: &[&str]| {
        let (mut out, mut err) = (Vec::new(), Vec::new());
        let code = program(typed, &AtomicUsize::new(0), &mut out, &mut err, &mut Silent);
        assert!(code < 5 && code != 2, "{typed:?}: {}", String::from_utf8_lossy(&err));
        String::from_utf8(out).unwrap()
    };
    let held = |kind: JsonKind, more: &[&str]| {
        let command: Vec<&str> = kind.command().split(' ').collect();
        Held::of(kind).hold(&say(&[&command, more, &["--json"]].concat()))
    };
    held(JsonKind::Rigs, &[&at]);
    held(JsonKind::RigShow, &["--rig", &at]);
    let file = dir.path().join("rig.toml");
    std::fs::write(&file, say(&["rig", "template"])).unwrap();
    say(&["rig", "load", file.to_str().unwrap(), "--yes", "--rig", &at]);
    held(JsonKind::Rigs, &[&at]);
    held(JsonKind::RigShow, &["--rig", &at]);
    say(&["rig", "waive-check", "--yes", "--rig", &at]);
    let out = dir.path().join("run.hold");
    let lines = held(JsonKind::Run, &["--rig", &at, "--sides", "first", "--out", out.to_str().unwrap()]);
    assert!(lines[0]["run"]["source"].get("controller").is_some(), "{}", lines[0]);
    for fault in [&[][..], &["--fault", "vent-stuck@0s"], &["--fault", "guard@0s"]] {
        Held::of(JsonKind::Doctor).hold(&seathold(dir.path(), &[&["doctor", "--json"], fault].concat()).out);
    }
}
