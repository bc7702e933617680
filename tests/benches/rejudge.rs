//! How quick recordings are judged again, and by how much quicker than the same in plain NumPy.
//!
//! `cargo bench -p seathold-tests --bench rejudge`. The bytes of 100 simulated runs of both sides are taken
//! `REJUDGE_RUNS` times (10 000 where nothing else is said), and unpacked, looked at and judged anew each time, from memory
//! or, where it says so, out of a register.
//! What is on one core is told by the processor time of its thread, which other work on the machine touches less than the
//! clock on the wall.
//! What is told: reading alone; the whole sequencer, with and without reading, and out of a register; looks; 100 limits against the looks; all of it together on all cores.
//! With Python and NumPy at hand (`PYTHON=…`), `rejudge_numpy.py` beside this file holds the same looks against the
//! same limits, and must come to the same verdicts and guard bands to 1e-9.

use std::fmt::Write as _;
use std::hint::black_box;
use std::path::Path;
use std::time::Instant;

use clock::{cpu, cpu_of_all};
use rayon::prelude::*;
use seathold_analysis::rejudge::looks::{LimitOutcome, Looks, looks};
use seathold_analysis::rejudge::rerun;
use seathold_recording::timeline::Timeline;
use seathold_recording::{Recording, read_bytes};
use seathold_register::{Access, Register, RunFilter};
use seathold_sequencer::measure::student_quantile;
use seathold_sequencer::verdict::Verdict;
use seathold_tests::cli_kit::seathold;

const RECORDED: usize = 100;
const LIMITS: usize = 100;
/// Transducers read at each poll.
const CHANNELS: f64 = 2.0;

fn main() {
    let runs: usize = std::env::var("REJUDGE_RUNS").ok().and_then(|n| n.parse().ok()).unwrap_or(10_000);
    let folder = Path::new(env!("CARGO_TARGET_TMPDIR")).join("rejudge-bench");
    let _ = std::fs::remove_dir_all(&folder);
    std::fs::create_dir_all(&folder).unwrap();
    let count = RECORDED.to_string();
    assert_eq!(seathold(&folder, &["fleet", "-n", &count, "--seed", "21", "--out", "[DIR]/fleet"]).code, 0);
    let mut paths: Vec<_> = std::fs::read_dir(folder.join("fleet")).unwrap().map(|e| e.unwrap().path()).collect();
    paths.retain(|path| path.extension().is_some_and(|e| e == "hold"));
    paths.sort();
    let import: Vec<&str> = paths.iter().map(|path| path.to_str().unwrap()).collect();
    let import = [&["register", "import", "--register", "[DIR]/bench.sqlite"], import.as_slice()].concat();
    assert_eq!(seathold(&folder, &import).code, 0);
    let register = Register::open(&folder.join("bench.sqlite"), Access::Read).unwrap();
    let files: Vec<Vec<u8>> = paths.iter().map(|path| std::fs::read(path).unwrap()).collect();
    let one = |bytes: &[u8]| read_bytes(bytes).unwrap();

    // One after the other, as the commands do it: room is used again, and nothing is kept.
    let begun = cpu();
    for bytes in &files {
        black_box(one(bytes));
    }
    let reading = cpu() - begun;
    let recordings: Vec<Recording> = files.iter().map(|bytes| one(bytes)).collect();
    let polls: usize = recordings.iter().map(|recording| recording.polls.len()).sum();
    let samples = polls as f64 * CHANNELS;
    println!("reading: {:.1} million samples/s on one core", samples / reading / 1e6);

    let begun = cpu();
    for recording in &recordings {
        let rig = recording.header.rig.validate().unwrap();
        let recipe = recording.header.recipe.validate(&rig).unwrap();
        black_box(rerun(recording, &Timeline::of(recording), rig, recipe));
    }
    let whole = cpu() - begun;
    println!("the whole sequencer, one recipe: {:.1} million samples/s on one core", samples / whole / 1e6);
    let begun = cpu();
    for bytes in &files {
        let recording = one(bytes);
        let rig = recording.header.rig.validate().unwrap();
        let recipe = recording.header.recipe.validate(&rig).unwrap();
        black_box(rerun(&recording, &Timeline::of(&recording), rig, recipe));
    }
    println!("  with reading: {:.1}", samples / (cpu() - begun) / 1e6);

    let begun = cpu();
    let mut judged = 0;
    for run in register.runs(RunFilter::default()) {
        let recording = one(&register.recording(run.unwrap().id).unwrap());
        let rig = recording.header.rig.validate().unwrap();
        let recipe = recording.header.recipe.validate(&rig).unwrap();
        black_box(rerun(&recording, &Timeline::of(&recording), rig, recipe));
        judged += 1;
    }
    assert_eq!(judged, RECORDED);
    println!("  out of a register: {:.1}", samples / (cpu() - begun) / 1e6);

    let own = recordings[0].header.recipe;
    let limits: Vec<f64> = (0..LIMITS).map(|i| own.limit_pa_m3_s * 0.1 * 1.03f64.powi(i as i32)).collect();
    let begun = cpu();
    let all: Vec<Vec<Looks>> = recordings.iter().map(look).collect();
    let looking = cpu() - begun;
    let all_in = reading + looking;
    let schedule = *own.validate(&recordings[0].header.rig.validate().unwrap()).unwrap().schedule();
    let begun = cpu();
    let mut fates: Vec<LimitOutcome> = Vec::new();
    for side in all.iter().flatten() {
        fates.extend(side.judge(&limits, &schedule));
    }
    let judging = cpu() - begun;
    println!("looks: {:.1} million samples/s on one core", samples / looking / 1e6);
    println!(
        "{LIMITS} limits: {:.2} million verdicts/s; readings × limits {:.0} million samples/s on one core, with reading",
        fates.len() as f64 / judging / 1e6,
        samples * LIMITS as f64 / (all_in + judging) / 1e6
    );
    let left = fates.iter().filter(|fate| matches!(fate, LimitOutcome::Whole)).count();
    println!("  {left} of {} left to the whole sequencer", fates.len());

    let (begun, before) = (Instant::now(), cpu_of_all());
    let told: usize = (0..runs)
        .into_par_iter()
        .map(|number| {
            let recording = one(&files[number % RECORDED]);
            look(&recording).iter().map(|side| black_box(side.judge(&limits, &schedule)).len()).sum::<usize>()
        })
        .sum();
    let wall = begun.elapsed().as_secs_f64();
    let cores = rayon::current_num_threads();
    let busy = cpu_of_all() - before;
    println!(
        "{runs} runs × {LIMITS} limits, {told} verdicts: {wall:.1} s on {cores} cores, {busy:.1} s of processor time"
    );

    // The verdict of each look, and when, for NumPy.
    let mut table = String::from("side,leak,guard,freedom,curve,after\n");
    for (number, side) in all.iter().flatten().enumerate() {
        let closed = u8::from(side.after == seathold_analysis::rejudge::looks::LookEnd::MaximumTime);
        for look in &side.looks {
            let f = &look.estimate;
            let _ = writeln!(
                table,
                "{number},{:e},{:e},{:e},{:e},{closed}",
                f.leak.pa_m3_s(),
                f.budget.guard,
                f.budget.dof,
                f.budget.curve
            );
        }
    }
    let mut answers = String::from("side,limit,verdict\n");
    for (number, side) in all.iter().flatten().enumerate() {
        for (limit, fate) in limits.iter().zip(side.judge(&limits, &schedule)) {
            let verdict = match fate {
                LimitOutcome::Judged(Verdict::Tight, Some(_)) => 1,
                LimitOutcome::Judged(Verdict::Leaking, Some(_)) => 2,
                _ => 0,
            };
            let _ = writeln!(answers, "{number},{limit:e},{verdict}");
        }
    }
    let k: String = all
        .iter()
        .flatten()
        .flat_map(|side| &side.looks)
        .map(|look| format!("{:e}\n", student_quantile(schedule.z_accept(), look.estimate.budget.dof)))
        .collect();
    std::fs::write(folder.join("looks.csv"), table).unwrap();
    std::fs::write(folder.join("answers.csv"), answers).unwrap();
    std::fs::write(folder.join("factors.csv"), k).unwrap();
    let python = std::env::var("PYTHON").unwrap_or_else(|_| "python3".into());
    let script = Path::new(env!("CARGO_MANIFEST_DIR")).join("benches/rejudge_numpy.py");
    let z = format!("{:e}", schedule.z_accept());
    let ours = format!("{judging:e}");
    let compared = std::process::Command::new(python).arg(script).arg(&folder).arg(z).arg(ours).status();
    std::fs::remove_dir_all(&folder).unwrap();
    // Other verdicts than ours are no figure that is missing: one of the two is wrong.
    let status = compared.expect("PYTHON names a Python");
    assert!(status.success(), "NumPy's verdicts are not ours, or PYTHON has no NumPy");
}

/// Processor time of this thread, and of all threads, s; where they are not told apart, the clock on the wall.
#[cfg(unix)]
mod clock {
    use rustix::time::{ClockId, clock_gettime};

    pub(super) fn cpu() -> f64 {
        seconds(ClockId::ThreadCPUTime)
    }

    pub(super) fn cpu_of_all() -> f64 {
        seconds(ClockId::ProcessCPUTime)
    }

    fn seconds(clock: ClockId) -> f64 {
        let now = clock_gettime(clock);
        now.tv_sec as f64 + now.tv_nsec as f64 / 1e9
    }
}

#[cfg(not(unix))]
mod clock {
    use std::time::{SystemTime, UNIX_EPOCH};

    pub(super) fn cpu() -> f64 {
        SystemTime::now().duration_since(UNIX_EPOCH).map_or(0.0, |t| t.as_secs_f64())
    }

    pub(super) use cpu as cpu_of_all;
}

fn look(recording: &Recording) -> Vec<Looks> {
    let rig = recording.header.rig.validate().unwrap();
    looks(recording, &Timeline::of(recording), &rig, &recording.header.recipe).0
}
