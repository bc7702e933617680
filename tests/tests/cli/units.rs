//! Units of the trade, wherever a quantity or a size is taken.

use seathold_tests::cli_kit::{Said, seathold};
use serde_json::Value;

fn in_folder(typed: &[&str]) -> Said {
    let dir = tempfile::tempdir().unwrap();
    seathold(dir.path(), typed)
}

/// What `plan` takes a limit for, in Pa·m³/s.
fn planned(limit: &str, more: &[&str]) -> Result<f64, String> {
    let said = in_folder(&[&["plan", "--json", "--limit", limit], more].concat());
    if said.code == 2 {
        return Err(said.err);
    }
    let value: Value = serde_json::from_str(&said.out).unwrap_or_else(|_| panic!("{limit}: {}", said.err));
    Ok(value["limit_pa_m3_s"].as_f64().unwrap_or_else(|| panic!("{value}")))
}

#[test]
fn limits_in_units_of_the_trade() {
    let near = |found: Result<f64, String>, expected: f64| {
        let found = found.unwrap();
        assert!((found / expected - 1.0).abs() < 1e-12, "{found} {expected}");
    };
    near(planned("7,5 mm3/s", &[]), 7.5e-4);
    near(planned("12 bubbles/min of 0,15 ml", &[]), 3e-3);
    near(planned("ISO 5208 rate B NPS 1", &[]), 7.5e-4);
    near(planned("ISO 5208 rate B", &["--dn", "1 1/2 in"]), 0.3 * 40.0 * 1e-4);
    // Standard conditions as stated: 60 °F and 14.696 psi absolute.
    let stated = ["--reference-temperature", "60 F", "--reference-pressure", "14,696 psi"];
    assert!(planned("0.05 scfh", &stated).unwrap_err().contains("can be read in two ways"));
    let stated = ["--reference-temperature", "60 F", "--reference-pressure", "14.696 psi"];
    // psi: 4.4482216152605 N over 6.4516e-4 m² (NIST SP 811, appendix B.8).
    let psi = 4.448_221_615_260_5 / 6.4516e-4;
    near(planned("0.05 scfh", &stated), 0.05 * 0.3048f64.powi(3) / 3_600.0 * 14.696 * psi);
    near(planned("20 sccm", &stated), 20e-6 / 60.0 * 14.696 * psi);
}

/// What means different leaks to different people is refused, and nothing is assumed.
#[test]
fn what_is_not_stated_is_refused() {
    for (limit, more, said) in [
        ("10 bubbles/min", &[][..], "say the volume of one, like \"10 bubbles/min of 0.15 ml\""),
        ("0.05 scfh", &[], "have many definitions and none is built in"),
        // The temperature matters as much as the pressure.
        ("20 sccm", &["--reference-pressure", "101.325 kPa"], "have many definitions and none is built in"),
        ("1,500 mm3/s", &[], "can be read in two ways"),
        ("ISO 5208 rate B", &["--dn", "1.3 in"], "is no size like"),
        ("ISO 5208 rate B", &["--dn", "1.5"], "is no size like 25"),
    ] {
        let why = planned(limit, more).unwrap_err();
        assert!(why.contains(said), "{limit}: {why}");
    }
}

/// In a recipe file both conditions stand beside the limit, and results are shown in its unit and counted there.
#[test]
fn a_recipe_in_standard_volumes() {
    let dir = tempfile::tempdir().unwrap();
    let write = |text: &str| std::fs::write(dir.path().join("r.toml"), text).unwrap();
    let conditions = "reference_temperature = \"60 F\"\nreference_pressure = \"14.696 psi\"\n";
    write("limit = \"0.01 scfh\"\nreference_pressure = \"14.696 psi\"\n");
    let said = seathold(dir.path(), &["recipe", "check", "[DIR]/r.toml"]);
    assert!(
        said.code == 2 && said.err.contains("line 1: limit: \"0.01 scfh\": \"standard\" conditions"),
        "{}",
        said.err
    );
    write(&format!("limit = \"0.01 scfh\"\n{conditions}"));
    let said = seathold(dir.path(), &["run", "--quiet", "--recipe", "[DIR]/r.toml", "--out", "[DIR]/a.hold"]);
    assert_eq!(said.code, 0, "{}", said.err);
    assert!(said.out.contains("scfh") && said.out.contains("0.01 scfh"), "{}", said.out);
    // The recording shows it again so.
    let said = seathold(dir.path(), &["show", "[DIR]/a.hold"]);
    assert!(said.out.contains("0.01 scfh"), "{}", said.out);
    // The built-in recipe states no conditions of its own, and a rig file none at all.
    let said = seathold(dir.path(), &["run", "--limit", "0.01 scfh", "--out", "[DIR]/b.hold"]);
    assert!(said.code == 2 && said.err.contains("none is built in"), "{}", said.err);
    std::fs::write(dir.path().join("rig.toml"), "background = \"0.01 sccm\"\n").unwrap();
    let said = seathold(dir.path(), &["rig", "check", "[DIR]/rig.toml"]);
    assert!(said.code == 2 && said.err.contains("none is built in"), "{}", said.err);
    let said = seathold(dir.path(), &["rejudge", "[DIR]/a.hold", "--limit", "0.02 scfh"]);
    assert_eq!(said.code, 0, "{}", said.err);
}
