//! A clock that is far off: a flat battery says 1970 or before, a wrong setting any year. It is named, and nothing is
//! recorded under such a date.

use std::path::Path;
use std::sync::atomic::AtomicUsize;
use std::time::Duration;

use seathold::console::{Clock, Console, TimeZone, Timestamp};
use seathold::environment::Environment;
use seathold_tests::cli_kit::Silent;

struct Off(Timestamp, TimeZone);

impl Clock for Off {
    fn now(&self) -> Timestamp {
        self.0
    }

    fn elapsed(&self) -> Duration {
        Duration::ZERO
    }

    fn pause(&mut self, _: Duration) {}

    fn zone(&self) -> TimeZone {
        self.1.clone()
    }
}

fn seathold(dir: &Path, now: Timestamp, typed: &[&str]) -> (u8, String) {
    let (code, _, err) = in_zone(dir, now, TimeZone::UTC, typed);
    (code, err)
}

fn in_zone(dir: &Path, now: Timestamp, zone: TimeZone, typed: &[&str]) -> (u8, String, String) {
    let (mut out, mut err) = (Vec::new(), Vec::new());
    let interrupts = AtomicUsize::new(0);
    let typed = typed.iter().map(|word| word.replace("[DIR]", dir.to_str().unwrap()).into());
    let exit = seathold::main_with(
        std::iter::once("seathold".into()).chain(typed),
        &mut Console {
            out: &mut out,
            err: &mut err,
            live: false,
            clock: &mut Off(now, zone),
            interrupts: &interrupts,
            keys: &mut Silent,
            environment: &Environment::default(),
        },
    );
    (exit.code(), String::from_utf8(out).unwrap(), String::from_utf8(err).unwrap())
}

#[test]
fn no_record_has_a_date_that_is_far_off() {
    let right: Timestamp = "2026-03-02T09:30:00Z".parse().unwrap();
    let register = ["--register", "[DIR]/bench.sqlite"];
    for off in [
        Timestamp::MIN,
        "1969-12-31T23:59:59Z".parse().unwrap(),
        "9999-01-01T00:00:00Z".parse().unwrap(),
        Timestamp::MAX,
    ] {
        let dir = tempfile::tempdir().unwrap();
        let recording = concat!(env!("CARGO_MANIFEST_DIR"), "/recordings/current/tight.hold");
        let commands: [&[&str]; 9] = [
            &["run", "-q", "--out", "[DIR]/a.hold"],
            &["run", "-q", "--rig", "tcp:127.0.0.1:1", "--out", "[DIR]/a.hold"],
            &["register", "init", "[DIR]/new.sqlite", "--bench", "b"],
            &["register", "import", recording, register[0], register[1]],
            &["register", "merge", "[DIR]/other.sqlite", register[0], register[1]],
            &["batch", "open", "b", "--serials", "HM-1..HM-3", register[0], register[1]],
            &["fleet", "-n", "1", "--out", "[DIR]/fleet"],
            &["calibrate", "transducer", "--out", "[DIR]/calibrations/"],
            &["register", "bundle", "[DIR]/bundle.sqlite", register[0], register[1]],
        ];
        for command in commands {
            let (code, err) = seathold(dir.path(), off, command);
            assert_eq!(code, 2, "{command:?} at {off}: {err}");
            assert!(err.contains("this computer's clock says") && err.contains("1970-01-01 to 9998-12-31"), "{err}");
        }
        let (code, err) =
            seathold(dir.path(), right, &["run", "-q", &format!("--started-at={off}"), "--out", "[DIR]/a.hold"]);
        assert!(code == 2 && err.contains("--started-at: "), "{err}");
        let left: Vec<_> = std::fs::read_dir(dir.path()).unwrap().map(|e| e.unwrap().file_name()).collect();
        assert!(left.is_empty(), "{left:?}");
        // What dates nothing does not need it.
        assert_eq!(seathold(dir.path(), off, &["replay", recording]).0, 0);
    }
}

/// The ends of what is allowed.
#[test]
fn the_first_and_the_last_day_are_dates() {
    for date in ["1970-01-01T00:00:00Z", "9998-12-31T23:00:00Z"] {
        let dir = tempfile::tempdir().unwrap();
        let now = date.parse().unwrap();
        let run = ["run", "-q", "--sides", "first", "--out", "[DIR]/a.hold", "--register", "[DIR]/bench.sqlite"];
        let (code, err) = seathold(dir.path(), now, &run);
        assert_eq!(code, 0, "{err}");
        let calibrated = ["calibrate", "transducer", "--out", "[DIR]/calibrations/"];
        let (code, err) = seathold(dir.path(), now, &calibrated);
        assert_eq!(code, 0, "{err}");
    }
}

/// The bench's own time stands beside UTC on screen, and in no record.
#[test]
fn local_time_stands_beside_utc() {
    let dir = tempfile::tempdir().unwrap();
    let now: Timestamp = "2026-03-02T23:30:00Z".parse().unwrap();
    // As POSIX has it, west of Greenwich is positive.
    let hours = |east: i8| TimeZone::posix(&format!("XXX{}", -east)).unwrap();
    let register = ["--register", "[DIR]/bench.sqlite"];
    let say = |zone: TimeZone, typed: &[&str]| {
        let (code, out, err) = in_zone(dir.path(), now, zone, typed);
        assert_eq!(code, 0, "{typed:?}: {err}");
        out
    };
    say(hours(1), &["run", "-q", "--serial", "HM-001", "--out", "[DIR]/a.hold", register[0], register[1]]);
    let utc = say(TimeZone::UTC, &["show", "[DIR]/a.hold"]);
    assert!(utc.contains("when         2026-03-02T23:30:00Z\n"), "{utc}");
    let east = say(hours(1), &["show", "[DIR]/a.hold"]);
    assert!(east.contains("when         2026-03-02T23:30:00Z (2026-03-03 00:30 local time)\n"), "{east}");
    let west = say(hours(-5), &["show", "[DIR]/a.hold"]);
    assert!(west.contains("when         2026-03-02T23:30:00Z (18:30 local time)\n"), "{west}");
    let find = ["find", register[0], register[1]];
    let utc = say(TimeZone::UTC, &find);
    assert!(utc.starts_with("when (UTC)         run  ") && utc.contains("2026-03-02 23:30     1  HM-001"), "{utc}");
    let east = say(hours(1), &find);
    assert!(east.starts_with("when (UTC)        local     run  "), "{east}");
    assert!(east.contains("2026-03-02 23:30  00:30+1     1  HM-001"), "{east}");
    assert!(say(hours(-5), &find).contains("2026-03-02 23:30  18:30       1  HM-001"));
    let machine = [find.as_slice(), &["--json"]].concat();
    assert_eq!(say(TimeZone::UTC, &machine), say(hours(1), &machine));
}
