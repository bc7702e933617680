//! A shop's mark on its certificates.

use std::path::Path;

use seathold_recording::hash::sha256;
use seathold_tests::batch_kit::{opened, say};
use seathold_tests::cli_kit::seathold;
use seathold_tests::picture_kit::{DRAWING, png};
use serde_json::Value;

const SHOP: &str = "name = \"Tidewater Valve Works\"\ncertificate_prefix = \"TW\"\n";

/// A valve that is tight, and a shop with a mark of this name.
fn tested(dir: &Path, mark: &str) {
    opened(dir, "HM-001,HM-002");
    for serial in ["HM-001", "HM-002"] {
        let out = format!("[DIR]/{serial}.hold");
        say(dir, &["run", "-q", "--serial", serial, "--valve", "tight", "--operator", "Ada", "--out", &out]);
    }
    shop(dir, mark);
}

fn shop(dir: &Path, mark: &str) {
    std::fs::create_dir_all(dir.join("office")).unwrap();
    let mark = if mark.is_empty() { String::new() } else { format!("mark = \"{mark}\"\n") };
    std::fs::write(dir.join("office/shop.toml"), format!("{SHOP}{mark}")).unwrap();
}

fn issue(dir: &Path, more: &[&str]) -> seathold_tests::cli_kit::Said {
    let words = ["certificate", "issue", "--shop", "[DIR]/office/shop.toml", "--operator", "Ada"];
    say(dir, &[&words[..], more].concat())
}

fn good(dir: &Path, more: &[&str]) {
    let said = issue(dir, more);
    assert_eq!(said.code, 0, "{more:?}: {}", said.err);
}

fn refused(dir: &Path, why: &str) {
    let said = issue(dir, &["HM-001", "-o", "[DIR]/c.pdf"]);
    assert!(said.code != 0 && said.err.contains(why), "{why}: {} {}", said.code, said.err);
    assert!(!dir.join("c.pdf").exists());
}

fn data(dir: &Path) -> Value {
    serde_json::from_str(&std::fs::read_to_string(dir.join("c.json")).unwrap()).unwrap()
}

fn has(bytes: &[u8], text: &str) -> bool {
    bytes.windows(text.len()).any(|window| window == text.as_bytes())
}

/// Beside the name, in the data by its hash, in the PDF as a file, with the same bytes each time, and still short.
#[test]
fn a_mark_is_on_the_page_and_in_the_data() {
    let dir = tempfile::tempdir().unwrap();
    let dir = dir.path();
    tested(dir, "mark.svg");
    std::fs::write(dir.join("office/mark.svg"), DRAWING).unwrap();
    good(dir, &["HM-001", "-o", "[DIR]/c.pdf", "--data", "[DIR]/c.json"]);
    let pdf = std::fs::read(dir.join("c.pdf")).unwrap();
    assert!(pdf.len() < 150_000, "{}", pdf.len());
    for text in ["mark.png", "/Subtype/Image", "Mark of Tidewater Valve Works", "<pdfaid:part>3", "/Figure"] {
        assert!(has(&pdf, text), "{text}");
    }
    let hash = data(dir)["mark_sha256"].as_str().unwrap().to_owned();
    let number = data(dir)["certificate"].as_str().unwrap().to_owned();
    let again = ["certificate", "again", &number, "--shop", "[DIR]/office/shop.toml", "-o", "[DIR]/again.pdf"];
    assert_eq!(say(dir, &again).code, 0);
    assert_eq!(pdf, std::fs::read(dir.join("again.pdf")).unwrap());
    // On the page for screens it is in the page, and it is what the data say.
    let draft = ["HM-001", "--draft", "-o", "[DIR]/c.html"];
    good(dir, &draft);
    let page = std::fs::read_to_string(dir.join("c.html")).unwrap();
    let image = page.split_once("src=\"data:image/png;base64,").unwrap().1.split_once('"').unwrap().0;
    let bytes = from_base64(image);
    assert_eq!(sha256(&bytes), hash);
    assert!(
        page.contains("alt=\"Mark of Tidewater Valve Works\"") && page.contains("width:40.0mm;aspect-ratio:40.0/15.0")
    );
    // What is in the PDF makes the same page again.
    std::fs::write(dir.join("office/mark.png"), &bytes).unwrap();
    shop(dir, "mark.png");
    assert_eq!(say(dir, &[&again[..], &["--force"]].concat()).code, 0);
    assert_eq!(pdf, std::fs::read(dir.join("again.pdf")).unwrap());
    // Another mark is another certificate, and so is none.
    std::fs::write(dir.join("office/mark.png"), png(300, 300, 1)).unwrap();
    for mark in ["mark.png", ""] {
        shop(dir, mark);
        let said = say(dir, &again);
        assert!(said.code == 2 && said.err.contains("is not what it stated when it was issued"), "{}", said.err);
    }
}

/// What was issued before there were marks is the same without one.
#[test]
fn without_a_mark_nothing_says_so() {
    let dir = tempfile::tempdir().unwrap();
    let dir = dir.path();
    tested(dir, "");
    good(dir, &["HM-001", "-o", "[DIR]/c.pdf", "--data", "[DIR]/c.json"]);
    assert!(data(dir).get("mark_sha256").is_none());
    let pdf = std::fs::read(dir.join("c.pdf")).unwrap();
    assert!(!has(&pdf, "mark.png") && !has(&pdf, "/Subtype/Image"));
}

/// Several certificates in one file have it once, and one of noise is made smaller.
#[test]
fn a_mark_is_in_a_file_once() {
    let dir = tempfile::tempdir().unwrap();
    let dir = dir.path();
    tested(dir, "mark.png");
    let noise = image::RgbImage::from_fn(900, 340, |x, y| {
        let mixed = (x.wrapping_mul(0x9e37_79b9) ^ y.wrapping_mul(0x85eb_ca6b)).wrapping_mul(0xc2b2_ae35);
        image::Rgb([mixed.to_le_bytes()[3], mixed.to_le_bytes()[2], mixed.to_le_bytes()[1]])
    });
    noise.save(dir.join("office/mark.png")).unwrap();
    good(dir, &["-o", "[DIR]/two.pdf"]);
    good(dir, &["HM-001", "-o", "[DIR]/one.pdf"]);
    let length = |name: &str| std::fs::metadata(dir.join(name)).unwrap().len();
    assert!(length("one.pdf") < 150_000, "{}", length("one.pdf"));
    assert!(length("two.pdf") < length("one.pdf") + 30_000, "{} {}", length("one.pdf"), length("two.pdf"));
}

#[test]
fn a_mark_that_does_harm_is_refused_before_a_number_is_used() {
    let dir = tempfile::tempdir().unwrap();
    let dir = dir.path();
    tested(dir, "mark.svg");
    refused(dir, "could not read [DIR]/office/mark.svg");
    let put = |text: &str| std::fs::write(dir.join("office/mark.svg"), text).unwrap();
    let svg =
        |inside: &str| put(&format!("<svg xmlns=\"http://www.w3.org/2000/svg\" viewBox=\"0 0 9 9\">\n{inside}</svg>"));
    svg("<script>alert(1)</script>");
    refused(
        dir,
        "[DIR]/office/shop.toml: mark: [DIR]/office/mark.svg: line 2: <script> is not allowed in a mark; save it as",
    );
    svg("<image href=\"http://a.example/x.png\"/>");
    refused(dir, "line 2: <image> is not allowed");
    put("<!DOCTYPE svg [<!ENTITY a \"b\">]>\n<svg xmlns=\"http://www.w3.org/2000/svg\"><title>&a;</title></svg>");
    refused(dir, "it has a document type (DTD)");
    put(&"<g>".repeat(100_000));
    refused(dir, "it is longer than 262144 bytes");
    // By its name a drawing, and something else.
    std::fs::write(dir.join("office/mark.svg"), png(9, 9, 1)).unwrap();
    refused(dir, "it is not UTF-8");
    std::fs::remove_file(dir.join("office/mark.svg")).unwrap();
    std::fs::create_dir(dir.join("office/mark.svg")).unwrap();
    refused(dir, "it is a folder");
    shop(dir, "mark.gif");
    refused(dir, "line 3: mark: \"mark.gif\" is no file that ends in .svg or .png");
    shop(dir, "mark.png");
    std::fs::write(dir.join("office/mark.png"), DRAWING).unwrap();
    refused(dir, "mark: [DIR]/office/mark.png: it is no PNG file, by what it begins with");
    let said = say(dir, &["certificate", "list", "--json"]);
    assert_eq!((said.code, said.out.as_str()), (0, ""));
}

#[cfg(unix)]
#[test]
fn a_mark_that_is_a_pipe_is_not_waited_for() {
    let dir = tempfile::tempdir().unwrap();
    let dir = dir.path();
    tested(dir, "mark.svg");
    let pipe = dir.join("office/mark.svg");
    let made = std::process::Command::new("mkfifo").arg(&pipe).status().unwrap();
    assert!(made.success());
    refused(dir, "it is no plain file");
}

/// The template names it, and can be used as it stands.
#[test]
fn the_template_has_a_place_for_it() {
    let dir = tempfile::tempdir().unwrap();
    let said = seathold(dir.path(), &["certificate", "template"]);
    assert!(said.out.contains("# mark = \"mark.svg\"\n"), "{}", said.out);
}

fn from_base64(text: &str) -> Vec<u8> {
    let digits = b"ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789+/";
    let (mut held, mut bits, mut bytes) = (0_u32, 0, Vec::new());
    for digit in text.bytes().filter(|digit| *digit != b'=') {
        held = held << 6 | u32::try_from(digits.iter().position(|d| *d == digit).unwrap()).unwrap();
        bits += 6;
        if bits >= 8 {
            bits -= 8;
            bytes.push((held >> bits & 0xff) as u8);
        }
    }
    bytes
}
