//! `seathold pair`: end fittings to valves of the right length.

use seathold_tests::cli_kit::{golden, seathold};
use serde_json::Value;

/// A batch for the hatchery, invented: 24 bodies, and 48 fittings of two lots that are not alike.
const FITTINGS: &str = concat!(env!("CARGO_MANIFEST_DIR"), "/recordings/fittings-hatchery.csv");

const VALVES: [&str; 16] = [
    "--bodies",
    "24",
    "--body-length",
    "60.4 mm",
    "--body-u",
    "0.02 mm",
    "--nominal",
    "120 mm",
    "--tolerance",
    "0.2 mm",
    "--compression",
    "0.4 mm",
    "--compression-u",
    "0.03 mm",
    "--gauge-u",
    "0.01 mm",
];

#[test]
fn a_batch_paired_both_ways() {
    let dir = tempfile::tempdir().unwrap();
    std::fs::copy(FITTINGS, dir.path().join("fittings.csv")).unwrap();
    let said = seathold(dir.path(), &[&["pair", "[DIR]/fittings.csv"][..], &VALVES].concat());
    assert_eq!(said.code, 0, "{}", said.err);
    golden("pair-hatchery.txt", &said.out);
    let said = seathold(dir.path(), &[&["pair", "[DIR]/fittings.csv", "--json"][..], &VALVES].concat());
    let found: Value = serde_json::from_str(&said.out).unwrap();
    let conforming = |way: &str| found[way]["conforming"].as_u64().unwrap();
    assert_eq!((conforming("extremes_inward"), conforming("most_conforming")), (19, 23));
    assert_eq!((found["at_most"].as_u64(), found["exact"].as_bool()), (Some(23), Some(true)));
}

/// Bodies of their own lengths, of which one finds no fittings; a unit and a decimal comma as a spreadsheet writes them.
#[test]
fn measured_bodies_and_what_is_left() {
    let dir = tempfile::tempdir().unwrap();
    let fittings =
        "Fitting;Length [mm];nominal length\nA;30,005;30\nB;29,995;30\nC;30,105;30\nD;29,880;30\nE;29,000;30\n";
    std::fs::write(dir.path().join("f.csv"), fittings).unwrap();
    std::fs::write(dir.path().join("b.csv"), "body,length (inch)\nB1,2.3779\nB2,2.4567\nB3,2.3858\n").unwrap();
    let valves = ["--nominal", "120 mm", "--tolerance", "0.3 mm", "--compression", "0.4 mm", "--gauge-u", "0.01 mm"];
    let pair = ["pair", "[DIR]/f.csv", "--bodies-file", "[DIR]/b.csv", "--repeat-u", "0.01 mm"];
    let said = seathold(dir.path(), &[&pair[..], &valves].concat());
    assert_eq!(said.code, 0, "{}", said.err);
    golden("pair-bodies.txt", &said.out);
    let said = seathold(dir.path(), &[&pair[..], &valves, &["--json"]].concat());
    let found: Value = serde_json::from_str(&said.out).unwrap();
    assert_eq!((found["exact"].as_bool(), found["empty"][0].as_str()), (Some(true), Some("B2")));
    assert_eq!(
        (found["partners"][0]["fitting"].as_str(), found["partners"][0]["body"].as_str()),
        (Some("E"), Some("B2"))
    );
}

/// Equal repeats are no better than the step they are read by: 0.1/√12 = 0.029 mm each, and 0.041 mm two, with what is not known of
/// how far they are to be shrunk 0.042 mm.
#[test]
fn a_coarse_step_is_seen() {
    let dir = tempfile::tempdir().unwrap();
    let rows: String = (0..12).map(|i| format!("F{i:02},{0},{0}\n", ["29.9", "30.0", "30.1"][i % 3])).collect();
    std::fs::write(dir.path().join("f.csv"), format!("fitting,length_1,length_2\n{rows}")).unwrap();
    let valve =
        ["--bodies", "1", "--body-length", "60.4 mm", "--body-u", "0 mm", "--gauge-u", "0 mm", "--nominal", "120 mm"];
    let said = seathold(
        dir.path(),
        &[&["pair", "[DIR]/f.csv", "--tolerance", "0.3 mm", "--compression", "0.4 mm"][..], &valve].concat(),
    );
    let said = said.out.split_whitespace().collect::<Vec<_>>().join(" ");
    assert!(said.contains("both fittings 0.042,"), "{said}");
    assert!(
        said.contains("one scatters by 0.000 mm (found with 12 degrees of freedom), in steps of 0.100 mm"),
        "{said}"
    );
    assert!(said.contains("1 of 1 valve conforms; it is 0.000 mm off nominal (root mean square)"), "{said}");
    assert!(!said.contains("left over") && !said.contains("one cut"), "no body is free: {said}");
}

#[test]
fn what_is_wrong_is_said_before_anything_is_paired() {
    let dir = tempfile::tempdir().unwrap();
    let told = |list: &[u8], more: &[&str]| {
        std::fs::write(dir.path().join("f.csv"), list).unwrap();
        let said = seathold(dir.path(), &[&["pair", "[DIR]/f.csv"][..], &VALVES, more].concat());
        assert_eq!(said.code, 2, "{}{}", said.out, said.err);
        said.err.split_whitespace().collect::<Vec<_>>().join(" ")
    };
    let slip = told(b"F1,29.9\nF2,30.1\nF3,2.99\n", &["--repeat-u", "0.01 mm"]);
    assert!(slip.contains("f.csv: line 3: \"F3\" is 2.990 mm long, where the others are about 29.900 mm"), "{slip}");
    assert!(slip.contains("--lengths-checked") && !slip.contains("mistakes"), "{slip}");
    assert!(told(b"F1,29.9\nF1,30.1\n", &[]).contains("\"F1\" stands in line 1 too"));
    let few = told(b"F1,29.9\nF2,30.1\n", &[]);
    assert!(
        few.contains("--repeat-u: say how far readings of one part scatter") && few.contains("and it has 0"),
        "{few}"
    );
    assert!(told(b"", &["--repeat-u", "0.01 mm"]).contains("has no part with a length"));
    let unit = told(b"F1,29.9\n", &["--unit", "furlong", "--risk", "2"]);
    assert!(unit.contains("2 mistakes") && unit.contains("units taken: m, mm, cm, um, in"), "{unit}");
    let latin = told(b"fitting,length\nF1,29.9\nF\xe92,30.1\n", &["--repeat-u", "0.01 mm"]);
    assert!(latin.contains("line 3: is not UTF-8: save the list as CSV in UTF-8"), "{latin}");
    assert!(
        told(b"A,30,1\n", &["--repeat-u", "0.01 mm"]).contains("line 1: which of 3 columns are readings is not sure")
    );
    let mils = told(b"id,length mils\nF1,1181\n", &["--repeat-u", "0.01 mm"]);
    assert!(mils.contains("line 1: column \"length mils\": \"mils\" is not understood"), "{mils}");
}

/// Repeats that are of two lengths, and a scatter that is stated and cannot be.
#[test]
fn repeats_that_contradict_are_asked_about() {
    let dir = tempfile::tempdir().unwrap();
    let list = |last: &str| {
        let rows: String = (0..12).map(|i| format!("F{i:02},30.{i:02},30.{:02}\n", i + i % 3)).collect();
        std::fs::write(dir.path().join("f.csv"), format!("fitting,length_1,length_2\n{rows}{last}")).unwrap();
    };
    let pair = |more: &[&str]| seathold(dir.path(), &[&["pair", "[DIR]/f.csv"][..], &VALVES, more].concat());
    list("F12,30.10,30.60\n");
    let said = pair(&[]);
    let words = said.err.split_whitespace().collect::<Vec<_>>().join(" ");
    assert!(words.contains("f.csv: line 14: \"F12\" was read as 30.100 and as 30.600 mm, where readings"), "{words}");
    assert_eq!((said.code, pair(&["--lengths-checked"]).code), (2, 0));
    list("");
    assert_eq!(pair(&[]).code, 0);
    let said = pair(&["--repeat-u", "0.001 mm"]);
    let words = said.err.split_whitespace().collect::<Vec<_>>().join(" ");
    assert!(said.code == 2 && words.contains("--repeat-u: 0.0010 mm cannot be right: in"), "{words}");
    assert_eq!(pair(&["--repeat-u", "0.01 mm"]).code, 0);
}
