//! Recordings judged again by another recipe.

use seathold_analysis::rejudge::change::{VerdictShift, compare};
use seathold_analysis::rejudge::looks::{LimitOutcome, looks};
use seathold_analysis::rejudge::{Unjudged, rerun};
use seathold_recording::timeline::Timeline;
use seathold_recording::{self as recording, Recording};
use seathold_sequencer::input::Side;
use seathold_sequencer::recipe::RawRecipe;
use seathold_tests::cli_kit::seathold;

/// A small fleet with leaks on either side of the limit.
fn fleet(valves: u32, seed: u32) -> Vec<Recording> {
    let dir = tempfile::tempdir().unwrap();
    let (valves, seed) = (valves.to_string(), seed.to_string());
    let said =
        seathold(dir.path(), &["fleet", "-n", &valves, "--seed", &seed, "--out", "[DIR]/fleet", "--threads", "2"]);
    assert_eq!(said.code, 0, "{}", said.err);
    let mut paths: Vec<_> = std::fs::read_dir(dir.path().join("fleet")).unwrap().map(|e| e.unwrap().path()).collect();
    paths.retain(|path| path.extension().is_some_and(|e| e == "hold"));
    paths.sort();
    paths.iter().map(|path| recording::read(path).unwrap()).collect()
}

/// By its own recipe every side comes out as recorded, to the bit.
#[test]
fn nothing_changes_by_the_recorded_recipe() {
    let recordings = fleet(12, 5);
    assert_eq!(recordings.len(), 12);
    for recording in recordings {
        let compared = compare(&recording, |own, _| *own);
        assert!(!compared.sides.is_empty(), "{}", recording.header.serial);
        assert_eq!(compared.sides.len(), recording.summary().sides.len());
        for side in compared.sides {
            assert_eq!(side.way, VerdictShift::Same, "{}: {:?}", recording.header.serial, side.new);
            assert_eq!(side.new.ok(), side.old);
        }
    }
}

/// A shorter test than recorded gives what the same valve, with the same chance, gives when it is really run so.
#[test]
fn a_shorter_test_is_as_if_it_had_been_run() {
    let dir = tempfile::tempdir().unwrap();
    std::fs::write(dir.path().join("long.toml"), "settle = \"16 s\"\nmeasure_min = \"45 s\"\n").unwrap();
    std::fs::write(dir.path().join("short.toml"), "settle = \"3 s\"\n").unwrap();
    for (seat, seed) in [("0.5 mm3/s", "3"), ("4 mm3/s", "4"), ("15 mm3/s", "5")] {
        let options = |recipe, out| {
            vec!["run", "--recipe", recipe, "--seat-a", seat, "--seed", seed, "--sides", "first", "--out", out, "-q"]
        };
        seathold(dir.path(), &options("[DIR]/long.toml", "[DIR]/long.hold"));
        seathold(dir.path(), &options("[DIR]/short.toml", "[DIR]/short.hold"));
        let long = recording::read(&dir.path().join("long.hold")).unwrap();
        let short = recording::read(&dir.path().join("short.hold")).unwrap();
        let compared = compare(&long, |own, _| RawRecipe { settle_ms: 3_000, measure_ms_min: 2_000, ..*own });
        let (now, run) = (compared.sides[0].new.clone().unwrap(), short.summary().sides[0]);
        assert_eq!((now.verdict, now.reason, now.estimate), (run.verdict, run.reason, run.estimate), "{seat}");
    }
}

/// What was not recorded is said, for the one side that needs it, and not guessed.
#[test]
fn longer_than_recorded_cannot_be_told() {
    let dir = tempfile::tempdir().unwrap();
    run_both(dir.path(), "a.hold", &["--valve", "tight"]);
    let recording = recording::read(&dir.path().join("a.hold")).unwrap();
    let compared = compare(&recording, |own, _| RawRecipe { settle_ms: 120_000, ..*own });
    assert_eq!(compared.sides.len(), 2);
    for (side, expected) in compared.sides.iter().zip([Side::First, Side::Second]) {
        assert_eq!(side.side, expected);
        assert!(matches!(side.new, Err(Unjudged::Longer { .. })), "{:?}", side.new);
    }
    let compared = compare(&recording, |own, _| RawRecipe { target_pa: 400_000, pressure_max_pa: 500_000, ..*own });
    assert_eq!(compared.sides.len(), 2);
    for side in &compared.sides {
        let Err(why) = &side.new else { panic!("{:?}", side.new) };
        assert!(why.to_string().contains("other: target"), "{why}");
    }
    let compared = compare(&recording, |own, _| RawRecipe { jump_max_pa: 20, ..*own });
    let Err(why) = &compared.sides[0].new else { panic!("{:?}", compared.sides[0].new) };
    let wanted = "jump_max: 0.0002 bar must be at least two counts, 33.9087 Pa (from far_per_count)";
    assert_eq!(why.to_string(), format!("the recipe does not fit: {wanted}"));
}

/// Many limits at once come out as the whole sequencer judges by each of them, every side of a fleet.
#[test]
fn many_limits_agree_with_the_whole_sequencer() {
    let mut told = [0usize; 3];
    for recording in fleet(10, 9) {
        let course = Timeline::of(&recording);
        let own = recording.header.recipe;
        let rig = recording.header.rig.validate().unwrap();
        let recipe = own.validate(&rig).unwrap();
        let limits: Vec<f64> = (0..12).map(|i| own.limit_pa_m3_s * 0.1 * 1.5f64.powi(i)).collect();
        let valid = |limit: &f64| RawRecipe { limit_pa_m3_s: *limit, ..own }.validate(&rig).is_ok();
        let limits: Vec<f64> = limits.into_iter().filter(valid).collect();
        let (sides, _) = looks(&recording, &course, &rig, &own);
        assert!(!sides.is_empty());
        for side in &sides {
            let fates = side.judge(&limits, recipe.schedule());
            for (limit, fate) in limits.iter().zip(fates) {
                let by = RawRecipe { limit_pa_m3_s: *limit, ..own }.validate(&rig).unwrap();
                let whole = rerun(&recording, &course, rig, by);
                let whole = &whole.side(side.side).unwrap().result;
                match fate {
                    LimitOutcome::Judged(verdict, _) => {
                        told[0] += 1;
                        assert_eq!(whole.as_ref().map(|w| w.verdict), Ok(verdict), "{limit} {:?}", side.after);
                    }
                    LimitOutcome::Unjudged(why) => {
                        told[1] += 1;
                        assert_eq!(whole.as_ref().err(), Some(&why));
                    }
                    LimitOutcome::Whole => told[2] += 1,
                }
            }
        }
    }
    println!("judged, not recorded, left to the whole sequencer: {told:?}");
    assert!(told[0] > 5 * told[2], "{told:?}");
}

/// The same lines whatever the number of threads; changes are told with figure, limit and reason.
#[test]
fn the_command_tells_changes_and_totals() {
    let dir = tempfile::tempdir().unwrap();
    run_both(dir.path(), "a.hold", &["--valve", "scratched-seat-a"]);
    run_both(dir.path(), "b.hold", &["--valve", "tight"]);
    let by = |threads, more: &[&str]| {
        let said = seathold(dir.path(), &[&["rejudge", "[DIR]", "--threads", threads], more].concat());
        assert_eq!(said.code, 0, "{}", said.err);
        said.out
    };
    let one = by("1", &["--limit", "0.02 mm3/s"]);
    assert_eq!(one, by("2", &["--limit", "0.02 mm3/s"]));
    println!("{one}");
    assert!(one.contains("2 runs, 4 sides re-evaluated"), "{one}");
    let same = by("2", &[]);
    assert!(same.contains("4  verdict as recorded") && same.lines().count() == 2, "{same}");
    let json = by("2", &["--json", "--set", "settle=100 s"]);
    let last: serde_json::Value = serde_json::from_str(json.lines().last().unwrap()).unwrap();
    assert_eq!(last["all"]["unjudged"], 4, "{json}");
    let wrong = seathold(dir.path(), &["rejudge", "[DIR]", "--set", "setle=1 s"]);
    assert!(wrong.code == 2 && wrong.err.contains("settle"), "{}", wrong.err);
}

/// Traces of all sides over each other, and what the fits leave: a line for each side, black where the verdict is another.
#[test]
fn a_page_lays_sides_over_each_other() {
    let dir = tempfile::tempdir().unwrap();
    run_both(dir.path(), "a.hold", &["--valve", "scratched-seat-a"]);
    run_both(dir.path(), "b.hold", &["--valve", "tight"]);
    let said = seathold(dir.path(), &["rejudge", "[DIR]", "--limit", "0.02 mm3/s", "--html", "[DIR]/page.html"]);
    assert_eq!(said.code, 0, "{}", said.err);
    let page = std::fs::read_to_string(dir.path().join("page.html")).unwrap();
    assert_eq!(page.matches("<svg").count(), 2);
    assert!(page.contains("4 of 4 sides") && page.contains("at the limit") && page.contains("2 runs"), "{page}");
    // Residuals of a fit lie about nought: their picture's scale has both signs.
    let residuals = page.rsplit("Residuals").next().unwrap();
    assert!(residuals.contains('−'), "{residuals}");
}

fn run_both(dir: &std::path::Path, name: &str, more: &[&str]) {
    let out = format!("[DIR]/{name}");
    let said = seathold(dir, &[&["run", "-q", "--out", &out], more].concat());
    assert_eq!(said.err, "");
}
