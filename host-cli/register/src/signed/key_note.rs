//! The note that states a bench's key from there on.

use seathold_signing::{PublicKey, SigningKey, fingerprint};
use serde::{Deserialize, Serialize};

/// Text of a `key` note.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub(crate) struct KeyNote {
    /// Public part of the key, in hexadecimal digits.
    pub key: String,
    /// That the key before handed over to it: its signature of the new one. Empty for the first, and where the one before was lost.
    #[serde(default, skip_serializing_if = "String::is_empty")]
    pub handed_over: String,
}

impl KeyNote {
    /// States a key, handed over by the one before where there is one.
    pub(crate) fn new(bench: &str, key: &PublicKey, before: Option<&SigningKey>) -> Self {
        let key = key.hex();
        let handed_over = before.map(|before| before.sign(&handover_text(bench, &key))).unwrap_or_default();
        Self { key, handed_over }
    }

    /// Reads a note's text; none where it is no key.
    pub(crate) fn read(text: &str) -> Option<(Self, PublicKey)> {
        let note: Self = serde_json::from_str(text).ok()?;
        let key = PublicKey::from_hex(&note.key)?;
        Some((note, key))
    }

    /// Its text.
    pub(crate) fn text(&self) -> String {
        // Two texts: nothing that JSON cannot write.
        serde_json::to_string(self).unwrap_or_default()
    }

    /// Whether that key handed over to this one.
    pub(crate) fn follows(&self, bench: &str, before: &PublicKey) -> bool {
        before.verifies(&handover_text(bench, &self.key), &self.handed_over)
    }
}

/// What a key signs of the one that follows it.
fn handover_text(bench: &str, key: &str) -> String {
    format!("seathold key\n{bench}\n{key}\n")
}

/// A note's text as people read it.
pub(crate) fn words(text: &str) -> Option<String> {
    let (note, _) = KeyNote::read(text)?;
    let over = if note.handed_over.is_empty() { "" } else { ", handed over by the one before" };
    Some(format!("records are signed from here on with the key of fingerprint {}{over}", fingerprint(&note.key)))
}
