//! What becomes of the outputs when an image breaks: a panic, an undefined instruction, a read of nothing, a stack that
//! runs over, a loop that hangs. The `trials` image energises all three and breaks; what the *emulated part* was told is
//! read from the emulator's own log, so the image is not asked whether it did well.

use crate::images::{image, target_and_runner};
use std::fs;
use std::io::{BufRead, BufReader};
use std::path::Path;
use std::process::{Command, Stdio};

/// A thing that the emulator saw.
#[derive(Debug, PartialEq, Eq, Clone, Copy)]
enum Seen {
    /// The three outputs, a bit each; 0 is at rest.
    Outputs(u32),
    /// An exception other than a call to the host.
    Fault,
    /// A call to the host: the image prints.
    Call,
    Reset,
}

const ENERGISED: Seen = Seen::Outputs(0b111);
const AT_REST: Seen = Seen::Outputs(0);

/// What a board's emulator is asked to log of its port, and how a line of that reads.
struct Port {
    log: &'static str,
    outputs: fn(&str) -> Option<u32>,
}

/// The number in hexadecimal that follows a word.
fn after(line: &str, word: &str) -> Option<u32> {
    let rest = line.split_once(word)?.1.trim_start().strip_prefix("0x")?;
    let end = rest.find(|c: char| !c.is_ascii_hexdigit()).unwrap_or(rest.len());
    u32::from_str_radix(&rest[..end], 16).ok()
}

fn port(board: &str) -> Port {
    match board {
        // A PL061. The ports that the image leaves alone have no outputs, or other bits.
        "emulated-m3" => Port {
            log: "trace:pl061_update",
            outputs: |line| {
                let (direction, data) = (after(line, "GPIODIR")?, after(line, "GPIODATA")?);
                line.contains("pl061_update").then_some(direction & data & 0b111)
            },
        },
        "emulated-m0" => Port {
            log: "trace:nrf51_gpio_write",
            outputs: |line| {
                let (offset, pins) = (after(line, "nrf51_gpio_write offset")?, after(line, "value")?);
                match offset {
                    0x508 => Some(pins >> 1 & 0b111),
                    0x50c if pins >> 1 & 0b111 == 0b111 => Some(0),
                    _ => None,
                }
            },
        },
        // Not modelled by the emulator, but it logs what is written there.
        "emulated-m4f" => Port {
            log: "unimp",
            outputs: |line| {
                let (offset, value) =
                    (after(line, "cmsdk-ahb-gpio: unimplemented device write (size 4, offset")?, after(line, "value")?);
                matches!(offset, 0x004 | 0x41c).then_some(value & 0b111)
            },
        },
        other => panic!("no port is known of {other}"),
    }
}

fn read(log: &Path, port: &Port) -> Vec<Seen> {
    let text = fs::read_to_string(log).unwrap();
    let seen = text.lines().filter_map(|line| {
        if line.contains("[Semihosting call]") {
            Some(Seen::Call)
        } else if line.starts_with("Taking exception") {
            Some(Seen::Fault)
        } else if line.starts_with("Loaded reset SP") {
            Some(Seen::Reset)
        } else {
            (port.outputs)(line).map(Seen::Outputs)
        }
    });
    let mut seen: Vec<_> = seen.collect();
    seen.dedup();
    seen
}

/// The emulator with a trial in it.
fn emulator(board: &str, trial: &str, port: &Port, log: &Path) -> Command {
    let (_, mut runner) = target_and_runner(board);
    let host = runner.iter_mut().find(|word| word.starts_with("enable=on")).expect("a runner with semihosting");
    host.push_str(&format!(",arg={trial}"));
    let mut command = Command::new(&runner[0]);
    command.args(["-d", &format!("int,{}", port.log), "-D"]).arg(log).args(&runner[1..]).arg(image(board, "trials"));
    command
}

/// Breaks, and demands that the outputs fall before the image does anything else, and stay.
fn rests_first(board: &str, trial: &str, faults: bool, reason: &str) {
    let (dir, port) = (tempfile::tempdir().unwrap(), port(board));
    let log = dir.path().join("log");
    let output = emulator(board, trial, &port, &log).output().unwrap();
    let told = String::from_utf8_lossy(&output.stdout);
    let seen = read(&log, &port);
    let what = format!("{board}, {trial}: {seen:?}\n{told}");
    assert_eq!(output.status.code(), Some(1), "{what}");
    assert!(told.starts_with(&format!("trial {trial}\nstopped: {reason}")), "{what}");

    let broke = seen.iter().rposition(|s| *s == ENERGISED).unwrap_or_else(|| panic!("never energised: {what}"));
    let then = &seen[broke + 1..];
    let expected: &[Seen] = if faults { &[Seen::Fault, AT_REST, Seen::Call] } else { &[AT_REST, Seen::Call] };
    assert_eq!(then, expected, "{what}");

    // An exception's handler must have had a stack with room to spare.
    let room = told.lines().find_map(|l| l.strip_prefix("measured handlers-stack ")).expect("a line on the stack");
    let (used, size) = room.split_once(" of ").expect("used and size");
    let (used, size): (u32, u32) = (used.parse().unwrap(), size.parse().unwrap());
    assert_eq!(used > 0, faults, "{what}");
    assert!(used * 3 / 2 <= size, "{what}");
    println!("{board}, {trial}: at rest first; {used} of {size} bytes of the handlers' stack");
}

#[test]
#[ignore = "needs built images and an emulator: .ci/run on-target"]
fn a_panic_puts_outputs_at_rest_before_anything_else() {
    for board in ["emulated-m3", "emulated-m0", "emulated-m4f"] {
        rests_first(board, "panic", false, "panicked at ");
    }
}

#[test]
#[ignore = "needs built images and an emulator: .ci/run on-target"]
fn a_hard_fault_puts_outputs_at_rest_before_anything_else() {
    for board in ["emulated-m3", "emulated-m0", "emulated-m4f"] {
        rests_first(board, "undefined", true, "hard fault");
    }
    // The emulated M3 reads zero where nothing is.
    for board in ["emulated-m0", "emulated-m4f"] {
        rests_first(board, "bus", true, "hard fault");
    }
}

#[test]
#[ignore = "needs built images and an emulator: .ci/run on-target"]
fn a_stack_that_runs_over_puts_outputs_at_rest_before_anything_else() {
    for board in ["emulated-m3", "emulated-m0", "emulated-m4f"] {
        rests_first(board, "overflow", true, "hard fault");
    }
}

/// Only the emulated M3 has a watchdog. Its reset makes every pin an input, and the image begins anew.
#[test]
#[ignore = "needs built images and an emulator: .ci/run on-target"]
fn a_loop_that_hangs_is_reset_by_the_watchdog() {
    let board = "emulated-m3";
    let (dir, port) = (tempfile::tempdir().unwrap(), port(board));
    let log = dir.path().join("log");
    let mut child = emulator(board, "stall", &port, &log).stdout(Stdio::piped()).spawn().unwrap();
    let lines = BufReader::new(child.stdout.take().unwrap()).lines();
    let told: Vec<_> = lines.map(Result::unwrap).take(2).collect();
    child.kill().unwrap();
    child.wait().unwrap();
    assert_eq!(told, ["trial stall", "trial stall"]);
    let seen = read(&log, &port);
    let hung = seen.iter().position(|s| *s == ENERGISED).unwrap();
    assert_eq!(seen[hung + 1..hung + 3], [Seen::Reset, AT_REST], "{seen:?}");
}
