//! What assembled batches tell of the compression of seals: against a truth that was drawn.

use std::path::Path;

use seathold::console::Timestamp;
use seathold_register::assembly::finished_lengths::{FinishedLengths, LengthsLeftOut};
use seathold_register::assembly::keep::AssemblyBy;
use seathold_register::assembly::sealed::{BoltedHead, PairedHead, PairedLine, PairedValve, SealedPart};
use seathold_register::reason::Correction;
use seathold_register::valves::{BatchRecord, ValveRecord};
use seathold_register::{Access, NewNote, NoteKind, Register};
use seathold_sim::noise::{Noise, Stream};
use seathold_tests::cli_kit::seathold;
use serde_json::Value;

fn now() -> Timestamp {
    "2026-03-02T10:00:00Z".parse().unwrap()
}

fn by(batch: &str) -> AssemblyBy<'_> {
    AssemblyBy { batch, operator: "Ada", now: now() }
}

/// What the forecasts below state.
const HEAD: PairedHead = PairedHead {
    nominal_mm: 120.0,
    least_mm: 119.0,
    most_mm: 121.0,
    compression_mm: 0.4,
    compression_u_mm: 0.03,
    // 20² of the body, 2·5² of readings, (2·10)² of the gauge, 30² of the compression.
    forecast_u_mm: 0.041_833,
    gauge_u_mm: 0.01,
    reading_u_mm: 0.005,
    once_u_mm: 0.005,
    risk: 0.01,
};

fn pair(serial: &str, n: usize, finished_mm: f64) -> PairedLine {
    let part = |end: &str| SealedPart { id: format!("{serial}-{end}"), length_mm: 29.8 + 0.01 * n as f64 };
    PairedLine::Valve(PairedValve {
        serial: serial.into(),
        body_mm: 60.4,
        fittings: [part("a"), part("b")],
        finished_mm,
    })
}

fn bolted(serial: &str, finished_mm: Option<f64>) -> BoltedHead {
    BoltedHead { fittings: [format!("{serial}-b"), format!("{serial}-a")], finished_mm, ..BoltedHead::default() }
}

fn opened(register: &mut Register, name: &str, serials: &[String]) -> BatchRecord {
    let valves: Vec<ValveRecord> =
        serials.iter().map(|serial| ValveRecord { serial: serial.clone(), ..ValveRecord::default() }).collect();
    register.open_batch(name, &valves, "", "Ada", now()).unwrap()
}

/// A batch of valves that are off their forecast by so much.
fn assembled(register: &mut Register, name: &str, off: &[f64]) -> BatchRecord {
    let serials: Vec<String> = (1..=off.len()).map(|n| format!("{name}-{n}")).collect();
    let batch = opened(register, name, &serials);
    let lines: Vec<PairedLine> = serials.iter().enumerate().map(|(n, serial)| pair(serial, n, 120.0)).collect();
    register.keep_pairs(&HEAD, &lines, by(&batch.batch)).unwrap();
    for (serial, off) in serials.iter().zip(off) {
        register.bolt_up(serial, &bolted(serial, Some(120.0 + off)), by(&batch.batch)).unwrap();
    }
    batch
}

fn studied(dir: &Path, file: &str, more: &[&str]) -> Value {
    let register = format!("[DIR]/{file}");
    let said = seathold(dir, &[&["study", "lengths", "--json", "--register", &register], more].concat());
    assert!(said.code == 0 || said.code == 3, "{}", said.err);
    serde_json::from_str(&said.out).unwrap()
}

/// Three batches of four valves, drawn again and again: the seals give 0.42 mm, scattering by 0.02 from valve to valve; gauges are off
/// by as much as is stated of them, and so readings and bodies scatter. Each interval covers the truth at about its rate, and the
/// valve-to-valve scatter is found on average.
#[test]
fn intervals_cover_a_truth_that_was_drawn() {
    const REPEATS: usize = 100;
    const TRUTH: f64 = 0.42;
    let dir = tempfile::tempdir().unwrap();
    let mut random = Noise::new(20_260_302, Stream::Fleet);
    let (mut mean_covers, mut ratio_covers, mut compression_covers, mut squares) = (0, 0, 0, 0.0);
    // Scatter of a difference: the seals', three readings, the body.
    let scatter = (0.02f64.powi(2) + 3.0 * 0.005f64.powi(2) + 0.02f64.powi(2)).sqrt();
    let stated = (HEAD.forecast_u_mm.powi(2) + 0.01f64.powi(2) + 0.005f64.powi(2)).sqrt();
    for repeat in 0..REPEATS {
        // A few to a file.
        let file = format!("{}.sqlite", repeat / 20);
        let mut register = Register::open_named(&dir.path().join(&file), Access::Make, "one").unwrap();
        let gauges = 2.0 * HEAD.gauge_u_mm * random.normal() + HEAD.gauge_u_mm * random.normal();
        let names: Vec<String> = (0..3).map(|batch| format!("r{repeat}-{batch}")).collect();
        for name in &names {
            let off: Vec<f64> =
                (0..4).map(|_| HEAD.compression_mm - TRUTH + gauges + scatter * random.normal()).collect();
            assembled(&mut register, name, &off);
        }
        drop(register);
        let batches: Vec<&str> = names.iter().flat_map(|name| ["--batch", name.as_str()]).collect();
        let found = studied(dir.path(), &file, &batches);
        let pooled = |field: &str| found["pooled"][field].as_f64().unwrap();
        assert_eq!(pooled("valves"), 12.0);
        let mean = HEAD.compression_mm - TRUTH + gauges;
        mean_covers += usize::from((pooled("mean_low_mm")..=pooled("mean_high_mm")).contains(&mean));
        let ratio = scatter / stated;
        ratio_covers += usize::from((pooled("ratio_low")..=pooled("ratio_high")).contains(&ratio));
        let off = (pooled("compression_mm") - TRUTH).abs();
        compression_covers += usize::from(off <= 1.96 * pooled("compression_u_mm"));
        squares += pooled("valve_to_valve_mm").powi(2) / REPEATS as f64;
    }
    // 95, give or take 2.2: four of those. With two thousand repeats, without a register: `study/lengths.rs`.
    for covers in [mean_covers, ratio_covers, compression_covers] {
        assert!((86..=100).contains(&covers), "{mean_covers} {ratio_covers} {compression_covers} of {REPEATS}");
    }
    assert!((squares.sqrt() - 0.02).abs() < 0.004, "{}", squares.sqrt());
}

/// What does not count is left out, and counted.
#[test]
fn what_does_not_count_is_left_out() {
    let dir = tempfile::tempdir().unwrap();
    let mut register = Register::open_named(&dir.path().join("one.sqlite"), Access::Make, "one").unwrap();
    let batch = assembled(&mut register, "spring", &[0.01, 0.02, 0.03, 0.05, 0.06]);
    let of = |register: &Register| {
        let found = FinishedLengths::of(register, &batch).unwrap();
        let serials: Vec<String> = found.valves.iter().map(|valve| valve.serial.clone()).collect();
        (serials.join(" "), found.left_out)
    };
    let none = LengthsLeftOut::default();
    assert_eq!(of(&register), ("spring-1 spring-2 spring-3 spring-4 spring-5".into(), none));
    let rework = NewNote {
        kind: NoteKind::Rework,
        batch: Some(batch.batch.clone()),
        serial: Some("spring-1".into()),
        about: None,
        operator: "Ada".into(),
        text: "new seat".into(),
    };
    register.note(&rework, now()).unwrap();
    let fittings = ["X".into(), "Y".into()];
    let other = BoltedHead { fittings, remark: "taken from the shelf".into(), ..bolted("spring-2", Some(120.0)) };
    register.bolt_up("spring-2", &other, by(&batch.batch)).unwrap();
    let notes = register.notes(Some(&batch.batch), None).unwrap();
    let note = notes.iter().find(|n| n.kind == NoteKind::Bolted && n.serial.as_deref() == Some("spring-3")).unwrap();
    let why = Correction { reason: "misread", operator: "Ada", now: now() };
    register.strike_note(note, why).unwrap();
    register.bolt_up("spring-4", &bolted("spring-4", None), by(&batch.batch)).unwrap();
    let left = LengthsLeftOut { before_rework: 1, other_fittings: 1, not_measured: 2, struck_notes: 1, ..none };
    assert_eq!(of(&register), ("spring-5".into(), left));
    // Measured again after the rework it counts; and a length that is none does not.
    register.bolt_up("spring-1", &bolted("spring-1", Some(120.01)), by(&batch.batch)).unwrap();
    register.bolt_up("spring-5", &bolted("spring-5", Some(1e300)), by(&batch.batch)).unwrap();
    let left = LengthsLeftOut { before_rework: 0, no_length: 1, ..left };
    assert_eq!(of(&register), ("spring-1".into(), left));
    // Without pairs there is no forecast.
    let bare = opened(&mut register, "bare", &["B-1".into()]);
    register.bolt_up("B-1", &bolted("B-1", Some(120.0)), by(&bare.batch)).unwrap();
    let found = FinishedLengths::of(&register, &bare).unwrap();
    assert_eq!((found.valves.len(), found.left_out), (0, LengthsLeftOut { without_forecast: 1, ..none }));
    drop(register);
    // One valve of one batch tells no mean.
    let found = studied(dir.path(), "one.sqlite", &[]);
    assert_eq!((&found["pooled"], &found["batches"][0]["study"]), (&Value::Null, &Value::Null));
}

/// Pairs that were forecast by something else are each taken by their own.
#[test]
fn a_valve_is_compared_with_the_forecast_that_it_was_bolted_by() {
    let dir = tempfile::tempdir().unwrap();
    let mut register = Register::open_named(&dir.path().join("one.sqlite"), Access::Make, "one").unwrap();
    let batch = opened(&mut register, "spring", &["HM-1".into(), "HM-2".into()]);
    let later = PairedHead { compression_mm: 0.5, ..HEAD };
    register.keep_pairs(&HEAD, &[pair("HM-1", 0, 120.0), pair("HM-2", 1, 120.0)], by(&batch.batch)).unwrap();
    register.bolt_up("HM-1", &bolted("HM-1", Some(119.9)), by(&batch.batch)).unwrap();
    register.keep_pairs(&later, &[pair("HM-2", 1, 119.9)], by(&batch.batch)).unwrap();
    register.bolt_up("HM-2", &bolted("HM-2", Some(119.9)), by(&batch.batch)).unwrap();
    drop(register);
    let study = &studied(dir.path(), "one.sqlite", &[])["pooled"];
    // 0.4 + 0.1 and 0.5 + 0.
    assert!((study["compression_mm"].as_f64().unwrap() - 0.5).abs() < 1e-9, "{study}");
    assert!(study["scatter_of_mean_mm"].as_f64().unwrap() < 1e-9, "{study}");
}
