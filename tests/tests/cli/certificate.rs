//! `seathold certificate` and `batch order`: what leaves the shop with a valve.

use std::path::Path;

use seathold_recording::hash::sha256;
use seathold_tests::batch_kit::{opened, say};
use seathold_tests::cli_kit::seathold;
use serde_json::Value;

pub(crate) const SHOP: &str = "name = \"Tidewater Valve Works\"\naddress = \"Slipway 4\"\ncertificate_prefix = \"TW\"\n\n[[signatory]]\n\
    name = \"Ada Brook\"\nrole = \"Inspector\"\n";

pub(crate) fn good(dir: &Path, arguments: &[&str]) -> String {
    let said = say(dir, arguments);
    assert_eq!(said.code, 0, "{arguments:?}: {}", said.err);
    said.out
}

pub(crate) fn refused(dir: &Path, arguments: &[&str], why: &str) {
    let said = say(dir, arguments);
    assert!(said.code == 2 && said.err.contains(why), "{arguments:?}: {} {}", said.code, said.err);
}

pub(crate) fn run(dir: &Path, serial: &str, valve: &str) {
    let out = format!("[DIR]/{serial}-{valve}.hold");
    say(dir, &["run", "-q", "--serial", serial, "--valve", valve, "--operator", "Ada", "--out", &out]);
}

/// A batch of three: tight, leaking, not tested.
pub(crate) fn tested(dir: &Path) {
    opened(dir, "HM-001..HM-003");
    std::fs::write(dir.join("shop.toml"), SHOP).unwrap();
    run(dir, "HM-001", "tight");
    run(dir, "HM-002", "scratched-seat-a");
}

pub(crate) fn issue<'a>(more: &[&'a str]) -> Vec<&'a str> {
    let ada = ["--shop", "[DIR]/shop.toml", "--operator", "Ada"];
    [&["certificate", "issue"], more, &ada[..]].concat()
}

/// The certificates that the register knows.
pub(crate) fn issued(dir: &Path) -> Vec<Value> {
    let out = good(dir, &["certificate", "list", "--json"]);
    out.lines().map(|line| serde_json::from_str(line).unwrap()).collect()
}

pub(crate) fn read(dir: &Path, name: &str) -> String {
    std::fs::read_to_string(dir.join(name)).unwrap()
}

#[test]
fn a_certificate_states_what_was_found_and_for_whom() {
    let dir = tempfile::tempdir().unwrap();
    let dir = dir.path();
    tested(dir);
    let ada = ["--operator", "Ada"];
    good(
        dir,
        &[&["batch", "order", "--customer", "Shellfish hatchery", "--order", "4711", "--heat", "K 1"], &ada[..]]
            .concat(),
    );
    good(dir, &[&["batch", "order", "HM-001", "--heat", "K 23"], &ada[..]].concat());
    good(dir, &[&["batch", "order", "--order", ""], &ada[..]].concat());
    assert!(!good(dir, &["batch", "order", "HM-001"]).contains("4711"));
    let out =
        good(dir, &issue(&["HM-001", "-o", "[DIR]/c.html", "--data", "[DIR]/c.json", "--released-by", "Ada Brook"]));
    let certificate = issued(dir).remove(0);
    let number = certificate["certificate"].as_str().unwrap();
    assert!(number.starts_with("TW-") && number.ends_with("-0001"), "{number}");
    assert_eq!(out, format!("{number}: HM-001\nwritten to [DIR]/c.html, and its data to [DIR]/c.json\n"));
    let page = read(dir, "c.html");
    for text in [
        number,
        "Tidewater Valve Works, Slipway 4",
        "Shellfish hatchery",
        "K 23",
        "TIGHT SIMULATED",
        "Ada Brook, Inspector",
        "pressure hold with compressed air, 6.000 bar gauge",
        "guarded acceptance, JCGM 106:2012, 8.3",
        "no conformity with a standard",
    ] {
        assert!(page.contains(text), "{text}");
    }
    assert!(!page.contains("4711") && !page.contains("K 1<"));
    // What is read by eye and by a program is one, and its hash is in the chain and on the page.
    let data = read(dir, "c.json");
    assert_eq!(sha256(data.as_bytes()), certificate["sha256"].as_str().unwrap());
    assert!(page.contains(&certificate["sha256"].as_str().unwrap()[..16]));
    let data: Value = serde_json::from_str(&data).unwrap();
    assert_eq!((&data["certificate"], &data["valves"][0]["serial"]), (&number.into(), &"HM-001".into()));
    let side = &data["valves"][0]["sides"][1];
    let found = say(dir, &["find", "--serial", "HM-001", "--json"]).out;
    let found: Value = serde_json::from_str(found.lines().find(|line| line.contains("\"run\"")).unwrap()).unwrap();
    let second = &found["run"]["sides"][1];
    for field in ["leak_pa_m3_s", "expanded_pa_m3_s", "limit_pa_m3_s", "verdict"] {
        assert!(!side[field].is_null() && side[field] == second[field], "{field}");
    }
    // It is on the valve's report.
    good(dir, &["report", "--serial", "HM-001", "-o", "[DIR]/r.html"]);
    assert!(read(dir, "r.html").contains(&format!("certificate {number}, released by Ada Brook")));
}

#[test]
fn what_is_not_tight_is_certified_by_choice_only() {
    let dir = tempfile::tempdir().unwrap();
    let dir = dir.path();
    tested(dir);
    let out = ["-o", "[DIR]/c.html"];
    refused(
        dir,
        &issue(&[&["HM-001", "HM-002"], &out[..]].concat()),
        "not tight from both sides: HM-002; leave them out",
    );
    refused(dir, &issue(&out), "no certificate can be made out: HM-003: it was not tested");
    refused(dir, &issue(&[&["HM-009"], &out[..]].concat()), "HM-009 is not on the list");
    refused(
        dir,
        &issue(&[&["HM-001", "--released-by", "Bo"], &out[..]].concat()),
        "--released-by: Bo is no signatory in [DIR]/shop.toml; there are: Ada Brook",
    );
    good(dir, &issue(&[&["HM-001", "--draft"], &out[..]].concat()));
    assert!(read(dir, "c.html").contains("it certifies nothing") && issued(dir).is_empty());
    good(dir, &["batch", "set-aside", "HM-003", "--note", "dropped", "--operator", "Ada"]);
    refused(dir, &issue(&[&["HM-003"], &out[..]].concat()), "HM-003: it was set aside");
    good(dir, &issue(&[&["--table", "--any-result"], &out[..]].concat()));
    let page = read(dir, "c.html");
    assert!(page.contains("1 of 2 TIGHT") && page.contains("LEAKING SIMULATED") && !page.contains("HM-003"));
    // A number is not used up by a page that cannot be written.
    refused_to_write(dir);
    assert_eq!(issued(dir).len(), 1);
}

fn refused_to_write(dir: &Path) {
    std::fs::write(dir.join("mine.html"), "my own").unwrap();
    let said = say(dir, &issue(&["HM-001", "-o", "[DIR]/mine.html"]));
    assert!(said.code != 0 && read(dir, "mine.html") == "my own", "{}", said.err);
}

#[test]
fn a_certificate_is_written_again_only_as_it_was() {
    let dir = tempfile::tempdir().unwrap();
    let dir = dir.path();
    tested(dir);
    good(dir, &issue(&["HM-001", "-o", "[DIR]/c.pdf", "--data", "[DIR]/c.json"]));
    let number = issued(dir)[0]["certificate"].as_str().unwrap().to_owned();
    let again = ["certificate", "again", &number, "--shop", "[DIR]/shop.toml", "-o", "[DIR]/again.pdf"];
    good(dir, &again);
    let pdf = |name: &str| std::fs::read(dir.join(name)).unwrap();
    assert_eq!(pdf("c.pdf"), pdf("again.pdf"));
    assert!(pdf("c.pdf").len() < 150_000, "{}", pdf("c.pdf").len());
    assert!(good(dir, &["certificate", "verify", "[DIR]/c.json"]).starts_with(&format!("{number}: as it was issued ")));
    let stated = read(dir, "c.json");
    let data = stated.replacen("\"first\"", "\"first \"", 1);
    std::fs::write(dir.join("c.json"), data).unwrap();
    let said = say(dir, &["certificate", "verify", "[DIR]/c.json"]);
    assert!(said.code == 6 && said.out.starts_with("NOT AS ISSUED"), "{} {}", said.code, said.out);
    // As many as nobody issues at once, and empty ones, are not gone through.
    std::fs::write(dir.join("many.json"), "{}\n".repeat(10_001)).unwrap();
    refused(dir, &["certificate", "verify", "[DIR]/many.json"], "more than 10000 lines");
    // The shop moves; the valve is reworked.
    std::fs::write(dir.join("shop.toml"), SHOP.replace("Slipway 4", "Slipway 5")).unwrap();
    refused(dir, &again, "is not what it stated when it was issued");
    std::fs::write(dir.join("shop.toml"), SHOP).unwrap();
    good(dir, &["batch", "rework", "HM-001", "--note", "new seat", "--operator", "Ada"]);
    let said = say(dir, &again);
    assert!(said.code == 2, "{}", said.err);
    // What was issued stays what was issued, and it is said that it holds no longer.
    std::fs::write(dir.join("c.json"), stated).unwrap();
    let said = say(dir, &["certificate", "verify", "[DIR]/c.json"]);
    assert!(
        said.code == 3 && said.out.contains("as it was issued") && said.out.contains("NO LONGER HOLDS"),
        "{}",
        said.out
    );
}

/// Tight is not all: a length that does not conform, and steps that are open, stand in boxes of their own.
#[test]
fn a_valve_of_a_wrong_length_is_certified_by_choice_only() {
    let dir = tempfile::tempdir().unwrap();
    let dir = dir.path();
    tested(dir);
    let list: String = (0..6).map(|i| format!("F{i},{}\n", 29.9 + 0.05 * f64::from(i))).collect();
    std::fs::write(dir.join("f.csv"), format!("fitting,length\n{list}")).unwrap();
    let ada = ["--operator", "Ada"];
    let valves = ["--nominal", "120 mm", "--tolerance", "0.3 mm", "--body-length", "60.0 mm", "--body-u", "0.01 mm"];
    let known = ["--gauge-u", "0.01 mm", "--repeat-u", "0.01 mm"];
    good(dir, &[&["pair", "[DIR]/f.csv", "--keep"], &valves[..], &known, &ada].concat());
    good(dir, &[&["assembly", "bolt", "HM-001", "--length", "120.6 mm", "--length-checked"], &ada[..]].concat());
    std::fs::write(dir.join("steps.toml"), "[[step]]\nname = \"seals\"\ntext = \"New seals in\"\n").unwrap();
    good(dir, &[&["assembly", "steps", "[DIR]/steps.toml"], &ada[..]].concat());
    refused(
        dir,
        &issue(&["HM-001", "-o", "[DIR]/c.html"]),
        "of a length that does not conform: HM-001; leave them out",
    );
    good(dir, &issue(&["HM-001", "--any-result", "-o", "[DIR]/c.html"]));
    let page = read(dir, "c.html");
    for text in ["does not conform: HM-001.", "Assembly not complete", "NOT DONE: seals", "120.600 ± "] {
        assert!(page.contains(text), "{text}: {page}");
    }
}

/// Of a run that was recorded for another valve, or that did not fit, the page says so.
#[test]
fn a_moved_run_and_an_override_stand_on_it() {
    let dir = tempfile::tempdir().unwrap();
    let dir = dir.path();
    tested(dir);
    good(dir, &["batch", "move", "2", "HM-003", "--note", "wrong label", "--operator", "Ada"]);
    good(dir, &issue(&["HM-003", "-o", "[DIR]/c.html"]));
    let page = read(dir, "c.html");
    assert!(page.contains("record 2, moved: ") && page.contains("wrong label"), "{page}");
    refused(dir, &issue(&["HM-001", "-o", "[DIR]/c.html"]), "HM-001: it was not tested");
    // One that leaked, was struck, and is tight in the next.
    good(dir, &["batch", "strike", "3", "--note", "a hose leaked", "--operator", "Ada"]);
    run(dir, "HM-002", "tight");
    good(dir, &issue(&["HM-002", "-o", "[DIR]/d.html"]));
    let page = read(dir, "d.html");
    assert!(
        page.contains("Not counted") && page.contains("record 3, result leaking: ") && page.contains("a hose leaked"),
        "{page}"
    );
}

/// Counted on, whatever was issued; of two benches that come together none has the other's.
#[test]
fn numbers_never_repeat() {
    let dir = tempfile::tempdir().unwrap();
    let dir = dir.path();
    tested(dir);
    good(dir, &["batch", "set-aside", "HM-003", "--note", "dropped", "--operator", "Ada"]);
    good(dir, &issue(&["--any-result", "-o", "[DIR]/c.html"]));
    good(dir, &issue(&["--table", "--any-result", "-o", "[DIR]/c.html"]));
    let other = tempfile::tempdir().unwrap();
    let other = other.path();
    tested(other);
    good(other, &issue(&["HM-001", "-o", "[DIR]/c.html"]));
    let theirs = other.join("bench.sqlite");
    good(dir, &["register", "merge", theirs.to_str().unwrap()]);
    let certificates = issued(dir);
    let number = |certificate: &Value| certificate["certificate"].as_str().unwrap().to_owned();
    let mut numbers: Vec<String> = certificates.iter().map(number).collect();
    assert_eq!(numbers.len(), 4);
    numbers.sort();
    numbers.dedup();
    assert_eq!(numbers.len(), 4, "{numbers:?}");
    assert_eq!(numbers.iter().filter(|number| number.ends_with("-0001")).count(), 2);
    assert!(numbers.iter().any(|number| number.ends_with("-0003")), "{numbers:?}");
}

#[test]
fn a_record_that_was_altered_is_certified_by_nobody() {
    let dir = tempfile::tempdir().unwrap();
    let dir = dir.path();
    tested(dir);
    good(dir, &["batch", "order", "--customer", "Shellfish hatchery", "--operator", "Ada"]);
    good(dir, &issue(&["HM-001", "-o", "[DIR]/c.html"]));
    let db = rusqlite::Connection::open(dir.join("bench.sqlite")).unwrap();
    db.execute_batch("DROP TRIGGER notes_stay").unwrap();
    db.execute("UPDATE notes SET text = replace(text, 'Shellfish', 'Oyster') WHERE kind = 'order'", []).unwrap();
    let said = say(dir, &issue(&["HM-001", "-o", "[DIR]/c.html"]));
    assert!(said.code == 6 && said.err.contains("damaged: record 4 of bench bench was altered"), "{}", said.err);
    db.execute("UPDATE notes SET text = replace(text, 'Oyster', 'Shellfish') WHERE kind = 'order'", []).unwrap();
    db.execute("UPDATE notes SET text = replace(text, '-0001', '-0002') WHERE kind = 'certificate'", []).unwrap();
    let said = say(dir, &["certificate", "list"]);
    assert!(said.code == 6 && said.out.contains("ALTERED"), "{} {}", said.code, said.out);
}

#[test]
fn bad_details_are_refused_and_hostile_ones_are_text() {
    let dir = tempfile::tempdir().unwrap();
    let dir = dir.path();
    tested(dir);
    let long = "x".repeat(201);
    let ada = ["--operator", "Ada"];
    let order = |more: &[&str]| {
        [&["batch", "order"], more, &ada[..]].concat().iter().map(|s| (*s).to_owned()).collect::<Vec<_>>()
    };
    for (more, why) in [
        (&["--heat", long.as_str()][..], "Heat number: 201 characters; 200 are allowed"),
        (&["--remark", "a\u{1b}[2Jb"], "which acts on a screen or is not seen"),
        (&["HM-O01", "--heat", "1"], "HM-O01"),
    ] {
        let words = order(more);
        refused(dir, &words.iter().map(String::as_str).collect::<Vec<_>>(), why);
    }
    refused(dir, &["batch", "order", "--heat", "1"], "who says so? Give --operator");
    let words = order(&["--remark", "<script>alert(1)</script>"]);
    good(dir, &words.iter().map(String::as_str).collect::<Vec<_>>());
    good(dir, &issue(&["HM-001", "-o", "[DIR]/c.html"]));
    let page = read(dir, "c.html");
    assert!(page.contains("&lt;script&gt;alert(1)") && !page.contains("<script>alert"));
    std::fs::write(dir.join("shop.toml"), "nam = \"x\"").unwrap();
    refused(dir, &issue(&["HM-001", "-o", "[DIR]/c.html"]), "name: missing");
}

/// With nothing but the data, the signature and the public key.
#[test]
fn a_signature_holds_for_what_was_signed_alone() {
    let dir = tempfile::tempdir().unwrap();
    let dir = dir.path();
    tested(dir);
    for name in ["a.key", "b.key"] {
        let said = seathold(dir, &["certificate", "key", &format!("[DIR]/{name}")]);
        assert!(said.code == 0 && said.out.contains("fingerprint "), "{}", said.err);
    }
    let said = seathold(dir, &["certificate", "key", "[DIR]/a.key"]);
    assert!(said.code != 0 && said.err.contains("a.key"), "it is never replaced: {}", said.err);
    let signed = ["--sign", "[DIR]/a.key"];
    good(dir, &issue(&[&["HM-001", "-o", "[DIR]/c.pdf", "--data", "[DIR]/c.json"], &signed[..]].concat()));
    good(
        dir,
        &issue(&[&["HM-002", "--any-result", "-o", "[DIR]/d.pdf", "--data", "[DIR]/d.json"], &signed[..]].concat()),
    );
    let number = issued(dir)[0]["certificate"].as_str().unwrap().to_owned();
    let verify = |data: &str, more: &[&str]| {
        seathold(dir, &[&["certificate", "verify", &format!("[DIR]/{data}")], more].concat())
    };
    let a = ["--key", "[DIR]/a.key.pub"];
    std::fs::rename(dir.join("bench.sqlite"), dir.join("elsewhere.sqlite")).unwrap();
    let said = verify("c.json", &a);
    assert!(
        said.code == 0 && said.out.contains(&format!("{number}: signed with the key of fingerprint ")),
        "{}",
        said.err
    );
    assert!(said.out.ends_with(": HM-001 TIGHT SIMULATED\n"), "{}", said.out);
    let not_signed = |data: &str, more: &[&str]| {
        let said = verify(data, more);
        assert!(said.code == 6 && said.out.contains("NOT SIGNED"), "{more:?}: {} {}", said.code, said.out);
    };
    not_signed("c.json", &["--key", "[DIR]/b.key.pub"]);
    // The signature of another certificate; and no signature at all.
    not_signed("c.json", &[&a[..], &["--signature", "[DIR]/d.json.sig"]].concat());
    not_signed("c.json", &[&a[..], &["--signature", "[DIR]/shop.toml"]].concat());
    // Every byte counts.
    let (data, signature) = (read(dir, "c.json"), read(dir, "c.json.sig"));
    for at in (0..data.len()).step_by(97) {
        let mut changed = data.clone().into_bytes();
        changed[at] ^= 1;
        let Ok(changed) = String::from_utf8(changed) else { continue };
        std::fs::write(dir.join("x.json"), changed).unwrap();
        std::fs::write(dir.join("x.json.sig"), &signature).unwrap();
        not_signed("x.json", &a);
    }
    let last = signature.len() - 3;
    let digit = if &signature[last..=last] == "0" { "1" } else { "0" };
    std::fs::write(dir.join("x.json"), &data).unwrap();
    std::fs::write(dir.join("x.json.sig"), format!("{}{digit}{}", &signature[..last], &signature[last + 1..])).unwrap();
    not_signed("x.json", &a);
    for (key, why) in [("a.key", "not the public part (.pub)"), ("shop.toml", "not the public part (.pub)")] {
        let said = verify("c.json", &["--key", &format!("[DIR]/{key}")]);
        assert!(said.code == 2 && said.err.contains(why), "{} {}", said.code, said.err);
    }
    std::fs::rename(dir.join("elsewhere.sqlite"), dir.join("bench.sqlite")).unwrap();
    // Again by the same key, with the same bytes, and by no other.
    let again = ["certificate", "again", &number, "--shop", "[DIR]/shop.toml", "-o", "[DIR]/again.pdf"];
    refused(dir, &again, "it was signed: give --sign with the key of fingerprint ");
    refused(dir, &[&again[..], &["--sign", "[DIR]/b.key"]].concat(), "it was signed: give --sign");
    good(dir, &[&again[..], &signed].concat());
    let pdf = |name: &str| std::fs::read(dir.join(name)).unwrap();
    assert_eq!(pdf("c.pdf"), pdf("again.pdf"));
    refused(dir, &issue(&["HM-001", "-o", "[DIR]/c.pdf", "--sign", "[DIR]/a.key.pub"]), "a.key.pub");
}

#[cfg(unix)]
#[test]
fn a_key_that_others_can_read_signs_nothing() {
    use std::os::unix::fs::PermissionsExt;
    let dir = tempfile::tempdir().unwrap();
    let dir = dir.path();
    tested(dir);
    seathold(dir, &["certificate", "key", "[DIR]/a.key"]);
    let mode = |mode: u32| {
        std::fs::set_permissions(dir.join("a.key"), std::fs::Permissions::from_mode(mode)).unwrap();
    };
    assert_eq!(std::fs::metadata(dir.join("a.key")).unwrap().permissions().mode() & 0o777, 0o600);
    mode(0o640);
    let typed = issue(&["HM-001", "-o", "[DIR]/c.pdf", "--sign", "[DIR]/a.key"]);
    refused(dir, &typed, "others can read this key (mode 640): chmod 600");
    assert!(issued(dir).is_empty());
}

/// The file that goes to the customer, the public key, and nothing else: whatever was changed is seen, the page as well as the data.
#[test]
fn a_pdf_is_verified_by_itself() {
    let dir = tempfile::tempdir().unwrap();
    let dir = dir.path();
    tested(dir);
    // The bench's own key signs where no other is named.
    good(dir, &["register", "key", "--operator", "Ada"]);
    good(
        dir,
        &issue(&["HM-002", "--any-result", "-o", "[DIR]/leaking.pdf", "--language", "de", "--page-size", "letter"]),
    );
    good(dir, &issue(&["HM-001", "-o", "[DIR]/tight.pdf"]));
    good(dir, &["batch", "set-aside", "HM-003", "--note", "dropped", "--operator", "Ada"]);
    good(dir, &issue(&["--any-result", "-o", "[DIR]/both.pdf"]));
    let elsewhere = tempfile::tempdir().unwrap();
    let away = elsewhere.path();
    for name in ["leaking.pdf", "tight.pdf", "both.pdf", "bench.sqlite.key.pub"] {
        std::fs::copy(dir.join(name), away.join(name)).unwrap();
    }
    let verify =
        |name: &str| seathold(away, &["verify", &format!("[DIR]/{name}"), "--key", "[DIR]/bench.sqlite.key.pub"]);
    for (name, result) in
        [("leaking.pdf", "HM-002 LEAKING"), ("tight.pdf", "HM-001 TIGHT"), ("both.pdf", "HM-002 LEAKING")]
    {
        let said = verify(name);
        assert!(said.code == 0 && said.out.contains(result), "{name}: {}{}", said.out, said.err);
        assert!(said.out.ends_with("the page says what its data say\n"), "{}", said.out);
        // Against the register as well.
        let said = say(dir, &["certificate", "verify", &format!("[DIR]/{name}")]);
        assert!(said.code == 0 && said.out.contains("as it was issued"), "{}{}", said.out, said.err);
    }
    // Every byte counts, wherever in the file it is.
    let whole = std::fs::read(away.join("leaking.pdf")).unwrap();
    for at in (9..whole.len()).step_by(1009).chain([whole.len() - 9]) {
        let mut changed = whole.clone();
        changed[at] ^= 4;
        std::fs::write(away.join("x.pdf"), changed).unwrap();
        let said = verify("x.pdf");
        assert_ne!(said.code, 0, "byte {at}: {}", said.out);
    }
    // The page of a tight valve, made by a program like this one, with the data and the signature of the leaking one in it.
    let attached = |name: &str| -> Vec<Vec<u8>> {
        let pdf = std::fs::read(away.join(name)).unwrap();
        seathold_document::pdf::attached::attached_files(&pdf).into_iter().map(<[u8]>::to_vec).collect()
    };
    let genuine = attached("leaking.pdf");
    assert_eq!(genuine.len(), 2);
    let shown: seathold_report::certificate::CertificateData =
        serde_json::from_slice(&attached("tight.pdf")[0]).unwrap();
    let page = seathold_report::certificate::document(&[shown]).unwrap();
    let number = issued(dir)[0]["certificate"].as_str().unwrap().to_owned();
    let file = |ending: &str, bytes: &Vec<u8>| seathold_document::pdf::AttachedFile {
        name: format!("{number}.{ending}"),
        mime_type: "application/json",
        about: String::from("about"),
        bytes: bytes.clone(),
    };
    let files = [file("json", &genuine[0]), file("json.sig", &genuine[1])];
    let swapped =
        seathold_document::pdf::document_with(&page, seathold_document::pdf::PageSize::Letter, &files).unwrap();
    std::fs::write(away.join("swapped.pdf"), swapped).unwrap();
    let said = verify("swapped.pdf");
    assert!(said.code == 6 && said.out.contains("THE PAGE IS NOT THE ONE THAT THESE DATA MAKE"), "{}", said.out);
    assert!(said.out.contains("HM-002 LEAKING"), "what was signed is said: {}", said.out);
    // A report has no certificate in it.
    good(dir, &["report", "--serial", "HM-001", "-o", "[DIR]/r.pdf"]);
    refused(dir, &["certificate", "verify", "[DIR]/r.pdf"], "no certificate's data are attached to it");
}

/// In the language of whoever reads it: words, dates and decimal marks; what people wrote stays as they wrote it.
#[test]
fn a_certificate_in_german() {
    let dir = tempfile::tempdir().unwrap();
    let dir = dir.path();
    tested(dir);
    let ada = ["--operator", "Ada"];
    good(dir, &[&["batch", "order", "--material", "1.4408", "--remark", "Mind the 0.5 mm step"], &ada[..]].concat());
    good(dir, &["batch", "move", "2", "HM-003", "--note", "wrong label", "--operator", "Ada"]);
    good(dir, &issue(&["HM-003", "--language", "de", "-o", "[DIR]/c.html", "--data", "[DIR]/c.json"]));
    let page = read(dir, "c.html");
    for text in [
        "<html lang=\"de\">",
        "Nachweis der Sitzdichtheit: Kugelhahn HM-003",
        "DICHT SIMULIERT",
        "Druckhalteprüfung mit Druckluft, 6,000 bar Überdruck",
        "7,5 mm³/s",
        "02.03.2026",
        "Werkstoff",
        "1.4408",
        "Mind the 0.5 mm step",
        "umgebucht: aufgezeichnet für HM-001",
        "wrong label",
        "mit 95 %",
    ] {
        assert!(page.contains(text), "{text}: {page}");
    }
    for text in ["<strong>TIGHT", "Leak", "supply", "6.000", "2026-03-02 0", "2026-03-02 1"] {
        assert!(!page.contains(text), "{text}: {page}");
    }
    // The same figures as in English, for a program.
    let data: Value = serde_json::from_str(&read(dir, "c.json")).unwrap();
    assert_eq!((&data["language"], &data["valves"][0]["result"]), (&"de".into(), &"TIGHT SIMULATED".into()));
    // The shop's own language is the default; `again` writes it as it was issued.
    std::fs::write(dir.join("shop.toml"), format!("language = \"de\"\n{SHOP}")).unwrap();
    good(dir, &issue(&["HM-003", "-o", "[DIR]/d.html"]));
    assert!(read(dir, "d.html").contains("DICHT SIMULIERT"));
    std::fs::write(dir.join("shop.toml"), SHOP).unwrap();
    let number = issued(dir)[1]["certificate"].as_str().unwrap().to_owned();
    good(dir, &["certificate", "again", &number, "--shop", "[DIR]/shop.toml", "-o", "[DIR]/again.html"]);
    assert_eq!(read(dir, "d.html"), read(dir, "again.html"));
    std::fs::write(dir.join("shop.toml"), format!("language = \"fr\"\n{SHOP}")).unwrap();
    refused(
        dir,
        &issue(&["HM-003", "-o", "[DIR]/e.html"]),
        "line 1: language: \"fr\" is no language that is known; there are: en, de",
    );
}

/// The list of a batch as a shop gets it says for whom, on which order, of what heat.
#[test]
fn what_the_list_says_for_the_customer_is_on_the_certificate() {
    let dir = tempfile::tempdir().unwrap();
    let dir = dir.path();
    std::fs::write(dir.join("shop.toml"), SHOP).unwrap();
    let list = "Serial No;Type;Size [mm];Customer;PO No.;Material;Heat No.;Bin\n\
                HM-001;air;25;Shellfish hatchery;4711;1.4408;K 1;7\nHM-002;air;25;Shellfish hatchery;4711;1.4408;K 2;8\n";
    std::fs::write(dir.join("list.csv"), list).unwrap();
    let open = ["batch", "open", "spring", "--list", "[DIR]/list.csv", "--limit", "7.5 mm3/s"];
    let out = good(dir, &[&open[..], &["--procedure", "P 7 rev. 2", "--operator", "Ada"]].concat());
    assert!(
        out.contains("\"Customer\" is customer, \"PO No.\" is order") && out.contains("kept as remarks: \"Bin\""),
        "{out}"
    );
    let order = good(dir, &["batch", "order"]);
    // What is the same for all is the batch's.
    let (of_batch, of_valves) = order.split_once("valve HM-001").unwrap();
    assert!(
        of_batch.contains("Shellfish hatchery") && of_batch.contains("P 7 rev. 2") && !of_batch.contains("K 1"),
        "{order}"
    );
    assert!(of_valves.contains("K 1") && of_valves.contains("K 2"), "{order}");
    std::fs::write(dir.join("more.csv"), "serial,dn,heat,order line\nHM-003,25,K 3,4\n").unwrap();
    good(
        dir,
        &["batch", "add", "--list", "[DIR]/more.csv", "--actuation", "air", "--note", "later", "--operator", "Ada"],
    );
    run(dir, "HM-003", "tight");
    good(dir, &issue(&["HM-003", "-o", "[DIR]/c.html"]));
    let page = read(dir, "c.html");
    for text in ["Shellfish hatchery", "4711", "1.4408", "K 3", "P 7 rev. 2", "<dt>Order line</dt><dd>4</dd>"] {
        assert!(page.contains(text), "{text}: {page}");
    }
    let long = "x".repeat(201);
    std::fs::write(dir.join("bad.csv"), format!("serial,customer\nHM-009,{long}\n")).unwrap();
    refused(
        dir,
        &["batch", "open", "autumn", "--list", "[DIR]/bad.csv"],
        "line 2: Customer: 201 characters; 200 are allowed",
    );
    assert!(!good(dir, &["batch", "list"]).contains("autumn"));
}
