//! The rig that is loaded over the line and kept: examined as a whole against what is compiled in, whole over a power cut at any
//! byte, in force only at rest and measured empty, and no run by one that is not checked.

use std::collections::VecDeque;

use embedded_storage::nor_flash::{ErrorType, NorFlash, NorFlashErrorKind, ReadNorFlash};
use seathold_sequencer::event::Event;
use seathold_sequencer::field::Errors;
use seathold_sequencer::input::{Command, Contacts, Sample, SensorFault, Sides};
use seathold_sequencer::io::Hardware;
use seathold_sequencer::link::controller::Controller;
use seathold_sequencer::link::frame::Frame;
use seathold_sequencer::link::host::{Host, HostEvent};
use seathold_sequencer::link::message::{Capabilities, Request, Response, RigLack, RigMemory};
use seathold_sequencer::link::rig_keeper::{RigKeeper, WithoutRig};
use seathold_sequencer::link::serve;
use seathold_sequencer::output::Outputs;
use seathold_sequencer::poll_loop::PollRecord;
use seathold_sequencer::recipe::RawRecipe;
use seathold_sequencer::rig::{RawRig, Rig};
use seathold_sequencer::rig_image::{ADAPTERS_MAX, Adapter, IMAGE_MAX, RigCheck, RigImage};
use seathold_sequencer::step::Sequencer;
use seathold_sequencer::store::Store;
use seathold_sequencer::time::Instant;

/// Two sectors, and how many more bytes may be erased or programmed before the power goes.
#[derive(Clone, Debug)]
struct CutFlash {
    bytes: Vec<u8>,
    left: usize,
}

const SECTOR: usize = 2_048;

impl CutFlash {
    fn new() -> Self {
        Self { bytes: vec![0xFF; 2 * SECTOR], left: usize::MAX }
    }

    fn change(&mut self, at: usize, to: impl Iterator<Item = u8>) -> Result<(), NorFlashErrorKind> {
        for (cell, byte) in self.bytes[at..].iter_mut().zip(to) {
            if self.left == 0 {
                return Err(NorFlashErrorKind::Other);
            }
            self.left -= 1;
            *cell = byte;
        }
        Ok(())
    }
}

impl ErrorType for CutFlash {
    type Error = NorFlashErrorKind;
}

impl ReadNorFlash for CutFlash {
    const READ_SIZE: usize = 1;
    fn read(&mut self, offset: u32, bytes: &mut [u8]) -> Result<(), Self::Error> {
        bytes.copy_from_slice(&self.bytes[offset as usize..][..bytes.len()]);
        Ok(())
    }
    fn capacity(&self) -> usize {
        self.bytes.len()
    }
}

impl NorFlash for CutFlash {
    const WRITE_SIZE: usize = 4;
    const ERASE_SIZE: usize = SECTOR;
    fn erase(&mut self, from: u32, to: u32) -> Result<(), Self::Error> {
        self.change(from as usize, std::iter::repeat_n(0xFF, (to - from) as usize))
    }
    fn write(&mut self, offset: u32, bytes: &[u8]) -> Result<(), Self::Error> {
        let old = self.bytes[offset as usize..][..bytes.len()].to_vec();
        self.change(offset as usize, old.iter().zip(bytes).map(|(old, new)| old & new))
    }
}

/// A rig that reads this pressure, give or take a count.
struct Still {
    polls: u64,
    pascals: i32,
}

impl Hardware for Still {
    type Error = core::convert::Infallible;
    fn now(&mut self) -> Instant {
        self.polls += 1;
        Instant::from_ticks(self.polls * 10_000)
    }
    fn far(&mut self) -> nb::Result<Sample, SensorFault> {
        let counts = RawRig::DEMO.far.counts(f64::from(self.pascals)) + (self.polls % 2) as i32;
        Ok(Sample { counts, number: self.polls as u32 })
    }
    fn supply(&mut self) -> nb::Result<Sample, SensorFault> {
        self.far()
    }
    fn contacts(&mut self) -> Contacts {
        Contacts::CLEAR
    }
    fn apply(&mut self, _: Outputs) -> Result<(), Self::Error> {
        Ok(())
    }
    fn readback_mismatch(&mut self) -> bool {
        false
    }
    fn retain_stop(&mut self, _: bool) {}

    fn feed_watchdog(&mut self) {}
}

/// A controller with its host.
struct Bench {
    controller: Controller<8192>,
    keeper: RigKeeper<Store<CutFlash>>,
    sequencer: Sequencer,
    still: Still,
    record: PollRecord,
    host: Host,
    to_controller: VecDeque<u8>,
    to_host: VecDeque<u8>,
    turn: u64,
    changes: Vec<RigMemory>,
    events: Vec<Event>,
}

fn compiled_in() -> Rig {
    RawRig::DEMO.validate().unwrap()
}

fn store(flash: CutFlash) -> Store<CutFlash> {
    Store::new(flash, [0, SECTOR as u32], SECTOR as u32).unwrap()
}

impl Bench {
    fn new(flash: CutFlash, without: WithoutRig) -> Self {
        let keeper = RigKeeper::new(compiled_in(), without, store(flash));
        let mut bench = Self {
            controller: Controller::new(Capabilities { rig_memory: true, ..Capabilities::default() }),
            sequencer: Sequencer::new(keeper.rig(), None),
            keeper,
            still: Still { polls: 0, pascals: 0 },
            record: PollRecord::empty(),
            host: Host::new(0x5EA7_401D),
            to_controller: VecDeque::new(),
            to_host: VecDeque::new(),
            turn: 0,
            changes: Vec::new(),
            events: Vec::new(),
        };
        // Start-up, and the dwell.
        bench.turns(300);
        bench
    }

    fn turns(&mut self, turns: usize) -> Option<Response> {
        let mut answer = None;
        let mut frame = Frame::new();
        for _ in 0..turns {
            self.turn += 1;
            let now = Instant::from_ticks(self.turn * 10_000);
            self.to_controller.drain(..).for_each(|byte| self.controller.receive(now, byte));
            let Ok(()) = serve::service_with(
                &mut self.controller,
                now,
                &mut self.sequencer,
                &mut self.still,
                &mut self.record,
                &mut self.keeper,
            );
            while self.controller.transmit(now, &mut frame) {
                self.to_host.extend(&frame);
            }
            for byte in self.to_host.drain(..) {
                match self.host.receive(byte) {
                    Some(HostEvent::Response(response)) => answer = Some(response),
                    Some(HostEvent::RigChanged { memory, .. }) => self.changes.push(memory),
                    Some(HostEvent::Event { event, .. }) => self.events.push(event),
                    _ => {}
                }
            }
            while self.host.transmit(now, &mut frame) {
                self.to_controller.extend(&frame);
            }
        }
        answer
    }

    fn ask(&mut self, request: Request) -> Response {
        self.host.request(request).expect("one at a time");
        self.turns(20).expect("an answer")
    }

    fn stage(&mut self, image: &RigImage) {
        assert_eq!(
            self.ask(Request::StageRig { name: image.name.clone(), calibrated_until_unix_ms: 0, rig: image.rig }),
            Response::Done
        );
        for adapter in &image.adapters {
            assert_eq!(self.ask(Request::StageAdapter(adapter.clone())), Response::Done);
        }
    }

    fn load(&mut self, image: &RigImage) -> Response {
        self.stage(image);
        // A new sequencer reads for a while before it is ready again.
        self.turns(300);
        self.ask(Request::StoreRig { check_sum: image.check_sum(), unix_ms: 1_764_000_000_000 })
    }

    fn memory(&mut self) -> RigMemory {
        let Response::RigMemory(memory) = self.ask(Request::ReadRigMemory) else { panic!("no memory") };
        memory
    }

    fn rig(&mut self) -> RawRig {
        let Response::Rig(rig) = self.ask(Request::ReadRig) else { panic!("no rig") };
        rig
    }

    fn check(&mut self, check: RigCheck) -> Response {
        let generation = self.memory().generation;
        self.turns(300);
        self.ask(Request::SetRigCheck { generation, check })
    }

    fn fit(&mut self, number: Option<u8>) -> Response {
        let generation = self.memory().generation;
        self.turns(300);
        self.ask(Request::FitAdapter { generation, number })
    }

    fn start(&mut self) -> Response {
        self.turns(300);
        let _ = self.ask(Request::LoadRecipe(RawRecipe::DEMO));
        self.turns(3_000);
        self.ask(Request::Operate(Command::Start(Sides::Both)))
    }
}

fn adapter(name: &str, far_volume_m3: f64) -> Adapter {
    Adapter { far_volume_m3, ..Adapter::of(name, &RawRig::DEMO).unwrap() }
}

fn image(name: &str, far_volume_m3: f64, adapters: &[(&str, f64)]) -> RigImage {
    let mut image = RigImage::new(name.try_into().unwrap(), RawRig { far_volume_m3, ..RawRig::DEMO });
    adapters.iter().for_each(|(name, volume)| image.adapters.push(adapter(name, *volume)).unwrap());
    image
}

#[test]
fn a_rig_is_in_force_only_when_it_is_confirmed_checked_and_its_adapter_fitted() {
    let mut bench = Bench::new(CutFlash::new(), WithoutRig::NoRun);
    assert_eq!((bench.memory().generation, bench.memory().lacking), (0, Some(RigLack::Rig)));
    assert_eq!(bench.start(), Response::Lacking(RigLack::Rig));
    let two = image("bench 3", 45e-6, &[("DN 15", 45e-6), ("DN 50", 150e-6)]);
    bench.stage(&two);
    assert_eq!(bench.rig().far_volume_m3, RawRig::DEMO.far_volume_m3, "staged is not in force");
    let other = Request::StoreRig { check_sum: two.check_sum() ^ 1, unix_ms: 0 };
    assert_eq!(bench.ask(other), Response::NotValid { errors: 0 });
    assert!(bench.changes.is_empty());
    let Response::RigMemory(memory) = bench.load(&two) else { panic!("not stored") };
    assert_eq!((memory.generation, memory.adapters, memory.lacking), (1, 2, Some(RigLack::Check)));
    assert_eq!(bench.start(), Response::Lacking(RigLack::Check));
    let passed = RigCheck::Passed { unix_ms: 5 };
    assert!(matches!(bench.check(passed), Response::RigMemory(RigMemory { lacking: Some(RigLack::Adapter), .. })));
    assert_eq!(bench.start(), Response::Lacking(RigLack::Adapter));
    assert_eq!(bench.fit(Some(2)), Response::NotValid { errors: 0 });
    assert!(matches!(bench.fit(Some(1)), Response::RigMemory(RigMemory { lacking: None, fitted: Some(1), .. })));
    assert_eq!(bench.rig().far_volume_m3, 150e-6);
    assert_eq!(bench.start(), Response::Done);
    assert!(bench.events.iter().any(|event| matches!(event, Event::Entered { .. })));
    // Every change is a record.
    let told: Vec<_> = bench.changes.iter().map(|memory| (memory.generation, memory.fitted)).collect();
    assert_eq!(told, [(1, None), (2, None), (2, Some(1))]);
    assert_eq!(bench.ask(Request::ReadAdapter { number: 0 }), Response::Adapter(Some(adapter("DN 15", 45e-6))));
    assert_eq!(bench.ask(Request::ReadAdapter { number: 2 }), Response::Adapter(None));
}

/// What differs by calibrations and adapters alone was checked already; another rig was not.
#[test]
fn the_check_is_of_what_was_checked() {
    let mut bench = Bench::new(CutFlash::new(), WithoutRig::NoRun);
    let one = image("a", 45e-6, &[]);
    let calibrated = |scale: f64| {
        let mut image = image("a", 46e-6, &[("DN 15", 46e-6)]);
        image.rig.far.pa_per_count *= scale;
        (image.rig.gain_u_rel, image.rig.temperature_drift_u_k_s, image.rig.tau_s) = (1e-3, 1e-3, Some(3.0));
        image
    };
    assert!(matches!(bench.load(&one), Response::RigMemory(_)));
    assert!(matches!(bench.check(RigCheck::Waived { unix_ms: 7 }), Response::RigMemory(_)));
    for same in [&one, &calibrated(1.015)] {
        assert!(matches!(
            bench.load(same),
            Response::RigMemory(RigMemory { check: RigCheck::Waived { unix_ms: 7 }, .. })
        ));
    }
    let checked = |image: RigImage| RigImage { checked_pa_per_count: image.rig.far.pa_per_count, ..image };
    let mut longer = calibrated(1.0);
    longer.rig.safe_dwell_ms += 1;
    assert!(calibrated(1.015).is_wired_as(&checked(calibrated(1.0))));
    assert!(!longer.is_wired_as(&checked(calibrated(1.0))));
    // Another name is another rig, whatever its figures.
    assert!(!image("b", 45e-6, &[]).is_wired_as(&checked(one)));
    // Too far from what was checked, though not from what is in force.
    let other = calibrated(1.03);
    assert!(matches!(bench.load(&other), Response::RigMemory(RigMemory { check: RigCheck::NotYet, .. })));
    // Of a generation that is gone nothing can be said any more.
    bench.turns(300);
    let old = Request::SetRigCheck { generation: 1, check: RigCheck::Passed { unix_ms: 9 } };
    assert_eq!(bench.ask(old), Response::NotValid { errors: 0 });
}

#[test]
fn nothing_changes_in_a_run_nor_where_it_does_not_read_empty() {
    let mut bench = Bench::new(CutFlash::new(), WithoutRig::CompiledIn);
    let one = image("a", 46e-6, &[]);
    assert_eq!(bench.start(), Response::Done);
    bench.turns(20);
    bench.stage(&one);
    let store = Request::StoreRig { check_sum: one.check_sum(), unix_ms: 0 };
    assert_eq!(bench.ask(store.clone()), Response::Busy);
    let mut full = Bench::new(CutFlash::new(), WithoutRig::CompiledIn);
    full.still.pascals = 20_000;
    full.stage(&one);
    full.turns(300);
    assert_eq!(full.ask(store), Response::Busy);
    assert_eq!((bench.memory().generation, full.memory().generation), (0, 0));
}

/// What protects, and what is wired, is compiled in.
#[test]
fn what_is_compiled_in_bounds_what_is_loaded() {
    let own = RawRig::DEMO;
    let rig = |change: fn(&mut RawRig)| {
        let mut raw = own;
        change(&mut raw);
        raw
    };
    let refused = |raw: &RawRig| {
        let mut errors = Errors::default();
        let image = RigImage::new("a".try_into().unwrap(), *raw);
        let sound = image.validate_with(&own, &mut |error| errors.add(error));
        assert_eq!(sound, errors.as_slice().is_empty());
        errors.as_slice().iter().map(|error| error.field).collect::<Vec<_>>()
    };
    for (field, change) in [
        ("hard_max", (|r| r.hard_max_pa += 1) as fn(&mut RawRig)),
        ("safe_pressure", |r| r.safe_pressure_pa += 1),
        ("poll_gap_max", |r| r.poll_gap_ms_max += 1),
        ("safe_dwell", |r| r.safe_dwell_ms -= 1),
        ("changeover", |r| r.changeover_ms -= 1),
        ("guard_fitted", |r| r.guard_fitted = false),
        ("shut_switch_fitted", |r| r.shut_switch_fitted = true),
        ("far_flickers", |r| r.far_flickers = false),
        ("supply_fitted", |r| r.supply = None),
        ("thermometer_fitted", |r| {
            r.thermometer =
                Some(seathold_sequencer::rig::Thermometer { kelvin_at_zero: 273.15, kelvin_per_count: 0.01 });
        }),
        ("far_volume", |r| r.far_volume_m3 = 1.0),
    ] {
        assert!(refused(&rig(change)).contains(&field), "{field}: {:?}", refused(&rig(change)));
    }
    // A tenth of a scale is a slip of a decimal, and would read a tenth of the pressure.
    let mut tenth = own;
    (tenth.far.pa_per_count, tenth.far.counts_max) = (own.far.pa_per_count / 10.0, 16_000_000);
    assert!(refused(&tenth).contains(&"far_per_count"));
    for change in [
        (|r| r.hard_max_pa -= 100_000) as fn(&mut RawRig),
        |r| r.safe_dwell_ms += 1_000,
        |r| r.far.pa_per_count *= 1.001,
        |r| (r.far_volume_m3, r.tau_s) = (150e-6, Some(3.0)),
    ] {
        assert_eq!(refused(&rig(change)), [""; 0]);
    }
    // And on the controller: nothing is stored.
    let mut bench = Bench::new(CutFlash::new(), WithoutRig::CompiledIn);
    let wrong = RigImage::new("a".try_into().unwrap(), rig(|r| r.guard_fitted = false));
    assert_eq!(bench.load(&wrong), Response::NotValid { errors: 1 });
    assert_eq!(bench.memory().generation, 0);
}

#[test]
fn adapters_have_names_of_their_own_and_are_eight_at_most() {
    let own = RawRig::DEMO;
    let wrong = |adapters: &[(&str, f64)]| !image("a", 45e-6, adapters).validate_with(&own, &mut |_| {});
    assert!(!wrong(&[("one", 1e-5), ("two", 2e-5)]));
    assert!(wrong(&[("one", 1e-5), ("ONE", 2e-5)]) && wrong(&[("", 1e-5)]) && wrong(&[("one", 1.0)]));
    for name in ["a\nb", "\u{1b}[2J", "one ", "\u{202e}x", "o\u{200b}e", "\0"] {
        assert!(wrong(&[(name, 1e-5)]), "{name:?}");
        assert!(!RigImage::new(name.try_into().unwrap(), own).validate_with(&own, &mut |_| {}), "{name:?}");
    }
    let mut bench = Bench::new(CutFlash::new(), WithoutRig::CompiledIn);
    assert_eq!(bench.ask(Request::StageAdapter(adapter("one", 1e-5))), Response::NotValid { errors: 0 }, "to nothing");
    bench.stage(&image("a", 45e-6, &[]));
    for number in 0..=ADAPTERS_MAX {
        let said = bench.ask(Request::StageAdapter(adapter(&format!("{number}"), 1e-5)));
        assert_eq!(said == Response::Done, number < ADAPTERS_MAX, "{number}");
    }
}

/// The largest there can be fits the room that is kept for it.
#[test]
fn the_largest_image_fits() {
    let most = RawRig {
        hard_max_pa: u32::MAX,
        blank_runs: u32::MAX,
        tau_s: Some(1.0),
        thermometer: Some(seathold_sequencer::rig::Thermometer { kelvin_at_zero: 1.0, kelvin_per_count: 1.0 }),
        safe_pressure_pa: u32::MAX,
        safe_dwell_ms: u32::MAX,
        safe_vent_ms_max: u32::MAX,
        poll_gap_ms_max: u32::MAX,
        changeover_ms: u32::MAX,
        ..RawRig::DEMO
    };
    let mut image = RigImage::new("n".repeat(32).as_str().try_into().unwrap(), most);
    (image.loaded_unix_ms, image.check) = (u64::MAX, RigCheck::Waived { unix_ms: u64::MAX });
    image.calibrated_until_unix_ms = u64::MAX;
    for _ in 0..ADAPTERS_MAX {
        let adapter = Adapter::of(&"a".repeat(16), &most).unwrap();
        image.adapters.push(Adapter { dn_min: u16::MAX, dn_max: u16::MAX, ..adapter }).unwrap();
    }
    let mut room = [0; IMAGE_MAX];
    let bytes = image.encode(&mut room).expect("it fits").to_vec();
    assert!(bytes.len() > 900, "{}", bytes.len());
    assert_eq!(RigImage::decode(&bytes).as_ref(), Some(&image));
    assert_eq!(RigImage::decode(&[&bytes[..], &[0]].concat()), None);
    assert_ne!(image.check_sum(), 0);
}

/// A cut at every byte that is erased or programmed while one rig takes another's place leaves the one or the other, whole.
#[test]
fn a_power_cut_at_any_byte_leaves_the_old_rig_or_the_new() {
    let old = image("old", 45e-6, &[("DN 15", 45e-6), ("DN 50", 150e-6)]);
    let new = image("new", 60e-6, &[("DN 25", 60e-6), ("DN 50", 140e-6), ("DN 80", 400e-6)]);
    let mut bench = Bench::new(CutFlash::new(), WithoutRig::NoRun);
    assert!(matches!(bench.load(&old), Response::RigMemory(_)));
    // The slot it goes to is written for the second time, so that there is something to be erased.
    assert!(matches!(bench.check(RigCheck::Passed { unix_ms: 1 }), Response::RigMemory(_)));
    let written = bench.keeper.into_storage().into_flash();
    let (mut olds, mut news) = (0, 0);
    for left in 0.. {
        let mut keeper = RigKeeper::new(compiled_in(), WithoutRig::NoRun, store(written.clone()));
        let mut bytes = [0; IMAGE_MAX];
        let bytes = new.encode(&mut bytes).unwrap().to_vec();
        let mut flash = keeper.into_storage();
        flash.flash_mut().left = left;
        let done = flash.write(seathold_sequencer::rig_image::IMAGE_KIND, &bytes).is_ok();
        let mut flash = flash.into_flash();
        flash.left = usize::MAX;
        keeper = RigKeeper::new(compiled_in(), WithoutRig::NoRun, store(flash));
        let memory = keeper.memory();
        match (memory.name.as_str(), memory.generation, memory.adapters, memory.check) {
            ("old", 2, 2, RigCheck::Passed { unix_ms: 1 }) if !done => olds += 1,
            ("new", 3, 3, RigCheck::NotYet) => news += 1,
            other => panic!("after {left} bytes: {other:?}"),
        }
        if done {
            break;
        }
    }
    println!("{olds} cuts leave the old rig, {news} the new");
    assert!(olds > SECTOR && news >= 1, "{olds} {news}");
}

/// What is stored and cannot be used is not passed over in favour of what is compiled in.
#[test]
fn a_rig_that_does_not_fit_this_controller_any_more_is_none() {
    let mut bench = Bench::new(CutFlash::new(), WithoutRig::CompiledIn);
    assert!(matches!(bench.load(&image("a", 46e-6, &[])), Response::RigMemory(_)));
    let flash = bench.keeper.into_storage().into_flash();
    let tighter = RawRig { hard_max_pa: 800_000, ..RawRig::DEMO }.validate().unwrap();
    let keeper = RigKeeper::new(tighter, WithoutRig::CompiledIn, store(flash));
    assert_eq!((keeper.lacking(), keeper.rig()), (Some(RigLack::Rig), tighter));
}
