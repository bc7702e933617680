//! A batch from its list to its tally, typed line by line.

use std::cell::RefCell;
use std::collections::VecDeque;
use std::path::Path;

use seathold::console::{KeyboardInput, Keys};
use seathold_register::claim::{Claimant, Claimed};
use seathold_register::{Access, Register};
use seathold_tests::batch_kit::{AT, Lines, Meanwhile, Slow, opened, say, stands, test_with, typed};
use seathold_tests::cli_kit::{Said, Silent, Stage, golden, seathold, seathold_on};
use serde_json::Value;

/// The story of a batch of six with one leaker: interrupted in the middle, resumed by somebody else, reworked,
/// retested, closed.
#[test]
fn a_batch_of_six_with_a_leaker() {
    let dir = tempfile::tempdir().unwrap();
    let dir = dir.path();
    opened(dir, "HM-001..HM-006");
    let leaker = ["--operator", "Ada", "--valve", "HM-002=scratched-seat-a"];
    let first = typed(dir, &["", "", "HM-0O3", "HM-004", "q"], &leaker);
    let second =
        typed(dir, &["list", "HM-002", "rework HM-002 new seat at end A", "", "", "", ""], &["--operator", "Ben"]);
    let closed = say(dir, &["batch", "close", "--operator", "Ben"]);
    let history = say(dir, &["find", "--serial", "HM-002"]);
    let all = [
        ("batch test (Ada)", &first),
        ("batch test (Ben)", &second),
        ("batch close", &closed),
        ("find --serial HM-002", &history),
    ];
    let mut text = String::new();
    for (what, said) in all {
        assert_eq!(said.code, 0, "{what}: {}", said.err);
        text.push_str(&format!("== {what}\n{}-- talk\n{}\n", said.out, said.err));
    }
    golden("batch-of-six.txt", &text);
    assert_eq!(say(dir, &["register", "verify"]).code, 0);
    // Closed is closed.
    assert_eq!(typed(dir, &[""], &[]).code, 2);
    assert_eq!(
        say(dir, &["batch", "rework", "HM-001", "--note", "x", "--batch", "spring", "--operator", "Ada"]).code,
        2
    );
}

/// All first sides, then all second sides: each run has one side, and the valve's verdict is joined from two.
#[test]
fn one_side_of_all_then_the_other() {
    let dir = tempfile::tempdir().unwrap();
    let dir = dir.path();
    opened(dir, "HM-001..HM-003");
    let valves = ["--order", "side", "--valve", "HM-002=scratched-seat-a", "--valve", "HM-003=stem-leak"];
    typed(dir, &["", ""], &valves);
    assert_eq!(stands(dir), ["HM-001 half-tested", "HM-002 rework", "HM-003 next"]);
    let said = typed(dir, &["", "", ""], &valves);
    assert_eq!(stands(dir), ["HM-001 tight", "HM-002 rework", "HM-003 rework"]);
    assert!(said.out.contains("HM-001  TIGHT: "), "{}", said.out);
    // The same side is not tested twice.
    let said = typed(dir, &["HM-001"], &valves);
    assert!(said.err.contains("it is done"), "{}", said.err);
    // An option that the session sets itself is a mistake, told before any valve is on the rig.
    let said = typed(dir, &["HM-001"], &["--", "--sides", "second"]);
    assert_eq!((said.code, said.out.as_str()), (2, ""));
    assert!(said.err.contains("--sides is the batch's to give"), "{}", said.err);
}

/// The joined diagnosis of two one-sided runs is the one that a two-sided run gives.
#[test]
fn two_runs_tell_as_much_as_one() {
    let dir = tempfile::tempdir().unwrap();
    let dir = dir.path();
    opened(dir, "HM-001");
    let leaker = ["--valve", "HM-001=scratched-seat-a", "--order", "side"];
    let likeliest = || {
        let said = say(dir, &["batch", "status"]).out.split_whitespace().collect::<Vec<_>>().join(" ");
        said.split_once("likeliest: ").unwrap().1.split_once(" altogether").unwrap().0.to_owned()
    };
    typed(dir, &[""], &leaker);
    let of_one = "the seat at end A, the joint at end B, the stem packing, a fitting of the rig on the far side";
    assert_eq!(likeliest(), of_one);
    typed(dir, &["again HM-001 second"], &leaker);
    assert_eq!(likeliest(), "the seat at end A, the joint at end B");
    let runs = say(dir, &["find", "--json"]);
    let asked: Vec<String> = runs
        .out
        .lines()
        .map(|l| serde_json::from_str::<Value>(l).unwrap()["run"]["sides_requested"].as_str().unwrap().to_owned())
        .collect();
    assert_eq!(asked, ["first", "second"]);
}

/// A leak is not tested away: it stands until a rework is noted. A void result is.
#[test]
fn a_leak_stands_until_rework() {
    let dir = tempfile::tempdir().unwrap();
    let dir = dir.path();
    opened(dir, "HM-001..HM-002");
    typed(dir, &["HM-001"], &["--valve", "HM-001=scratched-seat-a"]);
    typed(dir, &["again HM-001"], &[]);
    assert_eq!(stands(dir)[0], "HM-001 rework");
    typed(dir, &["HM-002"], &["--", "--fault", "guard@10s"]);
    assert_eq!(stands(dir)[1], "HM-002 test-again");
    typed(dir, &["HM-002"], &[]);
    assert_eq!(stands(dir)[1], "HM-002 tight");
    let said = typed(dir, &["HM-002"], &[]);
    assert!(said.err.contains("it is done; \"again HM-002\" tests it once more"), "{}", said.err);
    assert_eq!(say(dir, &["batch", "close", "--operator", "Ada"]).code, 2);
    let said = say(dir, &["batch", "set-aside", "HM-001", "--note", "body cracked", "--operator", "Ada"]);
    assert!(said.out.contains("HM-001: set aside"), "{}", said.out);
    let said = say(dir, &["batch", "close", "--operator", "Ada"]);
    assert!(said.out.contains("of 2 valves 1 tight, 1 set aside"), "{}", said.out);
}

/// A run that reached its recording and not the register is taken in when the batch goes on.
#[test]
fn what_did_not_reach_the_register_is_picked_up() {
    let dir = tempfile::tempdir().unwrap();
    let dir = dir.path();
    opened(dir, "HM-001..HM-002");
    let run = ["run", "-q", "--serial", "HM-001", "--out", "[DIR]/recordings/HM-001_1.hold"];
    assert_eq!(seathold(dir, &run).code, 0);
    let said = typed(dir, &["q"], &[]);
    assert!(said.err.contains("was not in the register yet; imported as record 2"), "{}", said.err);
    assert_eq!(stands(dir), ["HM-001 tight", "HM-002 next"]);
    assert!(!typed(dir, &["q"], &[]).err.contains("imported"));
    // One brought by hand counts after the rework that came before it, and only if it began later.
    assert!(typed(dir, &["rework HM-001 polished", "q"], &["--operator", "Ada"]).out.contains("HM-001: reworked"));
    for (at, stand) in [("2026-03-02T09:00:00Z", "HM-001 retest"), ("2026-03-02T11:00:00Z", "HM-001 tight")] {
        let out = format!("[DIR]/{}.hold", &at[11..13]);
        assert_eq!(seathold(dir, &["run", "-q", "--serial", "HM-001", "--started-at", at, "--out", &out]).code, 0);
        assert_eq!(say(dir, &["register", "import", &out, "--batch", "spring"]).code, 0);
        assert_eq!(stands(dir)[0], stand, "{at}");
    }
    assert_eq!(seathold(dir, &["run", "-q", "--serial", "HM-009", "--out", "[DIR]/other.hold"]).code, 0);
    let said = say(dir, &["register", "import", "[DIR]/other.hold", "--batch", "spring"]);
    assert!(said.code == 2 && said.err.contains("HM-009 is not on the list"), "{}", said.err);
}

/// Ctrl-C gives the run up and ends the session; the register has the run, and the valve is still to do.
#[test]
fn an_interrupted_run_is_still_to_do() {
    let dir = tempfile::tempdir().unwrap();
    let dir = dir.path();
    opened(dir, "HM-001..HM-002");
    let arguments = [&["batch", "test", "-q"], &AT[..], &["--out", "[DIR]/recordings", "--", "--speed", "1"]].concat();
    let mut keys = Lines::new(&["", "", ""]);
    let stage = Stage {
        interrupt_at: vec![std::time::Duration::from_secs(20)],
        keys: &mut keys,
        out_breaks: None,
        live: false,
    };
    let said = seathold_on(dir, &arguments, stage);
    assert!(said.err.contains("stopped; `seathold batch test` continues where this ended"), "{}", said.err);
    assert_eq!(stands(dir), ["HM-001 test-again", "HM-002 next"]);
}

#[test]
fn lists_that_cannot_be_right() {
    let dir = tempfile::tempdir().unwrap();
    let dir = dir.path();
    std::fs::write(
        dir.join("list.csv"),
        "serial,actuation,dn,notes\nHM-001,air,25,\nHM-002,steam,25,\nHM-001,hand,3,\nHM 4,air,25,\n",
    )
    .unwrap();
    std::fs::write(dir.join("twice.csv"), "serial\nHM-001\nHM-002\nHM-001\nHM-OO2\n").unwrap();
    std::fs::write(dir.join("head.csv"), "number,kind\nHM-001,air\n").unwrap();
    let mut text = String::new();
    for arguments in [
        &["batch", "open", "b", "--list", "[DIR]/list.csv"][..],
        &["batch", "open", "b", "--list", "[DIR]/twice.csv"],
        &["batch", "open", "b", "--list", "[DIR]/head.csv"],
        &["batch", "open", "b", "--list", "[DIR]/none.csv"],
        &["batch", "open", "b", "--serials", "HM-001..HN-010"],
        &["batch", "open", "b", "--serials", "HM-001..HM-003", "--check-digit", "luhn"],
        &["batch", "status"],
    ] {
        let said = say(dir, arguments);
        assert!(said.code != 0 && said.out.is_empty(), "{arguments:?}: {}", said.out);
        text.push_str(&format!("$ seathold {}\n{}\n", arguments.join(" "), said.err));
    }
    golden("batch-lists.txt", &text);
    assert!(!dir.join("bench.sqlite").exists(), "a list that is refused makes no register");
    opened(dir, "HM-001..HM-002");
    let said = say(dir, &["batch", "open", "b", "--serials", "HM-002..HM-004"]);
    assert!(said.err.contains("HM-002 is on the list of batch spring, which is still open"), "{}", said.err);
    let said = say(dir, &["batch", "open", "spring", "--serials", "HM-008"]);
    assert!(said.err.contains("batch spring is open already"), "{}", said.err);
}

#[test]
fn a_check_digit_that_does_not_fit_says_so() {
    let dir = tempfile::tempdir().unwrap();
    let dir = dir.path();
    let serials = "A1-2425G-ABC1234002-M";
    let said = say(dir, &["batch", "open", "b", "--serials", serials, "--check-digit", "mod-37-36"]);
    assert_eq!(said.code, 0, "{}", said.err);
    let said = typed(dir, &["A1-2425G-ABC1234003-M"], &[]);
    // Wrapped for the screen.
    let words = said.err.split_whitespace().collect::<Vec<_>>().join(" ");
    assert!(words.contains("does not fit its check digit (mod-37-36): misread?"), "{words}");
    assert!(words.contains("is it A1-2425G-ABC1234002-M?"), "{words}");
}

#[test]
fn nobody_at_the_keyboard_is_waited_for_until_ctrl_c() {
    let dir = tempfile::tempdir().unwrap();
    opened(dir.path(), "HM-001");
    let stage = Stage {
        interrupt_at: vec![std::time::Duration::from_secs(5)],
        keys: &mut Silent,
        out_breaks: None,
        live: false,
    };
    let said = seathold_on(dir.path(), &[&["batch", "test"], &AT[..]].concat(), stage);
    assert_eq!(said.code, 0);
    assert!(said.out.contains("batch spring: of 1 valves 0 tight, 1 not finished"), "{}", said.out);
}

/// A reader of barcodes: lines, and whiles of so many looks without any (an error is such a
/// while).
struct Reader(VecDeque<Result<&'static str, usize>>);

impl Keys for Reader {
    fn line(&mut self) -> KeyboardInput {
        match self.0.pop_front() {
            Some(Ok(line)) => KeyboardInput::Line(line.into()),
            Some(Err(0)) => KeyboardInput::Nothing,
            Some(Err(looks)) => {
                self.0.push_front(Err(looks - 1));
                KeyboardInput::Nothing
            }
            None => KeyboardInput::Closed,
        }
    }
}

/// What a reader sends in one go is one code: the second line end must not test the valve that happens to be next, while
/// the one that was refused is on the rig.
#[test]
fn a_reader_with_two_line_ends_starts_nothing_by_itself() {
    let dir = tempfile::tempdir().unwrap();
    let dir = dir.path();
    opened(dir, "HM-001..HM-003");
    let scan = |codes: &[&'static str]| {
        let send = |code: &&'static str| [Err(30), Ok(*code), Ok(""), Err(8)];
        let mut keys = Reader(codes.iter().flat_map(send).collect());
        let arguments = [&["batch", "test", "-q", "--operator", "Ada", "--out", "[DIR]/recordings"], &AT[..]].concat();
        seathold_on(dir, &arguments, Stage { interrupt_at: Vec::new(), keys: &mut keys, out_breaks: None, live: true })
    };
    let said = scan(&["HM-0O2", "XY-9"]);
    assert_eq!(said.code, 0, "{}", said.err);
    assert!(said.err.contains("HM-0O2 is not on the list") && said.err.contains("XY-9 is not on the list"));
    assert_eq!(stands(dir), ["HM-001 next", "HM-002 next", "HM-003 next"]);
    scan(&["HM-002"]);
    assert_eq!(stands(dir), ["HM-001 next", "HM-002 tight", "HM-003 next"]);
    // By itself an Enter is one.
    scan(&[""]);
    assert_eq!(stands(dir), ["HM-001 tight", "HM-002 tight", "HM-003 next"]);
}

/// An Enter key that is held down, or on which something lies, takes no valve and begins no run.
#[test]
fn a_key_that_is_held_down_answers_nothing() {
    struct Held(usize);

    impl Keys for Held {
        fn line(&mut self) -> KeyboardInput {
            self.0 = self.0.saturating_sub(1);
            if self.0 > 0 { KeyboardInput::Line(String::new()) } else { KeyboardInput::Closed }
        }
    }

    let dir = tempfile::tempdir().unwrap();
    let dir = dir.path();
    opened(dir, "HM-001..HM-003");
    let held = |arguments: &[&str]| {
        let keys = &mut Held(20_000);
        seathold_on(dir, arguments, Stage { interrupt_at: Vec::new(), keys, out_breaks: None, live: true })
    };
    let said = held(&[&["batch", "test", "-q", "--operator", "Ada", "--out", "[DIR]/recordings"], &AT[..]].concat());
    assert_eq!(stands(dir), ["HM-001 next", "HM-002 next", "HM-003 next"]);
    assert_eq!(said.err.matches("within half a second").count(), 1, "{}", said.err);
    let said = held(&["run", "--interactive", "--lines", "--speed", "1", "--out", "[DIR]/held.hold"]);
    assert!(said.out.contains("NO VERDICT") && !said.err.contains("precheck"), "{}{}", said.out, said.err);
}

/// A run that did not show its valve empty: no other valve is taken before somebody says that it is off, and the next start says it first.
#[test]
fn a_valve_that_was_not_shown_empty_is_asked_about() {
    let dir = tempfile::tempdir().unwrap();
    let dir = dir.path();
    opened(dir, "HM-001..HM-003");
    let trapped = ["--operator", "Ada", "--", "--fault", "jam-shut@first:measure"];
    let said = typed(dir, &["HM-001"], &trapped);
    assert!(said.err.contains("far side 5.8") || said.out.contains("FAULT"), "{}{}", said.out, said.err);
    let asked =
        "HM-001 was on the rig in the last run, which did not show it empty, and may still be CLAMPED AND PRESSURISED.";
    let flat = |said: &Said| said.err.split_whitespace().collect::<Vec<_>>().join(" ");
    for lines in [&["HM-002", ""][..], &["HM-002", "n"], &["", "q"]] {
        let said = typed(dir, lines, &["--operator", "Ben"]);
        let text = flat(&said);
        assert!(text.contains("HM-001 WAS ON THE RIG in the last run, and was not shown empty"), "{text}");
        assert_eq!(text.contains(asked), lines[0] == "HM-002", "{text}");
        if lines[0].is_empty() {
            break;
        }
        assert_eq!(stands(dir)[1], "HM-002 next");
    }
    // By then the last run has shown it empty.
    let said = typed(dir, &["HM-002", "q"], &["--operator", "Ben"]);
    assert!(!flat(&said).contains("WAS ON THE RIG"), "{}", said.err);
    assert_eq!(stands(dir)[1], "HM-002 tight");
    typed(dir, &["HM-003"], &trapped);
    let said = typed(dir, &["again HM-002", "y", "q"], &["--operator", "Ben"]);
    assert!(flat(&said).contains("HM-003 was on the rig"), "{}", said.err);
    assert!(
        say(dir, &["find", "--serial", "HM-003"])
            .out
            .contains("taken off the rig after a run that did not show it empty; HM-002 is in its place")
    );
}

/// Scanned while a run goes on: not taken for an answer to the prompt after it.
#[test]
fn what_is_scanned_during_a_run_is_not_taken() {
    let dir = tempfile::tempdir().unwrap();
    let dir = dir.path();
    opened(dir, "HM-001..HM-003");
    // The look after the code's own belongs to the keyboard of the run's end.
    let mut keys = Reader([Ok("HM-001"), Err(0), Ok("HM-003"), Ok("")].into());
    let arguments = [&["batch", "test", "-q", "--operator", "Ada", "--out", "[DIR]/recordings"], &AT[..]].concat();
    let stage = Stage { interrupt_at: Vec::new(), keys: &mut keys, out_breaks: None, live: true };
    let said = seathold_on(dir, &arguments, stage);
    assert!(said.err.contains("what was typed during the run is ignored"), "{}", said.err);
    assert_eq!(stands(dir), ["HM-001 tight", "HM-002 next", "HM-003 next"]);
}

/// A slip of the finger is answered, and the session goes on.
#[test]
fn a_slip_does_not_end_the_session() {
    let dir = tempfile::tempdir().unwrap();
    let dir = dir.path();
    opened(dir, "HM-001");
    let slips =
        ["recipe nonsense.toml", "recipe", "order sideways", "rework", "remark HM-001", "again", "again HM-001 x"];
    let said = typed(dir, &[&slips[..], &[""]].concat(), &["--operator", "Ada"]);
    assert_eq!(said.code, 0, "{}", said.err);
    for answer in [
        "could not read nonsense.toml: no such file or folder",
        "recipe: give a file",
        "order: give valve or side",
        "rework: which valve? rework SERIAL TEXT",
        "the note is empty; say what was done",
        "again: which valve?",
        "again HM-001: give first, second, or nothing for both, not \"x\"",
    ] {
        assert!(
            said.err.contains(&format!("> {answer}")) || said.err.contains(&format!("\n{answer}")),
            "{answer}: {}",
            said.err
        );
    }
    assert_eq!(stands(dir), ["HM-001 tight"]);
}

fn slowly(dir: &Path, lines: Vec<Slow<'_>>) -> Said {
    test_with(dir, &mut Meanwhile(lines.into()), &[], false)
}

/// Two at one batch: what the one has tested the other does not test again by an Enter that was meant for it.
#[test]
fn two_at_one_batch_do_not_test_the_same() {
    let dir = tempfile::tempdir().unwrap();
    let dir = dir.path();
    opened(dir, "HM-001..HM-003");
    let other = |line: &'static str| {
        let test = move || assert_eq!(typed(dir, &[line], &[]).code, 0);
        Box::new(test) as Box<dyn Fn()>
    };
    let nothing = || Box::new(|| ()) as Box<dyn Fn()>;
    let said = slowly(dir, vec![(other("HM-001"), ""), (nothing(), ""), (other("HM-003"), "HM-003")]);
    assert_eq!(said.code, 0, "{}", said.err);
    assert!(said.err.contains("another program has gone on with this batch"), "{}", said.err);
    assert!(said.err.contains("HM-003: end A tight") && said.err.contains("it is done"), "{}", said.err);
    assert_eq!(stands(dir), ["HM-001 tight", "HM-002 tight", "HM-003 tight"]);
    assert_eq!(say(dir, &["find", "--json"]).out.lines().count(), 3);
    // And once it is closed nothing is added.
    let close = || assert_eq!(say(dir, &["batch", "close", "--operator", "Ada"]).code, 0);
    let said = slowly(dir, vec![(Box::new(close), "again HM-001")]);
    assert!(said.err.contains("batch spring was closed meanwhile"), "{}", said.err);
    assert_eq!(say(dir, &["find", "--json"]).out.lines().count(), 3);
}

/// A valve that another program has under test is not tested here: who has it and since when is told, and the next is
/// shown. Given back, it is free again.
#[test]
fn a_valve_under_test_elsewhere_is_left_to_it() {
    let dir = tempfile::tempdir().unwrap();
    let dir = dir.path();
    opened(dir, "HM-001..HM-002");
    let held = RefCell::new(None);
    let elsewhere = || {
        let mut register = Register::open(&dir.join("bench.sqlite"), Access::Write).unwrap();
        let batch = register.batch_named("spring").unwrap().batch;
        let now = "2026-03-02T09:29:00Z".parse().unwrap();
        match register.claim(&Claimant::new("Ben"), &batch, "HM-001", now).unwrap() {
            Claimed::Ours(claim) => *held.borrow_mut() = Some(claim),
            Claimed::Theirs(claim) => panic!("{claim:?}"),
        }
    };
    let nothing = || Box::new(|| ()) as Box<dyn Fn()>;
    let lines =
        vec![(Box::new(elsewhere) as Box<dyn Fn()>, ""), (nothing(), ""), (nothing(), "HM-001"), (nothing(), "")];
    let said = slowly(dir, lines);
    assert_eq!(said.code, 0, "{}", said.err);
    let told = "HM-001 is under test by Ben since 2026-03-02 09:29 UTC";
    assert!(said.err.contains(&format!("{told}; this is next now:\nnext HM-002")), "{}", said.err);
    // Asked for by its serial it is not tested either, and then nothing else is left.
    assert!(said.err.contains(&format!("> {told}\n")), "{}", said.err);
    assert!(said.err.contains(&format!("nothing else is left to test: {told}")), "{}", said.err);
    assert_eq!(stands(dir), ["HM-001 next", "HM-002 tight"]);
    held.borrow_mut().take();
    assert_eq!(typed(dir, &[""], &[]).code, 0);
    assert_eq!(stands(dir), ["HM-001 tight", "HM-002 tight"]);
}

/// A simulated valve for one serial is an option of the batch, not of each of its runs.
#[test]
fn a_valve_for_one_serial_after_the_dashes_is_pointed_out() {
    let dir = tempfile::tempdir().unwrap();
    let dir = dir.path();
    opened(dir, "HM-001..HM-002");
    for after in
        [&["--", "--valve", "HM-002=scratched-seat-a"][..], &["--", "--speed", "max", "--valve=HM-002=stem-leak"]]
    {
        let said = typed(dir, &["", "q"], after);
        assert_eq!((said.code, said.out.as_str()), (2, ""), "{}", said.err);
        assert!(said.err.contains("is the batch's: give it before the --"), "{}", said.err);
    }
    // One for every run is what it says.
    let said = typed(dir, &["", "q"], &["--", "--valve", "scratched-seat-a"]);
    assert!(said.out.contains("\nHM-001  LEAKING"), "{}{}", said.out, said.err);
    // A mistake is reported before the first valve is on the rig.
    let said = typed(dir, &["", "q"], &["--", "--valve", "none"]);
    assert_eq!((said.code, said.out.as_str()), (2, ""), "{}", said.err);
}
