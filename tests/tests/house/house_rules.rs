//! Rules of the house that a machine can check. Each says why it is one.

use std::fs;
use std::path::{Path, PathBuf};

fn root() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("..").canonicalize().unwrap()
}

/// Every text file of the repository, by path from the root; what is built or belongs to version control is left out.
fn files() -> Vec<(PathBuf, String)> {
    fn walk(folder: &Path, root: &Path, files: &mut Vec<(PathBuf, String)>) {
        for entry in fs::read_dir(folder).unwrap() {
            let path = entry.unwrap().path();
            let name = path.file_name().unwrap().to_string_lossy().into_owned();
            // A file where the checkout is one of several.
            if name == ".git" {
                continue;
            }
            if path.is_dir() {
                if !name.starts_with("target") {
                    walk(&path, root, files);
                }
            } else if let Ok(text) = fs::read_to_string(&path) {
                files.push((path.strip_prefix(root).unwrap().to_owned(), text));
            }
        }
    }
    let mut found = Vec::new();
    walk(&root(), &root(), &mut found);
    assert!(found.len() > 50, "only {} files found", found.len());
    found
}

/// A newcomer finds the room from its name only while the top stays as short as it was agreed.
#[test]
fn the_top_level_is_as_agreed() {
    let agreed = [
        "Cargo.lock",
        "Cargo.toml",
        "DEVELOPERS.md",
        "LICENSE",
        "README.md",
        "docs",
        "host-cli",
        "sequencer",
        "sim",
        "tests",
    ];
    let mut found: Vec<_> = fs::read_dir(root())
        .unwrap()
        .map(|e| e.unwrap().file_name().to_string_lossy().into_owned())
        // Dot-files are configuration; `target` is built; recordings, and their folder, are what a run leaves and git
        // ignores.
        .filter(|n| !n.starts_with('.') && !n.starts_with("target") && !n.ends_with(".hold") && !n.ends_with(".part"))
        .filter(|n| n != "recordings")
        .collect();
    found.sort();
    assert_eq!(found, agreed);
}

/// Words that do not belong: names of registries' hosts (each user has their own mirror), traces of how the text came
/// about, and notes left for later. Each is put together here, so that this file does not break its own rule.
#[test]
fn no_word_that_does_not_belong() {
    let words = [
        ["crates", ".io"],
        ["static.rust", "-lang"],
        ["pypi", ".org"],
        ["docker", ".io"],
        ["deb.debian", ".org"],
        ["tran", "script"],
        ["chat", "bot"],
        ["language", " model"],
        ["issue", " #"],
        ["seed", " document"],
        ["TO", "DO:"],
        ["FIX", "ME"],
        ["XX", "X:"],
        ["/wor", "k/"],
    ]
    .map(|[a, b]| format!("{a}{b}"));
    let mut broken = String::new();
    for (path, text) in files() {
        // Lock files are cargo's own: they name the registry a package came from.
        if path.file_name().is_some_and(|n| n == "Cargo.lock") {
            continue;
        }
        for (number, line) in text.lines().enumerate() {
            for word in words.iter().filter(|w| line.to_lowercase().contains(&w.to_lowercase())) {
                broken += &format!("{}:{}: {word}\n", path.display(), number + 1);
            }
        }
    }
    assert!(broken.is_empty(), "{broken}");
}

/// The sequencer decides while air is on: it runs without a heap, without a standard library, without unsafe code.
#[test]
fn the_sequencer_is_plain_and_safe() {
    let mut sources = 0;
    let mut broken = String::new();
    for (path, text) in files() {
        let Ok(inside) = path.strip_prefix("sequencer/src") else { continue };
        sources += 1;
        let mut in_tests = false;
        for (number, line) in text.lines().enumerate() {
            // Tests stand last in a file, and have the standard library.
            in_tests |= line.trim() == "#[cfg(test)]";
            let code = line.split("//").next().unwrap_or("");
            let has = |word: &str| code.split(|c: char| !c.is_alphanumeric() && c != '_').any(|w| w == word);
            if has("unsafe") || (!in_tests && (has("std") || has("alloc"))) {
                broken += &format!("sequencer/src/{}:{}: {}\n", inside.display(), number + 1, line.trim());
            }
        }
    }
    assert!(broken.is_empty(), "{broken}");
    assert!(sources > 30, "only {sources} sources found");
    let lib = fs::read_to_string(root().join("sequencer/src/lib.rs")).unwrap();
    assert!(lib.starts_with("#![no_std]"));
    let manifest = fs::read_to_string(root().join("Cargo.toml")).unwrap();
    assert!(manifest.contains("unsafe_code = \"forbid\""));
}

/// An image is the one place where unsafe code may be, and each use says why it is sound.
#[test]
fn unsafe_code_in_the_boards_says_why() {
    let mut uses = 0;
    for (path, text) in files() {
        if !path.starts_with("sequencer/boards") || path.extension().is_none_or(|e| e != "rs") {
            continue;
        }
        let lines: Vec<_> = text.lines().collect();
        for (number, line) in lines.iter().enumerate() {
            let code = line.split("//").next().unwrap_or("");
            if !code.contains("unsafe ") || code.contains("unsafe extern") {
                continue;
            }
            uses += 1;
            let before = &lines[number.saturating_sub(6)..number];
            assert!(
                before.iter().any(|l| l.contains("SAFETY:")),
                "{}:{}: no SAFETY comment",
                path.display(),
                number + 1
            );
        }
    }
    assert!(uses > 3, "only {uses} uses found");
}

/// Whoever opens a file reads first what it is for. A crate's first file may have attributes before that, or take it from
/// its README.
#[test]
fn every_source_begins_with_its_subject() {
    let mut sources = 0;
    let mut broken = String::new();
    for (path, text) in files() {
        if path.extension().is_none_or(|e| e != "rs") {
            continue;
        }
        sources += 1;
        let mut rest = text.as_str();
        while rest.starts_with("#![") && !rest.starts_with("#![doc = include_str!(") {
            rest = rest.split_once("]\n").map_or("", |(_, after)| after.trim_start());
        }
        if !rest.starts_with("//! ") && !rest.starts_with("#![doc") {
            broken += &format!("{}: does not begin with `//! ` and its subject\n", path.display());
        }
    }
    assert!(broken.is_empty(), "{broken}");
    assert!(sources > 300, "only {sources} sources found");
}

/// What README shows of a run is what the program says: each block of it stands word for word in a golden file.
#[test]
fn readme_shows_what_the_program_says() {
    let root = Path::new(env!("CARGO_MANIFEST_DIR")).join("..");
    let readme = std::fs::read_to_string(root.join("README.md")).expect("README.md");
    let shown: Vec<&str> = readme.split("```text\n").skip(1).filter_map(|rest| rest.split("```").next()).collect();
    assert_eq!(shown.len(), 2, "README shows a tight valve and a leaking one");
    for (block, golden) in shown.into_iter().zip(["run-tight.out.txt", "run-scratched-seat-a.out.txt"]) {
        let said = std::fs::read_to_string(root.join("tests/golden/cli").join(golden)).expect(golden);
        assert!(said.contains(block), "README shows what {golden} does not say:\n{block}");
    }
}

/// One word, one idea: two public types of a crate with one name would have to be told apart by their paths.
#[test]
fn no_two_public_types_of_a_crate_share_a_name() {
    let crates = [
        ("sequencer/src", 100),
        ("sim/src", 40),
        ("host-cli/src", 50),
        ("host-cli/quantity/src", 5),
        ("host-cli/recording/src", 10),
        ("host-cli/text/src", 1),
        ("host-cli/config/src", 5),
        ("host-cli/document/src", 15),
        ("host-cli/register/src", 20),
        ("host-cli/office/src", 10),
        ("host-cli/analysis/src", 50),
        ("host-cli/report/src", 10),
    ];
    for (of, least) in crates {
        let mut places = std::collections::BTreeMap::<String, std::collections::BTreeSet<String>>::new();
        for (path, text) in files() {
            if !path.starts_with(of) || path.extension().is_none_or(|e| e != "rs") {
                continue;
            }
            for line in text.lines() {
                if let Some(name) = public_type(line) {
                    // Twice in one file are two forms of one type, of which a feature chooses.
                    places.entry(name.into()).or_default().insert(path.display().to_string());
                }
            }
        }
        assert!(places.len() > least, "only {} public types found in {of}", places.len());
        let twice: Vec<_> = places.iter().filter(|(_, files)| files.len() > 1).collect();
        assert!(twice.is_empty(), "{twice:#?}");
    }
}

/// The name that a line declares a type by, where that can be seen outside its module.
fn public_type(line: &str) -> Option<&str> {
    let rest = line.trim_start().strip_prefix("pub")?;
    let rest = if rest.starts_with('(') { rest.split_once(')')?.1 } else { rest };
    let mut words = rest.strip_prefix(' ')?.split(|c: char| !c.is_alphanumeric() && c != '_');
    matches!(words.next()?, "struct" | "enum" | "trait" | "type").then(|| words.next())?
}

/// What the program says passes a writer that lets nothing in a text act on the screen; so nothing else writes there. The
/// moving lines have a way of their own, and make their texts harmless themselves.
#[test]
fn the_screen_is_written_in_one_place() {
    let allowed = [
        "host-cli/src/console.rs",
        "host-cli/src/screen/live.rs",
        "host-cli/src/screen/bench/terminal.rs",
        "host-cli/src/cmd/progress.rs",
    ];
    let ways = ["println!(", "eprint!(", " print!(", "io::stdout", "io::stderr", "::stderr", "\\x1b", "\\u{1b}["];
    for (path, text) in files() {
        let name = path.to_string_lossy().into_owned();
        let ours = name.starts_with("host-cli/") && name.ends_with(".rs") && !name.contains("/tests/");
        if !ours || allowed.contains(&name.as_str()) {
            continue;
        }
        let code = text.split("#[cfg(test)]").next().unwrap_or_default();
        for way in ways {
            // Comments explain what may be in a text.
            let found = code.lines().find(|line| line.contains(way) && !line.trim_start().starts_with("//"));
            assert_eq!(found, None, "{name} writes past the console");
        }
    }
}
