//! Killed at any moment, client or server: what was acknowledged is there, every chain is whole, and the next push or pull
//! goes on from there.
//!
//! `SEATHOLD_KILLS` says how many moments of each kind: by itself the test takes twenty.

use std::path::Path;
use std::process::{Command, Stdio};
use std::time::{Duration, Instant};

use seathold_tests::office_kit::{Base, PASSWORD, Server};

use crate::bench::{bench, pull, push, seals, verify};

const PROGRAM: &str = env!("CARGO_BIN_EXE_seathold-program");

fn moments() -> u32 {
    std::env::var("SEATHOLD_KILLS").map_or(20, |n| n.parse().unwrap())
}

/// Begins a command as a process of its own.
fn begun(base: &Base<'_>, dir: &Path, word: &str, login: &str, register: &str) -> std::process::Child {
    let mut command = Command::new(PROGRAM);
    command.env("SEATHOLD_CONFIG", "").env("PGPASSWORD", PASSWORD).current_dir(dir);
    command.args(["register", word, &base.address(login), "--register", &format!("{register}.sqlite")]);
    command.stdin(Stdio::null()).stdout(Stdio::null()).stderr(Stdio::null()).spawn().unwrap()
}

/// How many records the office has: all of them from the first on, without a gap.
fn there(base: &Base<'_>) -> u32 {
    let line = base.sql("SELECT count(*), coalesce(max(number), 0) FROM seathold.records");
    let (count, last) = line.split_once('|').unwrap();
    assert_eq!(count, last);
    count.parse().unwrap()
}

#[test]
fn a_push_that_is_killed_goes_on_where_it_was() {
    let Some(server) = Server::shared() else { return };
    let dir = tempfile::tempdir().unwrap();
    let dir = dir.path();
    bench(dir, "one", 1..900);
    let whole = {
        let base = server.office("unkilled", &["one"]);
        let began = Instant::now();
        assert!(begun(&base, dir, "push", "one", "one").wait().unwrap().success());
        began.elapsed()
    };
    let (mut partly, mut offices) = (0, 0);
    let mut base = server.office("killed_0", &["one"]);
    for round in 1..=moments() {
        let before = there(&base);
        let mut child = begun(&base, dir, "push", "one", "one");
        // Spread over the whole time, in an order that is not that of the clock.
        std::thread::sleep(whole * (round * 7 % moments() + 1) / (moments() + 1));
        let _ = child.kill();
        child.wait().unwrap();
        // What the server was doing for it ends.
        let after = there(&base);
        assert!(after >= before, "round {round}");
        partly += u32::from((1..902).contains(&after));
        if after == 902 {
            verify(&base, 0);
            offices += 1;
            base = server.office(&format!("killed_{offices}"), &["one"]);
        }
    }
    push(&base, dir, "one", "one", 0);
    assert_eq!(there(&base), 902);
    assert!(verify(&base, 0).contains("902 records valid"));
    assert!(partly > 0, "no kill came in the middle; {whole:?} for a whole push");
}

#[test]
fn a_pull_that_is_killed_goes_on_where_it_was() {
    let Some(server) = Server::shared() else { return };
    let base = server.office("pulled", &["one"]);
    let dir = tempfile::tempdir().unwrap();
    let dir = dir.path();
    bench(dir, "one", 1..400);
    push(&base, dir, "one", "one", 0);
    let began = Instant::now();
    assert!(begun(&base, dir, "pull", "reader", "unkilled").wait().unwrap().success());
    let whole = began.elapsed();
    let all = seals(dir, "one");
    for round in 1..=moments().div_ceil(4) {
        let name = format!("office_{}", round % 4);
        let mut child = begun(&base, dir, "pull", "reader", &name);
        std::thread::sleep(whole * (round * 3 % 10 + 1) / 11);
        let _ = child.kill();
        child.wait().unwrap();
        let said = pull(&base, dir, "reader", &name, 0);
        assert!(said.contains("added"), "{said}");
        assert_eq!(seals(dir, &name), all);
        std::fs::remove_file(dir.join(format!("{name}.sqlite"))).unwrap();
    }
}

#[test]
fn a_server_that_is_killed_loses_nothing_that_was_acknowledged() {
    let Some(mut server) = Server::start() else { return };
    let dir = tempfile::tempdir().unwrap();
    let dir = dir.path();
    bench(dir, "one", 1..400);
    let mut acknowledged = 0;
    for round in 0..3 {
        let base = if round == 0 { Some(server.office("crashed", &["one"])) } else { None };
        let mut child = match &base {
            Some(base) => begun(base, dir, "push", "one", "one"),
            None => begun(&server.known("crashed"), dir, "push", "one", "one"),
        };
        drop(base);
        std::thread::sleep(Duration::from_millis(60 + 90 * round));
        acknowledged = there(&server.known("crashed")).max(acknowledged);
        server.kill();
        let code = child.wait().unwrap().code();
        assert!(matches!(code, Some(0 | 6)), "{code:?}");
        server.begin_again();
        let base = server.known("crashed");
        assert!(there(&base) >= acknowledged, "{} of {acknowledged}", there(&base));
        verify(&base, 0);
    }
    let base = server.known("crashed");
    push(&base, dir, "one", "one", 0);
    assert_eq!(there(&base), 402);
    verify(&base, 0);
}
