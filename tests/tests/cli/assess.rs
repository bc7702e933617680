//! `seathold assess`: any logger's trace, good and bad.

use seathold_tests::cli_kit::{Said, golden, seathold};
use std::fmt::Write as _;
use std::path::Path;

use serde_json::Value;

/// A trace as a logger of 16.95 Pa steps would write it: falls by `slope`, with noise from a linear congruential
/// sequence (Numerical Recipes' constants, from memory).
pub(super) fn trace(seconds: u32, slope_pa_s: f64, noise_pa: f64, seed: u32) -> Vec<(f64, f64)> {
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

pub(super) fn csv(rows: &[(f64, f64)]) -> String {
    let mut text = String::from("time_s,pressure_pa\n");
    for (t, p) in rows {
        let _ = writeln!(text, "{t:.1},{p:.2}");
    }
    text
}

pub(super) fn assess(text: impl AsRef<[u8]>, more: &[&str]) -> Said {
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

pub(super) fn json(text: impl AsRef<[u8]>, more: &[&str]) -> (u8, Value) {
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

/// A channel that sticks, with a flicker now and then, shows no leak, and proves none absent.
#[test]
fn a_channel_that_sticks_is_not_tight() {
    for (every, said_to_be) in [(1_000, "every reading is"), (50, "98 % of the readings are")] {
        let flicker = |i: usize| if i % every == every - 1 { 17.0 } else { 0.0 };
        let rows: Vec<_> = (0..400).map(|i| (i as f64 * 0.1, 600_000.0 + flicker(i))).collect();
        let (code, said) = json(csv(&rows), &[]);
        assert_eq!((said["verdict"].as_str().unwrap(), code), ("void", 3), "{said}");
        assert!(said["void_because"].as_str().unwrap().starts_with(said_to_be), "{said}");
        // Whoever knows the converter answers for it.
        let (code, said) = json(csv(&rows), &["--resolution", "17 Pa"]);
        assert_eq!((said["verdict"].as_str().unwrap(), code), ("tight", 0), "{said}");
    }
}

/// An absolute transducer on a vented far side, taken for a gauge one.
#[test]
fn the_surroundings_own_pressure_is_pointed_at() {
    let at = |mean: f64| {
        let rows: Vec<_> = trace(40, 0.5, 20.0, 3).into_iter().map(|(t, p)| (t, p - 6e5 + mean)).collect();
        let (_, said) = json(csv(&rows), &[]);
        said["notes"].as_array().unwrap().iter().any(|n| n.as_str().unwrap().contains("with the far side vented"))
    };
    assert_eq!([at(1.013e5), at(6e5)], [true, false]);
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
        if *what == "capitals in the header" {
            assert_eq!(found["pressure_column"].take(), "Pressure_Pa");
            found["pressure_column"] = "pressure_pa".into();
        }
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
        (
            "other column",
            good.replace("pressure_pa", "level"),
            "line 1: no column of pressure (there are: time_s, level)",
        ),
        ("no unit of pressure", good.replace("pressure_pa", "pressure [barr]"), "did you mean \"bar\"?"),
        ("no such column", good.replace("time_s,", "pressure_pa,"), "line 1: no column of time"),
        (
            "column twice",
            good.replace('\n', ",1\n").replacen("pressure_pa,1", "pressure_pa,pressure_pa", 1),
            "line 1: columns 2 \"pressure_pa\" and 3 \"pressure_pa\" may be the pressure: say which",
        ),
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

/// A logger that writes bar under a header that says pascals: no pressure that any valve is tested at.
#[test]
fn a_trace_in_another_unit_than_its_header_says_is_refused() {
    let mut text = String::from("time_s,pressure_pa\n");
    for (t, p) in trace(40, 50.0, 20.0, 3) {
        let _ = writeln!(text, "{t:.1},{:.6}", p / 1e5);
    }
    let said = assess(&text, &[]);
    assert_eq!((said.code, said.out.as_str()), (2, ""), "{}", said.err);
    for part in ["begins at 5.999 Pa gauge", "within 0.2 bar to 10 bar", "in bar or psi, say so with --pressure-unit"] {
        assert!(said.err.contains(part), "{part}: {}", said.err);
    }
    // Told its unit, it is the leaking valve that it is.
    let (code, told) = json(&text, &["--pressure-unit", "bar"]);
    assert_eq!((code, told["verdict"].as_str().unwrap()), (1, "leaking"));
    assert!((told["leak_pa_m3_s"].as_f64().unwrap() / (50.0 * 45e-6) - 1.0).abs() < 0.05, "{told}");
    assert!(
        told["notes"]
            .as_array()
            .unwrap()
            .contains(&"pressure taken in bar, as --pressure-unit says, and not in Pa".into())
    );
    // Absolute pressures in bar are no test pressure either, nor is a vacuum taken for one.
    let said = assess(&text, &["--absolute"]);
    assert!(said.code == 2 && said.err.contains("begins at -1.0132 bar gauge"), "{}", said.err);
}

/// Each header says its units, and the answer is one and the same.
#[test]
fn units_are_read_from_the_header() {
    let rows = trace(30, 5.0, 20.0, 5);
    let (code, expected) = json(csv(&rows), &[]);
    let of = |value: &Value, field: &str| value[field].as_f64().unwrap();
    for (header, time, pressure, unit) in [
        ("Time [s],Pressure [bar]", 1.0, 1e5, "bar"),
        ("t / min,p / kPa", 60.0, 1e3, "kPa"),
        ("Elapsed (ms),Pressure (mbar)", 1e-3, 1e2, "mbar"),
        ("TIME_S,PRESSURE_MPA", 1.0, 1e6, "MPa"),
        // The psi: 4.4482216152605 N over 6.4516e-4 m² (NIST SP 811, appendix B.8).
        ("hours,no,time_h,pressure_psi", 3_600.0, 4.448_221_615_260_5 / 6.4516e-4, "psi"),
    ] {
        let mut text = format!("{header}\n");
        let before = if header.contains("no,") { "1,2," } else { "" };
        for (t, p) in &rows {
            let _ = writeln!(text, "{before}{:.12},{:.12}", t / time, p / pressure);
        }
        let (found_code, found) = json(&text, &[]);
        assert_eq!((found_code, found["pressure_unit"].as_str().unwrap()), (code, unit), "{header}");
        for field in ["leak_pa_m3_s", "expanded_pa_m3_s", "pressure_pa", "window_s"] {
            let (a, b) = (of(&found, field), of(&expected, field));
            assert!((a / b - 1.0).abs() < 1e-5, "{header}, {field}: {a} against {b}");
        }
    }
}

/// What a header says of gauge and absolute need not be said again.
#[test]
fn gauge_or_absolute_is_read_from_the_header() {
    let rows = trace(30, 5.0, 20.0, 5);
    let write = |header: &str, added: f64| {
        let mut text = format!("{header}\n");
        for (t, p) in &rows {
            let _ = writeln!(text, "{t:.1};{:.6}", (p + added) / 1e5);
        }
        text
    };
    let dir = tempfile::tempdir().unwrap();
    let said = |text: &str, more: &[&str]| {
        std::fs::write(dir.path().join("trace.csv"), text).unwrap();
        let typed = ["assess", "[DIR]/trace.csv", "--volume", "45cm3", "--limit", "7.5mm3/s", "--json"];
        seathold(dir.path(), &[&typed, more].concat())
    };
    let pressure = |said: &Said| -> (f64, String) {
        let value: Value = serde_json::from_str(&said.out).unwrap_or_else(|_| panic!("{}", said.err));
        (value["pressure_pa"].as_f64().unwrap(), value["pressure_reference"].as_str().unwrap().to_owned())
    };
    let gauge = pressure(&said(&write("time_s;Pressure [barg]", 0.0), &[]));
    let absolute = pressure(&said(&write("time_s;p / bara", 101_325.0), &[]));
    assert_eq!((gauge.1.as_str(), absolute.1.as_str()), ("gauge", "absolute"));
    assert!((gauge.0 - absolute.0).abs() < 0.1 && (gauge.0 - 599_925.0).abs() < 20.0, "{gauge:?} {absolute:?}");
    let unsaid = said(&write("time_s;p / bar", 0.0), &[]);
    assert!(unsaid.code == 2 && unsaid.err.contains("Say --gauge or --absolute"), "{}", unsaid.err);
    let both = said(&write("time_s;p / bar", 0.0), &["--gauge", "--pressure-unit", "bara"]);
    assert!(both.code == 2 && both.err.contains("--gauge says otherwise"), "{}", both.err);
}

/// The same trace by the clock of the logger.
#[test]
fn clock_times() {
    let rows = trace(40, 5.0, 20.0, 5);
    let plain = csv(&rows);
    let (_, expected) = json(&plain, &["--window", "5s..35s", "--shut", "-3s"]);
    let written = |clock: &dyn Fn(f64) -> String| {
        let mut text = String::from("Time;Pressure [Pa]\n");
        for (t, p) in &rows {
            let _ = writeln!(text, "{};{p:.2}", clock(*t));
        }
        text
    };
    // From 20 s before midnight: the trace goes over it.
    let of_day = |t: f64| {
        let (second, place) = ((t + 1e-6) as u32, ((t + 1e-6).fract() * 10.0) as u32);
        let at = (86_380 + second) % 86_400;
        format!("{:02}:{:02}:{:02},{place}", at / 3_600, at / 60 % 60, at % 60)
    };
    let day = |t: f64| if t < 19.95 { "02" } else { "03" };
    let by_clock = ["--window", "23:59:45..00:00:15", "--shut", "23:59:37"];
    let by_time = ["--window", "5s..35s", "--shut", "-3s"];
    for (what, text) in [
        ("time of day", written(&of_day)),
        ("with a date", written(&|t| format!("{}.03.2026 {}", day(t), of_day(t)))),
        ("ISO 8601", written(&|t| format!("2026-03-{}T{}+01:00", day(t), of_day(t).replace(',', ".")))),
    ] {
        for typed in [by_time, by_clock] {
            let (_, found) = json(&text, &typed);
            for field in ["leak_pa_m3_s", "expanded_pa_m3_s", "window_from_s", "window_to_s", "readings"] {
                assert_eq!(found[field], expected[field], "{what}, {typed:?}: {field}");
            }
            let notes = found["notes"].to_string();
            assert!(notes.contains("time 0 s is the clock time of line 2"), "{notes}");
            assert_eq!(notes.contains("a new day begins at line 202"), what == "time of day", "{notes}");
        }
    }
    let said = assess(written(&|t| format!("3/2/2026 {}", of_day(t))), &[]);
    assert!(said.code == 2 && said.err.contains("which of the numbers is the month"), "{}", said.err);
    let said = assess(&plain, &by_clock);
    assert!(
        said.err.contains("--window: \"23:59:45\" is a clock time, and the trace's times are none"),
        "{}",
        said.err
    );
    let mixed = written(&of_day).replace("23:59:45,0", "5");
    assert!(assess(mixed, &[]).err.contains("line 52: Time: a number, where others are clock times"));
}

/// What a logger writes above its table is skipped when that is said, and where it was not, the error says how.
#[test]
fn preambles() {
    let plain = csv(&trace(30, 5.0, 20.0, 5));
    let expected = json(&plain, &[]);
    let preamble = "Logger 7; serial 0815\r\nChannels: 1, 2\r\nStart, 2026-03-02 09:30:00, \"quote\r\n\r\n";
    let text = format!("{preamble}{plain}");
    assert_eq!(json(&text, &["--skip-lines", "4"]), expected);
    let said = assess(&text, &[]);
    assert_eq!(said.code, 2);
    assert!(said.err.contains("line 5 looks like the header: if it is, say --skip-lines 4"), "{}", said.err);
    // Lines are counted from the top of the file.
    let bad = text.replace("\n1.8,", "\nx,");
    assert!(assess(bad, &["--skip-lines", "4"]).err.contains("line 24: time_s: \"x\" is not a number"));
    assert!(assess(&text, &["--skip-lines", "900"]).err.contains("nothing below line 900"));
}

/// Units in a row of their own; no header at all; a header in Latin-1.
#[test]
fn other_ways_to_name_columns() {
    let rows = trace(30, 5.0, 20.0, 5);
    let plain = csv(&rows);
    let (_, expected) = json(&plain, &[]);
    let table = plain.split_once('\n').unwrap().1;
    let same = |text: &[u8], more: &[&str], what: &str| {
        let (_, found) = json(text, more);
        let [a, b] = [&found, &expected].map(|value| value["leak_pa_m3_s"].as_f64().unwrap());
        assert!((a / b - 1.0).abs() < 1e-12, "{what}: {a} against {b}");
        found
    };
    same(format!("Time,Pressure\n[s],[Pa]\n{table}").as_bytes(), &[], "a row of units");
    let by_number = ["--time-column", "1", "--pressure-column", "2", "--time-unit", "s", "--pressure-unit", "Pa"];
    same(table.as_bytes(), &by_number, "no header");
    let named = ["--time-column", "Zeit", "--pressure-column", "druck [pa]", "--time-unit", "s"];
    same(format!("Zeit,Druck [Pa]\n{table}").as_bytes(), &named, "other names");
    let mut latin = b"Zeit [s],Druck [Pa],Temp [\xb0C]\n".to_vec();
    for (t, p) in &rows {
        latin.extend(format!("{t:.1},{p:.2},20.0\n").bytes());
    }
    let found = same(&latin, &[], "Latin-1");
    assert!((found["gas_temperature_k"].as_f64().unwrap() - 293.15).abs() < 1e-9);
    assert!(found["notes"].to_string().contains("as measured"), "{}", found["notes"]);
    let without = same(&latin, &["--temperature-column", "none"], "no temperature");
    assert!(!without["notes"].to_string().contains("as measured"), "{}", without["notes"]);
    let said = assess(table, &[]);
    assert!(said.code == 2 && said.err.contains("of a file without such a line say --time-column"), "{}", said.err);
    let said = assess(format!("Time,Pressure\n{table}"), &[]);
    for part in ["line 2: Time: no unit is named", "line 2: Pressure: no unit is named", "or say --pressure-unit"] {
        assert!(said.code == 2 && said.err.contains(part), "{part}: {}", said.err);
    }
}

/// A recipe says at what pressure, against which limit and at which risks; options count before it.
#[test]
fn a_recipe_says_what_was_to_be_tested() {
    let dir = tempfile::tempdir().unwrap();
    std::fs::write(
        dir.path().join("r.toml"),
        "target = \"6 bar\"\ntarget_tolerance = \"0.2 bar\"\nlimit = \"15 mm3/s\"\ncoverage = \"99 %\"\n",
    )
    .unwrap();
    let judged = |pa: f64, more: &[&str]| {
        let rows: Vec<_> = trace(30, 5.0, 20.0, 5).into_iter().map(|(t, p)| (t, p + pa - 600_000.0)).collect();
        std::fs::write(dir.path().join("trace.csv"), csv(&rows)).unwrap();
        let typed = ["assess", "[DIR]/trace.csv", "--gauge", "--volume", "45cm3", "--recipe", "[DIR]/r.toml", "--json"];
        seathold(dir.path(), &[&typed, more].concat())
    };
    let value = |said: &Said| -> Value { serde_json::from_str(&said.out).unwrap_or_else(|_| panic!("{}", said.err)) };
    let said = value(&judged(600_000.0, &[]));
    assert!((said["limit_pa_m3_s"].as_f64().unwrap() - 1.5e-3).abs() < 1e-12);
    assert_eq!(said["coverage"].as_f64(), Some(0.99));
    assert_eq!(value(&judged(600_000.0, &["--coverage", "90 %"]))["coverage"].as_f64(), Some(0.9));
    for pa in [575_000.0, 625_000.0] {
        let said = judged(pa, &[]);
        assert!(said.code == 2 && said.err.contains("within 5.8 bar to 6.2 bar"), "{}", said.err);
    }
    assert_eq!(judged(575_000.0, &["--pressure-min", "5,7 bar"]).code, 0);
    let said = judged(600_000.0, &["--pressure-min", "7 bar"]);
    assert!(said.code == 2 && said.err.contains("--pressure-min: not below --pressure-max"), "{}", said.err);
    // Without a recipe a limit is needed.
    let said = seathold(dir.path(), &["assess", "[DIR]/trace.csv", "--gauge", "--volume", "45cm3"]);
    assert!(said.code == 2 && said.err.contains("--limit"), "{}", said.err);
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
    // Its readings lie on one value for most of the time, so somebody must say that it is sound.
    let known = u(&coarse, &["--model", "line", "--resolution", "400 Pa"]);
    assert!(known > 3.0 * u(&fine, &["--model", "line"]));
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
    let said = assess(text, &["--pressure-min", "1 kPa"]);
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
        "--pressure-min",
        "-1 bar",
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
