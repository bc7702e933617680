//! How quick a register of 100 000 runs is, and how large.
//!
//! `cargo bench -p seathold-tests --bench register`. 200 simulated tests of both sides with about 12 000 polls of two
//! transducers each stand under 100 000 serials, in batches of 40 valves and one of 400; the file is made in the target folder and
//! deleted afterwards. `REGISTER_RUNS=N` takes another count. Times are wall times: medians, with the worst beside
//! them; synchronising the disk is told apart, by doing it alone with as many bytes.

use std::hint::black_box;
use std::io::Write;
use std::path::Path;
use std::time::Instant;

use seathold::console::Timestamp;
use seathold_register::batch::status;
use seathold_register::valves::ValveRecord;
use seathold_register::{Access, Register, RunFilter, RunMeta};
use seathold_tests::cli_kit;
use seathold_tests::register_kit::{SERIAL, renamed};

/// Different recordings.
const SEEDS: usize = 200;
/// Transducers that are read at every poll: far side and supply side.
const CHANNELS: u64 = 2;
/// Valves in most batches.
const BATCH: usize = 40;
/// Valves in the last one.
const LARGE: usize = 400;

fn main() {
    let runs: usize = std::env::var("REGISTER_RUNS").ok().and_then(|n| n.parse().ok()).unwrap_or(100_000);
    let folder = Path::new(env!("CARGO_TARGET_TMPDIR")).join("register-bench");
    let _ = std::fs::remove_dir_all(&folder);
    std::fs::create_dir_all(&folder).unwrap();
    let recordings = simulate(&folder);
    let polls: u64 = recordings.iter().map(|r| seathold_recording::read_bytes(r).unwrap().polls.len() as u64).sum();
    let bytes: usize = recordings.iter().map(Vec::len).sum();
    let mean = polls as f64 / SEEDS as f64;
    println!("recordings: {mean:.0} polls each, {:.3} bytes a sample", bytes as f64 / (polls * CHANNELS) as f64);

    let path = folder.join("bench.sqlite");
    let batches = fill(&path, &recordings, runs);
    let size = std::fs::metadata(&path).unwrap().len();
    let all = runs as f64 * mean * CHANNELS as f64;
    println!(
        "file: {runs} runs, {:.2} GB, {:.3} bytes a reading with everything",
        size as f64 / 1e9,
        size as f64 / all
    );

    told("open to read", times(50, |_| drop(black_box(Register::open(&path, Access::Read).unwrap()))));
    told("open to write", times(50, |_| drop(black_box(Register::open(&path, Access::Write).unwrap()))));
    let register = Register::open(&path, Access::Read).unwrap();
    let pick = |n: usize| 1 + n.wrapping_mul(7_919) % runs;
    told(
        "runs of a serial",
        times(1_000, |n| {
            let serial = Some(format!("HM-{:06}", pick(n)));
            let found = register.runs(RunFilter { serial, ..RunFilter::default() }).map(Result::unwrap).count();
            assert_eq!(found, 1);
        }),
    );
    let all_batches = register.batches().unwrap();
    told("batches listed", times(20, |_| assert_eq!(register.batches().unwrap().len(), batches)));
    let (small, large) = all_batches.split_at(batches - 1);
    told(
        "work list of 40",
        times(200, |n| {
            assert_eq!(status::of_batch(&register, &small[pick(n) % small.len()]).unwrap().len(), BATCH);
        }),
    );
    told(
        "work list of 400",
        times(20, |_| {
            assert_eq!(status::of_batch(&register, &large[0]).unwrap().len(), LARGE);
        }),
    );
    told(
        "a recording",
        times(2_000, |n| {
            black_box(register.recording(pick(n) as i64).unwrap());
        }),
    );
    let began = Instant::now();
    let listed = register.runs(RunFilter::default()).map(Result::unwrap).count();
    println!("all rows listed: {listed} in {:.2} s", began.elapsed().as_secs_f64());
    let began = Instant::now();
    let first = runs.min(10_000);
    let read: usize = (1..=first).map(|id| register.recording(id as i64).unwrap().len()).sum();
    let seconds = began.elapsed().as_secs_f64();
    println!(
        "recordings in turn: {:.0} MB/s, {:.0} million samples/s not yet unpacked",
        read as f64 / 1e6 / seconds,
        first as f64 * mean * CHANNELS as f64 / 1e6 / seconds
    );

    let mut register = Register::open(&path, Access::Write).unwrap();
    let now: Timestamp = "2026-03-02T10:00:00Z".parse().unwrap();
    let extra: Vec<Vec<u8>> = (0..SEEDS).map(|n| renamed(&recordings[n], &format!("HX-{n:06}"))).collect();
    let appended = times(SEEDS, |n| {
        assert!(register.append(&extra[n], &RunMeta::default(), now).unwrap().new);
    });
    let mut file = std::fs::File::create(folder.join("sync")).unwrap();
    // As many bytes as SQLite writes for a run: its pages, in the log.
    let chunk = vec![1u8; bytes / SEEDS + 8 * 4096];
    let synced = times(SEEDS, |_| {
        file.write_all(&chunk).unwrap();
        file.sync_data().unwrap();
    });
    let beside = appended[SEEDS / 2] - synced[SEEDS / 2];
    told("append, with its sync", appended);
    told("the sync alone", synced);
    println!("{:24}{:9.3} ms", "append beside its sync", beside * 1e3);

    let began = Instant::now();
    let chains = register.verify(|_| true).unwrap().valid().unwrap();
    let seconds = began.elapsed().as_secs_f64();
    println!(
        "verify: {} records in {seconds:.1} s, {:.1} million samples/s on all cores",
        chains[0].last_number,
        all / 1e6 / seconds
    );
    drop(register);
    std::fs::remove_dir_all(&folder).unwrap();
}

/// Sorted times in seconds.
fn times(count: usize, mut what: impl FnMut(usize)) -> Vec<f64> {
    let mut all: Vec<f64> = (0..count)
        .map(|n| {
            let began = Instant::now();
            what(n);
            began.elapsed().as_secs_f64()
        })
        .collect();
    all.sort_by(f64::total_cmp);
    all
}

fn told(what: &str, sorted: Vec<f64>) {
    let last = sorted[sorted.len() - 1];
    println!("{what:24}{:9.3} ms   worst {:9.3} ms", sorted[sorted.len() / 2] * 1e3, last * 1e3);
}

/// Tests of both sides, one in eight leaking, measured for as long as makes about 12 000 polls.
fn simulate(folder: &Path) -> Vec<Vec<u8>> {
    std::fs::write(folder.join("long.toml"), "target = \"6 bar\"\npressure_max = \"7 bar\"\nmeasure_min = \"16 s\"\n")
        .unwrap();
    (0..SEEDS)
        .map(|n| {
            let (seed, out) = (n.to_string(), format!("[DIR]/{n}.hold"));
            let leak = if n % 8 == 0 { "20 mm3/s" } else { "0.1 mm3/s" };
            let run = ["run", "-q", "--recipe", "[DIR]/long.toml", "--serial", SERIAL, "--seat-a", leak];
            let said = cli_kit::seathold(folder, &[&run[..], &["--seed", &seed, "--out", &out]].concat());
            assert!(said.code <= 1, "{}", said.err);
            let path = folder.join(format!("{n}.hold"));
            let bytes = std::fs::read(&path).unwrap();
            std::fs::remove_file(path).unwrap();
            bytes
        })
        .collect()
}

/// Fills the file as a shop would: a batch opened, its valves run, the next. Gives the number of batches.
fn fill(path: &Path, recordings: &[Vec<u8>], runs: usize) -> usize {
    let began = Instant::now();
    let mut register = Register::open(path, Access::Make).unwrap();
    let (mut next, mut batches) = (1, 0);
    while next <= runs {
        let left = runs + 1 - next;
        let count = if left <= LARGE { left } else { BATCH };
        let valve = |n| ValveRecord {
            serial: format!("HM-{n:06}"),
            actuation: "air".into(),
            dn: Some(25),
            ..ValveRecord::default()
        };
        let valves: Vec<ValveRecord> = (next..next + count).map(valve).collect();
        let now = Timestamp::from_second(1_700_000_000 + next as i64 * 600).unwrap();
        let batch = register.open_batch(&format!("batch {batches}"), &valves, "", "", now).unwrap();
        let meta = RunMeta { batch: Some(batch.batch), after_rework: None };
        for (valve, seed) in valves.iter().zip(next..) {
            register.append(&renamed(&recordings[seed % SEEDS], &valve.serial), &meta, now).unwrap();
        }
        (next, batches) = (next + count, batches + 1);
    }
    let seconds = began.elapsed().as_secs_f64();
    println!("filled in {seconds:.0} s, {:.2} ms a run", seconds / runs as f64 * 1e3);
    batches
}
