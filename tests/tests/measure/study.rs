//! Studies of the measuring, held against published data.

use proptest::prelude::*;
use seathold_analysis::study::anova::{Measurement, study};
use seathold_analysis::study::chart::chart;
use seathold_tests::cli_kit::{golden, seathold};

fn published() -> String {
    format!("{}/reference/gauge_rr.csv", env!("CARGO_MANIFEST_DIR"))
}

/// The worked study of 10 parts × 3 appraisers × 3 trials in AIAG, Measurement Systems Analysis: sums of squares and
/// components as seen in an open write-up, the rest worked out from its data.
#[test]
fn the_published_study_comes_out_as_printed() {
    let dir = tempfile::tempdir().unwrap();
    let said = seathold(dir.path(), &["study", "gauge-rr", "--table", &published(), "--json"]);
    assert_eq!(said.code, 0, "{}", said.err);
    let result: serde_json::Value = serde_json::from_str(&said.out).unwrap();
    let found = |pointer: &str| result["gauge_rr"].pointer(pointer).unwrap().as_f64().unwrap();
    let near = |pointer: &str, expected: f64, digits: f64| {
        let value = found(pointer);
        assert!((value - expected).abs() <= 0.51 * 10f64.powf(-digits), "{pointer}: {value}, printed {expected}");
    };
    for (row, squares, freedom) in [
        ("operators", 3.16726, 2.0),
        ("parts", 88.36193, 9.0),
        ("interaction", 0.35898, 18.0),
        ("repeats", 2.75893, 60.0),
    ] {
        near(&format!("/table/{row}/squares"), squares, 5.0);
        near(&format!("/table/{row}/freedom"), freedom, 9.0);
    }
    near("/interaction_p", 0.974, 3.0);
    for (name, deviation) in
        [("repeatability", 0.1999332), ("reproducibility", 0.2268375), ("both", 0.3023715), ("between", 1.0423275)]
    {
        let variance = found(&format!("/{name}/variance"));
        assert!((variance.sqrt() - deviation).abs() < 1e-7, "{name}: {}", variance.sqrt());
        assert!(found(&format!("/{name}/low")) < variance && variance < found(&format!("/{name}/high")));
    }
    near("/share", 0.2786, 4.0);
    assert_eq!(result["gauge_rr"]["categories"], 4);
    assert_eq!(result["gauge_rr"]["pooled"], true);
    let text = seathold(dir.path(), &["study", "gauge-rr", "--table", &published()]).out;
    golden("study.txt", &text);
}

/// Individual values of NIST/SEMATECH e-Handbook 6.3.2.2: mean 50.81, limits 45.8159 and 55.8041 (from memory).
#[test]
fn the_handbooks_chart_comes_out_as_printed() {
    let values = [49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1];
    let chart = chart(&values).unwrap();
    assert!((chart.mean - 50.81).abs() < 1e-9);
    assert!((chart.mean + 3.0 * chart.sigma - 55.8041).abs() < 6e-4, "{}", chart.mean + 3.0 * chart.sigma);
    assert!((chart.mean - 3.0 * chart.sigma - 45.8159).abs() < 6e-4);
    assert!(chart.signals.iter().all(|(_, rule)| *rule != 1), "{:?}", chart.signals);
}

/// Each of the eight rules is broken by a run made for it, at the point where it ends, and by no other rule there. Values
/// are in sigma of a chart whose mean and limits the quiet values before them hold.
#[test]
fn each_run_rule_is_seen_and_no_other() {
    let runs: [(u8, &[f64]); 8] = [
        (1, &[3.6]),
        (2, &[0.4, 1.2, 0.3, 0.9, 1.1, 0.5, 0.8, 0.2, 0.6]),
        (3, &[-1.2, -0.6, -0.2, 0.3, 0.7, 1.2]),
        (4, &[0.5, -0.6, 0.4, -0.7, 0.8, -0.5, 1.2, -0.6, 0.7, -0.4, 0.9, -0.8, 0.6, -1.1]),
        (5, &[2.3, 0.2, 2.4]),
        (6, &[1.3, 1.5, -0.2, 1.2, 1.6]),
        (7, &[0.3, 0.1, -0.4, -0.2, 0.5, 0.2, -0.3, -0.6, 0.4, 0.6, -0.1, -0.5, 0.2, 0.3, -0.2]),
        (8, &[1.2, -1.3, -1.4, 1.6, 1.3, -1.2, -1.5, 1.4]),
    ];
    for (rule, run) in runs {
        // Pairs of points near the mean and beyond one sigma, by turns: quiet by every rule, whatever follows.
        let quiet = [0.5, 1.1, -0.6, -1.2, 0.7, 1.3, -0.4, -1.1].iter().cycle().take(160);
        let values: Vec<f64> = quiet.chain(run).copied().collect();
        let chart = chart(&values).unwrap();
        // The chart takes its own sigma from what it is given; the run is in units of it.
        let first = values.len() - run.len();
        let scaled: Vec<f64> =
            values.iter().enumerate().map(|(i, v)| if i < first { *v } else { chart.mean + v * chart.sigma }).collect();
        let chart = seathold_analysis::study::chart::chart(&scaled).unwrap();
        let last: Vec<u8> = chart.signals.iter().filter(|(at, _)| at + 1 == scaled.len()).map(|(_, r)| *r).collect();
        assert_eq!(last, [rule], "sigma {}: {:?}", chart.sigma, chart.signals);
        assert!(chart.signals.iter().all(|(at, _)| *at >= first), "rule {rule}: {:?}", chart.signals);
    }
}

#[test]
fn mistakes_are_told() {
    let dir = tempfile::tempdir().unwrap();
    let write = |name: &str, text: &str| std::fs::write(dir.path().join(name), text).unwrap();
    write("hole.csv", "part,operator,value\n1,A,1\n1,A,2\n1,B,1\n1,B,2\n2,A,1\n2,A,2\n2,B,1\n");
    let said = seathold(dir.path(), &["study", "gauge-rr", "--table", "[DIR]/hole.csv"]);
    assert!(said.code == 2 && said.err.contains("part 2 by B: 1 measurements"), "{}", said.err);
    write("word.csv", "reference,value\n1,1\n2,two\n");
    let said = seathold(dir.path(), &["study", "linearity", "--table", "[DIR]/word.csv"]);
    assert!(said.code == 2 && said.err.contains("line 3") && said.err.contains("\"two\""), "{}", said.err);
    write("names.csv", "a,b\n1,1\n");
    let said = seathold(dir.path(), &["study", "stability", "--table", "[DIR]/names.csv"]);
    assert!(said.code == 2 && said.err.contains("value or leak"), "{}", said.err);
}

/// From one measurement of each there is no interval; from values without scatter nothing is proven, least of all what
/// rounding leaves.
#[test]
fn too_little_proves_nothing() {
    let dir = tempfile::tempdir().unwrap();
    let say = |text: &str, study: &str, more: &[&str]| {
        std::fs::write(dir.path().join("t.csv"), text).unwrap();
        let said = seathold(dir.path(), &[&["study", study, "--table", "[DIR]/t.csv"], more].concat());
        assert_eq!(said.code, 0, "{}", said.err);
        said.out
    };
    let once = say("reference,value\n10,10.1\n20,20.1\n30,30.1\n", "linearity", &["--coverage", "99,5 %"]);
    for part in [
        "bias at 10.00      0.1000, no interval from one measurement  (once)",
        "at no leak         0.1000, no interval: the measurements show no scatter",
        "for each unit      0, no interval",
        "intervals cover with 99.5 %",
        "a small study: five reference leaks",
    ] {
        assert!(once.contains(part), "{part}: {once}");
    }
    let few = say("reference,value\n10,10.1\n10,10.2\n20,20.4\n", "linearity", &[]);
    assert!(few.contains("bias at 10.00      0.15 ± 0.64  (2 times)"), "{few}");
    let single = say("reference,value\n10,10.1\n10,10.2\n10,10.4\n", "linearity", &[]);
    assert!(single.contains("one reference leak"), "{single}");
    let alike = "part,operator,value\n1,A,1\n1,A,1\n1,B,1\n1,B,1\n2,A,1\n2,A,1\n2,B,1\n2,B,1\n";
    let alike = say(alike, "gauge-rr", &[]);
    assert!(alike.contains("no two measurements differ"), "{alike}");
    for text in [once, few, single, alike] {
        assert!(!text.contains("inf") && !text.contains("NaN") && !text.contains("proven"), "{text}");
    }
}

/// Runs of both sides are charted one side at a time.
#[test]
fn stability_of_one_end() {
    let dir = tempfile::tempdir().unwrap();
    for seed in ["1", "2", "3"] {
        let out = format!("[DIR]/r/{seed}.hold");
        let said = seathold(dir.path(), &["run", "-q", "--seed", seed, "--out", &out]);
        assert_eq!(said.code, 0, "{}", said.err);
    }
    let both = seathold(dir.path(), &["study", "stability", "[DIR]/r"]);
    assert!(both.code == 2 && both.err.contains("its end by --end A or --end B"), "{}", both.err);
    let of = |end: &str| {
        let said = seathold(dir.path(), &["study", "stability", "[DIR]/r", "--end", end, "--json"]);
        let value: serde_json::Value = serde_json::from_str(&said.out).unwrap_or_else(|_| panic!("{}", said.err));
        value["stability"]["values"].as_array().unwrap().clone()
    };
    assert_eq!((of("A").len(), of("b").len()), (3, 3));
    assert_ne!(of("A"), of("B"));
}

/// A reading 3 % too high and 0.2 above is found as such.
#[test]
fn bias_and_slope_are_found() {
    let pairs: Vec<(f64, f64)> = (0..20)
        .map(|i| {
            let reference = f64::from(i % 5) * 2.0;
            (reference, 1.03 * reference + 0.2 + 0.01 * f64::from(i % 3 - 1))
        })
        .collect();
    let found = seathold_analysis::study::linearity::linearity(&pairs, 0.95).unwrap();
    let (slope, intercept) = (found.slope.unwrap(), found.intercept.unwrap());
    assert!(slope.is_proven() && (slope.value - 0.03).abs() < slope.half, "{slope:?}");
    assert!(intercept.is_proven() && (intercept.value - 0.2).abs() < intercept.half, "{intercept:?}");
}

proptest! {
    /// The parts of the whole sum of squares add up, and neither order nor a shift of all values matters.
    #[test]
    fn squares_add_up(values in prop::collection::vec(-5.0f64..5.0, 24), shift in -100.0f64..100.0) {
        let measured: Vec<Measurement> = values.iter().enumerate().map(|(i, value)| Measurement {
            part: (i / 6).to_string(),
            operator: (i / 2 % 3).to_string(),
            value: *value,
        }).collect();
        let mean = values.iter().sum::<f64>() / 24.0;
        let whole: f64 = values.iter().map(|v| (v - mean).powi(2)).sum();
        let one = study(&measured, 0.95).unwrap();
        let sum = one.parts.squares + one.operators.squares + one.interaction.squares + one.repeats.squares;
        prop_assert!((sum - whole).abs() < 1e-9 * whole.max(1.0));
        let moved: Vec<Measurement> =
            measured.iter().rev().map(|m| Measurement { value: m.value + shift, ..m.clone() }).collect();
        let two = study(&moved, 0.95).unwrap();
        prop_assert!((one.both.variance - two.both.variance).abs() < 1e-8);
        prop_assert!(one.both.low <= one.both.variance && one.both.variance <= one.both.high);
    }
}

/// A rig whose own leak grows by 2·10⁻⁷ Pa·m³/s a day and whose volume stays: the first is proven, its next calibration due
/// in the days that arithmetic gives; the second is not.
#[test]
fn drift_of_calibrations_is_found_and_dated() {
    let dir = tempfile::tempdir().unwrap();
    let folder = dir.path().join("calibrations");
    std::fs::create_dir(&folder).unwrap();
    for (number, month) in (1..=6).enumerate() {
        let days = [0, 31, 59, 90, 120, 151][number];
        let noise = [1.0, -1.0, 0.5, -0.5, 1.0, -1.0][number];
        let background = 1e-6 + 2e-7 * f64::from(days) + 1e-7 * noise;
        let head = |subject: &str| {
            format!("calibration = \"{subject}\"\nmade = \"2026-0{month}-01\"\nexpires = \"2027-06-01\"\n")
        };
        let text =
            format!("{}background = \"{background:e} Pa*m3/s\"\nbackground_u = \"4e-6 Pa*m3/s\"\n", head("blank"));
        std::fs::write(folder.join(format!("blank-{month}.toml")), text).unwrap();
        let volume = 45.0 + 0.1 * [0.3, -0.2, -0.4, 0.1, 0.4, -0.1][number];
        let text = format!("{}far_volume = \"{volume} cm3\"\nfar_volume_u = \"1 %\"\n", head("volume"));
        std::fs::write(folder.join(format!("volume-{month}.toml")), text).unwrap();
    }
    let options = ["study", "drift", "[DIR]/calibrations"];
    let said = seathold(dir.path(), &[options.as_slice(), &["--plot", "--html", "[DIR]/drift.html"]].concat());
    assert_eq!((said.code, said.err.as_str()), (0, ""));
    golden("study-drift.txt", &said.out);
    let page = std::fs::read_to_string(dir.path().join("drift.html")).unwrap();
    assert_eq!(page.matches("<svg").count(), 2);
    let json = seathold(dir.path(), &[options.as_slice(), &["--json"]].concat());
    let told: serde_json::Value = serde_json::from_str(&json.out).unwrap();
    let (leak, volume) = (&told["drift"][0], &told["drift"][1]);
    let slope = leak["slope_a_day"].as_f64().unwrap();
    assert!((slope / 2e-3 - 1.0).abs() < 0.02 && leak["proven"] == true, "{leak}");
    // 0.04 mm³/s at 0.002 a day are twenty days; by the steepest slope fewer.
    let lasts = |at: usize| leak["lasts_days"][at].as_f64().unwrap();
    assert!((lasts(0) - 20.0).abs() < 0.5 && lasts(1) < lasts(0), "{leak}");
    assert_eq!(volume["proven"], false);
    let none = seathold(dir.path(), &["study", "drift"]);
    assert!(none.code == 2 && none.err.contains("--serial"), "{}", none.err);
}

/// Runs with a plug in place of the valve: own leak and time constant, day by day.
#[test]
fn runs_with_a_plug_show_drift_too() {
    let dir = tempfile::tempdir().unwrap();
    for day in ["02", "09", "16"] {
        let (at, out) = (format!("2026-03-{day}T09:30:00Z"), format!("[DIR]/blank/{day}.hold"));
        let said = seathold(
            dir.path(),
            &[
                "run",
                "-q",
                "--valve",
                "tight",
                "--serial",
                "PLUG",
                "--sides",
                "first",
                "--seed",
                day,
                "--started-at",
                &at,
                "--out",
                &out,
            ],
        );
        assert_eq!(said.code, 0, "{}", said.err);
    }
    let said = seathold(dir.path(), &["study", "drift", "[DIR]/blank", "--serial", "PLUG"]);
    println!("{}", said.out);
    assert_eq!(said.code, 0, "{}", said.err);
    assert!(said.out.contains("background leak: 3 values from 2026-03-02 to 2026-03-16"), "{}", said.out);
    assert!(said.out.contains("time constant: 3 values") && said.out.contains("a small sample"), "{}", said.out);
}
