//! Settings: what is typed before the environment, the environment before the file, the file before what is built in; what is
//! wrong with them; and that who acts, and on what, is told before anything is done.

use std::path::Path;

use seathold::environment::Environment;
use seathold::settings::{FILE_VARIABLE, SETTINGS, template};
use seathold_tests::batch_kit::Lines;
use seathold_tests::cli_kit::{Said, Stage, golden, seathold, seathold_in, seathold_with};

/// A settings file in the folder, and an environment that names it.
fn with_file(dir: &Path, text: &str) -> Environment {
    let file = dir.join("settings.toml");
    std::fs::write(&file, text).unwrap();
    Environment::default().with(FILE_VARIABLE, file.to_str().unwrap())
}

/// What `settings` says of one: its value, and who says it.
fn value(dir: &Path, environment: &Environment, key: &str) -> (Option<String>, Option<String>) {
    let said = seathold_with(dir, &["settings", "--json"], environment);
    assert_eq!((said.code, said.err.as_str()), (0, ""));
    let all: serde_json::Value = serde_json::from_str(&said.out).unwrap();
    let text = |name: &str| all["settings"][key][name].as_str().map(ToOwned::to_owned);
    (text("value"), text("from"))
}

/// For each setting: its line in the file with one value, and another for the variable.
const VALUES: &[(&str, &str, &str)] = &[
    ("operator", "\"Ada\"", "Bo"),
    ("rig", "\"serial:/dev/ttyACM0\"", "tcp:127.0.0.1:4444"),
    ("key", "\"bench.key\"", "/other.key"),
    ("register", "\"bench.sqlite\"", "/other.sqlite"),
    ("push", "\"postgres://a@localhost/x\"", "postgres://b@localhost/x"),
    ("recordings", "\"runs\"", "/elsewhere/"),
    ("confirm_serial", "true", "no"),
    ("pressure_unit", "\"kPa\"", "psi"),
    ("page_size", "\"letter\"", "a4"),
    ("lines", "true", "no"),
    ("bell", "false", "yes"),
    ("color", "\"never\"", "always"),
];

#[test]
fn the_environment_is_before_the_file_and_the_file_before_what_is_built_in() {
    let dir = tempfile::tempdir().unwrap();
    let keys: Vec<&str> = SETTINGS.iter().map(|setting| setting.key).collect();
    assert_eq!(keys, VALUES.iter().map(|(key, ..)| *key).collect::<Vec<_>>(), "the table above has every setting");
    let text: String = VALUES.iter().map(|(key, value, _)| format!("{key} = {value}\n")).collect();
    for (setting, (key, in_file, in_variable)) in SETTINGS.iter().zip(VALUES) {
        assert_eq!(value(dir.path(), &Environment::default(), key), (None, None), "{key}");
        let file = with_file(dir.path(), &text);
        let (found, from) = value(dir.path(), &file, key);
        assert_eq!(from.as_deref(), Some("[DIR]/settings.toml"), "{key}");
        let wanted = match *key {
            "key" => "[DIR]/bench.key",
            "register" => "[DIR]/bench.sqlite",
            "recordings" => "[DIR]/runs/",
            _ => match *in_file {
                "true" => "yes",
                "false" => "no",
                text => text.trim_matches('"'),
            },
        };
        assert_eq!(found.as_deref(), Some(wanted), "{key}");
        let both = file.clone().with(setting.variable, in_variable);
        let wanted = (Some((*in_variable).to_owned()), Some(setting.variable.to_owned()));
        assert_eq!(value(dir.path(), &both, key), wanted, "{key}");
        // Set to nothing it says nothing.
        assert_eq!(value(dir.path(), &file.with(setting.variable, ""), key).0, found, "{key}");
    }
}

/// A run, by what its recording holds and its messages say.
fn run(dir: &Path, environment: &Environment, more: &[&str]) -> (Said, serde_json::Value) {
    let said = seathold_with(dir, &[&["run", "--json", "--sides", "first"], more].concat(), environment);
    assert_eq!(said.code, 0, "{}", said.err);
    let header = serde_json::from_str::<serde_json::Value>(said.out.lines().next().unwrap()).unwrap()["run"].clone();
    (said, header)
}

#[test]
fn what_is_typed_is_before_all_of_them() {
    let dir = tempfile::tempdir().unwrap();
    let file = with_file(dir.path(), "operator = \"Ada\"\nrecordings = \"runs\"\npressure_unit = \"kPa\"\n");
    let both = file.clone().with("SEATHOLD_OPERATOR", "Bo").with("SEATHOLD_PRESSURE_UNIT", "psi");
    let none = Environment::default();
    for (environment, typed, operator, unit) in [
        (&none, &["--out", "[DIR]/none/"][..], "", "bar"),
        (&file, &[][..], "Ada", "kPa"),
        (&both, &[][..], "Bo", "psi"),
        (&both, &["--operator", "Cy", "--unit", "MPa"][..], "Cy", "MPa"),
        (&file, &["--operator", "", "--out", "[DIR]/a.hold"][..], "", "kPa"),
    ] {
        let (_, header) = run(dir.path(), environment, typed);
        assert_eq!(header["operator"], operator, "{typed:?}");
        assert_eq!(header["display_units"]["pressure"], unit, "{typed:?}");
    }
    // Where nothing else was typed the recordings are in the folder that the file names, seen from where the file is.
    assert_eq!(std::fs::read_dir(dir.path().join("runs")).unwrap().count(), 3);
    assert!(dir.path().join("a.hold").exists());
}

/// A name, a rig or a register that nobody typed may be another person's or another bench's.
#[test]
fn who_acts_and_on_what_is_told_before_anything_is_done() {
    let dir = tempfile::tempdir().unwrap();
    let file =
        with_file(dir.path(), "operator = \"Ada\"\nregister = \"shop.sqlite\"\nrecordings = \"runs\"\nbell = false\n");
    // As quietly as can be: it is told all the same.
    let said = seathold_with(dir.path(), &["run", "-q"], &file.clone().with("SEATHOLD_RIG", "sim"));
    assert_eq!(said.code, 0);
    golden("settings-told.txt", &said.err);
    // What is typed is nobody's guess.
    let typed =
        ["run", "-q", "--operator", "Bo", "--register", "[DIR]/my.sqlite", "--out", "[DIR]/b.hold", "--rig", "sim"];
    assert_eq!(seathold_with(dir.path(), &typed, &file).err, "");
    // What only reads goes without; it is a filter there, and not who acts.
    let found = seathold_with(dir.path(), &["find", "--operator", "Ada"], &file);
    assert_eq!((found.code, found.err.as_str()), (0, ""));
    assert!(found.out.contains("HM-001"), "{}", found.out);
    let of_all = seathold_with(dir.path(), &["find"], &file);
    assert_eq!(found.out, of_all.out);
    // A rig that cannot be reached: told before the attempt.
    let away = file.with("SEATHOLD_RIG", "tcp:127.0.0.1:1");
    let said = seathold_with(dir.path(), &["run"], &away);
    let (told, failed) = (said.err.find("rig          tcp:127.0.0.1:1").unwrap(), said.err.find("error: ").unwrap());
    assert!(told < failed && said.code == 3, "{}", said.err);
}

#[test]
fn a_batch_asks_whether_it_is_the_person_of_the_file() {
    let dir = tempfile::tempdir().unwrap();
    let file = with_file(dir.path(), "operator = \"Ada\"\nregister = \"shop.sqlite\"\nrecordings = \"runs\"\n");
    let at = |lines: &[&'static str], environment: &Environment, more: &[&str]| {
        let keys = &mut Lines::slowly(lines);
        let stage = Stage { interrupt_at: Vec::new(), keys, out_breaks: None, live: true };
        seathold_in(dir.path(), &[&["batch", "test", "-q"], more].concat(), stage, environment)
    };
    let said = seathold_with(dir.path(), &["register", "init", "[DIR]/shop.sqlite"], &Environment::default());
    assert_eq!(said.code, 0);
    let opened = seathold_with(dir.path(), &["batch", "open", "spring", "--serials", "HM-001..HM-004"], &file);
    assert_eq!(opened.code, 0, "{}", opened.err);
    assert!(opened.err.contains("operator     Ada  (not typed: from [DIR]/settings.toml)"), "{}", opened.err);
    let asked = "who tests? Enter for Ada, or another name > ";
    let testers = || {
        let found = seathold_with(dir.path(), &["find", "--json"], &file).out;
        let one = |line: &str| {
            let row: serde_json::Value = serde_json::from_str(line).unwrap();
            row["run"]["operator"].as_str().unwrap().to_owned()
        };
        found.lines().map(one).collect::<Vec<_>>()
    };
    // It is; it is another; it was typed; the variable of this shell says it.
    assert!(at(&["", "HM-001", "q"], &file, &[]).err.contains(asked));
    assert!(at(&["Bo", "HM-002", "q"], &file, &[]).err.contains(asked));
    assert!(!at(&["HM-003", "q"], &file, &["--operator", "Cy"]).err.contains("who tests?"));
    let said = at(&["HM-004", "q"], &file.clone().with("SEATHOLD_OPERATOR", "Di"), &[]);
    assert!(said.err.contains("operator     Di  (not typed: from SEATHOLD_OPERATOR)"), "{}", said.err);
    let mut found = testers();
    found.sort();
    assert_eq!(found, ["Ada", "Bo", "Cy", "Di"]);
    assert!(dir.path().join("runs/spring").is_dir());
}

#[test]
fn what_is_wrong_is_named_with_file_key_value_and_what_is_allowed() {
    let dir = tempfile::tempdir().unwrap();
    let wrong = "operater = \"Ada\"\nrig = 5\nbell = \"no\"\npage_size = \"a3\"\nzzz = 1\nkey = \"\"\noperator = \"\"\n\
                 pressure_unit = \"Bar\"\n[lines]\na = 1\n";
    let mut said = seathold_with(dir.path(), &["find"], &with_file(dir.path(), wrong)).err;
    let variables = Environment::default().with("SEATHOLD_RIG", "usb").with("SEATHOLD_BELL", "maybe");
    said += &seathold_with(dir.path(), &["run"], &variables).err;
    said += &seathold_with(dir.path(), &["run"], &with_file(dir.path(), "operator = \n")).err;
    let away = Environment::default().with(FILE_VARIABLE, dir.path().join("away.toml").to_str().unwrap());
    let missing = seathold_with(dir.path(), &["settings"], &away);
    assert_eq!(missing.code, 6);
    golden("settings-bad.txt", &(said + &missing.err));
    for environment in [with_file(dir.path(), wrong), variables] {
        for command in [&["run", "--out", "[DIR]/x.hold"][..], &["settings"], &["batch", "test"]] {
            assert_eq!(seathold_with(dir.path(), command, &environment).code, 2, "{command:?}");
        }
        // Help, and what is made of the program alone, are wanted most where settings are wrong.
        for command in [&["--help"][..], &["run", "--help"], &["settings", "--template"], &["completions", "bash"], &[]]
        {
            assert_eq!(seathold_with(dir.path(), command, &environment).code, 0, "{command:?}");
        }
    }
    assert!(!dir.path().join("x.hold").exists());
}

/// The usual place, by the specification of such folders; no file there is no mistake.
#[test]
fn the_file_is_found_where_such_files_are() {
    let dir = tempfile::tempdir().unwrap();
    let home = dir.path().join("home");
    let (by_home, by_folder) = (home.join(".config/seathold"), dir.path().join("config/seathold"));
    for (folder, name) in [(&by_home, "Ada"), (&by_folder, "Bo")] {
        std::fs::create_dir_all(folder).unwrap();
        let text = format!("operator = \"{name}\"\nregister = \"~/shop.sqlite\"\n");
        std::fs::write(folder.join("settings.toml"), text).unwrap();
    }
    let at_home = Environment::default().with("HOME", home.to_str().unwrap());
    let in_folder = at_home.clone().with("XDG_CONFIG_HOME", dir.path().join("config").to_str().unwrap());
    let relative = at_home.clone().with("XDG_CONFIG_HOME", "config");
    let off = in_folder.clone().with(FILE_VARIABLE, "");
    for (environment, name) in
        [(&at_home, Some("Ada")), (&in_folder, Some("Bo")), (&relative, Some("Ada")), (&off, None)]
    {
        assert_eq!(value(dir.path(), environment, "operator").0.as_deref(), name);
    }
    assert_eq!(value(dir.path(), &at_home, "register").0.as_deref(), Some("[DIR]/home/shop.sqlite"));
    let elsewhere = Environment::default().with("HOME", dir.path().join("nobody").to_str().unwrap());
    assert_eq!(value(dir.path(), &elsewhere, "operator"), (None, None));
}

/// The template with its comments taken away is a file that is accepted, with every key.
#[test]
fn the_template_is_a_settings_file() {
    let dir = tempfile::tempdir().unwrap();
    assert_eq!(seathold(dir.path(), &["settings", "--template"]).out, template());
    let is_value = |line: &&str| SETTINGS.iter().any(|setting| line.starts_with(&format!("# {} = ", setting.key)));
    let text: String = template().lines().filter(is_value).map(|line| format!("{}\n", &line[2..])).collect();
    assert_eq!(text.lines().count(), SETTINGS.len());
    let said = seathold_with(dir.path(), &["settings"], &with_file(dir.path(), &text));
    assert_eq!((said.code, said.err.as_str()), (0, ""));
    golden("settings.txt", &said.out);
    golden("settings-none.txt", &seathold(dir.path(), &["settings"]).out);
}

#[test]
fn the_book_has_every_setting() {
    let book = std::fs::read_to_string(concat!(env!("CARGO_MANIFEST_DIR"), "/../docs/use.md")).unwrap();
    for setting in SETTINGS {
        let row = format!("| `{}` | `{}` |", setting.key, setting.variable);
        assert!(book.contains(&row), "{row} is not in docs/use.md");
    }
}

/// A key is for the line to a controller: the simulated rig has none, and who says there is none is believed.
#[test]
fn a_key_is_for_a_controller_alone() {
    let dir = tempfile::tempdir().unwrap();
    let key = with_file(dir.path(), "key = \"away.key\"\n");
    let outcome = |environment: &Environment, typed: &[&str]| seathold_with(dir.path(), typed, environment);
    let run = ["run", "-q", "--sides", "first", "--out", "[DIR]/runs/"];
    assert_eq!(outcome(&key, &run).code, 0);
    assert_eq!(outcome(&key, &[&run[..], &["--rig", "sim"]].concat()).code, 0);
    let at = "tcp:127.0.0.1:1";
    let named = outcome(&key, &["watch", "--rig", at]).err;
    assert!(named.contains("[DIR]/away.key"), "{named}");
    let named = outcome(&key.clone().with("SEATHOLD_RIG", at), &["watch"]).err;
    assert!(named.contains("[DIR]/away.key"), "{named}");
    let open = outcome(&key, &["watch", "--rig", at, "--insecure-line"]).err;
    assert!(!open.contains("away.key") && open.contains(at), "{open}");
}

#[test]
fn words_are_painted_where_that_is_wanted_and_never_in_data() {
    let dir = tempfile::tempdir().unwrap();
    let run = ["run", "-q", "--sides", "first", "--out", "[DIR]/runs/"];
    let painted = |environment: &Environment, more: &[&str]| {
        let said = seathold_with(dir.path(), &[&run[..], more].concat(), environment);
        assert!(said.out.contains("TIGHT"), "{}", said.out);
        said.out.contains('\u{1b}')
    };
    let none = Environment::default();
    let terminal = Environment::default().on_terminal();
    let file = with_file(dir.path(), "color = \"always\"\n");
    for (environment, typed, wanted) in [
        (none.clone(), &[][..], false),
        (terminal.clone(), &[][..], true),
        (terminal.clone(), &["--color", "never"][..], false),
        (none.clone(), &["--color", "always"][..], true),
        (terminal.clone().with("NO_COLOR", "1"), &[][..], false),
        (terminal.clone().with("NO_COLOR", ""), &[][..], true),
        (terminal.clone().with("TERM", "dumb"), &[][..], false),
        (terminal.clone().with("NO_COLOR", "1"), &["--color", "auto"][..], true),
        (file.clone(), &[][..], true),
        (file.clone(), &["--color", "never"][..], false),
        (file.clone().with("NO_COLOR", "1"), &[][..], false),
        (file.clone().with("SEATHOLD_COLOR", "never"), &[][..], false),
        (none.clone().with("NO_COLOR", "1").with("SEATHOLD_COLOR", "always"), &[][..], true),
    ] {
        assert_eq!(painted(&environment, typed), wanted, "{environment:?} {typed:?}");
    }
    // Letters are the same.
    let bare = seathold(dir.path(), &["run", "-q", "--out", "[DIR]/a.hold"]).out;
    let plain = seathold(dir.path(), &["run", "-q", "--out", "[DIR]/b.hold", "--color", "always"]).out;
    let letters = ["\u{1b}[0m", "\u{1b}[1m", "\u{1b}[31m", "\u{1b}[32m", "\u{1b}[33m"]
        .iter()
        .fold(plain.replace("b.hold", "a.hold"), |text, paint| text.replace(paint, ""));
    assert_eq!(letters, bare);
    // What a program reads has none, whatever is asked for.
    for command in [
        &["show", "[DIR]/a.hold", "--json"][..],
        &["show", "[DIR]/a.hold", "--csv"],
        &["run", "--json", "--out", "[DIR]/c.hold"],
        &["recipe", "template"],
        &["settings", "--template"],
        &["completions", "bash"],
    ] {
        let said = seathold(dir.path(), &[command, &["--color", "always"]].concat());
        assert!(said.code == 0 && !said.out.contains('\u{1b}'), "{command:?}");
    }
    // Errors as well.
    let said = seathold(dir.path(), &["show", "[DIR]/away.hold", "--color", "always"]);
    assert!(said.err.starts_with("\u{1b}[1m\u{1b}[31merror\u{1b}[0m: "), "{}", said.err);
}
