//! What is printed with `--json`: each kind has a name, a version, and a published schema.
//!
//! Within a version fields are added, and none is changed or taken away; every object says by which it was made.

use serde_json::{Value, json};

use crate::console::Console;
use crate::error::Error;

/// A kind of output.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[allow(missing_docs, reason = "each is the command of its name")]
pub enum JsonKind {
    Run,
    Show,
    Find,
    BatchList,
    BatchStatus,
    RegisterInfo,
    QuarantineList,
    Rigs,
    RigShow,
    Doctor,
    Plan,
    Pair,
    Assess,
    Fleet,
    Identify,
    Rejudge,
    Tune,
    GaugeRr,
    Linearity,
    Stability,
    Daily,
    Drift,
    Lengths,
    Causes,
    Settings,
    AssemblyStatus,
    CertificateIssue,
    CertificateList,
}

/// Every kind.
pub const KINDS: &[JsonKind] = &[
    JsonKind::Run,
    JsonKind::Show,
    JsonKind::Find,
    JsonKind::BatchList,
    JsonKind::BatchStatus,
    JsonKind::RegisterInfo,
    JsonKind::QuarantineList,
    JsonKind::Rigs,
    JsonKind::RigShow,
    JsonKind::Doctor,
    JsonKind::Plan,
    JsonKind::Pair,
    JsonKind::Assess,
    JsonKind::Fleet,
    JsonKind::Identify,
    JsonKind::Rejudge,
    JsonKind::Tune,
    JsonKind::GaugeRr,
    JsonKind::Linearity,
    JsonKind::Stability,
    JsonKind::Daily,
    JsonKind::Drift,
    JsonKind::Lengths,
    JsonKind::Causes,
    JsonKind::Settings,
    JsonKind::AssemblyStatus,
    JsonKind::CertificateIssue,
    JsonKind::CertificateList,
];

impl JsonKind {
    /// The command that prints it, with `--json`.
    pub const fn command(self) -> &'static str {
        match self {
            Self::Run => "run",
            Self::Show => "show",
            Self::Find => "find",
            Self::BatchList => "batch list",
            Self::BatchStatus => "batch status",
            Self::RegisterInfo => "register info",
            Self::QuarantineList => "register quarantine list",
            Self::Rigs => "rigs",
            Self::RigShow => "rig show",
            Self::Doctor => "doctor",
            Self::Plan => "plan",
            Self::Pair => "pair",
            Self::Assess => "assess",
            Self::Fleet => "fleet",
            Self::Identify => "identify",
            Self::Rejudge => "rejudge",
            Self::Tune => "tune",
            Self::GaugeRr => "study gauge-rr",
            Self::Linearity => "study linearity",
            Self::Stability => "study stability",
            Self::Daily => "study daily",
            Self::Drift => "study drift",
            Self::Lengths => "study lengths",
            Self::Causes => "study causes",
            Self::Settings => "settings",
            Self::AssemblyStatus => "assembly status",
            Self::CertificateIssue => "certificate issue",
            Self::CertificateList => "certificate list",
        }
    }

    /// Its name: the command's, in one word.
    pub fn name(self) -> String {
        self.command().replace(' ', "-")
    }

    /// Its version.
    pub const fn version(self) -> u32 {
        1
    }

    /// Its schema, as it is published in `docs/schema/`.
    pub const fn schema(self) -> &'static str {
        match self {
            Self::Run => include_str!("../schema/run.json"),
            Self::Show => include_str!("../schema/show.json"),
            Self::Find => include_str!("../schema/find.json"),
            Self::BatchList => include_str!("../schema/batch-list.json"),
            Self::BatchStatus => include_str!("../schema/batch-status.json"),
            Self::RegisterInfo => include_str!("../schema/register-info.json"),
            Self::QuarantineList => include_str!("../schema/register-quarantine-list.json"),
            Self::Rigs => include_str!("../schema/rigs.json"),
            Self::RigShow => include_str!("../schema/rig-show.json"),
            Self::Doctor => include_str!("../schema/doctor.json"),
            Self::Plan => include_str!("../schema/plan.json"),
            Self::Pair => include_str!("../schema/pair.json"),
            Self::Assess => include_str!("../schema/assess.json"),
            Self::Fleet => include_str!("../schema/fleet.json"),
            Self::Identify => include_str!("../schema/identify.json"),
            Self::Rejudge => include_str!("../schema/rejudge.json"),
            Self::Tune => include_str!("../schema/tune.json"),
            Self::GaugeRr => include_str!("../schema/study-gauge-rr.json"),
            Self::Linearity => include_str!("../schema/study-linearity.json"),
            Self::Stability => include_str!("../schema/study-stability.json"),
            Self::Daily => include_str!("../schema/study-daily.json"),
            Self::Drift => include_str!("../schema/study-drift.json"),
            Self::Lengths => include_str!("../schema/study-lengths.json"),
            Self::Causes => include_str!("../schema/study-causes.json"),
            Self::Settings => include_str!("../schema/settings.json"),
            Self::AssemblyStatus => include_str!("../schema/assembly-status.json"),
            Self::CertificateIssue => include_str!("../schema/certificate-issue.json"),
            Self::CertificateList => include_str!("../schema/certificate-list.json"),
        }
    }

    /// By which schema an object of it was made: "seathold/find/1".
    pub fn mark(self) -> String {
        format!("seathold/{}/{}", self.name(), self.version())
    }

    /// An object with that.
    pub fn marked(self, mut object: Value) -> Value {
        if matches!(self, Self::BatchStatus | Self::Find) {
            both_names(&mut object);
        }
        if let Some(fields) = object.as_object_mut() {
            fields.insert("schema".into(), json!(self.mark()));
        }
        object
    }
}

/// Fields that were first called otherwise than on screen and in tables: the first name stays within a version.
const RENAMED: [(&str, &str); 2] = [("stand", "status"), ("ground", "reason")];

/// Each of those under both names.
fn both_names(value: &mut Value) {
    match value {
        Value::Object(fields) => {
            for (old, new) in RENAMED {
                if let Some(of) = fields.get(old).cloned() {
                    fields.insert(new.into(), of);
                }
            }
            fields.values_mut().for_each(both_names);
        }
        Value::Array(items) => items.iter_mut().for_each(both_names),
        Value::Null | Value::Bool(_) | Value::Number(_) | Value::String(_) => {}
    }
}

/// Prints an object of a kind, on a line.
///
/// # Errors
/// When it cannot be written.
pub fn write(console: &mut Console<'_>, kind: JsonKind, object: Value) -> Result<(), Error> {
    writeln!(console.out, "{}", kind.marked(object))?;
    Ok(())
}
