//! `seathold run`: what it says, how it ends, and that neither pace nor interruption changes what is true.

use seathold::environment::Environment;
use seathold_tests::cli_kit::{Every, Silent, Stage, golden, seathold, seathold_in, seathold_on};
use std::io::ErrorKind;
use std::time::Duration;

/// Exit codes of docs/use.md.
const TIGHT: u8 = 0;
const LEAKING: u8 = 1;
const NO_VERDICT: u8 = 3;
const FAULT: u8 = 4;
const STORAGE: u8 = 6;

#[test]
fn without_arguments_it_says_what_to_try() {
    let dir = tempfile::tempdir().unwrap();
    let said = seathold(dir.path(), &[]);
    assert_eq!((said.code, said.err.as_str()), (0, ""));
    golden("what-now.txt", &said.out);
}

#[test]
fn help_promises_the_exit_codes() {
    let dir = tempfile::tempdir().unwrap();
    let said = seathold(dir.path(), &["--help"]);
    assert_eq!(said.code, 0);
    let promised = said.out.find("Exit codes:").map(|at| &said.out[at..]);
    golden("exit-codes.txt", promised.unwrap());
}

/// Faults by name, each with what is expected of the sequencer (`plant/faults.rs` runs them all); what takes a lever is
/// refused on a valve without one, and struck on one that has it.
#[test]
fn faults_are_listed_with_what_is_said_of_them_and_a_lever_is_asked_for() {
    let dir = tempfile::tempdir().unwrap();
    golden("fault-list.txt", &seathold(dir.path(), &["run", "--fault", "list"]).out);
    let by_air = seathold(dir.path(), &["run", "--fault", "half-shut"]);
    assert_eq!(by_air.code, 2);
    assert!(by_air.err.contains("fault half-shut: takes a lever"), "{}", by_air.err);
    let by_hand =
        seathold(dir.path(), &["run", "-q", "--valve", "hand", "--fault", "half-shut", "--out", "[DIR]/h.hold"]);
    assert_eq!(by_hand.code, LEAKING, "{}", by_hand.out);
}

#[test]
fn every_built_in_valve_comes_out_as_its_file_says() {
    let dir = tempfile::tempdir().unwrap();
    let valves = [
        ("tight", TIGHT),
        ("scratched-seat-a", LEAKING),
        ("stem-leak", LEAKING),
        ("does-not-shut", LEAKING),
        ("rig-leak", LEAKING),
        ("hand", TIGHT),
        ("hand-half-shut", LEAKING),
    ];
    for (valve, code) in valves {
        let out = format!("[DIR]/{valve}.hold");
        let said = seathold(dir.path(), &["run", "--valve", valve, "--out", &out]);
        assert_eq!(said.code, code, "{valve}");
        golden(&format!("run-{valve}.out.txt"), &said.out);
        // What is told on the way: once for air, once by hand.
        if matches!(valve, "scratched-seat-a" | "hand") {
            golden(&format!("run-{valve}.err.txt"), &said.err);
        }
        let replayed = seathold(dir.path(), &["replay", &out]);
        assert_eq!(replayed.code, 0, "{}", replayed.out);
        assert!(replayed.out.contains(": identical: "), "{}", replayed.out);
    }
}

#[test]
fn faults_and_what_to_do_about_them() {
    let dir = tempfile::tempdir().unwrap();
    for (name, fault) in
        [("vent", "vent-stuck"), ("guard", "guard@10s"), ("stop", "stop@35s..36s"), ("wire", "far-open")]
    {
        let out = format!("[DIR]/{name}.hold");
        let said = seathold(dir.path(), &["run", "-q", "--fault", fault, "--out", &out]);
        assert_eq!((said.code, said.err.as_str()), (FAULT, ""), "{name}");
        golden(&format!("fault-{name}.txt"), &said.out);
    }
}

#[test]
fn figures_come_in_the_units_typed_and_never_without_uncertainty() {
    let dir = tempfile::tempdir().unwrap();
    let recipe = "target = \"0.6 MPa\"\npressure_max = \"0.7 MPa\"\nlimit = \"0.45 cm3/min\"\n";
    std::fs::write(dir.path().join("recipe.toml"), recipe).unwrap();
    let said = seathold(
        dir.path(),
        &["run", "-q", "--recipe", "[DIR]/recipe.toml", "--seat-a", "1.2 cm3/min", "--out", "[DIR]/a.hold"],
    );
    assert_eq!(said.code, LEAKING, "{}", said.out);
    for side in ["first", "second"] {
        let line = said.out.lines().find(|l| l.starts_with(&format!("  {side} ")));
        let line = line.unwrap_or_else(|| panic!("no {side} side in the table:\n{}", said.out));
        // The figure and the limit.
        assert!(line.contains(" ± ") && line.ends_with(" 0.45 cm³/min"), "{line}");
        assert_eq!(line.matches(" cm³/min").count(), 2, "{line}");
    }
}

#[test]
fn speed_changes_nothing_but_the_waiting() {
    let dir = tempfile::tempdir().unwrap();
    let at = ["run", "-q", "--sides", "first", "--started-at", "2026-01-01T00:00:00Z"];
    let run = |name: &str, speed: &str| {
        let out = format!("[DIR]/{name}");
        let said = seathold(dir.path(), &[&at[..], &["--speed", speed, "--out", &out]].concat());
        assert_eq!(said.code, TIGHT);
        (std::fs::read(dir.path().join(name)).unwrap(), said.paused)
    };
    let (fastest, not_at_all) = run("max.hold", "max");
    let (real, real_time) = run("one.hold", "1");
    let (quick, quick_time) = run("four.hold", "4");
    assert_eq!(fastest, real);
    assert_eq!(fastest, quick);
    assert_eq!(not_at_all, Duration::ZERO);
    assert!(real_time > Duration::from_secs(20), "{real_time:?}");
    let ratio = real_time.as_secs_f64() / quick_time.as_secs_f64();
    assert!((ratio - 4.0).abs() < 0.01, "{ratio}");
}

/// Without the further stroke the cavity stays unknown for good; once the bleed has been answered there is nothing left to
/// wait for.
#[test]
fn a_run_that_leaves_the_cavity_unknown_ends_with_the_bleed() {
    let dir = tempfile::tempdir().unwrap();
    let length = |name: &str, recipe: &str| {
        std::fs::write(dir.path().join(name), recipe).unwrap();
        let (recipe, out) = (format!("[DIR]/{name}"), format!("[DIR]/{name}.hold"));
        let said = seathold(dir.path(), &["run", "--json", "--recipe", &recipe, "--out", &out]);
        assert_eq!(said.code, TIGHT, "{}", said.err);
        let last: serde_json::Value = serde_json::from_str(said.out.lines().last().unwrap()).unwrap();
        (last["result"]["length_s"].as_f64().unwrap(), last["result"]["far_side"].as_str().unwrap().to_owned())
    };
    // Both measure to the same end, so that nothing but the stroke and what follows it makes a difference.
    let window = "measure_min = \"60 s\"\n";
    let (whole, confirmed) = length("with.toml", window);
    let (short, unknown) = length("without.toml", &format!("{window}cavity_stroke = false\n"));
    assert_eq!((confirmed.as_str(), unknown.as_str()), ("confirmed", "cavity-unknown"));
    assert!(short < whole, "{short} s without the stroke, {whole} s with it");
}

#[test]
fn ctrl_c_vents_first_and_the_recording_is_whole() {
    let dir = tempfile::tempdir().unwrap();
    let stage = Stage { interrupt_at: vec![Duration::from_secs(20)], keys: &mut Silent, out_breaks: None, live: false };
    let said = seathold_on(dir.path(), &["run", "--speed", "1", "--out", "[DIR]/a.hold"], stage);
    assert_eq!(said.code, NO_VERDICT);
    golden("ctrl-c.out.txt", &said.out);
    assert!(said.err.contains("aborting: waiting until the valve is vented and at rest"), "{}", said.err);
    assert!(said.out.contains("reads empty: open the bleed"), "{}", said.out);
    assert_eq!(seathold(dir.path(), &["replay", "[DIR]/a.hold"]).code, 0);
}

#[test]
fn a_second_ctrl_c_leaves_at_once_and_the_recording_stays_unfinished() {
    let dir = tempfile::tempdir().unwrap();
    let interrupt_at = vec![Duration::from_secs(20), Duration::from_millis(20_100)];
    let stage = Stage { interrupt_at, keys: &mut Silent, out_breaks: None, live: false };
    let said = seathold_on(dir.path(), &["run", "--speed", "1", "--out", "[DIR]/a.hold"], stage);
    assert_eq!(said.code, FAULT);
    assert!(said.err.contains("treat the far side as PRESSURISED"), "{}", said.err);
    assert!(!dir.path().join("a.hold").exists());
    let shown = seathold(dir.path(), &["show", "[DIR]/a.hold.part"]);
    assert_eq!(shown.code, STORAGE);
    assert!(shown.err.contains("cut short at byte"), "{}", shown.err);
    assert!(shown.out.contains("NO VERDICT (recording incomplete)"), "{}", shown.out);
}

/// Somebody who answers every prompt, and acknowledges after ten minutes of looks at a poll each.
struct LateAck(usize);

impl seathold::console::Keys for LateAck {
    fn line(&mut self) -> seathold::console::KeyboardInput {
        self.0 += 1;
        match self.0 {
            60_000 => seathold::console::KeyboardInput::Line("ack".into()),
            n if n.is_multiple_of(300) => seathold::console::KeyboardInput::Line(String::new()),
            _ => seathold::console::KeyboardInput::Nothing,
        }
    }
}

#[test]
fn a_person_at_the_keyboard_can_answer() {
    let dir = tempfile::tempdir().unwrap();
    let stage = Stage { interrupt_at: Vec::new(), keys: &mut Every(300, "", 0), out_breaks: None, live: false };
    let ask = ["run", "--valve", "hand", "--interactive", "--sides", "first", "--out", "[DIR]/a.hold"];
    let said = seathold_on(dir.path(), &ask, stage);
    assert_eq!(said.code, TIGHT, "{}", said.err);
    assert!(said.err.contains(">>> valve on the rig"), "{}", said.err);
    assert!(said.err.matches(">>> Enter when done").count() >= 4, "{}", said.err);
    // Both sides, the ends swapped by simulated hands that take no time: the guard is shut before it is said to be done.
    for valve in ["hand", "tight"] {
        let stage = Stage { interrupt_at: Vec::new(), keys: &mut Every(300, "", 0), out_breaks: None, live: false };
        let ask = ["run", "--valve", valve, "--interactive", "--out", "[DIR]/c.hold"];
        let said = seathold_on(dir.path(), &ask, stage);
        assert_eq!(said.code, TIGHT, "{}", said.err);
        assert!(!said.err.contains("the guard is open"), "{}", said.err);
        std::fs::remove_file(dir.path().join("c.hold")).unwrap();
    }
    // An emergency stop that nobody acknowledges for ten minutes is still waited for, and then dealt with.
    let stage = Stage { interrupt_at: Vec::new(), keys: &mut LateAck(0), out_breaks: None, live: false };
    let ask = ["run", "--valve", "tight", "--interactive", "--fault", "stop@measure+1s..3s", "--out", "[DIR]/d.hold"];
    let said = seathold_on(dir.path(), &ask, stage);
    assert!(said.out.contains("reads empty, bleed open and gauge at zero"), "{}{}", said.out, said.err);
    // Somebody who only ever aborts: nothing is filled.
    let stage = Stage { interrupt_at: Vec::new(), keys: &mut Every(300, "a", 0), out_breaks: None, live: false };
    let said = seathold_on(dir.path(), &["run", "--interactive", "--out", "[DIR]/b.hold"], stage);
    assert_eq!(said.code, NO_VERDICT, "{}", said.out);
    assert!(!said.err.contains("fill:"), "{}", said.err);
}

#[test]
fn nobody_at_the_keyboard_is_an_operator_who_cannot_be_reached() {
    struct Gone;
    impl seathold::console::Keys for Gone {
        fn line(&mut self) -> seathold::console::KeyboardInput {
            seathold::console::KeyboardInput::Closed
        }
    }
    let dir = tempfile::tempdir().unwrap();
    let stage = Stage { interrupt_at: Vec::new(), keys: &mut Gone, out_breaks: None, live: false };
    let said = seathold_on(dir.path(), &["run", "--valve", "hand", "--interactive", "--out", "[DIR]/a.hold"], stage);
    assert!(said.code == NO_VERDICT || said.code == FAULT, "{}", said.out);
    assert!(!said.err.contains("fill:"), "{}", said.err);
}

#[test]
fn json_lines_tell_what_the_recording_tells() {
    let dir = tempfile::tempdir().unwrap();
    let said = seathold(dir.path(), &["run", "--json", "--valve", "scratched-seat-a", "--out", "[DIR]/a.hold"]);
    assert_eq!((said.code, said.err.as_str()), (LEAKING, ""));
    let mut lines: Vec<serde_json::Value> = said.out.lines().map(|l| serde_json::from_str(l).unwrap()).collect();
    // Each line says what it is; what is shown is one object.
    for line in &mut lines {
        assert_eq!(line.as_object_mut().unwrap().remove("schema").unwrap(), "seathold/run/1");
    }
    let shown = seathold(dir.path(), &["show", "--json", "[DIR]/a.hold"]);
    let shown: serde_json::Value = serde_json::from_str(&shown.out).unwrap();
    assert_eq!(lines[0]["run"], shown["header"]);
    let events = &lines[1..lines.len() - 1];
    assert_eq!(events, shown["events"].as_array().unwrap().as_slice());
    let result = &lines[lines.len() - 1]["result"];
    assert_eq!(result["verdict"], "leaking");
    assert_eq!(result["far_side"], "confirmed");
    assert_eq!(result["exit"], 1);
}

#[test]
fn whoever_stops_reading_does_not_stop_the_run() {
    let dir = tempfile::tempdir().unwrap();
    let stage = Stage {
        interrupt_at: Vec::new(),
        keys: &mut Silent,
        out_breaks: Some((8_000, ErrorKind::BrokenPipe)),
        live: false,
    };
    let said = seathold_on(dir.path(), &["run", "--json", "--valve", "stem-leak", "--out", "[DIR]/a.hold"], stage);
    assert_eq!((said.code, said.err.as_str()), (LEAKING, ""));
    assert_eq!(seathold(dir.path(), &["replay", "[DIR]/a.hold"]).code, 0);
    // A full disk behind a redirection is said; the recording is whole all the same.
    let stage = Stage {
        interrupt_at: Vec::new(),
        keys: &mut Silent,
        out_breaks: Some((8_000, ErrorKind::StorageFull)),
        live: false,
    };
    let said = seathold_on(dir.path(), &["run", "--json", "--out", "[DIR]/b.hold"], stage);
    assert_eq!(said.code, STORAGE);
    assert!(said.err.starts_with("error: could not write output: "), "{}", said.err);
    assert_eq!(seathold(dir.path(), &["replay", "[DIR]/b.hold"]).code, 0);
}

#[test]
fn nothing_is_written_over() {
    let dir = tempfile::tempdir().unwrap();
    std::fs::write(dir.path().join("a.hold"), "mine").unwrap();
    let said = seathold(dir.path(), &["run", "-q", "--out", "[DIR]/a.hold"]);
    assert_eq!(said.code, STORAGE);
    assert_eq!(said.err, "error: could not make [DIR]/a.hold: it exists already\n");
    assert_eq!(std::fs::read(dir.path().join("a.hold")).unwrap(), b"mine");
    assert!(!dir.path().join("a.hold.part").exists());
}

#[test]
fn a_folder_gets_a_file_named_by_serial_and_time() {
    let dir = tempfile::tempdir().unwrap();
    let said = seathold(dir.path(), &["run", "-q", "--sides", "first", "--serial", "HM-042", "--out", "[DIR]/new/"]);
    assert_eq!(said.code, TIGHT);
    assert!(dir.path().join("new/HM-042_20260302T093000Z.hold").exists(), "{}", said.out);
}

/// A name without an ending is a folder, whether it is there yet or not; one with another ending is asked about.
#[test]
fn a_name_without_an_ending_is_a_folder() {
    let dir = tempfile::tempdir().unwrap();
    let run = |out: &str| seathold(dir.path(), &["run", "-q", "--sides", "first", "--serial", "HM-042", "--out", out]);
    assert_eq!(run("[DIR]/spring").code, TIGHT);
    let one = dir.path().join("spring/HM-042_20260302T093000Z.hold");
    let first = std::fs::read(&one).unwrap();
    // Two runs within one second have two names.
    assert_eq!((run("[DIR]/spring").code, run("[DIR]/spring/").code), (TIGHT, TIGHT));
    for number in ["2", "3"] {
        assert!(dir.path().join(format!("spring/HM-042_20260302T093000Z_{number}.hold")).exists(), "{number}");
    }
    assert_eq!(std::fs::read(&one).unwrap(), first);
    // Named as a file, it is that file.
    assert_eq!(run("[DIR]/spring/HM-042_20260302T093000Z.hold").code, STORAGE);
    let said = run("[DIR]/spring.2");
    assert!(
        said.code == 2 && said.err.contains("a file here ends in .hold; for a folder of that name say --out"),
        "{}",
        said.err
    );
    assert!(!dir.path().join("spring.2").exists());
    let typed =
        ["calibrate", "transducer", "--point", "0bar:0bar", "--point", "3bar:3.01bar", "--point", "6bar:6.02bar"];
    let said = seathold(dir.path(), &[&typed[..], &["--out", "[DIR]/calold"]].concat());
    assert_eq!(said.code, 0, "{}", said.err);
    assert!(dir.path().join("calold").is_dir());
}

/// A folder that is not there yet is made, for whatever is written into it.
#[test]
fn new_folders_are_made() {
    let dir = tempfile::tempdir().unwrap();
    let say = |typed: &[&str]| {
        let said = seathold(dir.path(), typed);
        assert!(said.code == 0, "{typed:?}: {}", said.err);
    };
    say(&["run", "-q", "--out", "[DIR]/a.hold"]);
    say(&["report", "[DIR]/a.hold", "-o", "[DIR]/new/pages/a.html"]);
    say(&["export", "[DIR]/a.hold", "--runs", "[DIR]/tables/a.csv"]);
    say(&["plan", "--limit", "7.5 mm3/s", "--out", "[DIR]/recipes/a.toml"]);
    for file in ["new/pages/a.html", "tables/a.csv", "recipes/a.toml"] {
        assert!(dir.path().join(file).is_file(), "{file}");
    }
}

#[test]
fn a_fault_of_a_valve_file_strikes_as_the_same_one_typed() {
    let dir = tempfile::tempdir().unwrap();
    let file = "serial = \"HM-007\"\n[[fault]]\nname = \"guard\"\nphase = \"settle\"\nside = \"second\"\n\
                after = \"2 s\"\nlasts = \"3 s\"\n[[fault]]\nname = \"far-spike\"\nat = \"40 s\"\nlasts = \"20 ms\"\n";
    std::fs::write(dir.path().join("v.toml"), file).unwrap();
    let in_file = seathold(dir.path(), &["run", "-q", "--valve", "[DIR]/v.toml", "--out", "[DIR]/a.hold"]);
    let typed = ["--fault", "guard@second:settle+2s..5s", "--fault", "far-spike@40s..40020ms"];
    let typed = [&["run", "-q", "--serial", "HM-007", "--out", "[DIR]/b.hold"][..], &typed].concat();
    let typed = seathold(dir.path(), &typed);
    assert_eq!((in_file.code, typed.code), (4, 4), "{in_file:?} {typed:?}");
    assert!(in_file.out.contains("guard"), "{}", in_file.out);
    assert_eq!(in_file.out.replace("a.hold", "b.hold"), typed.out);
    // The recording says what was set up.
    let shown = seathold(dir.path(), &["show", "--json", "[DIR]/a.hold"]).out;
    assert!(shown.contains("guard@second:settle+2000ms..5000ms"), "{shown}");
}

/// Shortest and longest time may be the same: one look, at the end.
#[test]
fn one_measuring_time_gives_a_verdict() {
    let dir = tempfile::tempdir().unwrap();
    std::fs::write(dir.path().join("once.toml"), "measure_min = \"40 s\"\nmeasure_max = \"40 s\"\n").unwrap();
    for (valve, code) in [("tight", TIGHT), ("scratched-seat-a", LEAKING)] {
        let out = format!("[DIR]/{valve}.hold");
        let options = ["run", "-q", "--valve", valve, "--recipe", "[DIR]/once.toml", "--out", &out];
        let said = seathold(dir.path(), &options);
        assert_eq!(said.code, code, "{valve}: {}{}", said.out, said.err);
    }
}

/// A terminal that says that it can move no line gets lines that stay.
#[test]
fn a_terminal_that_moves_no_lines_has_plain_ones() {
    let dir = tempfile::tempdir().unwrap();
    let on = |environment: &Environment, name: &str| {
        let out = format!("[DIR]/{name}");
        let stage = Stage { interrupt_at: Vec::new(), keys: &mut Silent, out_breaks: None, live: true };
        let said = seathold_in(dir.path(), &["run", "--sides", "first", "--out", &out], stage, environment);
        assert_eq!(said.code, 0, "{}", said.err);
        said.err
    };
    // Lines that move are not written where the others are.
    assert!(!on(&Environment::default().with("TERM", "xterm"), "1.hold").contains("first side: fill"));
    for (term, name) in [("dumb", "2.hold"), ("", "3.hold")] {
        let said = on(&Environment::default().with("TERM", term), name);
        assert!(said.contains("first side: fill") && !said.contains('\u{1b}'), "{term}: {said:?}");
    }
}
