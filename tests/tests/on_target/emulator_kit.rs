//! The controller image with its simulated rig in the emulator, its line on a socket.

use std::net::{TcpListener, TcpStream};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};

/// Longest any one thing may take on the wall's clock, on a busy machine.
pub(crate) const PATIENCE: Duration = Duration::from_secs(90);

/// An emulator that ends with its value.
pub(crate) struct Emulator(Child);

impl Drop for Emulator {
    fn drop(&mut self) {
        let _ = self.0.kill();
        let _ = self.0.wait();
    }
}

pub(crate) fn image() -> PathBuf {
    let images = std::env::var_os("SEATHOLD_IMAGES").expect("set SEATHOLD_IMAGES, or run `.ci/run on-target`");
    PathBuf::from(images).join("emulated-m3/thumbv7m-none-eabi/release/serve")
}

/// A copy of the image in `dir` with this scenario on its rig: the name is written over the one that was built in.
pub(crate) fn image_of(scenario: &str, dir: &Path) -> PathBuf {
    const MARK: &[u8] = b"SEATHOLD_SCENARIO=";
    let mut bytes = std::fs::read(image()).unwrap();
    let places: Vec<usize> = bytes
        .windows(MARK.len() + 1)
        .enumerate()
        .filter(|(_, w)| w.starts_with(MARK) && w[MARK.len()] > b' ')
        .map(|(i, _)| i)
        .collect();
    let [place] = places[..] else { panic!("the name of the scenario lies at {places:?} of the image") };
    let room = place + MARK.len()..place + 64;
    let name = format!("{scenario:width$}", width = room.len());
    bytes[room].copy_from_slice(name.as_bytes());
    let path = dir.join(format!("serve-{scenario}"));
    std::fs::write(&path, bytes).unwrap();
    path
}

pub(crate) fn free_port() -> u16 {
    TcpListener::bind("127.0.0.1:0").unwrap().local_addr().unwrap().port()
}

/// Switches the controller on; its line waits on the port as soon as this returns.
pub(crate) fn switch_on(image: &Path, port: u16) -> Emulator {
    let child = Command::new("qemu-system-arm")
        .args(["-cpu", "cortex-m3", "-machine", "lm3s6965evb", "-nographic", "-monitor", "none"])
        .args(["-semihosting-config", "enable=on,target=native", "-serial"])
        .arg(format!("tcp:127.0.0.1:{port},server=on,wait=off"))
        .arg("-kernel")
        .arg(image)
        .stdin(Stdio::null())
        .spawn()
        .expect("qemu-system-arm");
    let emulator = Emulator(child);
    drop(connect(port));
    emulator
}

pub(crate) fn connect(port: u16) -> TcpStream {
    let until = Instant::now() + PATIENCE;
    loop {
        match TcpStream::connect(("127.0.0.1", port)) {
            Ok(stream) => {
                stream.set_nonblocking(true).unwrap();
                stream.set_nodelay(true).unwrap();
                return stream;
            }
            Err(e) => assert!(Instant::now() < until, "no connection: {e}"),
        }
        std::thread::sleep(Duration::from_millis(20));
    }
}
