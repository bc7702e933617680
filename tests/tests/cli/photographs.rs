//! `seathold batch photo`: photographs beside the register, on reports, and on their way to another register.

use std::path::{Path, PathBuf};

use seathold_recording::hash::sha256;
use seathold_tests::batch_kit::{opened, say};
use seathold_tests::cli_kit::seathold;
use seathold_tests::picture_kit::{jpeg, png};

fn good(dir: &Path, arguments: &[&str]) -> String {
    let said = say(dir, arguments);
    assert_eq!(said.code, 0, "{arguments:?}: {} {}", said.out, said.err);
    said.out
}

fn refused(dir: &Path, arguments: &[&str], why: &str) {
    let said = say(dir, arguments);
    assert!(said.code != 0 && said.err.contains(why), "{arguments:?}: {} {}", said.code, said.err);
}

/// A valve that was tested, and photographs of it.
fn tested(dir: &Path) {
    opened(dir, "HM-001,HM-002");
    say(dir, &["run", "-q", "--serial", "HM-001", "--valve", "tight", "--operator", "Ada", "--out", "[DIR]/1.hold"]);
    std::fs::write(dir.join("seat.jpg"), jpeg(2_000, 1_000, 40)).unwrap();
    std::fs::write(dir.join("ball.png"), png(300, 400, 80)).unwrap();
}

fn keep<'a>(more: &[&'a str]) -> Vec<&'a str> {
    [&["batch", "photo"], more, &["--operator", "Ada"]].concat()
}

/// The photographs beside a register.
fn kept(dir: &Path) -> Vec<PathBuf> {
    let Ok(entries) = std::fs::read_dir(dir.join("bench.sqlite.photos")) else { return Vec::new() };
    let mut paths: Vec<PathBuf> = entries.map(|entry| entry.unwrap().path()).collect();
    paths.sort();
    paths
}

fn report(dir: &Path, name: &str) -> seathold_tests::cli_kit::Said {
    say(dir, &["report", "--serial", "HM-001", "-o", &format!("[DIR]/{name}")])
}

fn page(dir: &Path) -> String {
    report(dir, "r.html");
    std::fs::read_to_string(dir.join("r.html")).unwrap()
}

#[test]
fn a_photograph_is_kept_by_its_hash_and_shown_on_reports() {
    let dir = tempfile::tempdir().unwrap();
    let dir = dir.path();
    tested(dir);
    let out = good(dir, &keep(&["HM-001", "[DIR]/seat.jpg", "[DIR]/ball.png", "--caption", "old <seat>"]));
    assert_eq!(
        out,
        "HM-001: [DIR]/seat.jpg kept, 1600 × 800 pixels (record 3)\nHM-001: [DIR]/ball.png kept, 300 × 400 pixels (record 4)\n"
    );
    let files = kept(dir);
    assert_eq!(files.len(), 2);
    for file in &files {
        let bytes = std::fs::read(file).unwrap();
        assert_eq!(file.file_name().unwrap().to_str().unwrap(), format!("{}.jpg", sha256(&bytes)));
        assert!(!bytes.windows(3).any(|window| window == b"GPS") && bytes.starts_with(&[0xff, 0xd8, 0xff]));
    }
    assert!(good(dir, &["register", "verify"]).ends_with("2 photographs: 2 as kept\n"));
    let page = page(dir);
    let shown: Vec<&str> = page.matches("src=\"data:image/jpeg;base64,").collect();
    assert_eq!(shown.len(), 2);
    for text in [
        "alt=\"Photograph of HM-001. old &lt;seat&gt;.\"",
        "old &lt;seat&gt;. 2026-03-02 09:30:00 UTC, by Ada; record 3; SHA-256 ",
        "<td>photograph</td>",
    ] {
        assert!(page.contains(text), "{text}");
    }
    // The same file gives the same bytes; PDF and the batch's report have them too.
    for name in ["a.pdf", "b.pdf"] {
        assert_eq!(report(dir, name).code, 0);
    }
    let pdf = std::fs::read(dir.join("a.pdf")).unwrap();
    assert_eq!(pdf, std::fs::read(dir.join("b.pdf")).unwrap());
    assert!(pdf.windows(9).filter(|window| window == b"DCTDecode").count() == 2);
    good(dir, &["report", "--batch", "spring", "-o", "[DIR]/batch.html"]);
    let batch = std::fs::read_to_string(dir.join("batch.html")).unwrap();
    assert_eq!(batch.matches("src=\"data:image/jpeg;base64,").count(), 2);
    // A certificate does not have them: the report is its annex.
    std::fs::write(dir.join("shop.toml"), "name = \"Tidewater\"").unwrap();
    good(
        dir,
        &["certificate", "issue", "HM-001", "--shop", "[DIR]/shop.toml", "-o", "[DIR]/c.html", "--operator", "Ada"],
    );
    assert!(!std::fs::read_to_string(dir.join("c.html")).unwrap().contains("data:image"));
}

#[test]
fn a_photograph_that_is_missing_or_altered_is_named_and_not_shown() {
    let dir = tempfile::tempdir().unwrap();
    let dir = dir.path();
    tested(dir);
    good(dir, &keep(&["HM-001", "[DIR]/ball.png"]));
    let file = kept(dir).remove(0);
    let bytes = std::fs::read(&file).unwrap();
    let fault = |code: u8, word: &str, why: &str| {
        let said = report(dir, "r.html");
        assert!(said.code == code && said.err.contains(why) && said.err.contains("The page says so."), "{}", said.err);
        let page = std::fs::read_to_string(dir.join("r.html")).unwrap();
        assert!(page.contains(why) && !page.contains("data:image"), "{why}");
        let said = say(dir, &["register", "verify"]);
        assert!(
            said.code == code && said.out.contains(&format!("{word}: photograph of HM-001 (record 3): ")),
            "{}",
            said.out
        );
        assert!(said.out.contains(why) && said.out.ends_with("1 photograph: 0 as kept\n"), "{}", said.out);
    };
    std::fs::remove_file(&file).unwrap();
    fault(0, "missing", "not beside this register");
    let mut changed = bytes.clone();
    *changed.last_mut().unwrap() ^= 1;
    std::fs::write(&file, &changed).unwrap();
    fault(6, "ALTERED", "its file does not have its hash");
    std::fs::write(&file, b"").unwrap();
    fault(6, "ALTERED", "its file does not have its hash");
    std::fs::remove_file(&file).unwrap();
    std::fs::create_dir(&file).unwrap();
    fault(6, "ALTERED", "its file is no plain file");
    std::fs::remove_dir(&file).unwrap();
    // Kept once more, it is there again, under its record.
    std::fs::write(&file, bytes).unwrap();
    assert_eq!(report(dir, "r.html").code, 0);
}

#[cfg(unix)]
#[test]
fn a_link_or_a_pipe_in_the_folder_is_not_followed() {
    let dir = tempfile::tempdir().unwrap();
    let dir = dir.path();
    tested(dir);
    good(dir, &keep(&["HM-001", "[DIR]/ball.png"]));
    let file = kept(dir).remove(0);
    std::fs::rename(&file, dir.join("elsewhere.jpg")).unwrap();
    std::os::unix::fs::symlink(dir.join("elsewhere.jpg"), &file).unwrap();
    assert!(
        say(dir, &["register", "verify"])
            .out
            .contains("ALTERED: photograph of HM-001 (record 3): its file is no plain file")
    );
    std::fs::remove_file(&file).unwrap();
    assert!(std::process::Command::new("mkfifo").arg(&file).status().unwrap().success());
    assert!(page(dir).contains("its file is no plain file"));
    // A pipe to be kept is not waited for, and a link to a file of one's own is.
    assert!(std::process::Command::new("mkfifo").arg(dir.join("pipe.jpg")).status().unwrap().success());
    refused(dir, &keep(&["HM-002", "[DIR]/pipe.jpg"]), "it is no plain file");
    std::os::unix::fs::symlink(dir.join("seat.jpg"), dir.join("link.jpg")).unwrap();
    good(dir, &keep(&["HM-002", "[DIR]/link.jpg"]));
}

#[test]
fn what_is_no_photograph_is_refused_and_nothing_is_kept() {
    let dir = tempfile::tempdir().unwrap();
    let dir = dir.path();
    tested(dir);
    std::fs::write(dir.join("text.jpg"), "no picture").unwrap();
    std::fs::write(dir.join("half.png"), &png(300, 400, 80)[..500]).unwrap();
    for (file, why) in [
        ("text.jpg", "[DIR]/text.jpg: it is no JPEG or PNG file, by what it begins with"),
        ("half.png", "[DIR]/half.png: it cannot be read"),
        ("none.jpg", "could not read [DIR]/none.jpg"),
        ("", "it is a folder"),
    ] {
        let file = format!("[DIR]/{file}");
        refused(dir, &keep(&["HM-001", "[DIR]/seat.jpg", &file]), why);
    }
    std::fs::File::create(dir.join("long.jpg")).unwrap().set_len((20 << 20) + 1).unwrap();
    refused(dir, &keep(&["HM-001", "[DIR]/long.jpg"]), "it is longer than 20971520 bytes");
    refused(dir, &keep(&["HM-009", "[DIR]/seat.jpg"]), "HM-009 is not on the list");
    let long = "x".repeat(201);
    refused(dir, &keep(&["HM-001", "[DIR]/seat.jpg", "--caption", &long]), "the caption is longer than 200 characters");
    assert!(kept(dir).is_empty());
    assert!(good(dir, &["register", "verify"]).lines().count() == 1);
}

#[test]
fn a_valve_has_six_at_most_and_one_that_is_struck_counts_no_more() {
    let dir = tempfile::tempdir().unwrap();
    let dir = dir.path();
    tested(dir);
    for shade in 0..7 {
        std::fs::write(dir.join(format!("{shade}.png")), png(40, 30, shade * 30)).unwrap();
    }
    let files: Vec<String> = (0..7).map(|n| format!("[DIR]/{n}.png")).collect();
    let all: Vec<&str> = files.iter().map(String::as_str).collect();
    refused(dir, &keep(&[&["HM-001"], &all[..]].concat()), "HM-001 may have 6 photographs; `batch strike` strikes one");
    good(dir, &keep(&[&["HM-001"], &all[..6]].concat()));
    refused(dir, &keep(&["HM-001", all[6]]), "HM-001 may have 6 photographs, and has 6");
    let said = good(dir, &["batch", "strike", "4", "--note", "of another valve", "--operator", "Ada"]);
    assert_eq!(said, "record 4 (photograph of HM-001) is struck (record 9): it stays, marked\n");
    refused(dir, &["batch", "strike", "4", "--note", "again", "--operator", "Ada"], "it is struck already");
    refused(dir, &keep(&["HM-001", all[0]]), "it is kept already: record 3");
    assert_eq!(page(dir).matches("data:image/jpeg").count(), 5);
    // Room for another; the struck one itself may come back, as a record of its own.
    good(dir, &keep(&["HM-001", all[1]]));
    refused(dir, &keep(&["HM-001", all[6]]), "and has 6");
    assert_eq!((page(dir).matches("data:image/jpeg").count(), kept(dir).len()), (6, 6));
}

/// The notes travel; the photographs are copied where their folder lies beside, and else named.
#[test]
fn photographs_go_along_with_a_bundle_and_a_merge() {
    let dir = tempfile::tempdir().unwrap();
    let dir = dir.path();
    tested(dir);
    good(dir, &keep(&["HM-001", "[DIR]/seat.jpg", "[DIR]/ball.png"]));
    let out = good(dir, &["register", "bundle", "[DIR]/sent.sqlite", "--serial", "HM-001"]);
    assert!(out.ends_with("; 2 photographs copied\n"), "{out}");
    assert!(dir.join("sent.sqlite.photos").is_dir());
    let merge = |name: &str| {
        let register = format!("[DIR]/{name}");
        seathold(dir, &["register", "merge", "[DIR]/sent.sqlite", "--register", &register])
    };
    assert!(merge("with.sqlite").out.ends_with("; 2 photographs copied\n"));
    // Nothing is copied twice.
    let again = merge("with.sqlite").out;
    assert!(!again.contains("photograph"), "{again}");
    let name = kept(dir).remove(0).file_name().unwrap().to_owned();
    std::fs::write(dir.join("sent.sqlite.photos").join(name), b"altered").unwrap();
    let out = merge("half.sqlite").out;
    assert!(out.contains("; 1 photograph copied; 1 photograph not here, of HM-001 (record "), "{out}");
    std::fs::remove_dir_all(dir.join("sent.sqlite.photos")).unwrap();
    let out = merge("without.sqlite").out;
    assert!(out.contains("; 2 photographs not here, of "), "{out}");
    let said = seathold(dir, &["register", "verify", "--register", "[DIR]/without.sqlite"]);
    assert!(said.code == 0 && said.out.ends_with("2 photographs: 0 as kept\n"), "{}", said.out);
    // They come later, from where they are.
    let said = seathold(dir, &["register", "merge", "[DIR]/bench.sqlite", "--register", "[DIR]/without.sqlite"]);
    assert!(said.out.contains("; 2 photographs copied"), "{}", said.out);
}

/// A step of assembly keeps its photograph in the same way; what cannot be read is on record by its check sum alone.
#[test]
fn a_photograph_of_a_step_is_kept_too() {
    let dir = tempfile::tempdir().unwrap();
    let dir = dir.path();
    tested(dir);
    let step = "[[step]]\nname = \"seals\"\ntext = \"New seals in\"\nphoto = true\n";
    std::fs::write(dir.join("steps.toml"), step).unwrap();
    good(dir, &["assembly", "steps", "[DIR]/steps.toml", "--operator", "Ada"]);
    good(dir, &["assembly", "tick", "seals", "HM-001", "--photo", "[DIR]/seat.jpg", "--operator", "Ada"]);
    std::fs::write(dir.join("odd.jpg"), b"\xff\xd8\xff and no more").unwrap();
    let said = say(dir, &["assembly", "tick", "seals", "HM-002", "--photo", "[DIR]/odd.jpg", "--operator", "Ada"]);
    assert!(
        said.code == 0 && said.err.contains("[DIR]/odd.jpg: no copy of it is kept: it cannot be read"),
        "{}",
        said.err
    );
    assert_eq!(kept(dir).len(), 1);
    let page = page(dir);
    assert!(page.contains("Step seals. 2026-03-02 09:30:00 UTC, by Ada; record 4; SHA-256 "), "{page}");
    assert!(page.contains("data:image/jpeg;base64,"));
    assert!(good(dir, &["register", "verify"]).ends_with("1 photograph: 1 as kept\n"));
}

/// Another register may seal what it likes: a path for a hash, and a picture with more in it than its pixels.
#[test]
fn what_another_register_sealed_is_not_trusted() {
    let dir = tempfile::tempdir().unwrap();
    let dir = dir.path();
    tested(dir);
    let camera = jpeg(400, 300, 9);
    let hash = sha256(&camera);
    std::fs::create_dir(dir.join("bench.sqlite.photos")).unwrap();
    std::fs::write(dir.join(format!("bench.sqlite.photos/{hash}.jpg")), &camera).unwrap();
    std::fs::write(dir.join("secret.jpg"), jpeg(64, 64, 1)).unwrap();
    let mut register =
        seathold_register::Register::open(&dir.join("bench.sqlite"), seathold_register::Access::Write).unwrap();
    let batch = register.batches().unwrap().remove(0).batch;
    for text in [
        format!("{{\"sha256\":\"{hash}\",\"caption\":\"a\\u001b[2Jb\",\"width\":400,\"height\":300}}"),
        "{\"sha256\":\"../secret\",\"caption\":\"\",\"width\":64,\"height\":64}".into(),
        "no JSON".into(),
    ] {
        let note = seathold_register::NewNote {
            kind: seathold_register::NoteKind::Photo,
            batch: Some(batch.clone()),
            serial: Some("HM-001".into()),
            about: None,
            operator: "Ben".into(),
            text,
        };
        register.note(&note, "2026-03-02T10:00:00Z".parse().unwrap()).unwrap();
    }
    drop(register);
    let said = report(dir, "r.html");
    assert!(
        said.code == 6 && said.err.contains("it is not as photographs are kept: with more in it than its pixels"),
        "{}",
        said.err
    );
    let page = std::fs::read_to_string(dir.join("r.html")).unwrap();
    assert!(!page.contains("data:image") && !page.contains('\u{1b}') && page.contains("no JSON"));
    assert!(say(dir, &["register", "verify"]).out.ends_with("1 photograph: 0 as kept\n"));
}
