//! Recordings: small, whole or seen not to be, and replayed to the same end.

use std::path::Path;
use std::sync::OnceLock;

use proptest::prelude::*;
use seathold_recording::{Poll, Recording, Writer, frame, read, read_bytes};
use seathold_sequencer::input::Reading;
use seathold_sequencer::poll_loop::PollRecord;
use seathold_tests::cli_kit::{golden, recorded, seathold};

const DIFFERS: u8 = 5;
const STORAGE: u8 = 6;

fn bytes() -> &'static [u8] {
    static BYTES: OnceLock<Vec<u8>> = OnceLock::new();
    BYTES.get_or_init(|| {
        let dir = tempfile::tempdir().unwrap();
        std::fs::read(recorded(dir.path(), "a.hold", &[])).unwrap()
    })
}

/// Writes a recording with some polls changed, as somebody would who wanted another result.
fn forge(recording: &Recording, path: &Path, change: impl Fn(usize, &mut PollRecord)) {
    let mut writer = Writer::create(path, &recording.header).unwrap();
    let mut happened = recording.event_log.follow();
    for (i, poll) in recording.polls.iter().enumerate() {
        let events = std::iter::from_fn(|| happened(i)).map(|e| recording.names.typed(&e.node()).unwrap()).collect();
        let mut polled = PollRecord { at: poll.at, inputs: poll.inputs, outputs: poll.outputs, events };
        change(i, &mut polled);
        writer.push(&polled).unwrap();
    }
    writer.finish().unwrap();
}

#[test]
fn a_sample_costs_less_than_a_byte_and_a_half() {
    // The whole file, header, events, checksums and all, over the samples of both channels.
    let dir = tempfile::tempdir().unwrap();
    let said = seathold(dir.path(), &["run", "-q", "--out", "[DIR]/a.hold"]);
    assert_eq!(said.code, 0);
    let path = dir.path().join("a.hold");
    let recording = read(&path).unwrap();
    let is = |reading: Reading| usize::from(matches!(reading, Reading::Sample(_)));
    let samples: usize = recording.polls.iter().map(|p| is(p.inputs.far) + is(p.inputs.supply)).sum();
    let each = std::fs::metadata(&path).unwrap().len() as f64 / samples as f64;
    println!("{each:.3} bytes a sample over {samples} samples");
    assert!(each <= 1.5, "{each}");
}

#[test]
fn what_is_read_is_what_was_written() {
    let recording = read_bytes(bytes()).unwrap();
    assert_eq!(recording.damage, None);
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("again.hold");
    forge(&recording, &path, |_, _| {});
    assert_eq!(std::fs::read(path).unwrap(), bytes());
}

/// Where the header ends: what is spoilt before has no recording, what is spoilt after has what stands before.
fn header_end() -> usize {
    frame::read_frame(bytes(), frame::HEAD).unwrap().2
}

#[test]
fn every_truncation_is_seen() {
    let whole: Vec<Poll> = read_bytes(bytes()).unwrap().polls.iter().collect();
    let mut most = 0;
    for length in (0..bytes().len()).step_by(23) {
        let cut = read_bytes(&bytes()[..length]);
        assert_eq!(cut.is_ok(), length >= header_end(), "{length}");
        if let Ok(cut) = cut {
            assert!(cut.damage.is_some(), "{length}");
            assert!(cut.polls.iter().eq(whole[..cut.polls.len()].iter().copied()), "{length}");
            most = most.max(cut.polls.len());
        }
    }
    assert!(2 * most > whole.len(), "{most} of {} polls, though the end alone was cut", whole.len());
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 300, failure_persistence: None, ..ProptestConfig::default() })]

    /// No changed byte goes unseen, and what is before it is still right.
    #[test]
    fn every_flip_is_seen(at in 0..bytes().len(), flip in 1u8..) {
        let mut changed = bytes().to_vec();
        changed[at] ^= flip;
        let read = read_bytes(&changed);
        prop_assert_eq!(read.is_ok(), at >= header_end());
        if let Ok(recording) = read {
            prop_assert!(recording.damage.is_some());
            static WHOLE: OnceLock<Vec<Poll>> = OnceLock::new();
            let whole = WHOLE.get_or_init(|| read_bytes(bytes()).unwrap().polls.iter().collect());
            prop_assert!(recording.polls.iter().eq(whole[..recording.polls.len()].iter().copied()));
        }
    }

    /// Nor do bytes put in, taken out or added.
    #[test]
    fn every_shift_is_seen(at in 0..bytes().len(), cut in 0usize..20, add in proptest::collection::vec(any::<u8>(), 0..20)) {
        let mut changed = bytes().to_vec();
        let end = (at + cut).min(changed.len());
        changed.splice(at..end, add);
        prop_assume!(changed != bytes());
        let read = read_bytes(&changed);
        prop_assert!(read.is_ok() || at < header_end());
        if let Ok(recording) = read {
            prop_assert!(recording.damage.is_some());
        }
    }

    /// No bytes at all make it panic.
    #[test]
    fn any_bytes_are_a_recording_or_refused(tail in proptest::collection::vec(any::<u8>(), 0..300)) {
        let mut bytes = b"seathold\x01\0\0\0".to_vec();
        bytes.extend_from_slice(&tail);
        let _ = read_bytes(&bytes);
        let _ = read_bytes(&tail);
    }
}

#[test]
fn damage_is_named_with_its_place_and_never_called_identical() {
    let dir = tempfile::tempdir().unwrap();
    let write = |name: &str, bytes: &[u8]| std::fs::write(dir.path().join(name), bytes).unwrap();
    let mut flipped = bytes().to_vec();
    flipped[6_000] ^= 1;
    write("flipped.hold", &flipped);
    write("cut.hold", &bytes()[..bytes().len() - 1]);
    write("long.hold", &[bytes(), b"more"].concat());
    write("foreign.hold", b"time_s,pressure_pa\n0,600000\n");
    write("empty.hold", b"");
    let mut newer = bytes()[..16].to_vec();
    newer[8] = 9;
    let sum = crc32(&newer[..12]).to_le_bytes();
    newer[12..].copy_from_slice(&sum);
    write("newer.hold", &newer);
    let mut said = String::new();
    for name in ["flipped", "cut", "long", "foreign", "empty", "newer", "missing"] {
        let replayed = seathold(dir.path(), &["replay", &format!("[DIR]/{name}.hold")]);
        assert_eq!((replayed.code, replayed.out.as_str()), (STORAGE, ""), "{name}");
        said.push_str(&replayed.err);
        let shown = seathold(dir.path(), &["show", &format!("[DIR]/{name}.hold")]);
        assert_eq!(shown.code, STORAGE, "{name}");
    }
    // Places move when a header gains a field; that the flipped byte's frame is named is what counts.
    let places: Vec<usize> = said.split("at byte ").skip(1).filter_map(|s| s.split(':').next()?.parse().ok()).collect();
    let [flipped, cut, long] = places[..] else { panic!("{said}") };
    assert!(flipped <= 6_000 && flipped + 2_000 > 6_000, "{flipped}");
    assert!(cut < long && long == bytes().len(), "{cut} {long}");
    let said = places.iter().fold(said.clone(), |said, place| said.replace(&format!("byte {place}:"), "byte [N]:"));
    golden("damage.txt", &said);
}

/// CRC-32 as in ISO-HDLC, bit by bit, so that the reader is not checked against its own library.
fn crc32(bytes: &[u8]) -> u32 {
    !bytes.iter().fold(!0u32, |sum, byte| {
        (0..8).fold(sum ^ u32::from(*byte), |sum, _| if sum & 1 == 1 { sum >> 1 ^ 0xEDB8_8320 } else { sum >> 1 })
    })
}

/// Two bytes a level would run a reader that follows them out of its stack, whatever their checksums.
#[test]
fn a_tree_too_deep_is_damage_and_not_followed() {
    let deep = |levels| [[5, 1].repeat(levels), vec![0]].concat();
    let framed = |payload: &[u8], kind, before: &[u8]| {
        let mut file = before.to_vec();
        frame::write_frame(&mut file, kind, payload).unwrap();
        file
    };
    let no_names = [vec![0], deep(60_000)].concat();
    let told = read_bytes(&framed(&no_names, frame::FrameKind::Header, &bytes()[..frame::HEAD])).unwrap_err();
    assert!(told.to_string().contains("the header cannot be read"), "{told}");

    // One poll without readings, and one event at it.
    let columns = [vec![0, 1, 0, 0], vec![0; 3 * 5 + 3]].concat();
    let (_, _, polls) = frame::read_frame(bytes(), frame::HEAD).unwrap();
    for (tree, damage) in [(vec![0], None), (deep(500_000), Some("events of polls cannot be read"))] {
        let block = [columns.clone(), vec![1, 0], tree].concat();
        let recording = read_bytes(&framed(&block, frame::FrameKind::Polls, &bytes()[..polls])).unwrap();
        let told = recording.damage.unwrap().to_string();
        assert_eq!(recording.polls.len(), usize::from(damage.is_none()));
        assert!(told.contains(damage.unwrap_or("cut short")), "{told}");
    }
}

#[test]
fn a_forged_recording_differs_where_it_was_forged() {
    let dir = tempfile::tempdir().unwrap();
    let recording = read_bytes(bytes()).unwrap();
    let times = |number: usize| recording.event_log.iter().filter(|(at, _)| *at == number).count();
    let judged = recording.event_log.iter().map(|(number, _)| number).find(|number| times(*number) > 2).unwrap();
    // A verdict made tight, an event left out, an output that was never set.
    forge(&recording, &dir.path().join("event.hold"), |i, polled| {
        if i == judged {
            polled.events.pop();
        }
    });
    forge(&recording, &dir.path().join("output.hold"), |i, polled| {
        if i == 10 {
            polled.outputs.supply = seathold_sequencer::output::GasValve::Open;
        }
    });
    // Readings moved in the middle of the measurement, which ends some four seconds before the side is judged; figures
    // left as they were.
    let moved = recording.polls.get(judged).unwrap().at.as_ticks() - 7_000_000;
    forge(&recording, &dir.path().join("reading.hold"), |_, polled| {
        if polled.at.as_ticks() > moved
            && let Reading::Sample(sample) = &mut polled.inputs.far
        {
            sample.counts += 3;
        }
    });
    for name in ["event", "output", "reading"] {
        let said = seathold(dir.path(), &["replay", &format!("[DIR]/{name}.hold")]);
        assert_eq!((said.code, said.err.as_str()), (DIFFERS, ""), "{name}: {}", said.out);
        assert!(said.out.contains("differs at poll"), "{}", said.out);
        assert!(said.out.contains("recorded  ") && said.out.contains("now       "), "{}", said.out);
    }
    let said = seathold(dir.path(), &["replay", "[DIR]/output.hold"]);
    assert!(said.out.contains("differs at poll 10 (0.100 s): outputs"), "{}", said.out);
}

#[test]
fn several_files_are_all_replayed_and_the_worst_decides() {
    let dir = tempfile::tempdir().unwrap();
    recorded(dir.path(), "good.hold", &[]);
    std::fs::write(dir.path().join("bad.hold"), b"x").unwrap();
    let said = seathold(dir.path(), &["replay", "[DIR]/bad.hold", "[DIR]/good.hold"]);
    assert_eq!(said.code, STORAGE);
    assert_eq!(said.err, "error: [DIR]/bad.hold: not a seathold recording\n");
    assert!(said.out.starts_with("[DIR]/good.hold: identical: "), "{}", said.out);
}

#[test]
fn show_says_it_in_every_form() {
    let dir = tempfile::tempdir().unwrap();
    let args = ["run", "-q", "--valve", "scratched-seat-a", "--out", "[DIR]/a.hold", "--operator", "R. Example"];
    assert_eq!(seathold(dir.path(), &args).code, 1);
    let show = |form: &[&str]| {
        let said = seathold(dir.path(), &[&["show", "[DIR]/a.hold"], form].concat());
        assert_eq!((said.code, said.err.as_str()), (0, ""));
        said.out
    };
    let text = show(&[]);
    assert!(text.lines().all(|line| line.chars().count() <= 80), "{text}");
    golden("show.txt", &text);
    golden("show-budget.txt", &show(&["--budget"]));
    let csv = show(&["--csv"]);
    let rows: Vec<Vec<&str>> = csv.lines().map(|l| l.split(',').collect()).collect();
    let recording = read(&dir.path().join("a.hold")).unwrap();
    assert_eq!(rows.len(), recording.polls.len() + 1);
    assert!(rows.iter().all(|row| row.len() == rows[0].len()));
    let json: serde_json::Value = serde_json::from_str(&show(&["--json"])).unwrap();
    assert_eq!((json["verdict"].as_str(), json["complete"].as_bool()), (Some("leaking"), Some(true)));
    assert_eq!(json["header"]["operator"], "R. Example");
}

/// docs/record-format.md shows the head byte by byte; docs/use.md promises the exit codes.
#[test]
fn the_book_says_what_the_program_does() {
    let book =
        |name: &str| std::fs::read_to_string(Path::new(env!("CARGO_MANIFEST_DIR")).join("../docs").join(name)).unwrap();
    let head: Vec<String> = bytes()[..16].iter().map(|b| format!("{b:02x}")).collect();
    assert!(book("record-format.md").contains(&head.join(" ")), "{head:?}");
    for (exit, about) in seathold::exit::TABLE {
        let row = format!("| {} | {about} |", exit.code());
        assert!(book("use.md").contains(&row), "{row}");
    }
}

/// Recordings of every format version stay readable: header, every poll, every event.
#[test]
fn recordings_of_version_1_stay_readable() {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("recordings/v1");
    let expected = [("tight", "tight", 12_594), ("scratched-seat-a", "leaking", 12_359), ("hand", "tight", 18_025)];
    for (name, verdict, polls) in expected {
        let path = folder.join(format!("{name}.hold"));
        let recording = read(&path).unwrap();
        assert_eq!((recording.damage.clone(), recording.polls.len()), (None, polls), "{name}");
        let known = recording.events().count();
        let told = recording.event_log.len();
        assert_eq!(known, told, "{name}: an event of version 1 is not understood any more");
        let shown = seathold(&folder, &["show", "--json", path.to_str().unwrap()]);
        assert_eq!(shown.code, 0, "{name}");
        let shown: serde_json::Value = serde_json::from_str(&shown.out).unwrap();
        assert_eq!(shown["verdict"], verdict, "{name}");
        assert_eq!(shown["header"]["started_at"], "2026-03-02T09:30:00Z", "{name}");
        // A later sequencer may measure better and so differ; it must not choke.
        let replayed = seathold(&folder, &["replay", path.to_str().unwrap()]);
        assert!(replayed.code == 0 || replayed.code == DIFFERS, "{name}: {}", replayed.err);
    }
}
