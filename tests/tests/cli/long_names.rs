//! Names have a greatest length wherever they come from: a serial of 100 kB took a minute and a half of PDF, and a
//! gigabyte of Parquet.

use seathold_recording::frame::{self, FrameKind};
use seathold_recording::value::NameTable;
use seathold_recording::{Writer, read, read_bytes};
use seathold_tests::cli_kit::seathold;

fn tight() -> Vec<u8> {
    std::fs::read(concat!(env!("CARGO_MANIFEST_DIR"), "/recordings/current/tight.hold")).unwrap()
}

#[test]
fn a_typed_name_has_a_greatest_length() {
    let dir = tempfile::tempdir().unwrap();
    let long = "x".repeat(101);
    let register = ["--register", "[DIR]/bench.sqlite"];
    let note = "y".repeat(1_001);
    let commands: [(&[&str], &str); 8] = [
        (&["run", "--operator", &long], "101 characters, and 100 are allowed"),
        (&["run", "--serial", &long], "up to 64 letters"),
        (&["batch", "open", &long, "--serials", "HM-1..HM-3"], "101 characters, and 100 are allowed"),
        (
            &["batch", "open", "b", "--serials", "HM-1..HM-3", "--operator", &long],
            "101 characters, and 100 are allowed",
        ),
        (&["batch", "test", "--operator", &long], "101 characters, and 100 are allowed"),
        (&["calibrate", "volume", "--operator", &long], "101 characters, and 100 are allowed"),
        (&["batch", "remark", "HM-1", "--note", &note, "--operator", "Ada"], "1001 characters, and 1000 are allowed"),
        (&["report", "x.hold", "-o", "x.html", "--title", &note], "1001 characters, and 1000 are allowed"),
    ];
    for (command, told) in commands {
        let said = seathold(dir.path(), command);
        assert_eq!(said.code, 2, "{command:?}: {}", said.err);
        assert!(said.err.contains(told), "{command:?}: {}", said.err);
    }
    assert_eq!(std::fs::read_dir(dir.path()).unwrap().count(), 0);
    std::fs::write(dir.path().join("list.csv"), format!("serial\nHM-1\n{}\n", "x".repeat(65))).unwrap();
    let list = ["batch", "open", "b", "--list", "[DIR]/list.csv", register[0], register[1]];
    let said = seathold(dir.path(), &list);
    assert!(said.code == 2 && said.err.contains("line 3") && said.err.contains("up to 64 letters"), "{}", said.err);
    std::fs::write(dir.path().join("long.toml"), format!("based_on = \"tight\"\nserial = \"{long}\"\n")).unwrap();
    let said = seathold(dir.path(), &["run", "--valve", "[DIR]/long.toml", "--out", "[DIR]/a.hold"]);
    assert!(said.code == 2 && said.err.contains("up to 64 letters"), "{}", said.err);
}

/// Those of a recording, whoever wrote it; and ours are not written longer than they can be read.
#[test]
fn a_recorded_name_has_a_greatest_length() {
    let dir = tempfile::tempdir().unwrap();
    let bytes = tight();
    let mut header = read_bytes(&bytes).unwrap().header;
    header.serial = "x".repeat(100_000);
    let mut names = NameTable::default();
    let tree = names.tree(&header).unwrap();
    let mut long = Vec::new();
    frame::write_head(&mut long).unwrap();
    let payload = postcard::to_allocvec(&(names.since(0), tree)).unwrap();
    frame::write_frame(&mut long, FrameKind::Header, &payload).unwrap();
    let path = dir.path().join("long.hold");
    std::fs::write(&path, &long).unwrap();
    let told = "long.hold: not read from byte 16 on: a recording has at most 256 bytes of serial number, and this one has \
                more";
    assert!(read(&path).unwrap_err().to_string().ends_with(told));
    for command in [
        ["report", "-o", "[DIR]/x.pdf", "[DIR]/long.hold"],
        ["export", "--samples", "[DIR]/x.parquet", "[DIR]/long.hold"],
        ["register", "import", "[DIR]/long.hold", "--register=[DIR]/bench.sqlite"],
    ] {
        let said = seathold(dir.path(), &command);
        // A register keeps it apart, and says why on its list.
        let words = format!("{}{}", said.out, said.err);
        assert!(said.code == 6 && words.contains("at most 256 bytes of serial number"), "{command:?}: {words}");
    }
    let why = Writer::create(&dir.path().join("new.hold"), &header).unwrap_err().to_string();
    assert!(why.contains("a recording has at most 256 bytes of serial number: shorten it"), "{why}");
}
