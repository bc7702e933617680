//! The same program on an emulated controller: the images of `sequencer/boards` must tell, byte for byte, what the
//! same scenarios tell in this process, and stay inside the budget that lies beside each.
//!
//! Needs the images built and an emulator, so it is left out of a plain `cargo test`; `.ci/run on-target` does both.

use crate::images::{WHY_IGNORED, boards, image, target_and_runner, toml};
use object::{Object, ObjectSection, ObjectSymbol, SectionFlags, SectionKind};
use seathold_on_target::meter::NoMeter;
use seathold_on_target::run_all;
use seathold_on_target::tell::Tell;
use std::collections::BTreeMap;
use std::fmt::{self, Write};
use std::fs;
use std::process::Command;
use std::sync::OnceLock;

/// Lines that differ between machines by nature.
const MEASURED: &str = "measured ";

struct Lines(Vec<String>);

impl Tell for Lines {
    fn line(&mut self, line: fmt::Arguments<'_>) {
        self.0.push(line.to_string());
    }
}

/// What this process tells.
fn host() -> &'static [String] {
    static HOST: OnceLock<Vec<String>> = OnceLock::new();
    HOST.get_or_init(|| {
        let mut lines = Lines(Vec::new());
        run_all(&mut lines, &NoMeter, &mut std::mem::MaybeUninit::uninit());
        lines.0.retain(|line| !line.starts_with(MEASURED));
        lines.0
    })
}

/// Runs a board's on-target image to its end.
fn emulate(board: &str) -> Vec<String> {
    let (_, runner) = target_and_runner(board);
    let output = Command::new(&runner[0])
        .args(&runner[1..])
        .arg(image(board, "on-target"))
        .output()
        .unwrap_or_else(|e| panic!("{}: {e}; install it, or {WHY_IGNORED}", runner[0]));
    let lines: Vec<_> = String::from_utf8_lossy(&output.stdout).lines().map(str::to_owned).collect();
    assert!(
        output.status.success() && lines.last().is_some_and(|l| l == "finished"),
        "{board}: the image did not finish ({}): {:?}\n{}",
        output.status,
        lines.last(),
        String::from_utf8_lossy(&output.stderr)
    );
    lines
}

#[derive(Default)]
struct Row {
    polls: u64,
    total: u64,
    worst: u64,
    stack: u64,
}

/// The scenario whose polls come at random moments: what it costs is told by itself.
const UNEVEN: &str = "uneven";

/// Sums `measured SCENARIO PHASE polls N mean N worst N stack N` over the scenarios polled evenly, or the one that is not.
fn by_phase(lines: &[String], uneven: bool) -> BTreeMap<String, Row> {
    let mut rows: BTreeMap<String, Row> = BTreeMap::new();
    for line in lines {
        let words: Vec<_> = line.split(' ').collect();
        if let ["measured", name, phase, "polls", polls, "mean", mean, "worst", worst, "stack", stack] = words[..]
            && uneven == (name == UNEVEN)
        {
            let number = |text: &str| text.parse::<u64>().unwrap_or_else(|e| panic!("{line}: {e}"));
            let row = rows.entry(phase.to_owned()).or_default();
            row.polls += number(polls);
            row.total += number(polls) * number(mean);
            row.worst = row.worst.max(number(worst));
            row.stack = row.stack.max(number(stack));
        }
    }
    rows
}

fn budget(board: &str, table: &str, key: &str) -> u64 {
    let path = boards().join(board).join("budget.toml");
    let limit = toml(&path)[table][key].as_integer();
    limit.and_then(|n| u64::try_from(n).ok()).unwrap_or_else(|| panic!("{}: no {table}.{key}", path.display()))
}

fn within(board: &str, table: &str, key: &str, found: u64) -> Result<(), String> {
    let limit = budget(board, table, key);
    if found <= limit { Ok(()) } else { Err(format!("{board}: {table}.{key} is {limit}, found {found}\n")) }
}

/// Writes a table, and gives its last row: of all phases.
fn table_of(rows: &BTreeMap<String, Row>, title: &str, table: &mut String) -> Row {
    writeln!(table, "{title}\n| phase | polls | mean | worst | stack, bytes |\n|---|---|---|---|---|").unwrap();
    let mut all = Row::default();
    for row in rows.values() {
        all.polls += row.polls;
        all.total += row.total;
        all.worst = all.worst.max(row.worst);
        all.stack = all.stack.max(row.stack);
    }
    for (phase, row) in rows.iter().map(|(phase, row)| (phase.as_str(), row)).chain([("all", &all)]) {
        let mean = row.total / row.polls.max(1);
        writeln!(table, "| {phase} | {} | {mean} | {} | {} |", row.polls, row.worst, row.stack).unwrap();
    }
    all
}

/// Same bytes as the host, then instructions and stack against the budget.
fn same_bytes_inside_budget(board: &str) {
    let lines = emulate(board);
    let told: Vec<_> = lines.iter().filter(|l| !l.starts_with(MEASURED) && *l != "finished").collect();
    for (i, (here, there)) in host().iter().zip(&told).enumerate() {
        assert_eq!(&here, there, "{board}: line {} differs: host on the left", i + 1);
    }
    assert_eq!(host().len(), told.len(), "{board}: number of lines");

    let mut table = String::new();
    let even = table_of(&by_phase(&lines, false), &format!("{board}, polled every 10 ms"), &mut table);
    let uneven = table_of(&by_phase(&lines, true), &format!("{board}, polled at random moments"), &mut table);
    assert!(even.polls > 20_000, "{board}: only {} polls were metered", even.polls);
    assert!(uneven.polls > 5_000, "{board}: only {} polls at random moments were metered", uneven.polls);
    for line in lines.iter().filter(|l| l.starts_with("measured bytes") || l.starts_with("measured stack")) {
        writeln!(table, "{line}").unwrap();
    }
    println!("{table}");
    let broken: String = [
        within(board, "poll", "instructions_worst_max", even.worst),
        within(board, "poll", "instructions_mean_max", even.total / even.polls),
        within(board, "poll", "instructions_worst_uneven_max", uneven.worst),
        within(board, "poll", "stack_max", even.stack.max(uneven.stack)),
    ]
    .into_iter()
    .filter_map(Result::err)
    .collect();
    assert!(broken.is_empty(), "{broken}");
}

#[test]
fn the_scenarios_cover_every_phase_and_prove_a_valve() {
    // What is compared below must be worth comparing; this part needs no emulator.
    let lines = host();
    assert!(lines.iter().all(|l| !l.contains("not encoded") && !l.contains("not valid")), "{lines:#?}");
    let runs = lines.iter().filter(|l| l.starts_with("run ") && l.contains(" check ")).count();
    assert!(runs >= 14, "{runs} runs");
    assert!(lines.iter().any(|l| l.starts_with("trace transient estimate 01")), "the estimator gave no estimate");
}

#[test]
#[ignore = "needs built images and an emulator: .ci/run on-target"]
fn cortex_m3_gives_the_hosts_bytes() {
    same_bytes_inside_budget("emulated-m3");
}

#[test]
#[ignore = "needs built images and an emulator: .ci/run on-target"]
fn cortex_m0_gives_the_hosts_bytes() {
    same_bytes_inside_budget("emulated-m0");
}

#[test]
#[ignore = "needs built images and an emulator: .ci/run on-target"]
fn cortex_m4f_gives_the_hosts_bytes() {
    same_bytes_inside_budget("emulated-m4f");
}

/// Prints the sections of an image, and gives what it takes of flash and of static memory.
fn sizes(board: &str, name: &str, elf: &object::File<'_>) -> (u64, u64) {
    let (mut flash, mut ram) = (0, 0);
    println!("{board}, image {name}\n| section | bytes |\n|---|---|");
    for section in elf.sections() {
        // Only what is loaded or reserved on the part; debug information is not.
        let SectionFlags::Elf { sh_flags, .. } = section.flags() else { continue };
        if !sh_flags.contains(object::elf::SHF_ALLOC) || section.size() == 0 {
            continue;
        }
        println!("| {} | {} |", section.name().unwrap(), section.size());
        // Initialised data takes room in both: its first values come from flash.
        match section.kind() {
            SectionKind::UninitializedData => ram += section.size(),
            // Where code lies among it that runs from memory, the section is one of code by its flags.
            _ if sh_flags.contains(object::elf::SHF_WRITE) => {
                (flash, ram) = (flash + section.size(), ram + section.size())
            }
            _ => flash += section.size(),
        }
    }
    println!("| flash | {flash} |\n| static memory | {ram} |");
    // An image without any would keep to every budget.
    assert!(flash > 0 && ram > 0, "{board}, image {name}: no section that is loaded");
    (flash, ram)
}

fn inside_budget(board: &str, table: &str, (flash, ram): (u64, u64)) {
    let broken: String = [within(board, table, "flash_max", flash), within(board, table, "static_ram_max", ram)]
        .into_iter()
        .filter_map(Result::err)
        .collect();
    assert!(broken.is_empty(), "{broken}");
}

#[test]
#[ignore = "needs built images: .ci/run on-target"]
fn the_core_fits_a_small_part_and_cannot_panic() {
    let board = "emulated-m0";
    let bytes = fs::read(image(board, "core")).unwrap();
    let elf = object::File::parse(&*bytes).unwrap();
    let found = sizes(board, "core", &elf);

    // The image does not link while anything in it can panic (see its panic handler); this looks once more, at what
    // is there. Names are mangled: `core::panicking` stands in them as `4core9panicking`.
    // Nor is a float ever turned into text there.
    let panics: Vec<_> = elf
        .symbols()
        .filter_map(|s| s.name().ok())
        .filter(|n| n.contains("panic") || n.contains("unwrap_failed") || n.contains("3fmt5float"))
        .collect();
    assert!(panics.is_empty(), "panics, or floats as text, in the core image: {panics:?}");
    assert!(elf.symbols().count() > 50, "the image has no symbols to look at");
    inside_budget(board, "core", found);
}

#[test]
#[ignore = "needs built images: .ci/run on-target"]
fn the_real_board_fits_and_reckons_as_the_host_does() {
    let board = "rp2040";
    let bytes = fs::read(image(board, "controller")).unwrap();
    let elf = object::File::parse(&*bytes).unwrap();
    inside_budget(board, "controller", sizes(board, "controller", &elf));
    // Its hardware crate would send f64 arithmetic to the part's ROM, which flushes subnormals.
    let names: Vec<_> = elf.symbols().filter_map(|s| s.name().ok()).collect();
    let adds: Vec<_> = names.iter().filter(|n| n.contains("adddf3")).collect();
    assert!(adds.iter().any(|n| n.contains("compiler_builtins")), "where does addition come from? {adds:?}");
    let from_rom: Vec<_> = names.iter().filter(|n| n.contains("rp2040_hal") && n.contains("float")).collect();
    assert!(from_rom.is_empty(), "{from_rom:?}");
}
