//! However a file is made, what it takes of memory is bounded: each command reads the worst of them as a process that
//! may not have more.
#![cfg(unix)]

use std::path::{Path, PathBuf};
use std::process::{Command, Output};

use seathold_recording::frame::{self, FrameKind};
use seathold_recording::limits::{EVENTS_MAX, FILE_MAX, POLLS_MAX};
use seathold_sequencer::event::{Event, Fault, Phase};
use seathold_sequencer::input::{Inputs, Reading, Side};
use seathold_sequencer::output::Outputs;
use seathold_sequencer::poll_loop::PollRecord;
use seathold_sequencer::time::Instant;
use sha2::{Digest, Sha256};

/// Address space in KiB. The program's own code, its stacks and the buffers of its libraries are in it too; unbounded
/// reading asks for gigabytes.
const SPACE: u32 = 224 * 1024;
/// Resident memory in KiB.
const RESIDENT: u64 = 64 * 1024;

/// Runs the program with no more than [`SPACE`], and reads from the kernel how much it had in memory at most.
fn seathold(dir: &Path, arguments: &[&str]) -> (Output, u64) {
    let script = format!("ulimit -v {SPACE}; \"$0\" \"$@\"; code=$?; exit $code");
    let time = dir.join("resident");
    let said = Command::new("/usr/bin/time")
        .args(["-f", "%M", "-o"])
        .arg(&time)
        .env("SEATHOLD_CONFIG", "")
        .args(["sh", "-c", &script, env!("CARGO_BIN_EXE_seathold")])
        .args(arguments)
        // Each thread of a re-evaluation would reserve address space of its own that it does not use.
        .env("MALLOC_ARENA_MAX", "1")
        .current_dir(dir)
        .output()
        .unwrap();
    let text = std::fs::read_to_string(time).unwrap();
    (said, text.lines().last().unwrap().trim().parse().unwrap())
}

/// The frames of a good recording of one side.
fn good(dir: &Path) -> Vec<u8> {
    let run = ["run", "-q", "--sides", "first", "--out", "good.hold"];
    let said = Command::new(env!("CARGO_BIN_EXE_seathold"))
        .env("SEATHOLD_CONFIG", "")
        .args(run)
        .current_dir(dir)
        .output()
        .unwrap();
    assert!(said.status.success(), "{said:?}");
    std::fs::read(dir.join("good.hold")).unwrap()
}

fn frames(bytes: &[u8]) -> Vec<(FrameKind, Vec<u8>)> {
    let (mut at, mut list) = (frame::HEAD, Vec::new());
    while at < bytes.len() {
        let (kind, payload, next) = frame::read_frame(bytes, at).unwrap();
        list.push((kind, payload.to_vec()));
        at = next;
    }
    list
}

fn varint(mut number: u64) -> Vec<u8> {
    let mut bytes = Vec::new();
    while number > 127 {
        bytes.push(number as u8 | 128);
        number >>= 7;
    }
    bytes.push(number as u8);
    bytes
}

/// A block of 256 polls 10 ms apart, each with a reading of the far side, in as few bytes as there can be.
fn dense(first_us: u64, events: &[u8]) -> Vec<u8> {
    let full = varint(256);
    let run = [vec![1], full.clone(), vec![1]].concat();
    let far = [run.clone(), run, full.clone(), varint(128), vec![0; 128], vec![0]].concat();
    let gaps = [vec![1], varint(255), varint(10_000)].concat();
    [vec![0], full, varint(first_us), gaps, far, vec![0; 10], vec![0; 3], events.to_vec()].concat()
}

fn assemble(frames: &[(FrameKind, Vec<u8>)], polls: u64) -> Vec<u8> {
    let mut file = Vec::new();
    frame::write_head(&mut file).unwrap();
    for (kind, payload) in frames {
        frame::write_frame(&mut file, *kind, payload).unwrap();
    }
    let end = [varint(polls), Sha256::digest(&file).to_vec()].concat();
    frame::write_frame(&mut file, FrameKind::End, &end).unwrap();
    file
}

/// As many polls and events as there may be, most of them in the middle of the measurement: whole, and by all its
/// checksums as good as any.
fn longest(good: &[u8]) -> Vec<u8> {
    let mut all = frames(good);
    all.pop();
    let tail = all.split_off(all.len() - 3);
    let polls: usize = seathold_recording::read_bytes(good).unwrap().polls.len();
    let room = (POLLS_MAX - polls) / 256;
    let events = (EVENTS_MAX - 1_000) / room;
    let null = [varint(events as u64), [0, 0].repeat(events)].concat();
    all.extend((0..room as u64).map(|block| (FrameKind::Polls, dense(40_000_000 + block * 2_560_000, &null))));
    all.extend(tail);
    assemble(&all, (polls + room * 256) as u64)
}

/// As many events and texts as there may be, every event another side's, and so a chart and a line of the log each.
fn wordy(good: &[u8], path: &Path) -> Vec<u8> {
    let mut header = seathold_recording::read_bytes(good).unwrap().header;
    header.calibrations = (0..28).map(|n| format!("{n}{}", "x".repeat(4_000))).collect();
    header.serial = "y".repeat(256);
    let mut writer = seathold_recording::Writer::create(path, &header).unwrap();
    for number in 0..(EVENTS_MAX / 4) as u64 {
        let entered = |phase, side| Event::Entered { phase, side: Some(side) };
        let events = [
            entered(Phase::Settle, Side::First),
            entered(Phase::Measure, Side::Second),
            Event::Faulted(Fault::GuardOpen),
            Event::Aborted,
        ];
        let inputs = Inputs { far: Reading::sample(4_000 + number as i32 % 7, number as u32), ..Inputs::IDLE };
        let at = Instant::from_ticks(number * 10_000);
        let polled = PollRecord { at, inputs, outputs: Outputs::REST, events: events.into_iter().collect() };
        writer.push(&polled).unwrap();
    }
    std::fs::read(writer.finish().unwrap()).unwrap()
}

/// The recordings, by what is wrong with them.
fn hostile(dir: &Path) -> Vec<(&'static str, Vec<u8>)> {
    let good = good(dir);
    let start = frame::read_frame(&good, frame::HEAD).unwrap().2;
    let cut = &good[..start];
    let after = |payloads: &mut dyn Iterator<Item = Vec<u8>>| {
        let mut file = cut.to_vec();
        payloads.for_each(|payload| frame::write_frame(&mut file, FrameKind::Polls, &payload).unwrap());
        file
    };
    let most = FILE_MAX as usize;
    let tiny = [vec![0], varint(256), vec![0], vec![1], varint(255), varint(1), vec![0; 18], vec![0]].concat();
    let lists = [vec![0, 1, 0], varint(300_000), [1, 1].repeat(300_000), vec![0; 18], vec![0]].concat();
    let header = |names: Vec<u8>, tree: Vec<u8>| {
        let mut file = Vec::new();
        frame::write_head(&mut file).unwrap();
        frame::write_frame(&mut file, FrameKind::Header, &[names, tree].concat()).unwrap();
        file
    };
    let long = [vec![1], varint(60_000), vec![b'x'; 60_000]].concat();
    vec![
        ("longest", longest(&good)),
        ("wordy", wordy(&good, &dir.join("w.hold"))),
        ("blocks to the last byte", after(&mut (0..).map(|_| tiny.clone()).take((most - start) / (tiny.len() + 9)))),
        ("zeros", [&good, vec![0; most - good.len()].as_slice()].concat()),
        ("far too many zeros", [&good, vec![0; 16 << 20].as_slice()].concat()),
        ("long lists", after(&mut (0..7).map(|_| lists.clone()))),
        ("empty names", after(&mut (0..7).map(|_| [varint(900_000), vec![0; 900_000]].concat()))),
        ("a name again and again", header(long, [vec![5], varint(30_000), [4, 0].repeat(30_000)].concat())),
        ("a long header", header(vec![0], [vec![5], varint(900_000), vec![0; 900_000]].concat())),
        (
            "events of nothing",
            after(&mut (0..7).map(|_| [vec![0, 1, 0], vec![0; 19], varint(400_000), vec![0; 800_000]].concat())),
        ),
        (
            "a long event",
            after(
                &mut (0..7)
                    .map(|_| [vec![0, 1, 0], vec![0; 19], vec![1, 0, 5], varint(900_000), vec![0; 900_000]].concat()),
            ),
        ),
    ]
}

fn written(dir: &Path) -> Vec<(&'static str, PathBuf)> {
    let write = |(name, bytes): (&'static str, Vec<u8>)| {
        let path = dir.join(format!("{}.hold", name.replace(' ', "-")));
        std::fs::write(&path, bytes).unwrap();
        (name, path)
    };
    hostile(dir).into_iter().map(write).collect()
}

const COMMANDS: [&[&str]; 10] = [
    &["show", "--json"],
    &["report", "-o", "page.html"],
    &["rejudge", "--limit", "3 mm3/s", "--html", "rejudged.html"],
    &["register", "import", "--register", "bench.sqlite"],
    &["replay"],
    &["show"],
    &["show", "--csv"],
    &["report", "-o", "page.pdf"],
    &["export", "--runs", "runs.parquet", "--sides", "sides.csv", "--samples", "samples.parquet"],
    &["study", "drift"],
];

#[test]
fn no_recording_takes_more_memory_than_is_allowed() {
    let dir = tempfile::tempdir().unwrap();
    let mut worst = Vec::new();
    for (name, path) in written(dir.path()) {
        let path = path.to_str().unwrap();
        // Those that hold the most by what they do with it, and for the rest those that read it in different ways.
        let all = ["longest", "wordy"].contains(&name);
        for command in &COMMANDS[..if all { COMMANDS.len() } else { 4 }] {
            let command = *command;
            let began = std::time::Instant::now();
            let (said, resident) = seathold(dir.path(), &[command, [path].as_slice()].concat());
            let told = String::from_utf8_lossy(&said.stderr);
            let code = said.status.code().unwrap_or(255);
            println!(
                "{name:24} {:40} {resident:>7} KiB  {code}  {:.1} s",
                command.join(" "),
                began.elapsed().as_secs_f64()
            );
            assert!(code <= 6 && !told.contains("panicked"), "{name}, {}: {code} {told}", command.join(" "));
            worst.push((resident, name, command.join(" ")));
        }
    }
    let over: Vec<_> = worst.iter().filter(|(resident, ..)| *resident > RESIDENT).collect();
    assert!(over.is_empty(), "more than {RESIDENT} KiB: {over:#?}");
}

/// Files that are no recordings: settings, lists and tables of all that makes much of little.
#[test]
fn no_other_file_takes_more_memory_than_is_allowed() {
    let dir = tempfile::tempdir().unwrap();
    let write = |name: &str, text: String| std::fs::write(dir.path().join(name), text).unwrap();
    let most = seathold_recording::file::SETTINGS_MAX as usize;
    write("list.toml", format!("x = [{}]", "1,".repeat(most / 2 - 10)));
    write("tables.toml", "[[a]]\n".repeat(most / 6 - 10));
    write("keys.toml", (0..most / 9).map(|n| format!("{n:x}=1\n")).collect::<String>().split_off(0));
    write("deep.toml", format!("x = {}1{}", "[".repeat(most / 2 - 10), "]".repeat(most / 2 - 10)));
    write("long.toml", format!("x = \"{}\"", "y".repeat(64 * most)));
    let commas = "time_s,pressure_pa\n".to_owned();
    write("cells.csv", commas.clone() + &",".repeat(15 << 20));
    write("rows.csv", commas.clone() + &(0..399_000).map(|n| format!("{n},1\n")).collect::<String>());
    write("many.csv", commas.clone() + &"\"\n\",".repeat(1_900_000));
    write("head.csv", ",".repeat(15 << 20) + "\n");
    write("long.csv", commas + &"0,1\n".repeat(8 << 20));
    write("list.csv", "serial\n".to_owned() + &"a\n".repeat(524_000));
    write("cells2.csv", "part,operator,value\n".to_owned() + &",".repeat(1_000_000));
    let commands: &[(&[&str], &[&str])] = &[
        (&["recipe", "check"], &["list.toml", "tables.toml", "keys.toml", "deep.toml", "long.toml", "/dev/zero"]),
        (&["rig", "check"], &["list.toml", "/dev/zero"]),
        (&["valve", "check"], &["list.toml", "/dev/zero"]),
        (
            &["assess", "--volume", "45 cm3", "--limit", "7.5 mm3/s", "--gauge"],
            &["cells.csv", "rows.csv", "many.csv", "head.csv", "long.csv", "/dev/zero"],
        ),
        (&["study", "gauge-rr", "--table"], &["cells2.csv", "list.csv", "long.csv", "/dev/zero"]),
        (&["batch", "open", "b", "--register", "r.sqlite", "--list"], &["list.csv", "long.csv"]),
        (&["show"], &["/dev/zero"]),
        (&["report", "-o", "x.html"], &["/dev/zero"]),
    ];
    let mut over = Vec::new();
    for (command, files) in commands {
        for file in *files {
            let (said, resident) = seathold(dir.path(), &[*command, &[file]].concat());
            let told = String::from_utf8_lossy(&said.stderr);
            let code = said.status.code().unwrap_or(255);
            println!("{:46} {resident:>7} KiB  {code}  {:.150}", [*command, &[file]].concat().join(" "), told);
            assert!(code <= 6 && !told.contains("panicked"), "{file}: {code} {told}");
            if resident > RESIDENT {
                over.push((resident, command.join(" "), *file));
            }
        }
    }
    assert!(over.is_empty(), "more than {RESIDENT} KiB: {over:#?}");
}
