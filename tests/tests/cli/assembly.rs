//! `seathold assembly`: steps ticked, valves bolted up, what holds them up.

use std::path::Path;

use seathold_tests::batch_kit::{AT, Lines, opened, say, typed};
use seathold_tests::cli_kit::{Said, Stage, golden, seathold, seathold_on};

const STEPS: &str = "[[step]]\nname = \"purge\"\ntext = \"Ends purged while welding\"\n\n\
    [[step]]\nname = \"seals\"\ntext = \"New seals in\"\nvalue = \"kit lot\"\nagain_after_rework = true\n\n\
    [[step]]\nname = \"bolts\"\ntext = \"Bolts criss-cross\"\nvalue = \"torque\"\nunit = \"N m\"\nleast = 18\nmost = 22\ntool = true\n\
    bolts = 4\nagain_after_rework = true\n";

fn ada(dir: &Path, arguments: &[&str]) -> Said {
    say(dir, &[arguments, &["--operator", "Ada"]].concat())
}

fn good(dir: &Path, arguments: &[&str]) -> String {
    let said = ada(dir, arguments);
    assert_eq!(said.code, 0, "{arguments:?}: {}", said.err);
    said.out
}

fn refused(dir: &Path, arguments: &[&str], why: &str) {
    let said = ada(dir, arguments);
    assert!(said.code == 2 && said.err.contains(why), "{arguments:?}: {} {}", said.code, said.err);
}

/// A batch with steps, some of them done.
fn begun(dir: &Path) {
    opened(dir, "HM-001..HM-003");
    std::fs::write(dir.join("steps.toml"), STEPS).unwrap();
    good(dir, &["assembly", "steps", "[DIR]/steps.toml"]);
    assert_eq!(good(dir, &["assembly", "tick", "purge", "--all"]), "purge: done on 3 valves (record 3)\n");
    good(dir, &["assembly", "tick", "seals", "HM-001", "HM-002", "--value", "K-0815"]);
    good(
        dir,
        &["assembly", "tick", "bolts", "HM-001", "--value", "20,5 N·m", "--tool", "TW-3", "--note", "re-torqued"],
    );
    good(
        dir,
        &["assembly", "bolt", "HM-001", "--fittings", "F14,F27", "--length", "120.04 mm", "--length-u", "0.02 mm"],
    );
}

#[test]
fn a_batch_is_put_together_step_by_step() {
    let dir = tempfile::tempdir().unwrap();
    let dir = dir.path();
    begun(dir);
    let table = say(dir, &["assembly", "status"]).out;
    refused(dir, &["assembly", "tick", "purge", "--all"], "step purge is done on every valve of batch spring");
    // Seen before there is air, and no hindrance.
    let said = typed(dir, &["HM-002", "q"], &["--operator", "Ada"]);
    assert!(
        said.err.contains("next HM-001: both sides\n") && !said.err.contains("HM-001: both sides\n  ASSEMBLY"),
        "{}",
        said.err
    );
    let said = typed(dir, &["HM-001", "q"], &["--operator", "Ada"]);
    assert!(said.err.contains("next HM-003: both sides\n  ASSEMBLY NOT DONE: seals, bolts\n"), "{}", said.err);
    // A leak, a rework: only what it undoes.
    good(dir, &["batch", "rework", "HM-001", "--note", "new seat"]);
    let after = say(dir, &["assembly", "status"]).out;
    golden("assembly-status.txt", &(table + "\n" + &after));
    let said = seathold(dir, &[&["report", "--serial", "HM-001", "-o", "[DIR]/r.html"], &AT[..]].concat());
    assert_eq!(said.code, 0, "{}", said.err);
    let page = std::fs::read_to_string(dir.join("r.html")).unwrap();
    for text in
        ["Not done: seals, bolts.", "F14 and F27", "120.040 ± 0.040 mm; measured before a rework", "UNDONE by a rework"]
    {
        assert!(page.contains(text), "{text}");
    }
    let said = seathold(dir, &[&["report", "--batch", "spring", "-o", "[DIR]/b.html"], &AT[..]].concat());
    assert_eq!(said.code, 0, "{}", said.err);
    let page = std::fs::read_to_string(dir.join("b.html")).unwrap();
    assert!(page.contains("NOT DONE: bolts") && page.contains("seals of 2 valves, K-0815"), "{page}");
    let closed = good(dir, &["batch", "close", "--unfinished", "sold"]);
    assert!(closed.trim_end().ends_with("; assembly not done: HM-001 HM-002 HM-003"), "{closed}");
    let tables = ["--steps", "[DIR]/s.csv", "--pairs", "[DIR]/p.csv", "--parts", "[DIR]/f.csv"];
    let said = say(dir, &[&["export"], &tables[..]].concat());
    assert_eq!(
        said.out,
        "9 steps written to [DIR]/s.csv\n1 pairs written to [DIR]/p.csv\n2 parts written to [DIR]/f.csv\n"
    );
    let read = |name: &str| std::fs::read_to_string(dir.join(name)).unwrap();
    assert!(read("s.csv").contains(",HM-002,seals,done,K-0815,"), "{}", read("s.csv"));
    assert!(read("p.csv").contains(",HM-001,F14,F27,"), "{}", read("p.csv"));
}

#[test]
fn what_is_wrong_is_refused_with_what_is_allowed() {
    let dir = tempfile::tempdir().unwrap();
    let dir = dir.path();
    begun(dir);
    for (arguments, why) in [
        (&["assembly", "tick", "seals", "HM-003"][..], "step seals needs its kit lot: --value, a text"),
        (&["assembly", "tick", "bolts", "HM-002", "--value", "23", "--tool", "T"], "torque \"23\": 18 to 22 N m"),
        (&["assembly", "tick", "bolts", "HM-002", "--value", "20"], "step bolts needs the number of its tool: --tool"),
        (&["assembly", "tick", "purge", "HM-O02"], "is it HM-002?"),
        (&["assembly", "tick", "weld", "--all"], "no step \"weld\"; there are purge, seals, bolts"),
        (&["assembly", "bolt", "HM-002", "--fittings", "F14,F3"], "fitting F14 is bolted to HM-001"),
        (&["assembly", "bolt", "HM-002"], "--fittings: none were kept for HM-002; give both"),
        (
            &["assembly", "bolt", "HM-002", "--fittings", "F3", "--length", "20 m"],
            "--length: 20 m is outside 0.0001 m to 2 m",
        ),
        (&["assembly", "strike", "1", "--note", "x"], "record 1 is no note of assembly of batch spring"),
    ] {
        refused(dir, arguments, why);
    }
    assert!(seathold(dir, &["assembly", "tightening-order", "5"]).err.contains("5 is not an even number from 4 to 64"));
    golden("assembly-tightening-order.txt", &seathold(dir, &["assembly", "tightening-order", "8"]).out);
    let runs = say(dir, &["export", "--steps", "[DIR]/s.csv", "--verdict", "tight"]);
    assert!(runs.code == 2 && runs.err.contains("of valves, not of runs"), "{}", runs.err);
}

/// What was struck counts no more, and stands in the history.
#[test]
fn a_slip_is_struck() {
    let dir = tempfile::tempdir().unwrap();
    let dir = dir.path();
    begun(dir);
    let said = good(dir, &["assembly", "strike", "5", "--note", "it was HM-003"]);
    assert_eq!(said, "record 5 (step done) is struck (record 7): it stays, marked\n");
    assert!(say(dir, &["assembly", "status"]).out.contains("3 bolts     open"));
    let history = say(dir, &["find", "--serial", "HM-001"]).out;
    assert!(history.contains("step done: bolts, 20.5 N m, tool TW-3: re-torqued (Ada)"), "{history}");
    assert!(history.contains("it was HM-003"), "{history}");
    assert_eq!(say(dir, &["register", "verify"]).code, 0);
}

fn at_the_bench(dir: &Path, lines: &[&'static str]) -> Said {
    let arguments = [&["assembly", "bolt", "--operator", "Ada"], &AT[..]].concat();
    let keys = &mut Lines::slowly(lines);
    seathold_on(dir, &arguments, Stage { interrupt_at: Vec::new(), keys, out_breaks: None, live: true })
}

/// The fittings of the hatchery, invented.
const FITTINGS: &str = concat!(env!("CARGO_MANIFEST_DIR"), "/recordings/fittings-hatchery.csv");

fn pair(dir: &Path) -> Said {
    std::fs::copy(FITTINGS, dir.join("fittings.csv")).unwrap();
    let wanted =
        ["--nominal", "120 mm", "--tolerance", "0.2 mm", "--compression", "0.4 mm", "--compression-u", "0.03 mm"];
    let known = ["--body-length", "60.4 mm", "--body-u", "0.02 mm", "--gauge-u", "0.01 mm"];
    ada(dir, &[&["pair", "[DIR]/fittings.csv", "--keep"], &wanted[..], &known].concat())
}

/// Valve after valve: the fittings that were kept for it, none of another's, and a length that is believed only when it is likely or
/// measured again.
#[test]
fn valves_are_bolted_up_of_the_fittings_that_were_kept() {
    let dir = tempfile::tempdir().unwrap();
    let dir = dir.path();
    opened(dir, "HM-001..HM-024");
    let said = pair(dir);
    assert_eq!(said.code, 0, "{}", said.err);
    assert!(said.out.ends_with("batch spring: fittings for 23 valves kept (record 2)\n"), "{}", said.out);
    let status = say(dir, &["assembly", "status"]).out;
    let of = |serial: &str| -> Vec<String> {
        let line = status.lines().find(|line| line.contains(serial)).unwrap();
        line.split_whitespace()
            .filter(|word| *word != "-")
            .map(|word| word.trim_matches(['(', ')']).to_owned())
            .collect()
    };
    let (first, second) = (of("HM-001"), of("HM-002"));
    let leak = |text: &str| -> &'static str { Box::leak(text.to_owned().into_boxed_str()) };
    let (a, b, length) = (leak(&first[1]), leak(&first[2]), leak(&first[3]));
    let other = leak(&second[1]);
    let far = leak(&format!("{:.3}", first[3].parse::<f64>().unwrap() + 1.0));
    // As a gauge of many a country shows it.
    let comma = leak(&length.replace('.', ","));
    let said = at_the_bench(dir, &[b, other, "F99", a, far, comma, "q"]);
    assert_eq!(said.code, 0, "{}", said.err);
    assert!(said.err.contains(&format!("{other} is for HM-002; wanted is {a}")), "{}", said.err);
    assert!(said.err.contains(&format!("F99 is for no valve; wanted is {a}")), "{}", said.err);
    assert!(said.err.contains("that is 1.000 mm off the forecast"), "{}", said.err);
    assert!(said.out.starts_with(&format!("HM-001 bolted up, {length} mm CONFORMS (record 3)")), "{}", said.out);
    assert!(said.err.contains("\nHM-002: fittings "), "{}", said.err);
    // What is far off and measured so twice is so.
    let (a, b) = (leak(&second[1]), leak(&second[2]));
    let said = at_the_bench(dir, &[a, b, "121.5", "121.5", "q"]);
    assert!(said.out.contains("HM-002 bolted up, 121.500 mm DOES NOT CONFORM (record 4)"), "{}{}", said.out, said.err);
    let typo = ["assembly", "bolt", "HM-003", "--fittings", "F99,F98"];
    refused(dir, &typo, "fitting F99 is none of those that were paired; --note says why it is taken");
    // Paired again around them: a fitting was lost.
    let list = std::fs::read_to_string(dir.join("fittings.csv")).unwrap();
    let lost = leak(&of("HM-003")[1]);
    let rest: Vec<&str> = list.lines().filter(|line| !line.starts_with(&format!("{lost},"))).collect();
    assert_eq!(rest.len() + 1, list.lines().count());
    std::fs::write(dir.join("rest.csv"), rest.join("\n")).unwrap();
    let wanted =
        ["--nominal", "120 mm", "--tolerance", "0.2 mm", "--compression", "0.4 mm", "--compression-u", "0.03 mm"];
    let known = ["--body-length", "60.4 mm", "--body-u", "0.02 mm", "--gauge-u", "0.01 mm"];
    let again = good(dir, &[&["pair", "[DIR]/rest.csv", "--keep"], &wanted[..], &known].concat());
    assert!(again.ends_with(" valves kept (record 5)\n"), "{again}");
    let after = say(dir, &["assembly", "status"]).out;
    for serial in ["HM-001", "HM-002"] {
        let line = |text: &str| text.lines().find(|line| line.contains(serial)).unwrap().to_owned();
        assert!(line(&after).contains(&line(&status).split_whitespace().nth(1).unwrap().replace('(', "")), "{after}");
    }
    assert!(!after.lines().skip(1).any(|line| line.contains(lost)), "{lost} in {after}");
    assert_eq!(say(dir, &["register", "verify"]).code, 0);
}

#[test]
fn without_pairs_there_is_nothing_to_bolt() {
    let dir = tempfile::tempdir().unwrap();
    begun(dir.path());
    let said = at_the_bench(dir.path(), &[]);
    assert!(said.code == 0 && said.err.contains("2 have no fittings: `pair` again with --keep"), "{}", said.err);
}

/// A value that was right by the list before is not right by the one that asks for another.
#[test]
fn a_step_that_is_asked_for_otherwise_is_open_again() {
    let dir = tempfile::tempdir().unwrap();
    let dir = dir.path();
    begun(dir);
    std::fs::write(dir.join("steps.toml"), STEPS.replace("least = 18\nmost = 22", "least = 40\nmost = 50")).unwrap();
    let said = good(dir, &["assembly", "steps", "[DIR]/steps.toml"]);
    assert!(said.contains("OPEN AGAIN, noted otherwise than it is asked for now: bolts on HM-001\n"), "{said}");
    let status = say(dir, &["assembly", "status"]).out;
    assert!(status.contains("all steps done on 0 of 3 valves") && status.contains("3 bolts     open\n"), "{status}");
    // As it was: what was noted counts again, since nothing was erased.
    std::fs::write(dir.join("steps.toml"), STEPS).unwrap();
    good(dir, &["assembly", "steps", "[DIR]/steps.toml"]);
    let page = seathold(dir, &[&["report", "--batch", "spring", "-o", "[DIR]/b.html"], &AT[..]].concat());
    assert_eq!(page.code, 0, "{}", page.err);
    let page = std::fs::read_to_string(dir.join("b.html")).unwrap();
    assert!(page.contains("bolts (torque: 40 to 50 N m)") && page.contains("bolts (torque: 18 to 22 N m)"), "{page}");
}

/// Whichever way it is begun, it is said before there is air, and afterwards in the list of what is left.
#[test]
fn a_run_by_itself_says_what_is_not_done() {
    let dir = tempfile::tempdir().unwrap();
    let dir = dir.path();
    begun(dir);
    let run = |serial: &str| {
        let out = format!("[DIR]/{serial}.hold");
        say(dir, &["run", "-q", "--serial", serial, "--operator", "Ada", "--out", &out]).err
    };
    let said = run("HM-002");
    assert!(said.contains("  ASSEMBLY NOT DONE: bolts\n"), "{said}");
    let said = run("HM-001");
    assert!(!said.contains("ASSEMBLY"), "{said}");
    let status = say(dir, &["batch", "status"]).out;
    assert!(status.contains("assembly     NOT DONE on valves that were tested: HM-002\n"), "{status}");
}

/// The mean of ten readings is surer than the one reading that a finished length is.
#[test]
fn a_finished_length_is_as_sure_as_one_reading() {
    let dir = tempfile::tempdir().unwrap();
    let dir = dir.path();
    opened(dir, "HM-001..HM-003");
    let off = [0.05, -0.04, 0.03, -0.06, 0.02, 0.06, -0.05, 0.04, -0.03, -0.02];
    let row = |i: usize| {
        let length = 29.9 + 0.05 * i as f64;
        let cells: Vec<String> = off.iter().map(|off| format!("{:.2}", length + off)).collect();
        format!("F{i},{}\n", cells.join(","))
    };
    let head: Vec<String> = (1..=off.len()).map(|n| format!("length_{n}")).collect();
    let list: String = (0..6).map(row).collect();
    std::fs::write(dir.join("f.csv"), format!("fitting,{}\n{list}", head.join(","))).unwrap();
    let valves = ["--nominal", "120 mm", "--tolerance", "0.3 mm", "--body-length", "60.4 mm", "--body-u", "0.001 mm"];
    let seals = ["--compression", "0.4 mm", "--gauge-u", "0.001 mm"];
    good(dir, &[&["pair", "[DIR]/f.csv", "--keep"], &valves[..], &seals].concat());
    good(dir, &["assembly", "bolt", "HM-001", "--length", "120.26 mm", "--length-checked"]);
    let status: serde_json::Value = serde_json::from_str(&say(dir, &["assembly", "status", "--json"]).out).unwrap();
    let valve = &status["valves"][0];
    // Of these ten the standard deviation is √(0.0184/9); a step of 0.01 mm adds 0.01/√12, and the gauge 0.001.
    let squares: f64 = off.iter().map(|off| off * off).sum();
    let expected = (squares / 9.0 + 1e-4 / 12.0 + 1e-6f64).sqrt();
    let u = valve["valve"]["bolted"]["finished_u_mm"].as_f64().unwrap();
    assert!((u - expected).abs() < 1e-4, "{u} {expected}");
    assert_eq!(valve["length_verdict"], "too-close");
    // Far off it is refused, and what takes the place of another says so.
    refused(dir, &["assembly", "bolt", "HM-002", "--length", "1.2 m"], "right fittings, seals seated, gauge at zero?");
    let said = good(dir, &["assembly", "bolt", "HM-001", "--length", "120.1 mm", "--length-checked"]);
    assert!(said.contains("; in place of 120.260 mm (record "), "{said}");
}

#[test]
fn what_is_noted_of_a_step_is_what_it_says() {
    let dir = tempfile::tempdir().unwrap();
    let dir = dir.path();
    opened(dir, "HM-001..HM-003");
    std::fs::write(dir.join("steps.toml"), "[[step]]\nname = \"seals\"\ntext = \"x\"\nvalue = \"lot\"\nphoto = true\n")
        .unwrap();
    good(dir, &["assembly", "steps", "[DIR]/steps.toml"]);
    let tick = |photo: &str, value: &str, why: &str| {
        let photo = format!("[DIR]/{photo}");
        refused(dir, &["assembly", "tick", "seals", "HM-001", "--value", value, "--photo", &photo], why);
    };
    std::fs::write(dir.join("seals.jpg"), "no picture").unwrap();
    tick("seals.jpg", "K-1", "neither a JPEG nor a PNG file");
    // A pipe that nobody writes to is not waited for.
    let made = std::process::Command::new("mkfifo").arg(dir.join("pipe.jpg")).status();
    if made.is_ok_and(|made| made.success()) {
        tick("pipe.jpg", "K-1", "neither a JPEG nor a PNG file");
    }
    std::fs::write(dir.join("seals.jpg"), b"\xff\xd8\xff\xe0").unwrap();
    tick("seals.jpg", "a\u{1b}[31mb", "the value has control characters");
    let photo = ["--value", "K-1", "--photo", "[DIR]/seals.jpg"];
    let said = good(dir, &[&["assembly", "tick", "seals", "HM-001", "HM-001"], &photo[..]].concat());
    assert!(said.starts_with("seals: done on HM-001 (record "), "{said}");
}

/// Two benches bolt the same fittings; and what is struck of a whole batch stands on its report.
#[test]
fn contradictions_and_strikes_stand_on_the_pages() {
    let dir = tempfile::tempdir().unwrap();
    let dir = dir.path();
    begun(dir);
    good(dir, &["assembly", "strike", "3", "--note", "not on all of them"]);
    // The other bench has the batch before anything is bolted there, and bolts F14 to another valve.
    let other = tempfile::tempdir().unwrap();
    let other = other.path();
    assert_eq!(seathold(other, &["register", "init", "[DIR]/bench.sqlite", "--bench", "two"]).code, 0);
    let ours = dir.join("bench.sqlite");
    assert_eq!(say(other, &["register", "merge", ours.to_str().unwrap()]).code, 0);
    let bolted = say(other, &["assembly", "status", "--json"]).out;
    let bolted: serde_json::Value = serde_json::from_str(&bolted).unwrap();
    let note = bolted["valves"][0]["valve"]["bolted"]["note"].as_str().unwrap().to_owned();
    good(other, &["assembly", "strike", &note, "--note", "it is not"]);
    good(other, &["assembly", "bolt", "HM-003", "--fittings", "F14,F3"]);
    // Here it stays, as bolted again since.
    good(dir, &["assembly", "bolt", "HM-001", "--fittings", "F14,F27"]);
    let theirs = other.join("bench.sqlite");
    assert_eq!(say(dir, &["register", "merge", theirs.to_str().unwrap()]).code, 0);
    let said = say(dir, &["assembly", "status"]);
    assert_eq!(said.err, "fitting F14 is bolted to HM-001 and to HM-003: one of them is not so; strike it\n");
    let pages = ["--batch", "spring", "-o", "[DIR]/b.html"];
    assert_eq!(say(dir, &[&["report"], &pages[..]].concat()).code, 0);
    let page = std::fs::read_to_string(dir.join("b.html")).unwrap();
    assert!(page.contains("fitting F14 is bolted to HM-003 too"), "{page}");
    assert!(page.contains("struck") && page.contains("not on all of them"), "{page}");
}
