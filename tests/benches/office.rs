//! How quick an office is: 100 000 runs pushed, against COPY of the same bytes; nothing new; verified; a valve found among
//! a million runs.
//!
//! `cargo bench -p seathold-tests --bench office`. One simulated test of a side stands under as many serials; the register
//! and the server's folder are temporary. `OFFICE_RUNS=N` takes another count. Times are wall times on whatever else the
//! machine does; the server runs beside, with its ordinary settings, and so writes everything to the disk.

use std::path::Path;
use std::time::Instant;

use seathold::console::Timestamp;
use seathold_register::{Access, Register, RunMeta};
use seathold_tests::cli_kit::recorded;
use seathold_tests::office_kit::{Base, Server};
use seathold_tests::register_kit::{SERIAL, renamed};

/// Rows that are found among.
const MILLION: usize = 1_000_000;
const TABLES: [&str; 8] = ["records", "runs", "sides", "notes", "recordings", "recipes", "rigs", "calibrations"];

fn main() {
    let runs: usize = std::env::var("OFFICE_RUNS").ok().and_then(|n| n.parse().ok()).unwrap_or(100_000);
    let Some(server) = Server::start() else { return };
    let base = server.office("bench", &["one"]);
    let dir = tempfile::tempdir().unwrap();
    let dir = dir.path();
    let bytes = fill(dir, runs);
    println!("{runs} runs of {:.1} kB each", bytes as f64 / 1e3);

    let push = || {
        let words = ["register", "push", &base.address("one"), "--register", "[DIR]/bench.sqlite"];
        let said = base.seathold(dir, &words);
        assert_eq!(said.code, 0, "{}", said.err);
    };
    let seconds = timed("push of everything", runs, push);
    let mut nothing: Vec<f64> = (0..21)
        .map(|_| {
            let began = Instant::now();
            push();
            began.elapsed().as_secs_f64()
        })
        .collect();
    nothing.sort_by(f64::total_cmp);
    println!("push of nothing new: {:.1} ms, worst {:.1} ms", nothing[10] * 1e3, nothing[20] * 1e3);

    let copied = copy(&base, dir, runs);
    println!("push takes {:.2} times as long as COPY of the same bytes", seconds / copied);

    timed("verify, every hash and recording", runs, || {
        let words = ["register", "verify", &base.address("reader"), "--register", "[DIR]/bench.sqlite"];
        assert_eq!(base.seathold(dir, &words).code, 0);
    });
    find(&base, dir, runs);
}

/// Fills a register; gives the bytes of a recording.
fn fill(dir: &Path, runs: usize) -> usize {
    let seed = std::fs::read(recorded(dir, "seed.hold", &["--serial", SERIAL])).unwrap();
    let now: Timestamp = "2026-03-02T10:00:00Z".parse().unwrap();
    let mut register = Register::open(&dir.join("bench.sqlite"), Access::Make).unwrap();
    for n in 0..runs {
        register.append(&renamed(&seed, &format!("HM-{n:06}")), &RunMeta::default(), now).unwrap();
    }
    seed.len()
}

fn timed(what: &str, runs: usize, work: impl FnOnce()) -> f64 {
    let began = Instant::now();
    work();
    let seconds = began.elapsed().as_secs_f64();
    println!("{what}: {seconds:.1} s, {:.0} runs/s", runs as f64 / seconds);
    seconds
}

/// The same rows into tables with the same keys and nothing else, by the server's own COPY through its own client.
fn copy(base: &Base<'_>, dir: &Path, runs: usize) -> f64 {
    for table in TABLES {
        base.sql(&format!("CREATE TABLE public.{table} (LIKE seathold.{table} INCLUDING INDEXES INCLUDING STORAGE)"));
        base.sql(&format!("\\copy seathold.{table} TO '{}/{table}' (FORMAT binary)", dir.display()));
    }
    base.sql("CHECKPOINT");
    let seconds = timed("COPY of the same bytes", runs, || {
        for table in TABLES {
            base.sql(&format!("\\copy public.{table} FROM '{}/{table}' (FORMAT binary)", dir.display()));
        }
    });
    for table in TABLES {
        base.sql(&format!("DROP TABLE public.{table}"));
    }
    seconds
}

/// A valve among a million runs: those that were pushed, and more rows of the same kind without recordings.
fn find(base: &Base<'_>, dir: &Path, runs: usize) {
    let columns = base.sql(
        "SELECT string_agg(column_name, ', ' ORDER BY ordinal_position) FROM information_schema.columns \
         WHERE table_schema = 'seathold' AND table_name = 'runs'",
    );
    let other = columns.replacen("bench, number", "'other', n", 1).replace(" serial,", " 'HX-' || n,");
    base.sql("INSERT INTO seathold.benches (bench, name) VALUES ('other', 'other')");
    base.sql(&format!(
        "INSERT INTO seathold.runs ({columns}) SELECT {other} FROM (SELECT * FROM seathold.runs LIMIT 1) r, \
         generate_series(1, {}) n",
        MILLION.saturating_sub(runs)
    ));
    base.sql("ANALYZE seathold.runs");
    println!("rows: {}", base.sql("SELECT count(*) FROM seathold.runs"));
    let mut times: Vec<f64> = (0..101_usize)
        .map(|n| {
            let serial = format!("HM-{:06}", n.wrapping_mul(7_919) % runs);
            let words = ["find", "--serial", &serial, "--register", &base.address("reader")];
            let began = Instant::now();
            let said = base.seathold(dir, &words);
            let seconds = began.elapsed().as_secs_f64();
            assert!(said.code == 0 && said.out.contains(&serial), "{}", said.err);
            seconds
        })
        .collect();
    times.sort_by(f64::total_cmp);
    println!("a valve found, with its recording replayed: {:.1} ms, worst {:.1} ms", times[50] * 1e3, times[100] * 1e3);
    let plan = base.sql(
        "EXPLAIN (ANALYZE, COSTS OFF, TIMING OFF) SELECT * FROM seathold.runs WHERE serial = 'HM-000077' ORDER BY started_at",
    );
    println!("{plan}");
}
