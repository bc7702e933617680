//! The campaign in full. `cargo bench -p seathold-campaign -- --singles`, `-- --random 100000 --seed 7`, or one run
//! again, reported poll by poll: `-- --run air/tight/45cm3/swg/1 far-frozen@measure.1st+20`.

use seathold_campaign::argued::{self, Argued};
use seathold_campaign::plan;
use seathold_campaign::spec::Spec;
use seathold_campaign::tally::Tally;
use seathold_campaign::trouble::{self, Named};
use seathold_campaign::world::World;
use std::process::ExitCode;
use std::time::Instant;

const USAGE: &str = "\
cargo bench -p seathold-campaign -- OPTIONS
  --singles           every single trouble, in every phase, on every bench
  --only TROUBLE      with --singles: this one alone
  --random N          N runs with two or three troubles drawn at random
  --seed S            another N of them (1)
  --threads T         on so many threads (as many as there are processors)
  --rows R            rows of a table (12)
  --run SPEC...       one run, told; all that follows belongs to it";

struct Options {
    singles: bool,
    only: Option<&'static Named>,
    random: Option<usize>,
    seed: u64,
    threads: usize,
    rows: usize,
    run: Option<Spec>,
}

fn options() -> Result<Options, String> {
    let threads = std::thread::available_parallelism().map_or(1, usize::from);
    let mut options = Options { singles: false, only: None, random: None, seed: 1, threads, rows: 12, run: None };
    let mut words = std::env::args().skip(1);
    while let Some(word) = words.next() {
        let mut number = |what: &str| {
            let text = words.next().unwrap_or_default();
            text.parse::<usize>().map_err(|_| format!("{what} '{text}': must be a whole number"))
        };
        match word.as_str() {
            // Given by cargo.
            "--bench" => {}
            "--singles" => options.singles = true,
            "--only" => {
                let name = words.next().unwrap_or_default();
                options.only = Some(trouble::find(&name).ok_or_else(|| format!("'{name}': no such trouble"))?);
            }
            "--random" => options.random = Some(number("--random")?),
            "--seed" => options.seed = number("--seed")? as u64,
            "--threads" => options.threads = number("--threads")?,
            "--rows" => options.rows = number("--rows")?,
            "--run" => {
                let spec: Vec<String> = words.by_ref().filter(|w| w != "--bench").collect();
                options.run = Some(spec.join(" ").parse()?);
            }
            other => return Err(format!("'{other}': no such option\n{USAGE}")),
        }
    }
    Ok(options)
}

/// Reports all events of a run.
fn tell(spec: &Spec, argued: &[Argued]) -> Result<bool, String> {
    println!("{spec}");
    let mut outputs = None;
    let mut told = 0;
    let outcome = World::new(spec)?.finish(|world| {
        let truth = world.truth();
        let line = |what: String| {
            println!(
                "{:>8} ms  far {:>7.0}  cavity {:>7.0}  line {:>7.0} Pa  ball {:.2}  {what}",
                world.now() / 1_000,
                truth.far,
                truth.cavity,
                truth.line,
                truth.ball
            );
        };
        if outputs.replace(world.outputs()) != Some(world.outputs()) {
            line(format!("{:?}", world.outputs()));
        }
        for event in world.events() {
            line(format!("{event:?}"));
        }
        let broken = world.outcome().broken;
        for (rule, _) in broken.iter().filter(|(_, at)| *at == world.now()) {
            line(format!("BROKEN {rule}"));
            told += 1;
        }
    });
    println!("{} of {told} told; {:?} in {:?}", outcome.broken.len(), outcome.verdicts, outcome.end);
    Ok(outcome.broken.iter().all(|(rule, _)| argued.iter().any(|a| a.covers(*rule, spec, &outcome))))
}

fn report(what: &str, began: Instant, tally: &Tally, argued: &[Argued], options: &Options) -> bool {
    let took = began.elapsed().as_secs_f64();
    println!("\n== {what}: {:.0} runs a second on {} threads", tally.runs as f64 / took, options.threads);
    println!("{}", tally.tables(argued, options.rows));
    tally.violations() == 0
}

fn main() -> ExitCode {
    match campaign() {
        Ok(true) => ExitCode::SUCCESS,
        Ok(false) => ExitCode::FAILURE,
        Err(error) => {
            eprintln!("{error}");
            ExitCode::FAILURE
        }
    }
}

fn campaign() -> Result<bool, String> {
    let options = options()?;
    let argued = argued::parse(argued::TEXT)?;
    if let Some(spec) = &options.run {
        return tell(spec, &argued);
    }
    if !options.singles && options.random.is_none() {
        println!("{USAGE}");
        return Ok(true);
    }
    let mut good = true;
    for line in &argued {
        if let Err(stale) = line.check() {
            println!("{stale}");
            good = false;
        }
    }
    if options.singles {
        let began = Instant::now();
        let tally = plan::all_singles(options.threads, options.only, &argued)?;
        good &= report("single troubles", began, &tally, &argued, &options);
    }
    if let Some(many) = options.random {
        let began = Instant::now();
        let tally = plan::random(options.threads, many, options.seed, &argued)?;
        good &= report(&format!("random, seed {}", options.seed), began, &tally, &argued, &options);
    }
    Ok(good)
}
