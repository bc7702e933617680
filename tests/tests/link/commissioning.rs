//! A controller out of the box, over the line: watched, given a rig with two adapters, refused air until that is checked or the
//! check waived, and then worked with the adapter that fits the valve.

use std::path::{Path, PathBuf};
use std::sync::atomic::AtomicUsize;

use seathold::console::{KeyboardInput, Keys};
use seathold_config::rig;
use seathold_recording as recording;
use seathold_sequencer::rig::RawRig;
use seathold_tests::cli_kit::Silent;
use seathold_tests::doctor_kit::by_hand;
use seathold_tests::served_kit::{Ear, Rig, program};

const BENCH: &str = "name = \"bench 3\"\n\n[[adapter]]\nname = \"DN 15 thread\"\ndn = \"8-25\"\nfar_volume = \"45 cm3\"\n\n\
    [[adapter]]\nname = \"DN 50 flange\"\ndn = \"32-50\"\nfar_volume = \"150 cm3\"\n";

/// Somebody who types this line and goes.
struct Once(Option<&'static str>);

impl Keys for Once {
    fn line(&mut self) -> KeyboardInput {
        self.0.take().map_or(KeyboardInput::Closed, |line| KeyboardInput::Line(line.into()))
    }
}

fn typed(arguments: &[&str], keys: &mut dyn Keys) -> (u8, String, String) {
    let (code, out, err) = as_printed(arguments, keys);
    let flat = |text: &str| text.split_whitespace().collect::<Vec<_>>().join(" ");
    (code, flat(&out), flat(&err))
}

fn as_printed(arguments: &[&str], keys: &mut dyn Keys) -> (u8, String, String) {
    let (mut out, mut err) = (Ear::default(), Ear::default());
    let code = program(arguments, &AtomicUsize::new(0), &mut out, &mut err, keys);
    (code, out.text, err.text)
}

fn seathold(arguments: &[&str]) -> (u8, String, String) {
    typed(arguments, &mut Silent)
}

/// One side of a valve of this DN: the recording's rig by name, its far volume in cm³, and what was noted of it.
fn run(at: &str, dir: &Path, dn: &str, code: u8) -> (String, f64, String) {
    let file = dir.join(format!("{dn}.hold"));
    let rig = ["--rig", at, "--sides", "first", "--dn", dn, "--out", file.to_str().unwrap()];
    let said = seathold(&[&["run", "-q"], &rig[..]].concat());
    assert_eq!(said.0, code, "{said:?}");
    let header = recording::read(&file).unwrap().header;
    (header.rig_name, header.rig.far_volume_m3 * 1e6, header.calibrations.join("\n"))
}

#[test]
fn from_out_of_the_box_to_a_valve_on_each_adapter() {
    let dir = tempfile::tempdir().unwrap();
    let (bench, memory) = (dir.path().join("bench.toml"), dir.path().join("flash.bin"));
    std::fs::write(&bench, BENCH).unwrap();
    let (bench, memory) = (bench.to_str().unwrap(), memory.to_str().unwrap());
    let rig = Rig::on("127.0.0.1:0", &["--rig-memory", memory]);
    let at = format!("tcp:{}", rig.at);

    let (code, out, _) = seathold(&["rig", "show", "--rig", &at]);
    assert!(code == 0 && out.contains("none loaded") && out.contains("MISSING"), "{out}");
    let (code, _, err) = seathold(&["run", "-q", "--rig", &at]);
    assert!(code == 3 && err.contains("no rig is loaded into the controller"), "{err}");
    let (code, _, err) = seathold(&["rig", "waive-check", "--yes", "--rig", &at]);
    assert!(code == 3 && err.contains("no rig is loaded"), "{err}");

    // Shown first, and nothing happens without a yes.
    let (code, _, err) = typed(&["rig", "load", bench, "--rig", &at], &mut Once(Some("y")));
    assert!(code == 3 && err.contains("DN 50 flange (DN 32 to 50): far volume 150.00 cm³"), "{err}");
    assert!(err.contains("not loaded; nothing has changed"), "{err}");
    let (code, out, _) = typed(&["rig", "load", bench, "--rig", &at], &mut Once(Some("yes")));
    assert!(
        code == 0 && out.contains("bench 3, loaded") && out.contains("not yet since it was loaded: no air"),
        "{out}"
    );

    let (code, _, err) = seathold(&["run", "-q", "--rig", &at, "--dn", "15"]);
    assert!(code == 3 && err.contains("has not been checked since it was loaded"), "{err}");
    let (code, out, err) = seathold(&["rig", "waive-check", "--yes", "--rig", &at]);
    assert!(code == 0 && out.contains("check WAIVED on") && err.contains("CAUTION"), "{out}{err}");

    let (code, _, err) = seathold(&["run", "-q", "--rig", &at]);
    assert!(code == 3 && err.contains("give --adapter, one of DN 15 thread (DN 8 to 25), DN 50 flange"), "{err}");
    // By the class's DN as well; and by name never one that is for other valves.
    let class = ["--limit", "ISO 5208 rate B DN 15"];
    let flange = ["--adapter", "DN 50 flange"];
    let (code, _, err) = seathold(&[&["run", "-q", "--rig", &at], &class[..], &flange[..]].concat());
    assert!(
        code == 3 && err.contains("--adapter DN 50 flange: it is for DN 32 to 50, and the valve is DN 15"),
        "{err}"
    );
    let (code, _, err) = seathold(&["run", "-q", "--rig", &at, "--dn", "80"]);
    assert!(code == 3 && err.contains("none of its adapters takes DN 80"), "{err}");
    let (name, volume, notes) = run(&at, dir.path(), "15", 0);
    assert!(name.starts_with("bench 3, loaded ") && name.ends_with("(revision 2), adapter DN 15 thread"), "{name}");
    assert_eq!(volume, 45.0);
    assert!(
        notes.contains("no calibration: every figure is of the rig file that was loaded (rig bench 3, loaded "),
        "{notes}"
    );
    assert!(notes.contains("the rig was NOT CHECKED since it was loaded: waived on "), "{notes}");
    let (_, out, _) = seathold(&["rigs", &at]);
    assert!(
        out.contains("its rig bench 3, loaded ") && out.contains("adapter DN 15 thread; far volume 45.0 cm³"),
        "{out}"
    );
    // The simulated valve is the small one still, so what it is judged by is looked at, not the verdict.
    let (name, volume, _) = run(&at, dir.path(), "50", 0);
    assert!(name.ends_with("adapter DN 50 flange") && (volume - 150.0).abs() < 1e-9, "{name} {volume}");

    // What it keeps outlasts it; the adapter is chosen again.
    drop(rig);
    let rig = Rig::on("127.0.0.1:0", &["--rig-memory", memory]);
    let at = format!("tcp:{}", rig.at);
    let (_, out, _) = seathold(&["rig", "show", "--rig", &at]);
    assert!(out.contains("bench 3, loaded") && out.contains("WAIVED on") && !out.contains("chosen"), "{out}");
    // As a file: the same rig.
    let (code, text, _) = as_printed(&["rig", "show", "--toml", "--rig", &at], &mut Silent);
    assert_eq!(code, 0);
    let (written, ours) = (rig::parse("bench", &text).unwrap(), rig::read(Path::new(bench)).unwrap());
    assert_eq!((written.name, written.rig, written.adapters), (ours.name, ours.rig, ours.adapters));
    // At once after another change, which it takes a moment to be ready after.
    assert_eq!(seathold(&["rig", "load", bench, "--yes", "--rig", &at]).0, 0);
    let (code, _, err) = seathold(&["rig", "load", bench, "--yes", "--rig", &at]);
    assert!(
        code == 0
            && err.contains(
                "DN 15 thread (DN 8 to 25): far volume 45.00 cm³ ± 2.0 %, settling time not known; as before"
            ),
        "{err}"
    );
}

/// Four leak-free sides on the controller, recorded each, become a calibration of this adapter, and are in force there once it is
/// loaded; the check that the rig has had still holds.
#[test]
fn blank_runs_are_made_on_the_controller_and_loaded_into_it() {
    let dir = tempfile::tempdir().unwrap();
    let (bench, memory) = (dir.path().join("bench.toml"), dir.path().join("flash.bin"));
    std::fs::write(&bench, BENCH).unwrap();
    let rig = Rig::on("127.0.0.1:0", &["--rig-memory", memory.to_str().unwrap()]);
    let at = format!("tcp:{}", rig.at);
    assert_eq!(seathold(&["rig", "load", bench.to_str().unwrap(), "--yes", "--rig", &at]).0, 0);
    let (code, out, err) = by_hand(&rig);
    assert_eq!(code, 0, "{out}{err}");
    // The shop air, which the check has shut off at the wall.
    rig.hands("air");
    let (_, shown, _) = seathold(&["rig", "show", "--rig", &at]);
    assert!(shown.contains("check passed on "), "{shown}");
    let (kept, out) = (dir.path().join("runs"), dir.path().join("cal/"));
    let (kept, out) = (kept.to_str().unwrap(), format!("{}/", out.to_str().unwrap()));
    let blank = |more: &[&str]| {
        // Nobody at the keyboard.
        let on = ["--rig", &at, "--adapter", "DN 15 thread", "--recordings", kept, "--out", &out, "--duration", "30 s"];
        typed(&[&["calibrate", "blank"], &on[..], more].concat(), &mut Once(None))
    };
    let (code, _, err) = blank(&["--repeats", "4", "--yes"]);
    assert!(code == 2 && err.contains("--with: say what held the pressure in these 4 runs"), "{err}");
    let (code, said, err) = blank(&["--repeats", "4", "--with", "valves", "--yes", "--load"]);
    assert_eq!(code, 0, "{said}{err}");
    assert!(err.contains("1 of 4: put a valve on the rig that is known to be tight"), "{err}");
    assert!(said.contains("of 4 leak-free sides") && said.contains("DN 15 thread (DN 8 to 25)"), "{said}");
    assert_eq!(std::fs::read_dir(kept).unwrap().count(), 4, "a recording each");
    let (_, shown, _) = seathold(&["rig", "show", "--rig", &at]);
    assert!(
        shown.contains("(revision 3)") && shown.contains("passed on") && shown.contains(", 4 leak-free sides"),
        "{shown}"
    );
    // It is of this adapter alone, and what is in force is what its file says.
    assert!(
        shown.contains("DN 50 flange (DN 32 to 50): far volume 150.00 cm³ ± 2.0 %, settling time not known"),
        "{shown}"
    );
    let file = dir.path().join("15.hold");
    let on = [
        "run",
        "-q",
        "--rig",
        &at,
        "--sides",
        "first",
        "--dn",
        "15",
        "--out",
        file.to_str().unwrap(),
        "--calibrations",
        &out,
    ];
    assert_eq!(seathold(&on).0, 0);
    let header = recording::read(&file).unwrap().header;
    assert_eq!((header.rig.blank_runs, header.rig.tau_s.is_some()), (4, true));
    // Nobody has to give its files again: until when they are valid is kept with it.
    std::fs::remove_file(&file).unwrap();
    let (code, said, _) = seathold(&on[..on.len() - 2]);
    assert!(code == 0 && said.contains("rig bench 3, loaded ") && said.contains("far volume 45.0 cm³"), "{said}");
    let header = recording::read(&file).unwrap().header;
    assert!(header.calibrations[0].starts_with("calibrations that were loaded with it, valid to "), "{header:?}");
    std::fs::remove_file(&file).unwrap();
    let later = [&on[..on.len() - 2], &["--started-at", "2099-01-01T00:00:00Z"]].concat();
    assert_eq!(seathold(&later).0, 0);
    let header = recording::read(&file).unwrap().header;
    assert!(header.calibrations[0].starts_with("OUT OF DATE since "), "{header:?}");
    // The day's file is there: said before anything is done, and not after it.
    let (code, _, err) = blank(&["--repeats", "1"]);
    assert!(code == 6 && err.contains("it exists already"), "{err}");
    std::fs::remove_dir_all(&out).unwrap();
    // Where nobody says that it is done nothing is filled.
    let (code, _, err) = blank(&["--repeats", "1"]);
    assert!(code == 2 && err.contains("left before it was done"), "{err}");
}

/// A rig that would protect less than what is compiled in is refused here, with what is wrong, before anything is sent.
#[test]
fn a_rig_that_protects_less_is_refused_by_name() {
    let dir = tempfile::tempdir().unwrap();
    let rig = Rig::on("127.0.0.1:0", &[]);
    let at = format!("tcp:{}", rig.at);
    let load = |text: &str| {
        let file = dir.path().join("bench.toml");
        std::fs::write(&file, text).unwrap();
        seathold(&["rig", "load", file.to_str().unwrap(), "--yes", "--rig", &at])
    };
    for (text, wrong) in [
        ("hard_max = \"9.5 bar\"\n", "hard_max: 950000 Pa must not exceed what is compiled in, 900000 Pa"),
        ("guard_fitted = false\n", "guard_fitted: 0 must be as it is wired, 1"),
        ("supply_transducer = \"no\"\n", "supply_fitted: 0 must be as it is wired, 1"),
    ] {
        let (code, _, err) = load(text);
        let err = err.replace("  ", " ");
        assert!(code == 2 && err.contains(wrong), "{code} {err}");
    }
    let (code, _, err) = load("[[adapter]]\nname = \"a\"\n[[adapter]]\nname = \"a\"\ndn = \"50-15\"\n");
    assert!(code == 2 && err.contains("another adapter's name too") && err.contains("\"50-15\" is no DN"), "{err}");
    // On the built-in rig of a served one a run needs nothing loaded.
    let (_, out, _) = seathold(&["rig", "show", "--rig", &at]);
    assert!(out.contains("compiled in") && !out.contains("MISSING"), "{out}");
}

/// Two ways to a far volume that disagree are not loaded, nor one of another adapter.
#[test]
fn calibrations_that_cannot_be_right_are_not_loaded() {
    let dir = tempfile::tempdir().unwrap();
    let (bench, memory) = (dir.path().join("bench.toml"), dir.path().join("flash.bin"));
    std::fs::write(&bench, BENCH).unwrap();
    let rig = Rig::on("127.0.0.1:0", &["--rig-memory", memory.to_str().unwrap()]);
    let at = format!("tcp:{}", rig.at);
    let file = |name: &str, kind: &str, adapter: &str, cm3: u32| {
        let path = dir.path().join(name);
        let text = format!(
            "calibration = \"{kind}\"\nadapter = \"{adapter}\"\nmade = \"2026-03-02\"\nexpires = \"2027-03-02\"\nby = \"Ada\"\n\
             method = \"-\"\nfar_volume = \"{cm3} cm3\"\nfar_volume_u = 0.01\n"
        );
        std::fs::write(&path, text).unwrap();
        path.to_str().unwrap().to_owned()
    };
    let volume = file("volume.toml", "volume", "DN 15 thread", 45);
    let leak = file("leak.toml", "leak", "DN 15 thread", 20);
    let other = file("other.toml", "volume", "DN 80", 300);
    let load = |files: &[&str]| {
        let on = ["rig", "load", bench.to_str().unwrap(), "--yes", "--rig", &at, "--calibrations"];
        seathold(&[&on[..], files].concat())
    };
    let (code, _, err) = load(&[&volume, &leak]);
    assert!(code == 2 && err.contains("DN 15 thread: THEY DISAGREE: far volume 45.00 cm³ by gas"), "{err}");
    let (code, _, err) = load(&[&volume, &other]);
    assert!(code == 2 && err.contains("it is of adapter DN 80, and the rig has DN 15 thread, DN 50 flange"), "{err}");
    let (_, shown, _) = seathold(&["rig", "show", "--rig", &at]);
    assert!(shown.contains("none loaded"), "{shown}");
    let (code, said, err) = load(&[&volume]);
    assert!(code == 0 && said.contains("calibrated valid to 2027-03-02 23:59 UTC"), "{said}{err}");
}

/// It reads, and moves nothing.
#[test]
fn what_a_controller_reads_is_watched() {
    let rig = Rig::on("127.0.0.1:0", &[]);
    let (code, out, _) = seathold(&["watch", "--rig", &format!("tcp:{}", rig.at), "--for", "1s", "--unit", "mbar"]);
    assert_eq!(code, 0);
    for part in [
        "far side",
        "supply side",
        " mbar (least ",
        "emergency stop released, guard closed",
        "supply shut, vent open, pilot exhausted",
        "ready",
    ] {
        assert!(out.contains(part), "{part}: {out}");
    }
    let told = rig.stop();
    assert!(!told.contains("safe vent") && told.contains("in phase \"ready\""), "{told}");
    let (code, _, err) = seathold(&["watch", "--rig", "sim"]);
    assert!(code == 2 && err.contains("serve it"), "{err}");
}

/// Somebody who opens the leak before the second run, and the reference volume before the third; and who has the calibration loaded.
struct Fitter {
    rig: Rig,
    asked: u8,
}

impl Keys for Fitter {
    fn line(&mut self) -> KeyboardInput {
        self.asked += 1;
        match self.asked {
            2 => self.rig.hands("leak 170 mm3/s"),
            3 => self.rig.hands("volume 30 cm3"),
            4 => return KeyboardInput::Line("yes".into()),
            _ => {}
        }
        KeyboardInput::Line(String::new())
    }
}

/// The rig file says 45 cm³, by estimate, and the volume is 52: found by a leak that nobody knows, with 30 cm³ more and without, by
/// the command of the guide, and loaded.
#[test]
fn the_volume_is_found_on_the_controller_by_a_leak_and_a_known_volume() {
    let dir = tempfile::tempdir().unwrap();
    let (kept, out) = (dir.path().join("runs"), dir.path().join("volume.toml"));
    let (bench, memory) = (dir.path().join("bench.toml"), dir.path().join("flash.bin").display().to_string());
    std::fs::write(&bench, BENCH.replace("\"45 cm3\"", "\"45 cm3\"\nfar_volume_u = 0.1")).unwrap();
    // With the 5 cm³ of the cavity its volume is 52.
    let rig = Rig::on("127.0.0.1:0", &["--set", "far_volume=47 cm3", "--rig-memory", &memory]);
    let line = format!("tcp:{}", rig.at);
    assert_eq!(seathold(&["rig", "load", bench.to_str().unwrap(), "--yes", "--rig", &line]).0, 0);
    assert_eq!(seathold(&["rig", "waive-check", "--yes", "--rig", &line]).0, 0);
    let mut fitter = Fitter { rig, asked: 0 };
    let volume =
        ["calibrate", "volume", "--reference", "30 cm3", "--reference-u", "0.2 %", "--out", out.to_str().unwrap()];
    let on = ["--rig", &line, "--adapter", "DN 15 thread", "--recordings", kept.to_str().unwrap(), "--load"];
    let (code, said, err) = typed(&[&volume[..], &on].concat(), &mut fitter);
    assert_eq!((code, fitter.asked), (0, 4), "{said}{err}");
    let (_, shown, _) = seathold(&["rig", "show", "--rig", &line]);
    assert!(shown.contains("DN 15 thread (DN 8 to 25): far volume 51.") || shown.contains("volume 52."), "{shown}");
    assert!(err.contains("3 of 3: open the reference volume to the far side"), "{err}");
    let file = std::fs::read_to_string(&out).unwrap();
    let number = |name: &str| {
        let line = file.lines().find(|line| line.starts_with(name)).unwrap_or_else(|| panic!("{name}: {file}"));
        let value: String =
            line.chars().skip_while(|c| !c.is_ascii_digit()).take_while(|c| *c == '.' || c.is_ascii_digit()).collect();
        value.parse::<f64>().unwrap()
    };
    let (found, u) = (number("far_volume ="), number("far_volume_u ="));
    // A curve that took the slowing of the leak for settling gas found 2 % more.
    assert!((found - 52.0).abs() < 2.0 * found * u && u < 0.011, "{found} ± {u}: {file}");

    // From the recordings again: the same to the last digit.
    let mut runs: Vec<_> = std::fs::read_dir(&kept).unwrap().map(|entry| entry.unwrap().path()).collect();
    runs.sort();
    let again = dir.path().join("again.toml");
    let from = [
        "calibrate",
        "volume",
        "--reference",
        "30 cm3",
        "--reference-u",
        "0.2 %",
        "--out",
        again.to_str().unwrap(),
        "--adapter",
        "DN 15 thread",
        "--recording",
    ];
    let runs: Vec<&str> = runs.iter().map(|run| run.to_str().unwrap()).collect();
    let (code, _, err) = typed(&[&from[..], &runs].concat(), &mut Silent);
    assert_eq!(code, 0, "{err}");
    let values = |text: &str| {
        text.lines().filter(|line| line.starts_with("far_volume")).map(ToOwned::to_owned).collect::<Vec<_>>()
    };
    assert_eq!(values(&std::fs::read_to_string(&again).unwrap()), values(&file));
    // What cannot be: the wrong way round, one run twice, a tight side that leaks, a volume that the rig contradicts, a file that is
    // there already.
    let refused = |reference: &str, out: &str, order: [usize; 3]| {
        let of =
            ["--adapter", if order == [0, 1, 2] && reference == "31 cm3" { "DN 50 flange" } else { "DN 15 thread" }];
        let from =
            [&["calibrate", "volume", "--reference", reference, "--out", out], &of[..], &["--recording"]].concat();
        let (code, _, err) = typed(&[&from[..], &order.map(|number| runs[number])].concat(), &mut Silent);
        assert!(code == 2 || code == 6, "{code}: {err}");
        err
    };
    let other = dir.path().join("other.toml");
    let other = other.to_str().unwrap();
    for (reference, out, order, why) in [
        ("30 cm3", other, [0, 2, 1], "not clearly slower"),
        ("30 cm3", other, [0, 1, 1], "the same recording as"),
        ("30 cm3", other, [1, 2, 0], "judged leaking"),
        ("60 cm3", other, [0, 1, 2], "standard uncertainties apart"),
        ("31 cm3", other, [0, 1, 2], "it was made on adapter DN 15 thread, and DN 50 flange is named"),
        ("30 cm3", again.to_str().unwrap(), [0, 1, 2], "exists already"),
    ] {
        let err = refused(reference, out, order);
        assert!(err.contains(why), "{why}: {err}");
    }
}

/// Somebody who turns the regulator before each run, and afterwards types what the gauge showed: the transducer reads 0.4 % more.
struct GaugeReader {
    rig: Rig,
    kept: PathBuf,
    script: std::array::IntoIter<&'static str, 7>,
}

impl Keys for GaugeReader {
    fn line(&mut self) -> KeyboardInput {
        let Some(next) = self.script.next() else { return KeyboardInput::Closed };
        if next.starts_with("regulator") {
            self.rig.hands(next);
            return KeyboardInput::Line(String::new());
        }
        if next != "read" {
            return KeyboardInput::Line(next.into());
        }
        let mut runs: Vec<_> = std::fs::read_dir(&self.kept).unwrap().map(|entry| entry.unwrap().path()).collect();
        runs.sort();
        let (code, csv, _) = as_printed(&["show", "--csv", runs.last().unwrap().to_str().unwrap()], &mut Silent);
        assert_eq!(code, 0);
        let pa: Vec<f64> = csv
            .lines()
            .filter(|line| line.contains(",measure,first,"))
            .filter_map(|line| line.split(',').nth(1)?.parse().ok())
            .collect();
        let mean = pa.iter().sum::<f64>() / pa.len() as f64;
        KeyboardInput::Line(format!("{:.6} bar", mean / 1.004 / 1e5))
    }
}

/// A transducer that reads 0.4 % too much, against a gauge that somebody reads while each of three runs measures; the file's gain, with the
/// rig's file, is what the controller then counts by.
#[test]
fn the_transducer_is_checked_on_the_controller_by_a_gauge() {
    let dir = tempfile::tempdir().unwrap();
    let (kept, out) = (dir.path().join("runs"), dir.path().join("gain.toml"));
    let bench = dir.path().join("bench.toml");
    std::fs::write(&bench, BENCH).unwrap();
    let (bench, out) = (bench.to_str().unwrap(), out.to_str().unwrap());
    let memory = dir.path().join("flash.bin").display().to_string();
    let rig = Rig::on("127.0.0.1:0", &["--set", "far.gain_error=0.4 %", "--rig-memory", &memory]);
    let line = format!("tcp:{}", rig.at);
    assert_eq!(seathold(&["rig", "load", bench, "--yes", "--rig", &line]).0, 0);
    assert_eq!(seathold(&["rig", "waive-check", "--yes", "--rig", &line]).0, 0);
    let script = ["regulator 2 bar", "2", "read", "regulator 4 bar", "read", "regulator 6 bar", "read"];
    let mut reader = GaugeReader { rig, kept: kept.clone(), script: script.into_iter() };
    let check = ["calibrate", "transducer", "--adapter", "DN 15 thread", "--rig-file", bench, "--out", out];
    let gauge = "gauge G-17, certificate 2231";
    let on = ["--rig", &line, "--recordings", kept.to_str().unwrap(), "--instrument", gauge];
    let (code, _, err) = typed(&[&check[..], &on, &["--load"]].concat(), &mut Silent);
    assert!(code == 2 && err.contains("seathold rig load"), "{err}");
    let (code, said, err) = typed(&[&check[..], &on].concat(), &mut reader);
    assert!(code == 0 && err.contains("\"2\" needs a unit"), "{said}{err}");
    assert!(said.contains("off the line") && said.contains("of 6 points"), "{said}");
    let gain = |text: &str| {
        let gain = text.lines().find(|line| line.starts_with("gain = ")).unwrap().trim_start_matches("gain = ");
        gain.parse::<f64>().unwrap()
    };
    let found = gain(&std::fs::read_to_string(out).unwrap());
    assert!((found - 1.004).abs() < 2e-4, "{found}");

    // From the recordings again, with what was read then.
    let mut runs: Vec<_> = std::fs::read_dir(&kept).unwrap().map(|entry| entry.unwrap().path()).collect();
    runs.sort();
    let points: Vec<String> =
        said_points(&err).iter().zip(&runs).map(|(pa, run)| format!("{pa} Pa:{}", run.display())).collect();
    let again = dir.path().join("again.toml");
    let points: Vec<&str> = points.iter().flat_map(|point| ["--recording", point.as_str()]).collect();
    let check = ["calibrate", "transducer", "--rig-file", bench, "--out", again.to_str().unwrap()];
    assert_eq!(seathold(&[&check[..], &points].concat()).0, 0);
    assert!((gain(&std::fs::read_to_string(&again).unwrap()) - found).abs() < 1e-6);
    // One run three times is no three points.
    std::fs::remove_file(&again).unwrap();
    let (code, _, err) = seathold(&[&check[..], &points[..2], &points[..2]].concat());
    assert!(code == 2 && err.contains("the same recording as"), "{err}");

    let (code, said, err) = seathold(&["rig", "load", bench, "--yes", "--rig", &line, "--calibrations", out]);
    assert!(code == 0 && (said + &err).contains(&format!(", with {gauge} (")), "{err}");
    let (_, shown, _) = seathold(&["rig", "show", "--json", "--rig", &line]);
    let shown: serde_json::Value = serde_json::from_str(&shown).unwrap();
    let scale = shown["in_force"]["far_per_count"].as_f64().unwrap();
    assert!((scale * found / RawRig::DEMO.far.pa_per_count - 1.0).abs() < 1e-6, "{scale}");
}

/// The references that were told of runs, in pascals, without the zeros.
fn said_points(err: &str) -> Vec<&str> {
    let words = err.split("reference ").skip(1).filter_map(|rest| rest.split_once(" Pa,")).map(|(pa, _)| pa);
    words.filter(|pa| pa.parse::<f64>().is_ok_and(|pa| pa != 0.0)).collect()
}
