//! What `seathold --help` lists: the commands by what a person wants, from one table.

use clap::Command;

/// Commands that belong together, in the order in which they are listed.
#[derive(Clone, Copy, Debug)]
pub struct CommandGroup {
    /// What the person wants.
    pub heading: &'static str,
    /// The commands.
    pub commands: &'static [&'static str],
}

/// Every command, in exactly one group.
pub const GROUPS: &[CommandGroup] = &[
    CommandGroup { heading: "At the bench", commands: &["run", "batch", "watch"] },
    CommandGroup {
        heading: "Evidence",
        commands: &[
            "show",
            "replay",
            "find",
            "report",
            "certificate",
            "sign",
            "verify",
            "export",
            "assess",
            "register",
        ],
    },
    CommandGroup { heading: "Putting together", commands: &["pair", "assembly", "label"] },
    CommandGroup { heading: "Setting up", commands: &["plan", "recipe", "calibrate"] },
    CommandGroup { heading: "Rig and controller", commands: &["rigs", "rig", "doctor", "key"] },
    CommandGroup { heading: "Learning from results", commands: &["rejudge", "tune", "study"] },
    CommandGroup { heading: "Simulation", commands: &["valve", "fleet", "identify", "serve"] },
    CommandGroup { heading: "This program", commands: &["settings", "completions", "manual", "schema", "help"] },
];

/// The help of the program itself: what clap would list in one block stands under the headings, in clap's own columns.
pub(super) fn by_purpose(command: Command) -> Command {
    let listed = command.clone().help_template("{subcommands}").render_help().to_string();
    let entries = entries(&listed);
    let mut text = String::new();
    for group in GROUPS {
        text.push_str(&format!("{}:\n", group.heading));
        for name in group.commands {
            let entry = entries.iter().find(|entry| entry.split_whitespace().next() == Some(name));
            text.push_str(entry.map_or("", String::as_str));
        }
        text.push('\n');
    }
    text.push_str("`seathold COMMAND --help` says more, and ends in examples.\n\n");
    let template = format!(
        "{{about-with-newline}}\n{{usage-heading}} {{usage}}\n\n{}Options:\n{{options}}{{after-help}}",
        // A template of clap's has its own use for braces.
        text.replace('{', "(").replace('}', ")")
    );
    command.help_template(template)
}

/// The entries of a list in which an entry begins two columns in, and its further lines do not.
fn entries(listed: &str) -> Vec<String> {
    let mut entries: Vec<String> = Vec::new();
    for line in listed.lines() {
        let begins = line.starts_with("  ") && !line[2..].starts_with(' ') && !line.trim().is_empty();
        match entries.last_mut() {
            _ if begins => entries.push(format!("{line}\n")),
            Some(entry) if !line.trim().is_empty() => entry.push_str(&format!("{line}\n")),
            _ => {}
        }
    }
    entries
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_entry_keeps_its_further_lines() {
        let listed = "  run      Test a valve\n           both sides\n  key\n          Make a key\n";
        assert_eq!(
            entries(listed),
            ["  run      Test a valve\n           both sides\n", "  key\n          Make a key\n"]
        );
    }
}
