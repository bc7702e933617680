//! What a note seals of a certificate.

use serde::{Deserialize, Serialize};

use crate::assembly::sealed;

/// How a certificate was made out: what its page depends on besides what it states.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct CertificateManner {
    /// The program that made it.
    #[serde(default)]
    pub program: String,
    /// The zone of its local times: "Europe/Dublin", or the hours from UTC, "+01:00".
    #[serde(default)]
    pub zone: String,
    /// Its language: "en", "de".
    #[serde(default)]
    pub language: String,
}

/// What a note seals of a certificate; its valves follow, a line each.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct CertificateHead {
    /// Its number.
    pub certificate: String,
    /// SHA-256 over what it states, as data.
    pub sha256: String,
    /// Who released it; empty where nobody was named.
    #[serde(default, skip_serializing_if = "String::is_empty")]
    pub released_by: String,
    /// Public part of the key it was signed with, in hexadecimal digits; empty where it was not.
    #[serde(default, skip_serializing_if = "String::is_empty")]
    pub key: String,
    /// Whether it was made of a selection of the batch's records.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub selection: bool,
    /// How it was made out.
    #[serde(flatten)]
    pub manner: CertificateManner,
}

/// A note's text as people read it.
pub(crate) fn words(text: &str, serial: Option<&str>) -> Option<String> {
    let head: CertificateHead = sealed::head(text)?;
    let of = match serial {
        Some(_) => String::new(),
        None => format!(" of {} valves", sealed::lines::<String>(text)?.len()),
    };
    let released =
        if head.released_by.is_empty() { String::new() } else { format!(", released by {}", head.released_by) };
    Some(format!("certificate {}{of}{released}; SHA-256 of its data {}", head.certificate, head.sha256))
}
