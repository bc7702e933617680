//! A whole session: a batch of both kinds and two sizes, worked by keys, with what goes wrong at a bench.

use std::path::Path;

use seathold_tests::batch_kit::stands_in;
use seathold_tests::cli_kit::{Said, golden, seathold};
use seathold_tests::proxy;
use seathold_tests::served_kit::Rig;
use seathold_tests::terminal_kit::Terminal;
use serde_json::Value;

use crate::steady::steady;

const PROGRAM: &str = env!("CARGO_BIN_EXE_seathold-program");

const LIST: &str = "serial,actuation,dn,limit,recipe\n\
    A-001,air,25,15 mm3/s,air.toml\n\
    H-001,hand,25,15 mm3/s,hand.toml\n\
    A-002,air,50,30 mm3/s,air.toml\n\
    H-002,hand,50,30 mm3/s,hand.toml\n";

/// As the built-in ones, with shorter waits of the rig and longer ones for a person at ten times real time.
const RECIPE: &str = "actuation = \"KIND\"\ntarget = \"6 bar\"\npressure_max = \"7 bar\"\nlimit = \"15 mm3/s\"\n\
    model = \"line-and-transient\"\nsoak = \"8 s\"\nsettle = \"5 s\"\nmeasure_min = \"2 s\"\nmeasure_max = \"60 s\"\n\
    answer_max = \"10 min\"\nswap_max = \"30 min\"\n";

/// The simulated rig in the program, ten times as fast as a real one.
const AT_THE_BENCH: &str = "-- --interactive --speed 10";

/// Compares the screen with a committed one as soon as it is the same, or has stopped to change.
fn screen(t: &Terminal, name: &str) {
    let file = format!("terminal/{name}.txt");
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("golden/cli").join(&file);
    let expected = std::fs::read_to_string(path).unwrap_or_default();
    let shown = t.settled(|picture| steady(picture) == expected);
    golden(&file, &steady(&shown));
}

/// The lever of a hand-operated valve, until this is asked for.
fn work_lever_until(t: &mut Terminal, question: &str) {
    // The longer words first.
    const LEVER: [&str; 4] = [OPEN_TO_VENT, WORK, OPEN, SHUT];
    loop {
        let asked = t.any(&[&LEVER[..], &[question]].concat());
        if asked == question {
            return;
        }
        t.answer(asked, "");
        t.gone(asked);
    }
}

const OPEN: &str = "turn the lever to OPEN";
const SHUT: &str = "turn the lever to SHUT";
const OPEN_TO_VENT: &str = "turn the lever to OPEN (air blows off at the silencer)";
const WORK: &str = "turn the lever to SHUT and OPEN again";
const BLEED: &str = "open the BLEED slowly";
const SWAP: &str = "swap the ends";

/// Both sides of an air-operated valve from its beginning on.
fn both_sides(t: &mut Terminal) {
    t.answer(BLEED, "");
    t.answer(SWAP, "");
    t.gone(SWAP);
    t.answer(BLEED, "");
}

#[test]
fn a_mixed_batch() {
    let dir = tempfile::tempdir().unwrap();
    let dir = dir.path();
    std::fs::write(dir.join("list.csv"), LIST).unwrap();
    for kind in ["hand", "air"] {
        std::fs::write(dir.join(format!("{kind}.toml")), RECIPE.replace("KIND", kind)).unwrap();
    }
    let t = &mut Terminal::open(dir, PROGRAM, 80, 24);
    t.call("batch open spring --list list.csv");
    assert_eq!(t.ended(), "0", "{}", t.picture());
    at_the_bench(t);
    left_under_pressure(t);
    by_a_line_that_is_cut(t);
    what_the_register_says(dir);
}

/// Ada: a mistyped serial, a valve of each kind on both sides, a resize, an abort, a run that is struck.
fn at_the_bench(t: &mut Terminal) {
    t.call(&format!("batch test --confirm-serial {AT_THE_BENCH}"));
    t.wait("who tests? >");
    screen(t, "1-who");
    t.answer("who tests? >", "Ada");
    t.answer("next A-001", "");
    t.answer("clamp A-001, then scan or type its serial >", "A-O01");
    t.wait("that is not A-001");
    screen(t, "2-mistyped");
    t.answer("that is not A-001", "");
    t.answer("Look at the plate next A-001: both sides DN 25 AIR LIMIT 15 mm³/s recipe air.toml > clamp A-001, then scan or type its serial >", "a-001");
    t.wait("Enter begins");
    screen(t, "3-connect");
    t.answer("Enter begins", "");
    t.wait(BLEED);
    screen(t, "4-bleed-80x24");
    t.resize(60, 20);
    screen(t, "5-bleed-60x20");
    t.resize(120, 40);
    screen(t, "6-bleed-120x40");
    both_sides(t);
    t.wait("A-001 TIGHT");
    assert_eq!(t.untidy(), [""; 0], "after a run");
    t.resize(80, 24);
    t.answer("next H-001", "");
    t.answer("clamp H-001", "H-001");
    t.answer("Enter begins", "");
    work_lever_until(t, SHUT);
    screen(t, "7-shut-lever");
    work_lever_until(t, BLEED);
    t.answer(BLEED, "");
    t.answer(SWAP, "");
    work_lever_until(t, BLEED);
    t.answer(BLEED, "");
    t.wait("H-001 TIGHT");
    screen(t, "8-tight");
    t.line("H-002");
    t.answer("clamp H-002", "H-002");
    t.answer("Enter begins", "");
    work_lever_until(t, SHUT);
    t.line("a");
    t.wait(OPEN_TO_VENT);
    screen(t, "9-aborted");
    work_lever_until(t, BLEED);
    screen(t, "10-aborted-bleed");
    t.answer(BLEED, "");
    t.wait("the last run was aborted");
    t.wait("next A-002");
    assert_eq!(t.untidy(), [""; 0], "after an abort");
    t.line("strike 3 the gauge was leaking");
    t.wait("struck");
    screen(t, "11-struck");
    t.line("q");
    assert_eq!(t.ended(), "0");
    assert_eq!(t.untidy(), [""; 0], "at the end");
}

/// Ben: killed under pressure; what was on the rig is said first, and asked about before another valve.
fn left_under_pressure(t: &mut Terminal) {
    t.call(&format!("batch test --operator Ben {AT_THE_BENCH}"));
    t.answer("next", "A-002");
    t.answer("Enter begins", "");
    t.wait("first side: soak");
    t.kill();
    // The shell's words, wherever the cursor was left.
    t.wait("137");
    assert!(t.untidy().contains(&"another screen"), "nobody put it away");
    t.call(&format!("batch test --operator Ben {AT_THE_BENCH}"));
    t.wait("next A-002");
    screen(t, "12-left");
    assert_eq!(t.untidy(), [""; 0], "after a kill, at the next start");
    t.line("H-002");
    t.wait("y and Enter");
    screen(t, "13-still-clamped");
    t.line("q");
    assert_eq!(t.ended(), "0");
    assert_eq!(t.untidy(), [""; 0], "at the end");
}

/// On a controller behind a line that is cut in the middle of a run, and joined again.
fn by_a_line_that_is_cut(t: &mut Terminal) {
    let rig = Rig::on("127.0.0.1:0", &["--speed", "10"]);
    let (address, switch) = proxy::switched(&rig.at);
    t.call(&format!("batch test --operator Ben -- --interactive --rig tcp:{address}"));
    t.answer("next A-002", "");
    t.answer("Enter begins", "");
    t.wait("first side: soak");
    switch.cut();
    t.wait("the controller cannot be reached");
    screen(t, "14-no-link");
    // Whatever was asked: who knows what is at the rig now.
    t.line("");
    t.wait("what it asks then will be asked anew");
    switch.join();
    t.wait("reads empty");
    screen(t, "15-joined");
    both_sides(t);
    t.wait("A-002 TIGHT");
    screen(t, "16-end");
    assert_eq!(t.untidy(), [""; 0], "after a line was lost");
    t.line("q");
    assert_eq!(t.ended(), "0");
}

/// Valves, runs and notes, and that none of them was touched.
fn what_the_register_says(dir: &Path) {
    let say = |arguments: &[&str]| -> Said {
        let said = seathold(dir, &[arguments, &["--register", "[DIR]/bench.sqlite"]].concat());
        assert_eq!(said.code, 0, "{arguments:?}: {}", said.err);
        said
    };
    let stands = ["A-001 tight", "H-001 next", "A-002 tight", "H-002 test-again"];
    assert_eq!(stands_in(dir, "[DIR]/bench.sqlite"), stands);
    let run = |line: &str| {
        let run = &serde_json::from_str::<Value>(line).unwrap()["run"];
        let text = |name: &str| run[name].as_str().unwrap_or_default().to_owned();
        format!("{} {} {}", text("serial"), text("operator"), text("verdict"))
    };
    let runs: Vec<String> = say(&["find", "--json"]).out.lines().map(run).collect();
    assert_eq!(runs, ["A-001 Ada tight", "H-001 Ada tight", "H-002 Ada void", "A-002 Ben tight"]);
    let words = |said: Said| said.out.split_whitespace().collect::<Vec<_>>().join(" ");
    let history = words(say(&["find", "--serial", "H-001"]));
    assert!(history.contains("STRUCK") && history.contains("the gauge was leaking"), "{history}");
    let status = words(say(&["batch", "status"]));
    assert!(status.contains("record 3 does not count: struck by Ada"), "{status}");
    assert!(say(&["register", "verify"]).out.contains("6 records valid"));
    // The killed run proves nothing, and is kept.
    assert!(dir.join("recordings/spring/A-002_1.hold.part").exists());
}
