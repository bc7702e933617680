//! `seathold doctor`: a sound rig passes; what is broken is found and named; nothing is left energised, however it ends.

use seathold_tests::cli_kit::{Said, golden, seathold};
use seathold_tests::doctor_kit::{answered, at, by_hand, flat};
use seathold_tests::served_kit::{Rig, killed_at};
use serde_json::Value;
use std::sync::Arc;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::time::Duration;

fn here(arguments: &[&str]) -> Said {
    let dir = tempfile::tempdir().unwrap();
    seathold(dir.path(), &[&["doctor"], arguments].concat())
}

/// The boot is drawn at random.
fn without_boot(text: &str) -> String {
    let (before, after) = text.split_once("; boot ").expect("a boot");
    format!("{before}; boot ........{}", &after[8..])
}

#[test]
fn a_sound_rig_passes_every_check() {
    let said = here(&[]);
    assert_eq!(said.code, 0, "{}{}", said.out, said.err);
    golden("doctor-sound.out.txt", &said.out);
    golden("doctor-sound.err.txt", &without_boot(&said.err));
}

#[test]
fn what_is_broken_is_found() {
    let mut told = String::new();
    for fault in
        ["vent-stuck@0s", "supply-stuck@0s", "far-open@0s", "supply-open@0s", "guard@0s", "stop@0s", "far-slip@2s"]
    {
        let said = here(&["--fault", fault]);
        assert_eq!(said.code, 3, "{fault}: {}{}", said.out, said.err);
        told.push_str(&format!("$ seathold doctor --fault {fault}\n{}\n", said.out));
    }
    golden("doctor-broken.txt", &told);
}

#[test]
fn as_json_each_check_has_its_outcome() {
    let said = here(&["--json", "--fault", "vent-stuck@0s"]);
    let doctor = &serde_json::from_str::<Value>(&said.out).unwrap()["doctor"];
    assert_eq!((&doctor["outcome"], &doctor["simulated"]), (&Value::from("failed"), &Value::from(true)));
    let failed: Vec<_> =
        doctor["checks"].as_array().unwrap().iter().filter(|check| check["outcome"] != "good").collect();
    assert_eq!(failed.len(), 1, "{doctor}");
    assert_eq!(failed[0]["check"], "vent valve");
}

#[test]
fn bad_input_is_named_with_what_is_allowed() {
    let mut told = String::new();
    for arguments in [
        &["--rig", "usb:1"][..],
        &["--rig", "tcp:127.0.0.1:1"],
        &["--rig", "tcp:127.0.0.1:1", "--fault", "guard"],
        &["--fault", "gard"],
        &["--recipe", "none.toml"],
    ] {
        let said = here(arguments);
        told.push_str(&format!(
            "$ seathold doctor {}\n{}{}code {}\n\n",
            arguments.join(" "),
            said.out,
            said.err,
            said.code
        ));
    }
    golden("doctor-bad.txt", &told);
}

fn address(rig: &Rig) -> String {
    format!("tcp:{}", rig.at)
}

#[test]
fn over_a_line_a_person_answers_and_a_contact_that_never_changes_is_found() {
    let rig = Rig::on("127.0.0.1:0", &["--set", "regulator_set=0 bar"]);
    let (code, out, err) = at(&address(&rig), &AtomicUsize::new(0), &mut |_| {});
    assert_eq!(code, 3, "{out}{err}");
    let out = flat(&out);
    for line in [
        "1 of 10 FAILED, 3 not checked",
        "FAILED guard \"Open it\": done, and not seen",
        "not checked emergency stop left out",
        "good vent valve worked and heard",
        "good pilot valve worked and heard",
        "good supply valve worked and heard",
        "good at rest everything at rest",
    ] {
        assert!(out.contains(line), "{line}: {out}");
    }
    let told = rig.stop();
    assert_eq!(told.matches("output test: one output, without air").count(), 3, "{told}");
}

/// Hands at the served rig: contacts, plugs and air, each worked and put back.
#[test]
fn over_a_line_a_rig_whose_contacts_are_worked_by_hand_passes() {
    let rig = Rig::on("127.0.0.1:0", &[]);
    let (code, out, err) = by_hand(&rig);
    assert_eq!(code, 0, "{out}{err}");
    assert!(flat(&out).contains("good supply-side wire seen both ways"), "{out}");
    let told = rig.stop();
    for line in
        ["shop air shut off at the wall", "emergency stop released", "guard shut", "supply transducer plugged in"]
    {
        assert!(told.contains(line), "{line}: {told}");
    }
}

/// The wall valve was forgotten: the controller sees it before anybody would.
#[test]
fn air_left_on_fails_the_supply_valve_and_ends_empty() {
    let rig = Rig::on("127.0.0.1:0", &[]);
    let (code, out, _) = at(&address(&rig), &AtomicUsize::new(0), &mut |_| {});
    assert_eq!(code, 3, "{out}");
    let out = flat(&out);
    assert!(out.contains("FAILED supply valve pressure came: the air is not shut off"), "{out}");
    assert!(out.contains("good at rest everything at rest; without a test nothing is proved of the far side"), "{out}");
}

/// Ctrl-C while an output is energised.
#[test]
fn aborted_while_an_output_is_worked_nothing_is_left_energised() {
    let rig = Rig::on("127.0.0.1:0", &["--set", "regulator_set=0 bar", "--speed", "1"]);
    let interrupts = Arc::new(AtomicUsize::new(0));
    let (code, out, err) = at(&address(&rig), &interrupts, &mut |prompt| {
        if prompt.ends_with("Enter works it") {
            let interrupts = interrupts.clone();
            std::thread::spawn(move || {
                std::thread::sleep(Duration::from_millis(900));
                interrupts.store(1, Ordering::Relaxed);
            });
        }
    });
    assert_eq!(code, 3, "{out}{err}");
    let out = flat(&out);
    assert!(out.contains("not checked vent valve") && out.contains("good at rest everything at rest"), "{out}{err}");
    let told = rig.stop();
    assert!(told.contains("output test: one output, without air"), "{told}");
    assert!(told.contains("aborted by the operator"), "{told}");
    assert!(told.contains("switched off, in phase \"ready\""), "{told}");
}

/// The controller is gone in the middle: that is said, and nothing is called good that was not seen.
#[test]
fn a_line_that_is_lost_ends_it_and_says_so() {
    let rig = Rig::on("127.0.0.1:0", &["--set", "regulator_set=0 bar"]);
    let address = address(&rig);
    let mut rig = Some(rig);
    let (code, out, err) = at(&address, &AtomicUsize::new(0), &mut |prompt| {
        if prompt.ends_with("Enter works it") {
            drop(rig.take());
        }
    });
    assert_eq!(code, 3, "{out}{err}");
    let (out, err) = (flat(&out), flat(&err));
    assert!(err.contains("the controller cannot be reached any more") && err.contains("releases an output"), "{err}");
    assert!(out.contains("not checked vent valve") && out.contains("not checked at rest"), "{out}");
}

/// A run in progress is none of its business.
#[test]
fn a_rig_with_a_run_in_progress_is_left_alone() {
    let dir = tempfile::tempdir().unwrap();
    let rig = Rig::on("127.0.0.1:0", &[]);
    let address = address(&rig);
    let file = dir.path().join("run.hold");
    let arguments = ["run", "--rig", &address, "--sides", "first", "--out", file.to_str().unwrap()];
    killed_at(&arguments, "first side: fill");
    let (code, out, err) = at(&address, &AtomicUsize::new(0), &mut |_| {});
    assert_eq!((code, out.as_str()), (3, ""), "{err}");
    assert!(err.contains("a run is in progress on it"), "{err}");
}

/// The far side cannot be shown empty after an emergency stop: what is said then is that, and what to do, no more the stop.
#[test]
fn pressure_that_may_be_trapped_after_a_stop_has_words_of_its_own() {
    const PERSON: [(&str, &str); 8] = [
        ("or n to stop here (q at any time).", "y"),
        ("Press it and hold it pressed. It is seen by itself", "a"),
        ("seen. Release it", "a"),
        ("It is seen by itself", "s"),
        ("then Enter acknowledges", ""),
        ("then Enter)", ""),
        ("Enter works it", ""),
        ("Did it move?", "y"),
    ];
    let rig = Rig::on("127.0.0.1:0", &[]);
    let mut asked = Vec::new();
    let address = address(&rig);
    let arguments = ["doctor", "--rig", &address];
    answered(&arguments, &AtomicUsize::new(0), &PERSON, 0, &mut |said| {
        if said.ends_with(PERSON[0].0) {
            rig.hands("air");
        } else if said.ends_with(PERSON[1].0) {
            rig.hands("stop");
        } else if said.ends_with(PERSON[2].0) {
            rig.hands("stop");
            // Nothing shows the far side empty while its transducer is unplugged.
            rig.hands("far");
        } else if said.ends_with(PERSON[4].0) {
            if said.contains("TRAPPED") {
                rig.hands("far");
            }
            asked.push(said.to_owned());
        }
    });
    let trapped = asked.iter().position(|said| said.contains("PRESSURE MAY BE TRAPPED on the far side"));
    let trapped = trapped.unwrap_or_else(|| panic!("never said: {asked:?}"));
    for words in
        ["See that the shop air is shut", "open the hand bleed slowly and look at its gauge", "Touch no fitting"]
    {
        assert!(asked[trapped].contains(words), "{words}: {asked:?}");
    }
    assert!(!asked[trapped].contains("waiting for you to acknowledge"), "{asked:?}");
    assert!(asked[..trapped].iter().any(|said| said.contains("the emergency stop was pressed")), "{asked:?}");
}
