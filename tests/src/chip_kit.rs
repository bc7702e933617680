//! The shipped RP2040 image in an emulator (`tests/chip`), and the simulated plant wired to its pins.
//!
//! The emulator asks once a millisecond of the part's time, and waits: how fast either runs changes nothing.

use std::io::{Read, Write};
use std::net::{TcpListener, TcpStream};
use std::path::PathBuf;
use std::process::{Child, ChildStdin, ChildStdout, Command, Stdio};
use std::sync::{Arc, Mutex, MutexGuard};
use std::thread::JoinHandle;
use std::time::{Duration, Instant};

use seathold_sequencer::adapters::divider::Law;
use seathold_sequencer::adapters::thermistor::Thermistor;
use seathold_sequencer::input::Side;
use seathold_sequencer::io::Hardware;
use seathold_sequencer::output::{GasValve, Outputs, Pilot};
use seathold_sequencer::rig::RawRig;
use seathold_sequencer::time::millis;
use seathold_sim::rig::SimRig;
use seathold_sim::scenario::Scenario;

/// Longest any one thing may take on the wall's clock, on a busy machine.
const PATIENCE: Duration = Duration::from_secs(120);

/// Conversions of a channel in a millisecond: 8000 a second.
const CODES: usize = 8;

/// The part's time between two exchanges, in milliseconds.
const STEP_MS: u32 = 1;

/// What the emulator says of the part.
#[derive(Clone, Copy, Debug, Default)]
pub struct Report {
    /// Microseconds since the bench was switched on; a reset of the part does not begin them anew.
    pub us: u64,
    /// Pins that are high, from the lowest bit: supply, vent, pilot, lamp.
    pub pins: u8,
    /// How often the watchdog has bitten, modulo 256.
    pub bites: u8,
    /// Erases and page programs of the flash begun, modulo 256.
    pub flash_begun: u8,
    /// One of them is under way.
    pub flash_busy: bool,
}

impl Report {
    /// The solenoids that the pins energise.
    pub const fn outputs(&self) -> Outputs {
        Outputs {
            supply: if self.pins & 1 != 0 { GasValve::Open } else { GasValve::Shut },
            vent: if self.pins & 2 != 0 { GasValve::Shut } else { GasValve::Open },
            pilot: if self.pins & 4 != 0 { Pilot::Fed } else { Pilot::Exhausted },
        }
    }
}

/// What is around the part, and what somebody does to it.
#[derive(Debug)]
pub struct Bench {
    /// The plant. Its own sensors are not used: the part converts volts.
    pub plant: SimRig,
    /// The emergency stop is pressed.
    pub stop: bool,
    /// The guard is open.
    pub guard_open: bool,
    /// The start button is pressed.
    pub start: bool,
    /// The far and the supply transducer are plugged in.
    pub plugged: [bool; 2],
    /// The board has power.
    pub power: bool,
    /// The USB cable is in.
    pub cable: bool,
    /// A conversion of the part's converter ends.
    pub converter: bool,
    /// The power goes in the middle of this one of the flash's operations, by its number.
    pub cut_at: Option<u8>,
    /// What the emulator said last.
    pub report: Report,
    /// What was energised last, and until when.
    pub energised: (Outputs, u64),
    /// When the watchdog bit, and the outputs from then on.
    pub bitten: Option<(u64, Outputs)>,
    noise: u64,
}

impl Bench {
    fn new(scenario: &Scenario) -> Self {
        let checked = scenario.validate().expect("a scenario that is valid");
        Self {
            plant: SimRig::new(&checked, &RawRig::DEMO, 7),
            stop: false,
            guard_open: false,
            start: false,
            plugged: [true; 2],
            power: true,
            cable: true,
            converter: true,
            cut_at: None,
            report: Report::default(),
            energised: (Outputs::REST, 0),
            bitten: None,
            noise: 0x9e37_79b9_7f4a_7c15,
        }
    }

    /// One exchange: the plant goes on for a millisecond with these outputs.
    fn step(&mut self, report: Report) -> [u8; 2 + 2 * CODES * 4] {
        if self.cut_at == Some(report.flash_begun) && report.flash_busy {
            self.power = false;
        }
        let outputs = report.outputs();
        if outputs != Outputs::REST {
            self.energised = (outputs, report.us);
        }
        if report.bites > 0 {
            self.bitten.get_or_insert((report.us, outputs));
        }
        self.report = report;
        let Ok(()) = self.plant.apply(outputs);
        self.plant.advance(millis(STEP_MS));
        let truth = self.plant.truth();
        let now = self.plant.now().as_ticks();
        let wall_k = self.plant.plant().temperature(true, now);

        let mut reply = [0; 2 + 2 * CODES * 4];
        let high = [
            // A driver's output, divided: low while energised.
            report.pins & 1 == 0,
            report.pins & 2 == 0,
            report.pins & 4 == 0,
            // Contacts to ground, open when something is to be seen. No switch on the valve.
            self.stop,
            self.guard_open,
            true,
            // To ground while it is pressed.
            !self.start,
        ];
        reply[0] = bits(&high);
        reply[1] = bits(&[self.power, self.cable, self.converter]);
        let sensor_supply_v = 5.0;
        let transducer =
            |pa: f64, plugged: bool| if plugged { (0.1 + 0.8 * pa / 1e6) * sensor_supply_v * 0.6 } else { 0.0 };
        let ohms = Thermistor::TEN_KILOHM.ohms(wall_k);
        let volts = [
            transducer(truth.far_gauge(), self.plugged[0]),
            transducer(truth.line_gauge(), self.plugged[1]),
            3.3 * ohms / (ohms + 10_000.0),
            sensor_supply_v / 3.0,
        ];
        for (channel, volts) in reply[2..].chunks_exact_mut(2 * CODES).zip(volts) {
            for code in channel.chunks_exact_mut(2) {
                // Noise of one step, which is what is told of this converter.
                let steps = volts / 3.3 * 4_096.0 + self.gauss();
                code.copy_from_slice(&(steps.clamp(0.0, 4_095.0) as u16).to_le_bytes());
            }
        }
        reply
    }

    /// Of unit variance: twelve evenly distributed numbers, whose sum is nearly so.
    fn gauss(&mut self) -> f64 {
        let even = (0..12).map(|_| {
            self.noise ^= self.noise << 13;
            self.noise ^= self.noise >> 7;
            self.noise ^= self.noise << 17;
            (self.noise >> 11) as f64 / (1_u64 << 53) as f64
        });
        even.sum::<f64>() - 6.0
    }
}

fn bits(of: &[bool]) -> u8 {
    of.iter().rev().fold(0, |bits, high| bits << 1 | u8::from(*high))
}

/// An emulated part that ends with its value.
#[derive(Debug)]
pub struct Chip {
    child: Child,
    bench: Arc<Mutex<Bench>>,
    thread: Option<JoinHandle<()>>,
    /// Where its USB serial port is: "tcp:127.0.0.1:PORT".
    pub at: String,
}

impl Chip {
    /// The image on a bench with this valve, switched on; its port answers when this returns.
    ///
    /// # Panics
    /// Without image or emulator: `SEATHOLD_IMAGES` and `SEATHOLD_CHIP`, which `.ci/run chip` sets.
    pub fn on(scenario: &Scenario) -> Self {
        let folder =
            |name| PathBuf::from(std::env::var_os(name).unwrap_or_else(|| panic!("set {name}, or run `.ci/run chip`")));
        let image = folder("SEATHOLD_IMAGES").join("rp2040/thumbv6m-none-eabi/release/controller");
        assert!(image.exists(), "{} is not there: run `.ci/run images`", image.display());
        let port = TcpListener::bind("127.0.0.1:0").and_then(|l| l.local_addr()).expect("a free port").port();
        let mut child = Command::new("node")
            .arg(folder("SEATHOLD_CHIP").join("main.mjs"))
            .arg(image)
            .arg(port.to_string())
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .spawn()
            .expect("node");
        let (to, from) = (child.stdin.take().expect("piped"), child.stdout.take().expect("piped"));
        let bench = Arc::new(Mutex::new(Bench::new(scenario)));
        let ours = bench.clone();
        let thread = std::thread::spawn(move || serve(&ours, to, from));
        let chip = Self { child, bench, thread: Some(thread), at: format!("tcp:127.0.0.1:{port}") };
        let until = Instant::now() + PATIENCE;
        while TcpStream::connect(("127.0.0.1", port)).is_err() {
            assert!(Instant::now() < until && !chip.is_gone(), "the part did not come up");
            std::thread::sleep(Duration::from_millis(20));
        }
        chip
    }

    /// What is around the part.
    ///
    /// # Panics
    /// When the plant has.
    pub fn bench(&self) -> MutexGuard<'_, Bench> {
        self.bench.lock().expect("the plant goes on")
    }

    /// What the emulator said last.
    pub fn report(&self) -> Report {
        self.bench().report
    }

    /// Lets so much of the part's time pass.
    ///
    /// # Panics
    /// When the emulator has ended.
    pub fn wait(&self, ms: u64) {
        let until = self.bench().report.us + ms * 1_000;
        self.until("time to pass", |bench| bench.report.us >= until);
    }

    /// Waits until this holds.
    ///
    /// # Panics
    /// When it never does, or the emulator has ended.
    pub fn until(&self, what: &str, mut holds: impl FnMut(&mut Bench) -> bool) {
        let until = Instant::now() + PATIENCE;
        while !holds(&mut self.bench()) {
            assert!(!self.is_gone(), "the emulator has ended, waiting for {what}");
            assert!(Instant::now() < until, "{what} did not come: {:?}", self.bench().report);
            std::thread::sleep(Duration::from_micros(200));
        }
    }

    /// Somebody opens the guard, turns the valve round, and closes it. Quick, since the host's end of the line waits
    /// meanwhile.
    pub fn swap_ends(&self) {
        self.bench().guard_open = true;
        self.wait(60);
        self.bench().plant.mount(Side::Second);
        self.bench().guard_open = false;
        self.wait(60);
    }

    fn is_gone(&self) -> bool {
        self.thread.as_ref().is_none_or(JoinHandle::is_finished)
    }
}

impl Drop for Chip {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
        let _ = self.thread.take().map(JoinHandle::join);
    }
}

/// Plays the bench until the emulator is gone.
fn serve(bench: &Mutex<Bench>, mut to: ChildStdin, mut from: ChildStdout) {
    let mut bytes = [0; 12];
    while from.read_exact(&mut bytes).is_ok() {
        let [us @ .., pins, bites, flash_begun, busy] = bytes;
        let report = Report { us: u64::from_le_bytes(us), pins, bites, flash_begun, flash_busy: busy != 0 };
        let reply = bench.lock().expect("the test goes on").step(report);
        if to.write_all(&reply).is_err() {
            return;
        }
    }
}
