//! Mistakes in what a person wrote.

use std::fmt;

/// One mistake.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct InputProblem {
    /// Line in the file, where there is one.
    pub line: Option<usize>,
    /// What is wrong; begins with the field's name.
    pub message: String,
}

/// Mistakes in a file or on the command line: all of them, at once.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct InputError {
    /// The file, or "command line".
    pub origin: String,
    /// Each mistake.
    pub problems: Vec<InputProblem>,
}

impl InputError {
    /// One mistake on the command line.
    pub fn usage(message: impl Into<String>) -> Self {
        Self { origin: "command line".into(), problems: vec![InputProblem { line: None, message: message.into() }] }
    }
}

impl fmt::Display for InputError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let Self { origin, problems } = self;
        if let [one] = problems.as_slice() {
            let line = one.line.map(|n| format!(" line {n}:")).unwrap_or_default();
            return write!(f, "{origin}:{line} {}", one.message);
        }
        write!(f, "{origin}: {} mistakes", problems.len())?;
        for problem in problems {
            match problem.line {
                Some(line) => write!(f, "\n  line {line}: {}", problem.message)?,
                None => write!(f, "\n  {}", problem.message)?,
            }
        }
        Ok(())
    }
}

impl std::error::Error for InputError {}

/// "; did you mean "x"?" when a known name is close to what was typed.
pub fn did_you_mean<'a>(typed: &str, known: impl Iterator<Item = &'a str>) -> String {
    known
        .map(|name| (strsim::jaro_winkler(typed, name), name))
        .filter(|(likeness, _)| *likeness > 0.75)
        .max_by(|a, b| a.0.total_cmp(&b.0))
        .map(|(_, name)| format!("; did you mean \"{name}\"?"))
        .unwrap_or_default()
}
