//! Bad input: one row a thing that can be wrong, with the whole message.

use seathold_tests::cli_kit::seathold;

const BAD_INPUT: u8 = 2;

/// `(file, its content, what is typed, what is said)`.
type Row = (&'static str, &'static str, &'static [&'static str], &'static str);

const RECIPE: &[&str] = &["recipe", "check", "[DIR]/r.toml"];
const RIG: &[&str] = &["rig", "check", "[DIR]/g.toml"];
const VALVE: &[&str] = &["valve", "check", "[DIR]/v.toml"];

#[rustfmt::skip]
const ROWS: &[Row] = &[
    ("r.toml", "target = \"6 bar\"\nsoka = \"15 s\"\n", RECIPE,
     "[DIR]/r.toml: line 2: soka: unknown field; did you mean \"soak\"?"),
    ("r.toml", "target = \"6 barr\"\n", RECIPE,
     "[DIR]/r.toml: line 1: target: \"6 barr\": unit \"barr\" does not fit here; did you mean \"bar\"? \
      (units taken: Pa, hPa, kPa, MPa, mbar, bar, psi)"),
    ("r.toml", "soak = \"15 bar\"\n", RECIPE,
     "[DIR]/r.toml: line 1: soak: \"15 bar\": unit \"bar\" does not fit here (units taken: ms, s, min, h)"),
    ("r.toml", "target = 6\n", RECIPE,
     "[DIR]/r.toml: line 1: target: \"6\" needs a unit (Pa, hPa, kPa, MPa, mbar, bar, psi)"),
    ("r.toml", "target = \"20 bar\"\n", RECIPE,
     "[DIR]/r.toml: line 1: target: 20 bar is outside 0.2 bar to 10 bar"),
    ("r.toml", "coverage = \"99.999 %\"\n", RECIPE,
     "[DIR]/r.toml: line 1: coverage: 99.999% is outside 80% to 99.99%"),
    ("r.toml", "limit = \"7.5 mm3\"\n", RECIPE,
     "[DIR]/r.toml: line 1: limit: \"7.5 mm3\": unit \"mm3\" does not fit here; did you mean \"mm3/s\"? \
      (units taken: Pa*m3/s, mbar*l/s, mm3/s, cm3/s, cm3/min, ml/s, ml/min, l/min, l/h, sccm, scfh, bubbles/min of a VOLUME)"),
    ("r.toml", "pressure_max = \"6.1 bar\"\n", RECIPE,
     "[DIR]/r.toml: line 1: pressure_max: 6.1 bar must lie above target and band together, 6.2 bar (from target, target_tolerance)"),
    ("r.toml", "measure_max = \"8 s\"\n", RECIPE,
     "[DIR]/r.toml: line 1: measure_max: 8 s decides nothing on this rig: a window must outlast the longest settling time constant, \
      tau_max, 20 s, and two samples; 20.02 s or more"),
    ("r.toml", "sample_period = \"0.4 ms\"\n", RECIPE,
     "[DIR]/r.toml: line 1: sample_period: \"0.4 ms\" is finer than the whole ms this is counted in"),
    ("r.toml", "cavity_stroke = \"yes\"\n", RECIPE,
     "[DIR]/r.toml: line 1: cavity_stroke: \"yes\" is neither true nor false"),
    ("r.toml", "actuation = \"hend\"\n", RECIPE,
     "[DIR]/r.toml: line 1: actuation: \"hend\" is none of \"air\", \"hand\"; did you mean \"hand\"?"),
    ("r.toml", "[limits]\ntarget = \"6 bar\"\n", RECIPE,
     "[DIR]/r.toml: line 2: limits.target: unknown field; did you mean \"limit\"?"),
    ("r.toml", "target = \"6 bar\n", RECIPE,
     "[DIR]/r.toml: line 1: invalid basic string, expected `\"`"),
    ("r.toml", "target = \"6 bar\"\ntarget = \"5 bar\"\n", RECIPE,
     "[DIR]/r.toml: line 2: duplicate key"),
    ("r.toml", "soka = \"1 s\"\ntarget = \"nan bar\"\nsoak = \"-1 s\"\nmeasure_min = \"2 min\"\n", RECIPE,
     "[DIR]/r.toml: 4 mistakes\n  \
        line 1: soka: unknown field; did you mean \"soak\"?\n  \
        line 2: target: \"nan bar\" is not a number with a unit (Pa, hPa, kPa, MPa, mbar, bar, psi)\n  \
        line 3: soak: -1 s is outside 0 s to 3600 s\n  \
        line 4: measure_min: 2 min must not exceed measure_max, 1 min (from measure_max)"),
    ("v.toml", "[[fault]]\nat = \"3 s\"\n", VALVE,
     "[DIR]/v.toml: line 1: fault[1].name: must be given (`seathold run --fault list` names them)"),
    ("v.toml", "[[fault]]\nname = \"guard\"\nat = \"25 h\"\n[[fault]]\nname = \"guard\"\nphase = \"messure\"\n", VALVE,
     "[DIR]/v.toml: 2 mistakes\n  \
        line 3: fault[1].at: 25 h is outside 0 h to 24 h\n  \
        line 6: fault[2].phase: \"messure\" is none of \"start-up\", \"ready\", \"precheck\", \"fill\", \"soak\", \"isolate\", \"vent\", \
        \"settle\", \"measure\", \"safe-vent\", \"swap\", \"fault\", \"trapped\", \"emergency-stopped\", \"output-test\"; did you mean \"measure\"?"),
    ("v.toml", "[[fault]]\nname = \"guard\"\nat = \"3 s\"\nphase = \"fill\"\nsize = \"1 bar\"\n", VALVE,
     "[DIR]/v.toml: 2 mistakes\n  \
        line 4: fault[1].phase: give either a time (at) or a phase, not both\n  \
        line 5: fault[1].size: this fault has no size to be set"),
    ("v.toml", "[[fault]]\nname = \"guard\"\nafter = \"3 s\"\nlasts = \"0 s\"\nwhen = 3\n", VALVE,
     "[DIR]/v.toml: 3 mistakes\n  \
        line 3: fault[1].after: belongs to a phase, and none is given\n  \
        line 4: fault[1].lasts: 0 s is outside 0.001 s to 86400 s\n  \
        line 5: fault[1].when: unknown field; did you mean \"fault[1].phase\"?"),
    ("v.toml", "[[fault]]\nname = \"no-shop-air\"\nsize = \"20 bar\"\n[[wrong]]\nname = 1\n", VALVE,
     "[DIR]/v.toml: 2 mistakes\n  \
        line 3: fault[1].size: 20 bar is outside 0 bar to 12 bar\n  \
        line 4: wrong: unknown table"),
    ("g.toml", "far_volume = \"45 cm2\"\n", RIG,
     "[DIR]/g.toml: line 1: far_volume: \"45 cm2\": unit \"cm2\" does not fit here; did you mean \"cm3\"? \
      (units taken: m3, l, dm3, ml, cm3, mm3, in3, ft3)"),
    ("g.toml", "supply_transducer = \"no\"\nsupply_per_count = \"10 Pa/count\"\nsafe_pressure = \"1 bar\"\n", RIG,
     "[DIR]/g.toml: line 3: safe_pressure: 1 bar is outside 0.002 bar to 0.1 bar"),
    ("g.toml", "safe_dwell = \"20 s\"\n", RIG,
     "[DIR]/g.toml: line 1: safe_vent_max: 30 s must be at least twice the dwell, 40 s (from safe_dwell)"),
    ("v.toml", "[plant]\nseat_c = \"3 mm3/s\"\n", VALVE,
     "[DIR]/v.toml: line 2: plant.seat_c: unknown field; did you mean \"plant.seat_b\"?"),
    ("v.toml", "[plant]\nactuation = \"motor\"\n", VALVE,
     "[DIR]/v.toml: line 2: plant.actuation: \"motor\" is none of \"air\", \"hand\""),
    ("v.toml", "serial = 7\n", VALVE,
     "[DIR]/v.toml: line 1: serial: 7 is not a text in quotes"),
    ("v.toml", "[far]\nnoise = \"1 bar\"\n", VALVE,
     "[DIR]/v.toml: line 2: far.noise: 1 bar is outside 0 bar to 0.2 bar"),
    ("", "", &["recipe", "check", "[DIR]/r.toml"],
     "could not read [DIR]/r.toml: no such file or folder"),
    ("", "", &["run", "--valve", "tihgt"],
     "command line: --valve tihgt: neither a file nor a built-in valve; did you mean \"tight\"? \
      (`seathold valve list` names them)"),
    ("", "", &["run", "--seat-a", "3 mm3", "--stem", "fast"],
     "command line: 2 mistakes\n  \
        plant.seat_a: \"3 mm3\": unit \"mm3\" does not fit here; did you mean \"mm3/s\"? \
      (units taken: Pa*m3/s, mbar*l/s, mm3/s, cm3/s, cm3/min, ml/s, ml/min, l/min, l/h, sccm, scfh, bubbles/min of a VOLUME)\n  \
        plant.stem: \"fast\" is not a number with a unit \
      (Pa*m3/s, mbar*l/s, mm3/s, cm3/s, cm3/min, ml/s, ml/min, l/min, l/h, sccm, scfh, bubbles/min of a VOLUME)"),
    ("v.toml", "[plant]\nroom = \"80 C\"\n[thermometer]\nnoise = \"0.1 C\"\noffset = \"20000 mK\"\n", VALVE,
     "[DIR]/v.toml: 3 mistakes\n  \
        line 2: plant.room: 80 C is outside -23.15 C to 56.85 C\n  \
        line 4: thermometer.noise: 273.25 K is outside 0 K to 10 K\n  \
        line 5: thermometer.offset: 20000 mK is outside -10000 mK to 10000 mK"),
    ("", "", &["fleet", "--set", "room.deviation=5 C"],
     "command line: room.deviation: 278.15 K is outside 0 K to 80 K"),
    ("", "", &["run", "--set", "noise"],
     "command line: --set noise: give FIELD=VALUE, like \"far.noise=50 Pa\""),
    ("", "", &["run", "--fault", "far-opn@3s"],
     "command line: --fault: no fault \"far-opn\"; did you mean \"far-open\"? (`seathold run --fault list` names them)"),
    ("", "", &["run", "--fault", "stop@5s..4s"],
     "command line: --fault: \"stop@5s..4s\" ends before it begins"),
    ("", "", &["run", "--interactive", "--speed", "max"],
     "command line: --speed max: a person cannot answer at that speed; leave it out, or give --speed 1"),
];

#[test]
fn each_mistake_is_named_with_its_place_and_what_is_allowed() {
    for (file, content, typed, message) in ROWS {
        let dir = tempfile::tempdir().unwrap();
        if !file.is_empty() {
            std::fs::write(dir.path().join(file), content).unwrap();
        }
        let said = seathold(dir.path(), typed);
        assert_eq!(said.err, format!("error: {message}\n"), "{content}");
        let code = if message.starts_with("could not") { 6 } else { BAD_INPUT };
        assert_eq!((said.code, said.out.as_str()), (code, ""), "{content}");
        // Nothing was begun.
        assert!(std::fs::read_dir(dir.path()).unwrap().all(|f| f.unwrap().file_name().to_str() == Some(*file)));
    }
}

#[test]
fn a_mistyped_option_is_bad_usage() {
    let dir = tempfile::tempdir().unwrap();
    for typed in [&["run", "--sped", "1"][..], &["run", "--speed", "fast"], &["run", "--serial", "../x"], &["rnu"]] {
        let said = seathold(dir.path(), typed);
        assert_eq!((said.code, said.out.as_str()), (BAD_INPUT, ""), "{typed:?}");
        assert!(said.err.starts_with("error: "), "{}", said.err);
    }
}

#[test]
fn templates_are_good_files() {
    let dir = tempfile::tempdir().unwrap();
    for kind in ["recipe", "rig", "valve"] {
        let said = seathold(dir.path(), &[kind, "template"]);
        assert_eq!(said.code, 0);
        let file = format!("{kind}.toml");
        std::fs::write(dir.path().join(&file), said.out).unwrap();
        let said = seathold(dir.path(), &[kind, "check", &format!("[DIR]/{file}")]);
        assert_eq!((said.code, said.out), (0, format!("[DIR]/{file}: good\n")), "{}", said.err);
    }
}

/// Nobody reads what is wrong: it is wrong all the same.
#[test]
fn a_mistake_that_nobody_reads_is_one() {
    struct Closed;
    impl std::io::Write for Closed {
        fn write(&mut self, _: &[u8]) -> std::io::Result<usize> {
            Err(std::io::ErrorKind::BrokenPipe.into())
        }
        fn flush(&mut self) -> std::io::Result<()> {
            Ok(())
        }
    }
    for typed in [&["seathold", "run", "--bogus"][..], &["seathold", "assess", "--limit"]] {
        let exit = seathold::main_with(
            typed.iter().map(Into::into),
            &mut seathold::console::Console {
                out: &mut std::io::sink(),
                err: &mut Closed,
                live: false,
                clock: &mut seathold::console::SystemClock::default(),
                interrupts: &std::sync::atomic::AtomicUsize::new(0),
                keys: &mut seathold_tests::cli_kit::Silent,
                environment: &seathold::environment::Environment::default(),
            },
        );
        assert_eq!(exit.code(), BAD_INPUT, "{typed:?}");
    }
}
