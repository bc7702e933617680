//! `seathold assess`: channels that froze, stick, or are clipped; times in another unit than the header says.

use std::fmt::Write as _;

use seathold_tests::cli_kit::seathold;
use serde_json::Value;

use super::assess::{assess, csv, json, trace};

/// A trace in steps of `step` Pa: falls by `slope`, with normal noise.
fn fine(seconds: u32, slope_pa_s: f64, noise_pa: f64, step: f64) -> Vec<(f64, f64)> {
    let rows = trace(seconds, slope_pa_s, noise_pa, 11);
    // The helper's own steps are dithered away.
    let mut state = 7u32;
    let mut dither = || {
        state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
        16.95 * (f64::from(state >> 8) / f64::from(1u32 << 24) - 0.5)
    };
    rows.into_iter().map(|(t, p)| (t, ((p + dither()) / step).round() * step)).collect()
}

fn void(rows: &[(f64, f64)], more: &[&str]) -> String {
    let (code, said) = json(csv(rows), more);
    assert_eq!((said["verdict"].as_str().unwrap(), code), ("void", 3), "{said}");
    assert!(said["leak_pa_m3_s"].is_null());
    said["void_because"].as_str().unwrap().to_owned()
}

/// Live for some seconds, then one value to the end: of a valve that leaks three times the limit.
#[test]
fn a_channel_that_freezes_in_the_window_gives_no_verdict() {
    for noise in [3.0, 15.0, 60.0] {
        let live = fine(40, 50.0, noise, 1.0);
        for at in [40, 100, 200, 350] {
            let mut rows = live.clone();
            for row in &mut rows[at..] {
                row.1 = live[at].1;
            }
            let why = void(&rows, &[]);
            assert!(why.contains("are one and the same") && why.contains("the channel froze"), "{noise} {at}: {why}");
            // What resolution it has does not matter.
            assert!(void(&rows, &["--resolution", "1 Pa"]).contains("the channel froze"));
        }
        // Nor does it help that it lives again.
        let mut rows = live.clone();
        for row in &mut rows[100..300] {
            row.1 = live[100].1;
        }
        for row in &mut rows[300..] {
            row.1 += live[100].1 - live[300].1;
        }
        assert!(void(&rows, &[]).contains("line 102: 2"), "{}", void(&rows, &[]));
    }
    let mut rows = fine(40, 50.0, 15.0, 1.0);
    let held = rows[100].1;
    rows[100..].iter_mut().for_each(|row| row.1 = held);
    assert!(void(&rows, &[]).starts_with("line 102: 301 readings in a row, from 10 s to 40 s, are one and the same,"));
    // The part before is judged.
    let (code, said) = json(csv(&rows), &["--window", "..9.9s", "--model", "line"]);
    assert_eq!((said["verdict"].as_str().unwrap(), code), ("leaking", 1), "{said}");
}

/// Frozen from the beginning, with a flicker in so many of a hundred readings, of one step and of many.
#[test]
fn a_flicker_is_no_life() {
    for percent in [1, 3, 4, 6, 10, 15] {
        for steps in [1.0, 2.0, 30.0] {
            let mut state = 5u32;
            let rows: Vec<_> = (0..=400)
                .map(|i| {
                    state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
                    let flickers = (state >> 16) % 100 < percent;
                    let side = if state & 0x8000 == 0 { 1.0 } else { -1.0 };
                    (f64::from(i) / 10.0, 600_000.0 + f64::from(u8::from(flickers)) * side * steps)
                })
                .collect();
            let why = void(&rows, &[]);
            assert!(why.contains("% of the readings are one and the same"), "{percent} %, {steps}: {why}");
        }
    }
    // Half of the readings scatter as live ones do, and stating the resolution excuses nothing.
    let live = fine(40, 0.0, 15.0, 1.0);
    let rows: Vec<_> = live.iter().enumerate().map(|(i, row)| (row.0, if i % 2 == 0 { row.1 } else { 6e5 })).collect();
    for more in [&[][..], &["--resolution", "1 Pa"]] {
        assert!(void(&rows, more).contains("the channel sticks, and flickers"));
    }
}

/// At either end of the range: readings pile up there.
#[test]
fn a_clipped_channel_gives_no_verdict() {
    for (noise, step) in [(15.0, 1.0), (5.0, 1.0), (60.0, 1.0)] {
        let rows = fine(40, 50.0, noise, step);
        let clip = (599_900.0 / step).round() * step;
        let low: Vec<_> = rows.iter().map(|(t, p)| (*t, p.max(clip))).collect();
        let why = void(&low, &[]);
        assert!(why.contains("the least of all") && why.contains("clipped at the bottom"), "{why}");
        let top = ((600_000.0 - 40.0 * 50.0 + 200.0) / step).round() * step;
        let high: Vec<_> = rows.iter().map(|(t, p)| (*t, p.min(top))).collect();
        let why = void(&high, &[]);
        assert!(why.contains("the greatest of all") && why.contains("clipped at the top"), "{why}");
    }
}

/// The converter's high bits do not come through: the pressure of a leaker comes back at each wrap, with chatter there.
#[test]
fn a_converter_with_stuck_bits_gives_no_verdict() {
    for (noise, slope, wrap) in
        [(3.0, 20.0, 128.0), (3.0, 34.0, 128.0), (3.0, 100.0, 256.0), (15.0, 34.0, 512.0), (20.0, 100.0, 512.0)]
    {
        let live = fine(120, slope, noise, 1.0);
        let stuck: Vec<_> = live.iter().map(|(t, p)| (*t, 600_000.0 + p.rem_euclid(wrap))).collect();
        let why = void(&stuck, &["--resolution", "1 Pa"]);
        assert!(why.contains("a step or knock shows"), "{noise} {slope} {wrap}: {why}");
    }
}

/// Alive for a fifth of the window, then stuck but for a flicker: its beginning must not speak for the rest.
#[test]
fn a_channel_that_sticks_later_gives_no_verdict() {
    let mut rows = fine(120, 50.0, 3.0, 1.0);
    let held = rows[240].1;
    for (i, row) in rows[240..].iter_mut().enumerate() {
        row.1 = held + [0.0, 0.0, 0.0, 1.0, 0.0, 0.0, 0.0, 0.0, -1.0, 0.0][i * 7 % 10];
    }
    assert!(void(&rows, &["--resolution", "1 Pa"]).contains("the channel sticks, and flickers"));
}

/// A sound logger whose steps hide its noise, one that repeats each reading, and one that filters are no frozen ones.
#[test]
fn sound_channels_are_not_called_lifeless() {
    let (code, said) = json(csv(&fine(40, 0.5, 15.0, 1.0)), &[]);
    assert_eq!((said["verdict"].as_str().unwrap(), code), ("tight", 0), "{said}");
    let live = fine(40, 0.5, 15.0, 1.0);
    let held: Vec<_> = live.iter().enumerate().map(|(i, row)| (row.0, live[i / 4 * 4].1)).collect();
    assert_eq!(json(csv(&held), &[]).1["void_because"], Value::Null);
    let filtered: Vec<_> = live
        .iter()
        .scan(600_000.0, |state, (t, p)| {
            *state += 0.1 * (p - *state);
            Some((*t, state.round()))
        })
        .collect();
    assert_eq!(json(csv(&filtered), &[]).1["void_because"], Value::Null);
    // One that moves without any noise, by its leak or by settling.
    for settles in [0.0, 4_000.0] {
        let at = |t: f64| ((600_000.0 - 5.0 * t + settles * (-t / 4.0f64).exp()) / 17.0).round() * 17.0;
        let rows: Vec<_> = (0..=400).map(|i| f64::from(i) / 10.0).map(|t| (t, at(t))).collect();
        assert!(json(csv(&rows), &[]).1["void_because"].is_null(), "{settles}");
    }
}

/// The vented far side's own pressure at altitude, and where it is seen: in the window, or where the trace ends or begins.
#[test]
fn the_surroundings_of_a_place_at_altitude_are_pointed_at() {
    let note = |rows: &[(f64, f64)], more: &[&str]| {
        let (_, said) = json(csv(rows), more);
        let notes = said["notes"].as_array().unwrap().clone();
        notes.iter().find_map(|n| n.as_str().unwrap().strip_prefix("mind: ").map(str::to_owned)).unwrap_or_default()
    };
    let rows = trace(40, 0.5, 20.0, 3);
    for pa in [84_000.0, 95_000.0, 101_300.0] {
        let vented: Vec<_> = rows.iter().map(|(t, p)| (*t, p - 6e5 + pa)).collect();
        assert!(note(&vented, &[]).contains("in the window, is what an absolute transducer reads"), "{pa}");
        let mut ends = rows.clone();
        ends.extend(vented.iter().map(|(t, p)| (t + 50.0, *p)));
        assert!(note(&ends, &["--window", "..40s"]).contains("at the trace's end"), "{pa}");
        let mut begins = vented.clone();
        begins.extend(rows.iter().map(|(t, p)| (t + 50.0, *p)));
        assert!(note(&begins, &["--window", "50s.."]).contains("at the trace's beginning"), "{pa}");
    }
    assert_eq!(note(&rows, &[]), "");
}

/// Times of three seconds in milliseconds under a header of seconds would make a leak a thousand times as small.
#[test]
fn times_that_no_hold_has_are_asked_about() {
    let written = |header: &str, scale: f64, rows: &[(f64, f64)]| {
        let mut text = format!("{header},pressure_pa\n");
        for (t, p) in rows {
            let _ = writeln!(text, "{:.6},{p:.2}", t * scale);
        }
        text
    };
    let short = trace(3, 50.0, 2.0, 3);
    let said = assess(written("time_s", 1e3, &short), &[]);
    assert_eq!((said.code, said.out.as_str()), (2, ""), "{}", said.err);
    for part in
        ["readings come every 100 s", "if the times are in ms, say --time-unit ms", "if s is right, say --time-unit s"]
    {
        assert!(said.err.contains(part), "{part}: {}", said.err);
    }
    let whole = trace(40, 50.0, 20.0, 3);
    let said = assess(written("time_s", 1e3, &whole), &[]);
    assert!(
        said.code == 2 && said.err.contains("1 h is the longest") && said.err.contains("--time-unit"),
        "{}",
        said.err
    );
    let said = assess(written("time_ms", 1.0, &whole), &[]);
    assert!(said.code == 2 && said.err.contains("the window is 40 ms long"), "{}", said.err);
    assert!(said.err.contains("if the times are in s, say --time-unit s"), "{}", said.err);
    // Said, it is taken.
    let (code, told) = json(written("time_s", 1e3, &whole), &["--time-unit", "ms"]);
    assert_eq!((code, told["verdict"].as_str().unwrap()), (1, "leaking"));
    let slow: Vec<_> = trace(120, 0.0, 20.0, 3).into_iter().map(|(t, p)| (10.0 * t, p)).collect();
    let slow: Vec<_> = slow.into_iter().step_by(10).collect();
    assert_eq!(assess(written("time_s", 1.0, &slow), &[]).code, 2);
    assert!(assess(written("time_s", 1.0, &slow), &["--time-unit", "s"]).code != 2);
}

/// By a recipe, whatever is ten times longer than it measures, or as much shorter.
#[test]
fn a_recipe_says_how_long_a_hold_is() {
    let dir = tempfile::tempdir().unwrap();
    std::fs::write(dir.path().join("r.toml"), "measure_min = \"10 s\"\nmeasure_max = \"40 s\"\n").unwrap();
    let judged = |scale: f64, more: &[&str]| {
        let rows: Vec<_> = trace(40, 50.0, 20.0, 3).into_iter().map(|(t, p)| (t * scale, p)).collect();
        let mut text = String::from("time_s,pressure_pa\n");
        for (t, p) in &rows {
            let _ = writeln!(text, "{t:.6},{p:.2}");
        }
        std::fs::write(dir.path().join("trace.csv"), text).unwrap();
        let typed = ["assess", "[DIR]/trace.csv", "--gauge", "--volume", "45cm3", "--recipe", "[DIR]/r.toml", "--json"];
        seathold(dir.path(), &[&typed, more].concat())
    };
    let right = judged(1.0, &[]);
    let right: Value = serde_json::from_str(&right.out).unwrap_or_else(|_| panic!("{}", right.err));
    assert_eq!(right["verdict"], "leaking");
    // A minute's figures are seconds, or seconds are minutes.
    let said = judged(1.0 / 60.0, &[]);
    assert!(said.code == 2 && said.err.contains("if the times are in min, say --time-unit min"), "{}", said.err);
    let said = judged(60.0, &[]);
    assert!(said.code == 2 && said.err.contains("a hold is to be within 1 s to 400 s"), "{}", said.err);
    assert!(judged(60.0, &["--time-unit", "s"]).code != 2);
}
