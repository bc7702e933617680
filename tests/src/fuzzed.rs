//! What is done with bytes of somebody else's, and what must hold whatever they are: a function for each kind. The
//! fuzz targets call these, and so does `tests/tests/hostile`, with a small corpus and mutations of its own.

use std::path::Path;
use std::sync::OnceLock;

use seathold_analysis::identify::trace::RunReadings;
use seathold_analysis::trace::{
    ColumnChoice, PressureReference, TraceConditions, TraceFormat, TraceWindow, judge, parse as parse_trace,
    pressure_unit, time_unit,
};
use seathold_config::{fault, recipe, rig, valve};
use seathold_picture::mark::{PNG_BYTES_MAX, ShopMark};
use seathold_picture::photograph::{Photograph, SIDE_MAX, check_kept};
use seathold_recording::frame::{FrameKind, HEAD, MAGIC, write_frame, write_head};
use seathold_register::batch::check_digit::CheckDigit;
use seathold_register::batch::{list, status};
use seathold_register::{Access, Error, Register, RunFilter, RunMeta};
use seathold_sequencer::event::{Event, Phase};
use seathold_sequencer::input::{Command, Contacts, Prompt, Sample, SensorFault, Sides};
use seathold_sequencer::io::{Hardware, Operator};
use seathold_sequencer::link::controller::Controller;
use seathold_sequencer::link::frame::{self, Frame};
use seathold_sequencer::link::host::{Host, HostEvent};
use seathold_sequencer::link::key::Key;
use seathold_sequencer::link::message::{Capabilities, Record, Request, RigLack};
use seathold_sequencer::link::polls::Polls;
use seathold_sequencer::link::rig_keeper::{RigKeeper, RigStorage, WithoutRig};
use seathold_sequencer::link::serve;
use seathold_sequencer::output::{GasValve, Outputs};
use seathold_sequencer::poll_loop;
use seathold_sequencer::recipe::{Model, RawRecipe};
use seathold_sequencer::rig::{RawRig, Rig};
use seathold_sequencer::rig_image::{IMAGE_KIND, IMAGE_MAX, RigImage};
use seathold_sequencer::step::Sequencer;
use seathold_sequencer::store::Kept;
use seathold_sequencer::time::Instant;
use seathold_sequencer::units::{LeakRate, Reference};
use seathold_sequencer::verdict::Verdict;
use sha2::{Digest, Sha256};

const DAY: &str = "2026-03-02T10:00:00Z";
/// A run that was cut short: a replay of it is soon done.
const RUN: &[u8] = include_bytes!("../fuzz/corpus/register_import/tight-polls");

/// As a recording, as it is and with its checksums made anew: read, or refused with a reason; what is read replays, or
/// is refused with one.
pub fn recording(data: &[u8]) {
    for bytes in [data, &resealed(data)] {
        match seathold_recording::read_bytes(bytes) {
            Ok(read) => {
                let _ = read.summary();
                let _ = seathold_recording::timeline::Timeline::of(&read);
                assert!(read.on_first_clock() <= read.polls.len());
                if let Err(why) = RunReadings::new("a.hold", &read) {
                    assert!(!why.is_empty());
                }
                if let Ok(Some(difference)) = seathold_recording::replay::replay(&read) {
                    assert!(!difference.to_string().is_empty());
                }
            }
            Err(damage) => assert!(!damage.to_string().is_empty()),
        }
    }
}

/// As a shop's mark, drawn and as a bitmap: refused with a reason, or a small PNG that is the same mark again.
pub fn mark(data: &[u8]) {
    for read in [ShopMark::from_drawing(data), ShopMark::from_bitmap(data)] {
        match read {
            Ok(mark) => {
                assert!(mark.png.len() <= PNG_BYTES_MAX && mark.width <= 945 && mark.height <= 354);
                assert_eq!(ShopMark::from_bitmap(&mark.png).expect("it was written here"), mark);
            }
            Err(why) => assert!(!why.to_string().is_empty()),
        }
    }
}

/// As a photograph, and as one that was kept: refused with a reason, or one that can be kept.
pub fn photograph(data: &[u8]) {
    match Photograph::read(data) {
        Ok(Photograph { jpeg, width, height }) => {
            assert!(width.max(height) <= SIDE_MAX);
            check_kept(&jpeg, (width, height)).expect("it was written here");
        }
        Err(why) => assert!(!why.to_string().is_empty()),
    }
    if let Err(why) = check_kept(data, (40, 30)) {
        assert!(!why.to_string().is_empty());
    }
}

/// The bytes with the checksum of each frame, and the hash at the end, made right where there are such: nothing past
/// the checksums is reached otherwise.
pub fn resealed(data: &[u8]) -> Vec<u8> {
    let mut bytes = Vec::with_capacity(data.len());
    if data.len() < HEAD || !data.starts_with(&MAGIC) {
        return data.to_vec();
    }
    let good = "a vector takes all";
    write_head(&mut bytes).expect(good);
    let mut at = HEAD;
    while let Some(length) = data.get(at + 1..at + 5) {
        let length = u32::from_le_bytes(length.try_into().expect("four of them")) as usize;
        let kind = match data[at] {
            1 => FrameKind::Header,
            2 => FrameKind::Polls,
            3 => FrameKind::End,
            4 => FrameKind::Break,
            _ => break,
        };
        let Some(payload) = data.get(at + 5..at + 5 + length).filter(|_| at + 9 + length <= data.len()) else { break };
        let mut payload = payload.to_vec();
        if kind == FrameKind::End && length >= 32 {
            payload.truncate(length - 32);
            payload.extend_from_slice(&Sha256::digest(&bytes));
        }
        if write_frame(&mut bytes, kind, &payload).is_err() {
            break;
        }
        at += 9 + length;
    }
    bytes.extend_from_slice(&data[at..]);
    bytes
}

fn demo_rig() -> Rig {
    RawRig::DEMO.validate().expect("the built-in rig is good")
}

/// As each kind of text of a person's: taken, or refused with a reason. What was taken is taken again as this program
/// writes it.
pub fn toml(data: &[u8]) {
    let Ok(text) = std::str::from_utf8(data) else { return };
    let reference = Reference::ISO_8778.pressure.pascals();
    let built_in = demo_rig();
    match recipe::parse("r.toml", text, &built_in, None) {
        Ok(read) => {
            let again = recipe::file_of(read.recipe.raw(), "");
            let again = recipe::parse("again.toml", &again, &built_in, None);
            assert!(again.is_ok(), "taken, and not as written: {again:?}");
        }
        Err(why) => assert!(!why.to_string().is_empty()),
    }
    match rig::parse("g.toml", text) {
        // Also a recipe against a rig of somebody else's.
        Ok(read) => drop(recipe::parse("r.toml", "", &read.rig, None)),
        Err(why) => assert!(!why.to_string().is_empty()),
    }
    match valve::parse("v.toml", text, reference) {
        Ok(valve) => {
            let mut settings = valve.settings(reference);
            // Faults are an option of their own.
            settings.retain(|(name, _)| name != "fault");
            let mut again = valve.clone();
            let set = again.set(settings.iter().map(|(name, value)| (name.as_str(), value.as_str())), reference);
            assert!(set.is_ok(), "its own settings are refused: {set:?}");
            let faults: Vec<_> = valve.faults.iter().map(|spec| spec.fault).collect();
            let _ = fault::fit(&faults, valve.scenario.plant.actuation, &RawRig::DEMO);
            for spec in &valve.faults {
                assert_eq!(fault::parse(&spec.text).as_ref(), Ok(&spec.fault), "{}", spec.text);
            }
        }
        Err(why) => assert!(!why.to_string().is_empty()),
    }
    for line in text.lines().take(20) {
        if let Err(why) = fault::parse(line) {
            assert!(!why.is_empty());
        }
        let _ = recipe::replaced(&RawRecipe::DEMO, line.split_once('=').into_iter());
    }
}

/// As a list of valves: what passes its checks, a register takes.
pub fn batch_list(data: &[u8]) {
    let shared = list::ListDefaults { actuation: "air".into(), dn: Some(25), ..list::ListDefaults::default() };
    let file = list::from_bytes("list.csv", data.to_vec(), &shared);
    let typed = std::str::from_utf8(data).ok().and_then(|text| list::patterns(text, &shared).ok());
    if let Err(why) = &file {
        assert!(!why.to_string().is_empty());
    }
    for found in [file.ok(), typed].into_iter().flatten() {
        for digits in [Some(CheckDigit::Luhn), Some(CheckDigit::Mod3736)] {
            let _ = found.check("list.csv", digits, true);
        }
        // The look for serials that look alike is for lists of a real length.
        if found.valves.len() <= 200 && found.check("list.csv", None, false).is_ok() {
            let mut register = fresh();
            let batch = register.open_batch("spring", &found.valves, "", "Ada", DAY.parse().expect("a time"));
            let batch = batch.expect("what the list's checks pass, the register takes");
            assert_eq!(register.valves_of(&batch.batch).expect("just written").len(), found.valves.len());
            whole(&register);
        }
    }
}

/// As another logger's trace: read, or refused with a reason; a verdict has numbers to go with it.
pub fn trace_csv(data: &[u8]) {
    let as_said = |reference| TraceFormat { reference: Some(reference), ..TraceFormat::default() };
    let chosen = |column: &str, unit| ColumnChoice { column: Some(column.into()), unit };
    let formats = [
        TraceFormat::default(),
        as_said(PressureReference::Gauge),
        as_said(PressureReference::Absolute),
        // A preamble, and columns by their numbers, with or without a header.
        TraceFormat {
            skip_lines: 2,
            time: chosen("1", time_unit("ms").ok()),
            pressure: chosen("2", pressure_unit("psi").ok().map(|(unit, _)| unit)),
            no_temperature: true,
            ..as_said(PressureReference::Gauge)
        },
    ];
    for format in formats {
        let trace = match parse_trace("trace.csv", data, &format) {
            Ok(trace) => trace,
            Err(why) => {
                assert!(!why.to_string().is_empty());
                continue;
            }
        };
        assert!(trace.rows.windows(2).all(|two| two[0].time_us < two[1].time_us));
        let _ = trace.at_clock("23:59:59.5").map_err(|why| assert!(!why.is_empty()));
        for model in [Model::Line, Model::LineAndTransient] {
            let assumed = TraceConditions {
                least_s: 0.0,
                most_s: f64::MAX,
                atmosphere_pa: 101_325.0,
                volume_m3: 45e-6,
                volume_u_rel: 0.02,
                gain_u_rel: 0.002,
                temperature_drift_u_k_s: 1e-4,
                background_pa_m3_s: 0.0,
                background_u_pa_m3_s: 0.0,
                gas_k: 293.15,
                reference: Reference::ISO_8778,
                limit: LeakRate::from_mm3_s(7.5, Reference::ISO_8778),
                false_accept: 0.01,
                false_reject: 0.01,
                coverage: 0.95,
                step_pa: None,
                model,
                tau: None,
                shut_us: None,
                least_pa: f64::MIN,
                most_pa: f64::MAX,
            };
            match judge(&trace, TraceWindow::default(), &assumed) {
                Ok(found) if matches!(found.verdict, Verdict::Tight | Verdict::Leaking) => {
                    let estimate = found.estimate.expect("a verdict has its estimate");
                    assert!(estimate.leak.pa_m3_s().is_finite() && found.void.is_none(), "{estimate:?}");
                    assert!(found.noise_pa.is_finite() && found.gas_k.is_finite());
                }
                Ok(_) => {}
                Err(why) => assert!(!why.is_empty()),
            }
        }
    }
}

/// A register in memory: SQLite's name for a file that is none.
fn fresh() -> Register {
    Register::open(Path::new(":memory:"), Access::Make).expect("memory can be had")
}

/// Every chain holds, and what is in it would be let in again.
fn whole(register: &Register) {
    register.verify_by(true, |_| true).expect("can be read").valid().expect("no record is broken");
    for run in register.runs(RunFilter::default()) {
        let run = run.expect("every run can be listed");
        register.recording(run.id).expect("every run has its recording");
    }
    for batch in register.batches().expect("every batch can be listed") {
        status::of_batch(register, &batch).expect("every batch has its statuses");
    }
}

/// To the gate of a register, as it is and with its checksums made anew: kept, in quarantine byte for byte, or left where
/// it is; and a second time it changes nothing.
pub fn register_import(data: &[u8]) {
    let resealed = resealed(data);
    let bytes = [data, &resealed];
    for bytes in &bytes[..if resealed == data { 1 } else { 2 }] {
        let mut register = fresh();
        let now = DAY.parse().expect("a time");
        let mut seen = Vec::new();
        for _ in 0..2 {
            let wanted = match register.append(bytes, &RunMeta::default(), now) {
                Ok(_) => (1, 0),
                Err(Error::Quarantined { id, reason, .. }) => {
                    assert!(!reason.is_empty());
                    assert!(register.quarantined_bytes(id).expect("it is there").1 == *bytes, "not as it came");
                    (0, 1)
                }
                Err(why) => {
                    assert!(!why.to_string().is_empty());
                    (0, 0)
                }
            };
            let quarantined = register.quarantined().expect("can be listed").len();
            assert_eq!((register.count(&RunFilter::default()).expect("can be counted"), quarantined), wanted);
            seen.push(wanted);
        }
        assert_eq!(seen[0], seen[1], "another answer the second time");
        whole(&register);
    }
}

/// A register of one batch, one run and two notes, as a file. Made once: identifiers in it differ from program to program,
/// places of bytes do not.
fn other_register() -> &'static [u8] {
    static FILE: OnceLock<Vec<u8>> = OnceLock::new();
    FILE.get_or_init(|| {
        let dir = tempfile::tempdir().expect("a folder can be made");
        let path = dir.path().join("other.sqlite");
        let now = DAY.parse().expect("a time");
        let mut register = Register::open(&path, Access::Make).expect("a register can be made");
        let list = list::patterns("HM-001..HM-003", &list::ListDefaults::default()).expect("a good list");
        let batch = register.open_batch("spring", &list.valves, "", "Ada", now).expect("a good batch");
        register.append(RUN, &RunMeta::default(), now).expect("a good run");
        let note = seathold_register::NewNote {
            kind: seathold_register::NoteKind::Remark,
            batch: Some(batch.batch),
            serial: Some("HM-002".into()),
            about: None,
            operator: "Ben".into(),
            text: "the plate is hard to read".into(),
        };
        register.note(&note, now).expect("a good note");
        drop(register);
        // A single file, without a log beside it.
        let db = rusqlite::Connection::open(&path).expect("it is there");
        db.pragma_update(None, "journal_mode", "delete").expect("nobody else has it open");
        drop(db);
        std::fs::read(path).expect("it is there")
    })
}

/// A register with changes, eight bytes each, merged into an empty one: whatever is taken is whole. A change is a byte of
/// the file, its end, or the value of a cell.
pub fn register_merge(data: &[u8]) {
    let dir = tempfile::tempdir().expect("a folder can be made");
    let path = dir.path().join("other.sqlite");
    let mut file = other_register().to_vec();
    let mut cells = Vec::new();
    for change in data.chunks_exact(8).take(32) {
        let [kind, a, b, c, d, value, second, third] = change.try_into().expect("eight of them");
        let at = u32::from_le_bytes([a, b, c, d]) as usize % file.len().max(1);
        match kind % 8 {
            0..=2 if !file.is_empty() => file[at] = value,
            3 => file.iter_mut().skip(at).zip([value, second, third]).for_each(|(old, new)| *old = new),
            4 => file.truncate(at),
            _ => cells.push([a, b, c, value, second]),
        }
    }
    std::fs::write(&path, &file).expect("a file can be written");
    if !cells.is_empty()
        && let Ok(db) = rusqlite::Connection::open(&path)
    {
        // Nothing of it need survive a power cut.
        let _ = db.execute_batch(
            "PRAGMA synchronous = OFF; PRAGMA journal_mode = OFF; \
             PRAGMA foreign_keys = OFF; PRAGMA ignore_check_constraints = ON; BEGIN",
        );
        cells.iter().for_each(|cell| drop(edit(&db, *cell)));
        let _ = db.execute_batch("COMMIT");
    }
    let mut register = fresh();
    let now = DAY.parse().expect("a time");
    for _ in 0..2 {
        match register.merge(&path, now) {
            Ok(merged) => assert!(merged.runs + merged.notes <= 3, "{merged:?}"),
            Err(why) => assert!(!why.to_string().is_empty()),
        }
        assert!(register.count(&RunFilter::default()).expect("can be counted") <= 1);
        whole(&register);
    }
    // Looking into it directly ends as well, with or without an error.
    if let Ok(other) = Register::open(&path, Access::Read) {
        let _ = other.verify_by(true, |_| true);
        other.runs(RunFilter::default()).for_each(drop);
        for batch in other.batches().into_iter().flatten() {
            let _ = status::of_batch(&other, &batch);
        }
    }
}

/// Sets a cell of any table, as somebody with an editor could who removes our triggers first.
fn edit(db: &rusqlite::Connection, [table, column, row, kind, value]: [u8; 5]) -> rusqlite::Result<()> {
    let names =
        |sql: &str| -> rusqlite::Result<Vec<String>> { db.prepare(sql)?.query_map([], |row| row.get(0))?.collect() };
    for trigger in names("SELECT name FROM sqlite_schema WHERE type = 'trigger'")? {
        db.execute_batch(&format!("DROP TRIGGER \"{trigger}\""))?;
    }
    let tables = names("SELECT name FROM sqlite_schema WHERE type = 'table' ORDER BY name")?;
    let Some(table) = tables.get(usize::from(table) % tables.len().max(1)) else { return Ok(()) };
    let columns = names(&format!("SELECT name FROM pragma_table_info('{table}')"))?;
    let Some(column) = columns.get(usize::from(column) % columns.len().max(1)) else { return Ok(()) };
    let value = match kind % 8 {
        0 => "NULL".into(),
        1 => format!("{}", i64::from(value) - 128),
        2 => "9223372036854775807".into(),
        3 => "9e999".into(),
        4 => format!("'{}'", "x".repeat(100 * usize::from(value))),
        5 => format!("zeroblob({value})"),
        6 => format!("char(27, 8238, {value})"),
        _ => format!("CAST(\"{column}\" AS TEXT) || '{value}'"),
    };
    let row = row % 8;
    db.execute_batch(&format!(
        "UPDATE \"{table}\" SET \"{column}\" = {value} WHERE rowid = (SELECT rowid FROM \"{table}\" LIMIT 1 OFFSET {row})"
    ))
}

/// Into both ends of the link, as they come and as a well-formed frame; and as what befalls a line between two ends that
/// have a key.
pub fn link(data: &[u8]) {
    feed(data);
    let mut frame = Frame::new();
    if frame::encode_bytes(data, &mut frame).is_ok() {
        feed(&frame);
    }
    Polls::new(data).for_each(drop);
    under_a_key(data);
}

fn feed(line: &[u8]) {
    let mut controller = Controller::<512>::new(Capabilities::default());
    let mut host = Host::new(1);
    let mut out = Frame::new();
    for (i, &byte) in line.iter().enumerate() {
        let now = Instant::from_ticks(i as u64 * 1_000);
        controller.receive(now, byte);
        let _ = host.receive(byte);
        let _ = controller.transmit(now, &mut out);
        let _ = host.transmit(now, &mut out);
    }
}

/// What the host may ask, told apart when it arrives. Abort is never among it: anyone may abort.
const ASKED: [Command; 7] = [
    Command::Start(Sides::Both),
    Command::Start(Sides::First),
    Command::Confirm(Prompt::SwapEnds),
    Command::Acknowledge,
    Command::Start(Sides::Second),
    Command::Confirm(Prompt::OpenValve),
    Command::Confirm(Prompt::OpenToVent),
];

/// Two ends with a key, and somebody on the line between them who can do all but make tags.
struct Keyed<'a> {
    data: &'a [u8],
    now: Instant,
    controller: Controller<1024>,
    host: Host,
    sequencer: Sequencer,
    rig: Bytes<'a>,
    /// All frames ever sent, to the controller and to the host.
    sent: [Vec<Vec<u8>>; 2],
    /// Commands the host has given, and how many of them the controller has carried out or passed over.
    asked: Vec<Command>,
    taken: usize,
    /// Marks among the records, and the next that the host may take.
    kept: u64,
    next: u64,
    sessions: u32,
}

fn under_a_key(data: &[u8]) {
    let mut controller = Controller::new(Capabilities::default());
    controller.set_key(Key::new([7; Key::LEN]), [3; 16]);
    let mut line = Keyed {
        data,
        now: Instant::from_ticks(0),
        controller,
        host: Host::new(1).with_key(Key::new([7; Key::LEN]), 11),
        sequencer: Sequencer::new(demo_rig(), None),
        rig: Bytes { data: &[], now: Instant::from_ticks(0) },
        sent: [Vec::new(), Vec::new()],
        asked: Vec::new(),
        taken: 0,
        kept: 0,
        next: 0,
        sessions: 1,
    };
    for _ in 0..400 {
        let Some(what) = line.byte() else { break };
        line.act(what);
    }
    assert!(line.sequencer.recipe().is_none(), "a recipe that nobody sent");
}

impl Keyed<'_> {
    fn byte(&mut self) -> Option<u8> {
        let (first, rest) = self.data.split_first()?;
        self.data = rest;
        Some(*first)
    }

    fn act(&mut self, what: u8) {
        match what % 16 {
            // Both send, and all arrives.
            0..=4 => {
                self.send(0);
                self.send(1);
                (0..2).for_each(|end| self.deliver_last(end, |_| ()));
            }
            5 => self.send(usize::from(what >> 7)),
            // What was sent last is changed on its way.
            6 | 7 => {
                let (end, at) = (usize::from(what >> 7), usize::from(self.byte().unwrap_or(0)));
                let flip = self.byte().unwrap_or(1);
                self.send(end);
                self.deliver_last(end, |frame| {
                    let length = frame.len().max(1);
                    frame.iter_mut().skip(at % length).take(1).for_each(|byte| *byte ^= flip);
                });
            }
            // What was sent at some time comes again.
            8 | 9 => {
                let (end, which) = (usize::from(what >> 7), usize::from(self.byte().unwrap_or(0)));
                let count = self.sent[end].len().max(1);
                if let Some(frame) = self.sent[end].get(which % count).cloned() {
                    self.deliver(end, &frame);
                }
            }
            // Somebody's own, well formed.
            10 | 11 => {
                let length = usize::from(self.byte().unwrap_or(0)) % 64;
                let (own, rest) = self.data.split_at(length.min(self.data.len()));
                self.data = rest;
                let mut frame = Frame::new();
                if frame::encode_bytes(own, &mut frame).is_ok() {
                    self.deliver(usize::from(what >> 7), &frame);
                }
            }
            12 => {
                let command = ASKED[self.asked.len() % ASKED.len()];
                if self.host.request(Request::Operate(command)).is_ok() {
                    self.asked.push(command);
                }
            }
            13 => {
                self.controller.keep(&Record::TimeSet { at: self.now, unix_ms: self.kept });
                self.kept += 1;
            }
            14 => {
                let tens = u32::from(self.byte().unwrap_or(1));
                self.now += seathold_sequencer::time::millis(10 * tens);
            }
            _ => {
                self.sessions += 1;
                let _ = self.host.reconnect(self.sessions, u64::from(self.sessions) * 11);
            }
        }
        self.cycle();
    }

    /// The end's next frames go onto the line.
    fn send(&mut self, end: usize) {
        let mut frame = Frame::new();
        for _ in 0..4 {
            let some = if end == 0 {
                self.host.transmit(self.now, &mut frame)
            } else {
                self.controller.transmit(self.now, &mut frame)
            };
            if !some {
                break;
            }
            self.sent[end].push(frame.to_vec());
        }
    }

    fn deliver_last(&mut self, end: usize, change: impl FnOnce(&mut Vec<u8>)) {
        if let Some(mut frame) = self.sent[end].last().cloned() {
            change(&mut frame);
            self.deliver(end, &frame);
        }
    }

    fn deliver(&mut self, end: usize, bytes: &[u8]) {
        for &byte in bytes {
            if end == 0 {
                self.controller.receive(self.now, byte);
                continue;
            }
            match self.host.receive(byte) {
                // A controller said to have been reset: its records begin anew.
                Some(HostEvent::Connected { restarted: true, .. }) => self.next = 0,
                Some(HostEvent::TimeSet { unix_ms, .. }) => {
                    assert!((self.next..self.kept).contains(&unix_ms), "record {unix_ms} is nobody's, or comes again");
                    self.next = unix_ms + 1;
                }
                Some(HostEvent::Polls(_) | HostEvent::Event { .. } | HostEvent::RecipeLoaded(_)) => {
                    panic!("a record that the controller has not made")
                }
                Some(HostEvent::Response(_)) => assert!(!self.asked.is_empty(), "a response to nothing"),
                _ => {}
            }
        }
    }

    fn cycle(&mut self) {
        serve::handle_request(&mut self.controller, self.now, &mut self.sequencer, &mut self.rig);
        let given = Operator::command(&mut self.controller, self.now, Phase::Ready);
        let Some(command) = given.filter(|command| *command != Command::Abort) else { return };
        // In the order the host has given them, each at most once.
        let place = self.asked[self.taken..].iter().position(|asked| *asked == command);
        self.taken += 1 + place.unwrap_or_else(|| panic!("{command:?} is the host's no more, or never was"));
    }
}

/// A rig whose readings are the bytes, and then broken wires.
struct Bytes<'a> {
    data: &'a [u8],
    now: Instant,
}

impl Bytes<'_> {
    fn take(&mut self) -> Option<u8> {
        let (first, rest) = self.data.split_first()?;
        self.data = rest;
        Some(*first)
    }

    fn sample(&mut self) -> nb::Result<Sample, SensorFault> {
        let number = (self.now.as_ticks() / 10_000) as u32;
        match self.take() {
            None => Err(nb::Error::Other(SensorFault::Open)),
            Some(0) => Err(nb::Error::WouldBlock),
            Some(1) => Ok(Sample { counts: i32::MAX, number }),
            Some(2) => Ok(Sample { counts: i32::MIN, number }),
            Some(byte) => Ok(Sample { counts: i32::from(byte - 3) * 250, number }),
        }
    }
}

impl Hardware for Bytes<'_> {
    type Error = core::convert::Infallible;

    fn now(&mut self) -> Instant {
        self.now
    }

    fn far(&mut self) -> nb::Result<Sample, SensorFault> {
        self.sample()
    }

    fn supply(&mut self) -> nb::Result<Sample, SensorFault> {
        self.sample()
    }

    fn thermometer(&mut self) -> nb::Result<Sample, SensorFault> {
        self.sample()
    }

    fn contacts(&mut self) -> Contacts {
        Contacts { stop: self.take() == Some(9), ..Contacts::CLEAR }
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

/// Starts a run at the first poll where it is taken, and says no more.
struct Starter;

impl Operator for Starter {
    fn link_up(&mut self) -> bool {
        true
    }

    fn command(&mut self, _: Instant, phase: Phase) -> Option<Command> {
        (phase == Phase::Ready).then_some(Command::Start(Sides::Both))
    }

    fn notify(&mut self, _: Instant, _: &Event) {}
}

/// As what a controller finds stored: an image that is as it is written, or none; and, behind a header that fits, in force only if it
/// protects no less than what is compiled in.
fn stored_rig(data: &[u8]) {
    if let Some(image) = RigImage::decode(data) {
        let mut room = [0; IMAGE_MAX];
        if let Some(again) = image.encode(&mut room) {
            assert_eq!(RigImage::decode(again).map(|again| format!("{again:?}")), Some(format!("{image:?}")));
        }
    }
    let rig = demo_rig();
    let stored = Stored(data);
    let keeper = RigKeeper::new(rig, WithoutRig::NoRun, stored);
    let (in_force, own) = (keeper.rig(), rig.raw());
    assert!(in_force.raw().hard_max_pa <= own.hard_max_pa && in_force.raw().safe_dwell_ms >= own.safe_dwell_ms);
    assert!(in_force.raw().guard_fitted == own.guard_fitted && in_force.raw().far_flickers == own.far_flickers);
    let memory = keeper.memory();
    assert_eq!(memory.lacking == Some(RigLack::Rig), memory.generation == 0);
}

/// These bytes, as if they had been stored.
struct Stored<'a>(&'a [u8]);

impl RigStorage for Stored<'_> {
    type Error = ();

    fn read(&mut self, into: &mut [u8]) -> Result<Option<Kept>, ()> {
        let length = self.0.len();
        into.get_mut(..length).ok_or(())?.copy_from_slice(self.0);
        Ok(Some(Kept { generation: 1, length, kind: IMAGE_KIND }))
    }

    fn write(&mut self, _: u32, _: &[u8]) -> Result<Kept, ()> {
        Err(())
    }
}

/// As the rig and the recipe that come over the link, and readings: refused with a reason, or a sequencer takes them, and
/// lets no air in while it vents.
pub fn rig_image(data: &[u8]) {
    stored_rig(data);
    let (rig, rest) = postcard::take_from_bytes::<RawRig>(data).unwrap_or((RawRig::DEMO, data));
    let rig = match rig.validate() {
        Ok(rig) => rig,
        Err(why) => {
            assert!(!why.to_string().is_empty());
            demo_rig()
        }
    };
    let (recipe, rest) = postcard::take_from_bytes::<RawRecipe>(rest).unwrap_or((RawRecipe::DEMO, rest));
    let recipe = match recipe.validate(&rig) {
        Ok(recipe) => Some(recipe),
        Err(why) => {
            assert!(!why.to_string().is_empty());
            RawRecipe::DEMO.validate(&rig).ok()
        }
    };
    let mut sequencer = Sequencer::new(rig, recipe);
    let mut hardware = Bytes { data: rest, now: Instant::from_ticks(0) };
    while !hardware.data.is_empty() {
        let Ok(record) = poll_loop::poll(&mut sequencer, &mut hardware, &mut Starter);
        let open = (record.outputs.supply == GasValve::Open, record.outputs.vent == GasValve::Open);
        assert_ne!(open, (true, true), "air is let in and out at once");
        hardware.now += seathold_sequencer::time::millis(10);
    }
}
