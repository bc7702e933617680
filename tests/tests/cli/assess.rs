//! `seathold assess`: any logger's trace, good and bad.

use seathold_tests::cli_kit::{Said, golden, seathold};
use std::fmt::Write as _;
use std::path::Path;

use serde_json::Value;

/// A trace as a logger of 16.95 Pa steps would write it: falls by `slope`, with noise from a linear congruential
/// sequence (Numerical Recipes' constants, from memory).
fn trace(seconds: u32, slope_pa_s: f64, noise_pa: f64, seed: u32) -> Vec<(f64, f64)> {
    let mut state = seed;
    let mut uniform = || {
        state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
        f64::from(state >> 8) / f64::from(1u32 << 24) - 0.5
    };
    (0..=10 * seconds)
        .map(|i| {
            let t = f64::from(i) / 10.0;
            // Six uniform numbers with a variance of a half together.
            let noise = noise_pa * (0..6).map(|_| uniform()).sum::<f64>() * std::f64::consts::SQRT_2;
            let pa = 600_000.0 - slope_pa_s * t + noise;
            (t, (pa / 16.95).round() * 16.95)
        })
        .collect()
}

fn csv(rows: &[(f64, f64)]) -> String {
    let mut text = String::from("time_s,pressure_pa\n");
    for (t, p) in rows {
        let _ = writeln!(text, "{t:.1},{p:.2}");
    }
    text
}

fn assess(text: impl AsRef<[u8]>, more: &[&str]) -> Said {
    let dir = tempfile::tempdir().unwrap();
    std::fs::write(dir.path().join("trace.csv"), text).unwrap();
    run(dir.path(), more)
}

fn run(dir: &Path, more: &[&str]) -> Said {
    let mut typed = vec!["assess", "[DIR]/trace.csv", "--volume", "45cm3"];
    if !more.contains(&"--absolute") {
        typed.push("--gauge");
    }
    if !more.contains(&"--limit") {
        typed.extend(["--limit", "7.5mm3/s"]);
    }
    typed.extend(more);
    seathold(dir, &typed)
}

fn json(text: impl AsRef<[u8]>, more: &[&str]) -> (u8, Value) {
    let said = assess(text, &[more, &["--json"]].concat());
    assert_eq!(said.err, "", "{more:?}");
    (said.code, serde_json::from_str(&said.out).unwrap())
}

#[test]
fn verdicts_and_their_exit_codes() {
    // 7.5 mm³/s out of 45 cm³ is 16.67 Pa/s.
    for (slope, seconds, verdict, code) in
        [(0.5, 40, "tight", 0), (50.0, 40, "leaking", 1), (16.5, 40, "undecided", 3), (-50.0, 40, "void", 3)]
    {
        let (exit, said) = json(csv(&trace(seconds, slope, 20.0, 3)), &[]);
        assert_eq!((said["verdict"].as_str().unwrap(), exit), (verdict, code), "{slope} Pa/s");
        assert_eq!(said["exit"], code);
        let (leak, u) = (said["leak_pa_m3_s"].as_f64().unwrap(), said["expanded_pa_m3_s"].as_f64().unwrap());
        assert!((leak - slope * 45e-6).abs() < u, "{leak} ± {u} for {slope} Pa/s");
    }
}

/// A log that begins after the valve was shut is judged as the same part of one that does not, where it is told so.
#[test]
fn a_log_may_begin_after_the_valve_was_shut() {
    let settling = |t: f64| 4_000.0 * (-t / 5.0).exp();
    let rows: Vec<_> = trace(47, 5.0, 20.0, 5).into_iter().map(|(t, p)| (t, p + settling(t))).collect();
    let leak = |said: &Value| said["leak_pa_m3_s"].as_f64().unwrap();
    let (_, whole) = json(csv(&rows), &["--window", "7s.."]);
    let late = csv(&rows[70..]);
    let (_, told) = json(&late, &["--shut", "0 s"]);
    assert_eq!(leak(&told), leak(&whole));
    let (_, untold) = json(&late, &[]);
    assert!(leak(&untold) != leak(&whole));
    let assumed =
        |said: &Value| said["notes"].as_array().unwrap().iter().any(|n| n.as_str().unwrap().contains("first reading"));
    assert_eq!([assumed(&untold), assumed(&told)], [true, false]);
    let said = assess(&late, &["--shut", "9 s"]);
    assert!(said.code == 2 && said.err.contains("the valve was shut at 9 s only"), "{}", said.err);
    // Long before: nothing is left of the transient, and nothing breaks.
    let (code, old) = json(&late, &["--shut=-1e9 s"]);
    assert!(code <= 3 && old["leak_pa_m3_s"].as_f64().is_none_or(f64::is_finite), "{old}");
}

#[test]
fn json_has_every_field_promised() {
    let (_, said) = json(csv(&trace(40, 5.0, 20.0, 4)), &["--window", "5s..35s"]);
    assert_eq!(said["window_s"].as_f64().unwrap(), 30.0);
    assert_eq!((said["window_from_s"].as_f64(), said["window_to_s"].as_f64()), (Some(5.0), Some(35.0)));
    assert_eq!(said["coverage"].as_f64().unwrap(), 0.95);
    assert!(["line", "line-and-transient"].contains(&said["model"].as_str().unwrap()));
    let slope = said["slope_pa_s"].as_f64().unwrap();
    let su = said["slope_expanded_pa_s"].as_f64().unwrap();
    assert!(slope < 0.0 && su > 0.0 && (slope + 5.0).abs() < su, "{slope} ± {su}");
    assert!((said["resolution_pa"].as_f64().unwrap() / 16.95 - 1.0).abs() < 1e-3);
    let noise = said["noise_pa"].as_f64().unwrap();
    assert!((15.0..27.0).contains(&noise), "{noise}");
    let budget = &said["uncertainty_budget_pa_m3_s"];
    let parts = ["fit", "curve", "resolution", "volume", "gain", "temperature", "background"];
    let squares: f64 = parts.iter().map(|p| budget[p].as_f64().unwrap().powi(2)).sum();
    assert!((squares.sqrt() / budget["combined"].as_f64().unwrap() - 1.0).abs() < 1e-12);
}

/// One and the same trace in every dialect gives one and the same answer.
#[test]
fn dialects() {
    let rows = trace(30, 5.0, 20.0, 5);
    let plain = csv(&rows);
    let expected = json(&plain, &[]);
    let semicolons = plain.replace(',', ";");
    let dialects: &[(&str, Vec<u8>)] = &[
        ("byte order mark", [b"\xef\xbb\xbf", plain.as_bytes()].concat()),
        ("CRLF", plain.replace('\n', "\r\n").into()),
        ("blank lines", plain.replace('\n', "\n\n  \n").into()),
        ("blank lines before the header", format!("\n\n{plain}").into()),
        ("no end of line at the end", plain.trim_end().into()),
        ("blanks around cells", plain.replace(',', " , ").into()),
        ("quotes", plain.replace("time_s", "\"time_s\"").into()),
        ("tabs", plain.replace(',', "\t").into()),
        ("semicolons", semicolons.clone().into()),
        ("decimal commas", semicolons.replace('.', ",").into()),
        ("capitals in the header", plain.replace("time_s,pressure_pa", "Time_s,Pressure_Pa").into()),
        ("another column", plain.replace('\n', ",x\n").into()),
    ];
    for (what, text) in dialects {
        let (code, mut found) = json(text, &[]);
        let notes = found["notes"].as_array_mut().unwrap();
        let told = notes.iter().position(|note| note == "columns ignored: x").map(|at| notes.remove(at));
        assert_eq!(told.is_some(), *what == "another column");
        assert_eq!((code, found), expected, "{what}");
    }
    // Columns in another order.
    let mut turned = String::from("pressure_pa,time_s\n");
    for (t, p) in &rows {
        let _ = writeln!(turned, "{p:.2},{t:.1}");
    }
    assert_eq!(json(turned, &[]), expected);
    // Absolute instead of gauge: only the drift of temperature looks at the pressure, and that is the same.
    let mut absolute = String::from("time_s,pressure_pa\n");
    for (t, p) in &rows {
        let _ = writeln!(absolute, "{t:.1},{:.2}", p + 101_325.0);
    }
    let (_, said) = json(absolute, &["--absolute"]);
    let near = |field: &str| {
        let (a, b) = (said[field].as_f64().unwrap(), expected.1[field].as_f64().unwrap());
        assert!((a / b - 1.0).abs() < 1e-6, "{field}: {a} against {b}");
    };
    near("leak_pa_m3_s");
    near("expanded_pa_m3_s");
}

/// Input that is refused: exit code 2, nothing on standard output, the file and the line named.
#[test]
fn bad_files_are_refused_with_their_line() {
    let good = csv(&trace(10, 5.0, 20.0, 6));
    let with = |n: usize, line: &str| {
        let mut lines: Vec<&str> = good.lines().collect();
        lines[n - 1] = line;
        lines.join("\n")
    };
    let bad: &[(&str, String, &str)] = &[
        ("duplicate time", with(20, "1.7,600000"), "line 20: time_s: 1.7 s again, as in line 19"),
        ("backward time", with(20, "1.2,600000"), "line 20: time_s: 1.2 s is before the 1.7 s of line 19"),
        ("no number", with(20, "1.8,high"), "line 20: pressure_pa: \"high\" is not a number"),
        ("no time", with(20, "soon,600000"), "line 20: time_s: \"soon\" is not a number"),
        ("empty time", with(20, ",600000"), "line 20: time_s: a reading needs a time"),
        ("infinite", with(20, "1.8,inf"), "line 20: pressure_pa: \"inf\" is not a number"),
        ("too few cells", with(20, "1.8"), "line 20: 1 cells where the header has 2"),
        (
            "decimal commas and commas",
            with(20, "1,8,600000,0"),
            "line 20: 4 cells where the header has 2; with decimal commas",
        ),
        ("below vacuum", with(20, "1.8,-200000"), "line 20: pressure_pa: -200000 Pa is outside"),
        (
            "no header",
            good.lines().skip(1).collect::<Vec<_>>().join("\n"),
            "line 1: the first line must name the columns",
        ),
        ("other column", good.replace("pressure_pa", "pressure_bar"), "line 1: no column pressure_pa"),
        ("column twice", good.replace("time_s,", "pressure_pa,"), "line 1: no column time_s"),
        ("nothing", String::new(), "the file is empty"),
        ("header alone", "time_s,pressure_pa\n".into(), "no readings below the header"),
        (
            "too short",
            good.lines().take(9).collect::<Vec<_>>().join("\n"),
            "the window holds 8 readings; an estimate needs at least 16",
        ),
        (
            "kelvin that are Celsius",
            good.replace('\n', ",21.5\n").replacen("pressure_pa,21.5", "pressure_pa,temperature_k", 1),
            "line 2: temperature_k: 21.5 K is outside 200 to 400 K; in °C",
        ),
    ];
    for (what, text, said) in bad {
        let found = assess(text, &[]);
        assert_eq!((found.code, found.out.as_str()), (2, ""), "{what}: {}", found.err);
        assert!(found.err.starts_with("error: [DIR]/trace.csv:"), "{what}: {}", found.err);
        assert!(found.err.contains(said), "{what}: {}", found.err);
    }
    let utf16: Vec<u8> = [0xff, 0xfe].into_iter().chain(good.encode_utf16().flat_map(u16::to_le_bytes)).collect();
    assert!(assess(utf16, &[]).err.contains("line 1: this is UTF-16 text"));
    let not_text = [good.as_bytes(), b"99.0,\xff\xfe\n"].concat();
    assert!(assess(not_text, &[]).err.contains("pressure_pa: not text"));
}

/// Several mistakes are told at once, and not without end.
#[test]
fn all_mistakes_at_once() {
    let text = csv(&trace(10, 5.0, 20.0, 6)).replace("1.3,", "x,").replace("4.4,", "y,");
    let said = assess(text, &[]);
    assert!(
        said.err.contains("2 mistakes") && said.err.contains("line 15") && said.err.contains("line 46"),
        "{}",
        said.err
    );
    let all_bad = format!("time_s,pressure_pa\n{}", "x,y\n".repeat(5_000));
    let said = assess(all_bad, &[]);
    assert!(said.err.lines().count() < 60, "{}", said.err.lines().count());
}

/// What spoils a window makes it void, with its line, and never a verdict; outside the window it does no harm.
#[test]
fn spoiled_windows() {
    let rows = trace(40, 1.0, 20.0, 7);
    let plain = csv(&rows);
    let nan = plain
        .replace("\n20.0,", "\n20.0,NaN#")
        .lines()
        .map(|l| l.split('#').next().unwrap_or(l))
        .collect::<Vec<_>>()
        .join("\n");
    let empty = nan.replace("NaN", "");
    let mut gap = rows.clone();
    gap.drain(200..230);
    let mut step = rows.clone();
    for (_, p) in &mut step[200..] {
        *p -= 30.0 * 16.95;
    }
    for (what, text, said) in [
        ("NaN", nan, "line 202: no reading at 20 s"),
        ("an empty cell", empty, "line 202: no reading at 20 s"),
        ("a gap", csv(&gap), "line 202: nothing for 3.1 s before it, where readings come every 0.1 s"),
        ("a step", csv(&step), "a step or knock shows at about 2"),
    ] {
        let (code, whole) = json(&text, &[]);
        assert_eq!((code, whole["verdict"].as_str().unwrap()), (3, "void"), "{what}");
        assert!(whole["leak_pa_m3_s"].is_null(), "{what}");
        let why = whole["void_because"].as_str().unwrap();
        assert!(why.contains(said), "{what}: {why}");
        let (code, part) = json(&text, &["--window", "..19s", "--tau", "2 s"]);
        assert_eq!((code, part["verdict"].as_str().unwrap()), (0, "tight"), "{what} outside the window");
    }
    // Stuck: every reading the same.
    let stuck: Vec<(f64, f64)> = rows.iter().map(|(t, _)| (*t, 600_000.0)).collect();
    let (code, said) = json(csv(&stuck), &[]);
    assert_eq!((code, said["verdict"].as_str().unwrap()), (3, "void"));
    assert!(said["void_because"].as_str().unwrap().contains("every reading is the same"));
}

/// Uneven sampling is taken as it comes.
#[test]
fn uneven_sampling() {
    let rows: Vec<(f64, f64)> = trace(40, 5.0, 20.0, 8)
        .into_iter()
        .enumerate()
        .filter(|(i, _)| i % 7 != 3 && i % 11 != 5)
        .map(|(_, row)| row)
        .collect();
    let (code, said) = json(csv(&rows), &[]);
    let (slope, u) = (said["slope_pa_s"].as_f64().unwrap(), said["slope_expanded_pa_s"].as_f64().unwrap());
    assert_eq!(code, 0);
    assert!((slope + 5.0).abs() < u, "{slope} ± {u}");
}

/// Gas that warms by 20 mK/s while it leaks 30 Pa/s, with its temperature to this many places.
fn warming(places: usize) -> String {
    let mut text = String::from("time_s,pressure_pa,temperature_k\n");
    for (t, p) in trace(40, 30.0, 20.0, 9) {
        let kelvin = 293.15 + 0.02 * t;
        let warm = (p + 101_325.0) * kelvin / 293.15 - 101_325.0;
        let _ = writeln!(text, "{t:.1},{:.2},{kelvin:.places$}", (warm / 16.95).round() * 16.95);
    }
    text
}

/// A warming gas is taken out where the trace has its temperature, and hides the leak where it has not.
#[test]
fn temperature_is_taken_out() {
    let text = warming(4);
    let (_, with) = json(&text, &[]);
    let (leak, u) = (with["leak_pa_m3_s"].as_f64().unwrap(), with["expanded_pa_m3_s"].as_f64().unwrap());
    assert!((leak - 30.0 * 45e-6).abs() < u, "{leak} ± {u}");
    let without: String = text.lines().map(|l| format!("{}\n", &l[..l.rfind(',').unwrap()])).collect();
    let (_, blind) = json(without, &[]);
    let hidden = blind["leak_pa_m3_s"].as_f64().unwrap();
    // 0.02 K/s at 701 kPa absolute is 47.9 Pa/s.
    assert!((hidden - (30.0 - 47.9) * 45e-6).abs() < 2.0 * u, "{hidden}");
}

/// A thermometer's steps are in the budget: `V·p/T·step·√(2/12)/window`.
#[test]
fn coarse_thermometers_get_wide_answers() {
    let part = |places| {
        let (_, said) = json(warming(places), &["--model", "line"]);
        let (leak, u) = (said["leak_pa_m3_s"].as_f64().unwrap(), said["expanded_pa_m3_s"].as_f64().unwrap());
        assert!((leak - 30.0 * 45e-6).abs() < u, "{places} places: {leak} ± {u}");
        said["uncertainty_budget_pa_m3_s"]["temperature"].as_f64().unwrap()
    };
    let (fine, coarse) = (part(4), part(1));
    let steps = 45e-6 * 701_325.0 / 293.55 * 0.1 * (2.0f64 / 12.0).sqrt() / 40.0;
    let added = (coarse * coarse - fine * fine).sqrt();
    assert!((added / steps - 1.0).abs() < 0.03, "{added} {steps}");
}

/// A step far coarser than the noise widens the answer, and never to a false one.
#[test]
fn coarse_loggers_get_wide_answers() {
    let fine = trace(40, 5.0, 20.0, 10);
    let coarse: Vec<(f64, f64)> = fine.iter().map(|(t, p)| (*t, (p / 400.0).round() * 400.0)).collect();
    let u = |rows: &[(f64, f64)], more: &[&str]| {
        let (_, said) = json(csv(rows), more);
        let (leak, u) = (said["leak_pa_m3_s"].as_f64().unwrap(), said["expanded_pa_m3_s"].as_f64().unwrap());
        assert!((leak - 5.0 * 45e-6).abs() < u, "{leak} ± {u}");
        u
    };
    let line = &["--model", "line"];
    assert!(u(&coarse, line) > 3.0 * u(&fine, line));
}

/// 40 CFR 1065.644, worked example of a vacuum-decay leak (inputs *seen*; answer *computed*): 2 l, 25.300 to
/// 50.600 kPa absolute in 70 s at 293.15 K, R = 8.314472: 2.96570468e-4 mol/s flowing in.
/// A logger so fine that its whole range is some kilopascals: every figure of the rig it is taken for must fit that.
#[test]
fn fine_loggers_are_judged() {
    let mut text = String::from("time_s,pressure_pa\n");
    for i in 0..600 {
        let t = f64::from(i) / 10.0;
        let _ = writeln!(text, "{t:.1},{:.6}", 2_000.0 + 0.05 * (t * 1.7).sin() - 0.01 * t);
    }
    let said = assess(text, &[]);
    assert!(said.code != 2 && said.err.is_empty(), "{} {}", said.err, said.out);
}

#[test]
fn a_limit_that_would_empty_the_volume_at_once_is_told_as_such() {
    let text = csv(&trace(60, 0.0, 20.0, 1));
    let said = assess(text, &["--limit", "900cm3/s"]);
    assert!(said.err.contains("within a fraction of a second: are limit and volume right?"), "{}", said.err);
}

#[test]
fn vacuum_decay_example() {
    let mut text = String::from("time_s,pressure_pa\n");
    for i in 0..=70 {
        let _ = writeln!(text, "{i},{}", 25_300.0 + 25_300.0 * f64::from(i) / 70.0);
    }
    let dir = tempfile::tempdir().unwrap();
    std::fs::write(dir.path().join("trace.csv"), text).unwrap();
    let typed = [
        "assess",
        "[DIR]/trace.csv",
        "--absolute",
        "--volume",
        "2l",
        "--limit",
        "1 Pa*m3/s",
        "--model",
        "line",
        "--json",
    ];
    let said: Value = serde_json::from_str(&seathold(dir.path(), &typed).out).unwrap();
    let moles = said["leak_pa_m3_s"].as_f64().unwrap() / (8.314_472 * 293.15);
    assert!((moles / -2.965_704_68e-4 - 1.0).abs() < 1e-7, "{moles}");
    assert_eq!(said["verdict"], "void");
}

#[test]
fn options_are_checked_all_at_once() {
    let said = assess(
        csv(&trace(10, 5.0, 20.0, 6)),
        &["--limit", "no visible leakage", "--window", "9s..3s", "--tau", "4 bar", "--coverage", "2"],
    );
    assert_eq!(said.code, 2);
    for part in ["4 mistakes", "--limit:", "not a leak rate", "ends before it begins", "--tau:", "--coverage:"] {
        assert!(said.err.contains(part), "{part}: {}", said.err);
    }
    let said = assess(csv(&trace(10, 5.0, 20.0, 6)), &["--window", "50s..60s"]);
    assert!(said.err.contains("no reading in the window; the trace runs from 0 s to 10 s"), "{}", said.err);
}

#[test]
fn texts() {
    let line = ["--model", "line"];
    golden("assess-tight.txt", &assess(csv(&trace(40, 0.5, 20.0, 3)), &line).out);
    golden(
        "assess-leaking.txt",
        &assess(csv(&trace(40, 50.0, 20.0, 3)), &[&line[..], &["--limit", "ISO 5208 rate B DN 25"]].concat()).out,
    );
    golden("assess-undecided.txt", &assess(csv(&trace(10, 15.0, 20.0, 3)), &line).out);
    let mut gap = trace(40, 0.5, 20.0, 3);
    gap.drain(200..230);
    golden("assess-void.txt", &assess(csv(&gap), &line).out);
}

/// Signed quantities are taken as they are typed, and out of range they are refused by name.
#[test]
fn negative_quantities_are_taken() {
    let rows = csv(&trace(40, 3.0, 10.0, 5));
    let (_, without) = json(&rows, &[]);
    let (code, with) = json(&rows, &["--background", "-0.3 mm3/s"]);
    assert_eq!(code, 0);
    let leak = |of: &Value| of["leak_pa_m3_s"].as_f64().unwrap();
    assert!((leak(&with) - leak(&without) - 3e-5).abs() < 1e-12, "{with} {without}");
    let (_, cold) = json(&rows, &["--gas-temperature", "-5 C", "--window", "-5s..20s"]);
    assert!((cold["gas_temperature_k"].as_f64().unwrap() - 268.15).abs() < 1e-9, "{cold}");
    let said = assess(&rows, &["--background", "-2000 cm3/s"]);
    assert!(
        said.code == 2 && said.err.contains("--background: -2000 cm3/s is outside -1 cm3/s to 1 cm3/s"),
        "{}",
        said.err
    );
}

/// What the text says beside its figures is in the JSON too.
#[test]
fn notes_of_the_text_are_in_the_json() {
    let rows = csv(&trace(20, 3.0, 10.0, 5));
    let class = ["--limit", "ISO 5208 rate B DN 100"];
    let said = assess(&rows, &class);
    let text = said.out.split_whitespace().collect::<Vec<_>>().join(" ");
    let (_, value) = json(&rows, &class);
    let notes: Vec<&str> = value["notes"].as_array().unwrap().iter().map(|note| note.as_str().unwrap()).collect();
    for begin in [
        "limit: ISO 5208",
        "the standard's closure test",
        "holds while the gas temperature drifts",
        "assumed: valve shut at",
    ] {
        let note = notes.iter().find(|note| note.starts_with(begin)).unwrap_or_else(|| panic!("{begin}: {notes:?}"));
        let words = note.strip_prefix("limit: ").or_else(|| note.strip_prefix("assumed: ")).unwrap_or(note);
        assert!(text.contains(words), "{words}: {text}");
    }
    assert_eq!(value["drift_margin"]["falls_when"], "warming");
    // Typed, it is not called assumed.
    let (_, typed) = json(&rows, &["--temperature-drift-u", "0.2 mK/s"]);
    assert!(typed["notes"][0].as_str().unwrap().ends_with("; ±0.2 mK/s given)"), "{}", typed["notes"]);
}
