//! Every setting: its key, its variable, the options it is for, and what it may be.

use crate::redact::TypedAddress;
use crate::rig::Address;

/// A setting.
#[derive(Clone, Copy, Debug)]
pub struct SettingDef {
    /// Its key in the file.
    pub key: &'static str,
    /// Its variable in the environment.
    pub variable: &'static str,
    /// The option that is stronger, as it is typed.
    pub option: &'static str,
    /// What it is for.
    pub about: &'static str,
    /// What holds where nothing says otherwise.
    pub built_in: &'static str,
    /// A value as an example, as the file has it.
    pub example: &'static str,
    /// What it may be.
    pub kind: SettingKind,
    /// Said before a command acts by it: who answers, and what air or records go to.
    pub told: bool,
    /// Options that it is the default of.
    pub(super) options: &'static [OptionOf],
}

/// What a setting may be.
#[derive(Clone, Copy, Debug)]
pub enum SettingKind {
    /// A text that this accepts.
    Text(fn(&str) -> Result<(), String>),
    /// A file or folder; in the settings file from where that is.
    Path,
    /// A folder.
    Folder,
    /// One of these.
    Word(&'static [&'static str]),
    /// Yes or no.
    Flag,
}

/// An option, by clap's name for it.
#[derive(Clone, Copy, Debug)]
pub(super) struct OptionOf {
    pub(super) id: &'static str,
    /// Only of this command; of every one that has it otherwise.
    pub(super) command: Option<&'static str>,
}

const fn everywhere(id: &'static str) -> OptionOf {
    OptionOf { id, command: None }
}

/// Every setting, in the order in which they are listed.
pub const SETTINGS: &[SettingDef] = &[
    SettingDef {
        key: "operator",
        variable: "SEATHOLD_OPERATOR",
        option: "--operator",
        about: "who tests, calibrates, or writes a record; told before each run, and asked again by `batch test`",
        built_in: "nobody is named",
        example: "\"Ada\"",
        kind: SettingKind::Text(operator),
        told: true,
        options: &[everywhere("operator")],
    },
    SettingDef {
        key: "rig",
        variable: "SEATHOLD_RIG",
        option: "--rig",
        about: "the controller that run, batch test, watch, doctor and rig work on; calibrate takes only what is typed",
        built_in: "sim",
        example: "\"serial:/dev/ttyACM0\"",
        kind: SettingKind::Text(rig),
        told: true,
        options: &[everywhere("rig")],
    },
    SettingDef {
        key: "key",
        variable: "SEATHOLD_KEY",
        option: "--key",
        about: "the file of the key that the controller shares with this computer",
        built_in: "none",
        example: "\"bench-1.key\"",
        kind: SettingKind::Path,
        told: true,
        options: &[everywhere("key")],
    },
    SettingDef {
        key: "register",
        variable: seathold_register::VARIABLE,
        option: "--register",
        about: "the register that runs are kept in, and that other commands read",
        built_in: "bench.sqlite; for `run`, that only where a batch in it has the valve",
        example: "\"bench.sqlite\"",
        kind: SettingKind::Path,
        told: true,
        options: &[everywhere("register")],
    },
    SettingDef {
        key: "push",
        variable: "SEATHOLD_PUSH",
        option: "--push",
        about: "the office that the register is sent to after each run, in the background",
        built_in: "none",
        example: "\"postgres://bench_1@office/seathold?sslrootcert=office.pem\"",
        kind: SettingKind::Text(office),
        told: true,
        options: &[everywhere("push")],
    },
    SettingDef {
        key: "recordings",
        variable: "SEATHOLD_RECORDINGS",
        option: "--out, --recordings",
        about: "the folder for the recordings of runs, batches and calibrations",
        built_in: "recordings/",
        example: "\"recordings\"",
        kind: SettingKind::Folder,
        told: true,
        options: &[everywhere("recordings"), OptionOf { id: "out", command: Some("run") }],
    },
    SettingDef {
        key: "confirm_serial",
        variable: "SEATHOLD_CONFIRM_SERIAL",
        option: "--confirm-serial",
        about: "`batch test` has a serial scanned again when its valve is clamped",
        built_in: "no",
        example: "true",
        kind: SettingKind::Flag,
        told: false,
        options: &[everywhere("confirm_serial")],
    },
    SettingDef {
        key: "pressure_unit",
        variable: "SEATHOLD_PRESSURE_UNIT",
        option: "--unit",
        about: "the unit of pressures in run, show and watch",
        built_in: "the recipe's; for `watch`, bar",
        example: "\"bar\"",
        kind: SettingKind::Word(&crate::args::PRESSURE_UNITS),
        told: false,
        // `pair` has one of its own, of lengths.
        options: &[
            OptionOf { id: "unit", command: Some("run") },
            OptionOf { id: "unit", command: Some("batch test run") },
            OptionOf { id: "unit", command: Some("show") },
            OptionOf { id: "unit", command: Some("watch") },
        ],
    },
    SettingDef {
        key: "page_size",
        variable: "SEATHOLD_PAGE_SIZE",
        option: "--page-size",
        about: "the paper of reports",
        built_in: "a4",
        example: "\"letter\"",
        kind: SettingKind::Word(&["a4", "letter"]),
        told: false,
        options: &[everywhere("page_size")],
    },
    SettingDef {
        key: "lines",
        variable: "SEATHOLD_LINES",
        option: "--lines",
        about: "at the rig lines in place of the whole screen",
        built_in: "no",
        example: "true",
        kind: SettingKind::Flag,
        told: false,
        options: &[everywhere("lines")],
    },
    SettingDef {
        key: "bell",
        variable: "SEATHOLD_BELL",
        option: "--bell, --no-bell",
        about: "a bell at questions and verdicts",
        built_in: "yes",
        example: "false",
        kind: SettingKind::Flag,
        told: false,
        options: &[everywhere("bell")],
    },
    SettingDef {
        key: "color",
        variable: "SEATHOLD_COLOR",
        option: "--color",
        about: "verdicts and faults in colour: on a terminal, always or never; NO_COLOR is stronger than the file",
        built_in: "auto",
        example: "\"never\"",
        kind: SettingKind::Word(&["auto", "always", "never"]),
        told: false,
        // What colour is for is known before a command is.
        options: &[],
    },
];

fn operator(text: &str) -> Result<(), String> {
    if text.trim().is_empty() {
        return Err("give a name, or leave the key out".into());
    }
    crate::args::person(text).map(|_| ())
}

fn office(text: &str) -> Result<(), String> {
    TypedAddress::well_formed(text).map(|_| ())
}

fn rig(text: &str) -> Result<(), String> {
    text.parse::<Address>().map(|_| ())
}

impl SettingDef {
    /// A value as an option would have it.
    ///
    /// # Errors
    /// With what is allowed.
    pub(super) fn check(&self, text: &str) -> Result<String, String> {
        match self.kind {
            SettingKind::Text(accepts) => {
                accepts(text).map(|()| text.to_owned()).map_err(|why| format!("\"{text}\": {why}"))
            }
            SettingKind::Path | SettingKind::Folder if text.is_empty() => {
                Err("\"\": give a path, or leave the key out".into())
            }
            SettingKind::Path | SettingKind::Folder => Ok(text.to_owned()),
            SettingKind::Word(words) if words.contains(&text) => Ok(text.to_owned()),
            SettingKind::Word(words) => {
                let hint = seathold_quantity::did_you_mean(text, words.iter().copied());
                Err(format!("\"{text}\" is none of {}{hint}", words.join(", ")))
            }
            SettingKind::Flag => crate::args::yes_no(text)
                .map(|yes| if yes { "yes" } else { "no" }.into())
                .map_err(|why| format!("\"{text}\": {why}")),
        }
    }
}

/// A settings file with every key, each a comment.
pub fn template() -> String {
    let mut text = String::from(
        "# Settings of seathold. What is typed comes first, then the environment, then this file, then what is built in.\n\
         # A path is taken from the folder of this file; ~/ is your home.\n",
    );
    for setting in SETTINGS {
        text.push_str(&format!(
            "\n# {}\n# built in: {}; variable: {}; option: {}\n# {} = {}\n",
            setting.about, setting.built_in, setting.variable, setting.option, setting.key, setting.example
        ));
    }
    text
}
