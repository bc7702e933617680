//! The log of an image built with `--features defmt`, decoded by the names that lie in the image itself.

use crate::images::image_in;
use defmt_decoder::Table;
use std::fs;
use std::io::Read;
use std::process::{Command, Stdio};

/// Messages until one contains `last`, or the image falls silent.
fn told_until(last: &str) -> Vec<String> {
    let image = image_in("emulated-m3", "logging", "serve");
    let elf = fs::read(&image).unwrap();
    let table = Table::parse(&elf).unwrap().expect("an image with a log");
    let mut decoder = table.new_stream_decoder();
    let mut emulator = Command::new("qemu-system-arm")
        .args(["-cpu", "cortex-m3", "-machine", "lm3s6965evb", "-nographic", "-monitor", "none", "-serial", "null"])
        .args(["-semihosting-config", "enable=on,target=native", "-kernel"])
        .arg(&image)
        .stdout(Stdio::piped())
        .spawn()
        .expect("qemu-system-arm");
    let mut output = emulator.stdout.take().unwrap();
    let (mut told, mut room) = (Vec::new(), [0; 64]);
    // Several may come at once, and after the one that is waited for it may fall silent.
    let over = |told: &[String]| told.last().is_some_and(|line| line.contains(last));
    while !over(&told) {
        let count = output.read(&mut room).unwrap();
        if count == 0 {
            break;
        }
        decoder.received(&room[..count]);
        while !over(&told)
            && let Ok(frame) = decoder.decode()
        {
            told.push(frame.display_message().to_string());
        }
    }
    emulator.kill().unwrap();
    emulator.wait().unwrap();
    told
}

#[test]
#[ignore = "needs built images and an emulator: .ci/run on-target"]
fn the_log_tells_the_start_and_the_way_to_ready() {
    let told = told_until("phase: Ready");
    // The first thing after power-up is to look, before any host has said a word.
    let expected = [
        "begun; reset by the watchdog: false",
        "Entered { phase: StartUp, side: None }",
        "Entered { phase: Ready, side: None }",
    ];
    assert_eq!(told, expected);
}
