//! The help: commands by purpose, and examples that the program itself understands; completions and manual pages.

use std::collections::BTreeSet;

use clap::Command;
use seathold::help::examples::{EXAMPLES, words};
use seathold::help::groups::GROUPS;
use seathold_tests::cli_kit::{golden, seathold};

/// Every command by its path, those that hold others as well.
fn paths(command: &Command, above: &str, found: &mut Vec<String>) {
    for inner in command.get_subcommands().filter(|inner| inner.get_name() != "help") {
        let path = format!("{above} {}", inner.get_name()).trim().to_owned();
        found.push(path.clone());
        paths(inner, &path, found);
    }
}

fn all_paths() -> Vec<String> {
    let mut found = Vec::new();
    paths(&seathold::help::command(), "", &mut found);
    assert!(found.len() > 60, "only {} commands", found.len());
    found
}

/// The help of a command, on a terminal of so many columns.
fn help(columns: usize, command: &str) -> String {
    let typed = ["seathold"].into_iter().chain(command.split_whitespace()).chain(["--help"]);
    let help = seathold::help::command_of_width(columns).try_get_matches_from(typed).unwrap_err();
    assert_eq!(help.kind(), clap::error::ErrorKind::DisplayHelp, "{command}");
    help.render().to_string()
}

#[test]
fn every_command_stands_in_one_group_and_is_listed_there() {
    let mut grouped: Vec<&str> = GROUPS.iter().flat_map(|group| group.commands).copied().collect();
    let mut command = seathold::help::command();
    command.build();
    let mut known: Vec<&str> = command.get_subcommands().map(Command::get_name).collect();
    grouped.sort_unstable();
    known.sort_unstable();
    assert_eq!(grouped, known);

    let help = help(80, "");
    let mut rest = help.as_str();
    for group in GROUPS {
        let heading = format!("\n{}:\n", group.heading);
        rest = &rest[rest.find(&heading).unwrap_or_else(|| panic!("{heading} in {help}"))..];
        for name in group.commands {
            let at = rest.find(&format!("\n  {name} ")).unwrap_or_else(|| panic!("{name} under {}", group.heading));
            rest = &rest[at..];
        }
    }
    golden("help.txt", &help);
    golden("help-of-60-columns.txt", &self::help(60, ""));
    // Asked for in whatever way.
    let dir = tempfile::tempdir().unwrap();
    let said = seathold(dir.path(), &["--help"]);
    assert_eq!((said.code, said.err.as_str()), (0, ""));
    assert!(said.out.contains("\nAt the bench:\n"), "{}", said.out);
    assert_eq!(seathold(dir.path(), &["-h"]).out, said.out);
    assert_eq!(seathold(dir.path(), &["help"]).out, said.out);
}

/// A misprint in an example is a mistake that a newcomer types.
#[test]
fn every_example_is_understood() {
    let with_examples: BTreeSet<&str> = EXAMPLES.iter().map(|of| of.command).collect();
    let known = all_paths();
    assert_eq!(with_examples.len(), EXAMPLES.len(), "a command twice");
    assert_eq!(with_examples, known.iter().map(String::as_str).collect());
    let command = seathold::help::command();
    for of in EXAMPLES {
        assert!((2..=4).contains(&of.examples.len()), "{}: {} examples", of.command, of.examples.len());
        for (typed, about) in of.examples {
            let parsed =
                command.clone().try_get_matches_from(std::iter::once("seathold".to_owned()).chain(words(typed)));
            let matches = parsed.unwrap_or_else(|why| panic!("seathold {typed}: {why}"));
            // It is an example of this command, or of one below it.
            let mut path = String::new();
            let mut at = &matches;
            while let Some((name, below)) = at.subcommand() {
                path = format!("{path} {name}").trim().to_owned();
                at = below;
            }
            assert!(path.starts_with(of.command), "{}: {typed} is one of {path}", of.command);
            // On a line of its own, to be copied.
            let (whole, first) = (typed, typed.lines().next().unwrap());
            assert!(first.chars().count() + "  seathold ".len() <= 80, "{whole} is too long");
            assert!(!about.is_empty() && !about.ends_with('.'), "{typed}: {about}");
        }
    }
}

#[test]
fn the_examples_end_the_help_of_their_command() {
    for of in EXAMPLES {
        let help = help(80, of.command);
        let at = help.find("\nExamples:\n").unwrap_or_else(|| panic!("{}: {help}", of.command));
        for (typed, _) in of.examples {
            assert!(help[at..].contains(&format!("\n  seathold {typed}\n")), "{typed}: {}", &help[at..]);
        }
        // What must be given stands in the usage, which is not broken.
        let mut lines = help.lines().filter(|line| !line.starts_with("Usage: "));
        assert!(lines.all(|line| line.chars().count() <= 80), "{}: {help}", of.command);
    }
}

/// An unmatched quote or brace in a description would break the completions of every user of that shell.
#[test]
fn completions_name_every_command_and_a_shell_accepts_them() {
    let dir = tempfile::tempdir().unwrap();
    for shell in ["bash", "zsh", "fish", "elvish", "powershell"] {
        let said = seathold(dir.path(), &["completions", shell]);
        assert_eq!((said.code, said.err.as_str()), (0, ""), "{shell}");
        for word in ["quarantine", "waive-check", "gauge-rr", "completions", "end-tags"] {
            assert!(said.out.contains(word), "{shell}: {word}");
        }
    }
    let file = dir.path().join("seathold.bash");
    let said = seathold(dir.path(), &["completions", "bash", "--out", "[DIR]/seathold.bash"]);
    assert_eq!((said.code, said.out.as_str()), (0, "written to [DIR]/seathold.bash\n"));
    let read = std::process::Command::new("bash").arg("-n").arg(&file).output().expect("bash");
    assert!(read.status.success() && read.stderr.is_empty(), "{}", String::from_utf8_lossy(&read.stderr));
    // What it completes, asked for as the shell does.
    let asked = format!(
        "source '{}'; COMP_WORDS=(seathold register qu); COMP_CWORD=2; _seathold seathold qu register; echo \"${{COMPREPLY[*]}}\"",
        file.display()
    );
    let completed = std::process::Command::new("bash").args(["-c", &asked]).output().expect("bash");
    assert_eq!(String::from_utf8_lossy(&completed.stdout).trim(), "quarantine", "{completed:?}");
    // A file that is somebody else's stays.
    std::fs::write(&file, "mine").unwrap();
    let said = seathold(dir.path(), &["completions", "bash", "--out", "[DIR]/seathold.bash"]);
    assert_eq!(said.code, 6);
    assert_eq!(std::fs::read_to_string(&file).unwrap(), "mine");
}

#[test]
fn every_command_has_a_manual_page() {
    let dir = tempfile::tempdir().unwrap();
    let said = seathold(dir.path(), &["manual", "--out", "[DIR]/man"]);
    assert_eq!((said.code, said.err.as_str()), (0, ""));
    let mut wanted: BTreeSet<String> =
        all_paths().iter().map(|path| format!("seathold-{}.1", path.replace(' ', "-"))).collect();
    wanted.insert("seathold.1".into());
    let found: BTreeSet<String> = std::fs::read_dir(dir.path().join("man"))
        .unwrap()
        .map(|entry| entry.unwrap().file_name().into_string().unwrap())
        .collect();
    assert_eq!(found, wanted);
    assert_eq!(said.out, format!("{} pages written to [DIR]/man\n", wanted.len()));
    for name in &found {
        let page = std::fs::read_to_string(dir.path().join("man").join(name)).unwrap();
        assert!(page.contains("\n.TH seathold") && page.contains("\n.SH NAME\n"), "{name}");
        assert!(name == "seathold.1" || page.contains("Examples:"), "{name}");
    }
    let inner = std::fs::read_to_string(dir.path().join("man/seathold-register-quarantine-list.1")).unwrap();
    assert!(inner.contains("\\fBseathold register quarantine list\\fR"), "{inner}");
    // Once more: they are this program's, and replaced. Without a folder it is the first page.
    assert_eq!(seathold(dir.path(), &["manual", "--out", "[DIR]/man"]).code, 0);
    let first = std::fs::read_to_string(dir.path().join("man/seathold.1")).unwrap();
    assert_eq!(seathold(dir.path(), &["manual"]).out, first);
}
