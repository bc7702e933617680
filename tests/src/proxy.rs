//! A bad line: a proxy between a host and a controller that drops, doubles, flips and delays bytes and cuts the
//! connection, by chance from a seed.

use seathold_on_target::trace::Noise;
use seathold_sequencer::link::frame::{self, Deframer, Frame};
use seathold_sequencer::link::message::ToController;
use std::io::{Read, Write};
use std::net::{Shutdown, TcpListener, TcpStream};
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex};
use std::thread;
use std::time::Duration;

/// Chances of what happens to a byte, in a million.
#[derive(Clone, Copy, Debug, Default)]
pub struct Ills {
    /// It is lost.
    pub dropped: u32,
    /// It comes twice.
    pub doubled: u32,
    /// One bit of it is another.
    pub flipped: u32,
    /// It and all after it come up to 40 ms late.
    pub delayed: u32,
    /// The connection is closed.
    pub cut: u32,
}

/// Opens a proxy to `controller` ("HOST:PORT") and gives its own address.
///
/// # Panics
/// When no port is free.
pub fn open(controller: &str, ills: Ills, seed: u32) -> String {
    let listener = TcpListener::bind("127.0.0.1:0").expect("a free port");
    let address = listener.local_addr().expect("an address").to_string();
    let controller = controller.to_owned();
    thread::spawn(move || {
        let mut noise = Noise::new(seed);
        for host in listener.incoming().flatten() {
            let Ok(rig) = TcpStream::connect(&controller) else { continue };
            for stream in [&host, &rig] {
                let _ = stream.set_nodelay(true);
            }
            let (Ok(host_2), Ok(rig_2)) = (host.try_clone(), rig.try_clone()) else { continue };
            let (down, up) = (noise.word(), noise.word());
            thread::spawn(move || pass(host, rig, ills, Noise::new(down)));
            thread::spawn(move || pass(rig_2, host_2, ills, Noise::new(up)));
        }
    });
    address
}

/// A line that is cut and joined by hand.
#[derive(Clone, Debug, Default)]
pub struct Switch {
    cut: Arc<AtomicBool>,
    open: Arc<Mutex<Vec<TcpStream>>>,
}

impl Switch {
    /// From now on nothing passes, and nobody gets through.
    ///
    /// # Panics
    /// When a thread of the proxy has.
    pub fn cut(&self) {
        self.cut.store(true, Ordering::SeqCst);
        for stream in self.open.lock().expect("the connections").drain(..) {
            let _ = stream.shutdown(Shutdown::Both);
        }
    }

    /// Whoever calls gets through again.
    pub fn join(&self) {
        self.cut.store(false, Ordering::SeqCst);
    }
}

/// Opens a proxy that lets all through while the line is joined.
///
/// # Panics
/// When no port is free.
pub fn switched(controller: &str) -> (String, Switch) {
    let listener = TcpListener::bind("127.0.0.1:0").expect("a free port");
    let address = listener.local_addr().expect("an address").to_string();
    let (controller, switch) = (controller.to_owned(), Switch::default());
    let ours = switch.clone();
    thread::spawn(move || {
        for host in listener.incoming().flatten() {
            let Ok(rig) = TcpStream::connect(&controller) else { continue };
            let mut kept = Vec::new();
            for stream in [&host, &rig] {
                let _ = stream.set_nodelay(true);
                kept.extend(stream.try_clone());
            }
            let (Ok(host_2), Ok(rig_2)) = (host.try_clone(), rig.try_clone()) else { continue };
            let Ok(mut open) = ours.open.lock() else { return };
            // Looked at under the lock: a connection made while it is cut is one too many.
            if ours.cut.load(Ordering::SeqCst) {
                continue;
            }
            open.extend(kept);
            thread::spawn(move || pass(host, rig, Ills::default(), Noise::new(0)));
            thread::spawn(move || pass(rig_2, host_2, Ills::default(), Noise::new(0)));
        }
    });
    (address, switch)
}

/// Opens a proxy that lets all through but some messages to the controller.
///
/// # Panics
/// When no port is free.
pub fn without(controller: &str, is_held: fn(&ToController) -> bool) -> String {
    let listener = TcpListener::bind("127.0.0.1:0").expect("a free port");
    let address = listener.local_addr().expect("an address").to_string();
    let controller = controller.to_owned();
    thread::spawn(move || {
        for host in listener.incoming().flatten() {
            let Ok(rig) = TcpStream::connect(&controller) else { continue };
            for stream in [&host, &rig] {
                let _ = stream.set_nodelay(true);
            }
            let (Ok(host_2), Ok(rig_2)) = (host.try_clone(), rig.try_clone()) else { continue };
            thread::spawn(move || sieve(host, rig, is_held));
            thread::spawn(move || pass(rig_2, host_2, Ills::default(), Noise::new(0)));
        }
    });
    address
}

fn sieve(mut from: TcpStream, mut to: TcpStream, is_held: fn(&ToController) -> bool) {
    let (mut room, mut deframer) = ([0; 512], Deframer::default());
    while let Ok(n @ 1..) = from.read(&mut room) {
        for &byte in &room[..n] {
            let Some(message) = deframer.push(byte) else { continue };
            let mut frame = Frame::new();
            if !postcard::from_bytes(message).is_ok_and(|message| is_held(&message))
                && frame::encode_bytes(message, &mut frame).is_ok()
                && to.write_all(&frame).is_err()
            {
                return;
            }
        }
    }
    let _ = from.shutdown(Shutdown::Both);
    let _ = to.shutdown(Shutdown::Both);
}

fn pass(mut from: TcpStream, mut to: TcpStream, ills: Ills, mut noise: Noise) {
    let mut room = [0; 512];
    while let Ok(n @ 1..) = from.read(&mut room) {
        let mut out = Vec::with_capacity(n);
        let chance = |of: u32, noise: &mut Noise| noise.word() % 1_000_000 < of;
        let mut cut = false;
        for &byte in &room[..n] {
            if chance(ills.cut, &mut noise) {
                cut = true;
                break;
            }
            if chance(ills.dropped, &mut noise) {
                continue;
            }
            if chance(ills.delayed, &mut noise) {
                thread::sleep(Duration::from_millis(u64::from(noise.word() % 40)));
            }
            let flip = if chance(ills.flipped, &mut noise) { 1 << (noise.word() % 8) } else { 0 };
            out.push(byte ^ flip);
            if chance(ills.doubled, &mut noise) {
                out.push(byte ^ flip);
            }
        }
        if to.write_all(&out).is_err() || cut {
            break;
        }
    }
    let _ = from.shutdown(Shutdown::Both);
    let _ = to.shutdown(Shutdown::Both);
}
