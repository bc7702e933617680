//! How soon the bench screen is there, what it costs, and how soon a key is seen on it.
//!
//! `cargo bench -p seathold-tests --bench bench_screen`. The program itself in a shell at a pseudo-terminal of 80 × 24, a run of the
//! simulated rig at real time with 100 readings a second. `BENCH_SECONDS=N` measures the processor's share over another time than 30 s.

#[cfg(unix)]
mod measured {
    use std::time::{Duration, Instant};

    use seathold_tests::terminal_kit::Terminal;

    const PROGRAM: &str = env!("CARGO_BIN_EXE_seathold-program");

    /// Starts, and keys: the median and the worst of so many are told.
    const TIMES: usize = 20;

    /// Ticks of the kernel's account of processor time in a second, on every Linux.
    const TICKS: f64 = 100.0;

    pub(super) fn all() {
        let dir = tempfile::tempdir().unwrap();
        let mut t = Terminal::open(dir.path(), PROGRAM, 80, 24);
        let mut first = Vec::new();
        let mut keys = Vec::new();
        for n in 0..TIMES {
            let began = Instant::now();
            t.call(&format!("run --interactive --speed 1 --out {n}.hold"));
            t.until("the first frame", |screen| {
                screen.contains("far side not read yet") || screen.contains("treat as PRESSURISED: touch")
            });
            first.push(began.elapsed());
            t.wait("Enter begins");
            let began = Instant::now();
            t.keys("x");
            t.wait("aborts: x");
            keys.push(began.elapsed());
            t.line("\u{15}a");
            t.ended();
        }
        told("start to first frame, shell included", first);
        told("key to screen", keys);

        t.call("run --interactive --speed 1 --out share.hold");
        t.answer("Enter begins", "");
        t.wait("fill");
        let seconds: u64 = std::env::var("BENCH_SECONDS").ok().and_then(|n| n.parse().ok()).unwrap_or(30);
        let (before, began) = (ticks(t.pid()), Instant::now());
        std::thread::sleep(Duration::from_secs(seconds));
        let share = (ticks(t.pid()) - before) / TICKS / began.elapsed().as_secs_f64();
        println!("{:40}{:7.2} %  over {seconds} s from the fill on", "share of a core, user and system", share * 100.0);
        t.line("a");
        t.ended();
    }

    fn told(what: &str, mut all: Vec<Duration>) {
        all.sort();
        let ms = |at: usize| all[at].as_secs_f64() * 1e3;
        println!("{what:40}{:7.1} ms  worst {:.1} ms", ms(all.len() / 2), ms(all.len() - 1));
    }

    /// The processor time of a process, its own and the system's for it.
    fn ticks(pid: i32) -> f64 {
        let stat = std::fs::read_to_string(format!("/proc/{pid}/stat")).unwrap();
        // Behind the name in brackets, which may have blanks: the state, then ten more before these.
        let fields: Vec<&str> = stat.rsplit_once(')').unwrap().1.split_whitespace().collect();
        fields[11..13].iter().map(|ticks| ticks.parse::<f64>().unwrap()).sum()
    }
}

fn main() {
    #[cfg(unix)]
    measured::all();
    #[cfg(not(unix))]
    println!("no pseudo-terminal here");
}
