//! The catalogue of a customer's documents: nothing is said that it has not, and it has nothing that is not said.

use std::collections::BTreeSet;
use std::path::Path;

use seathold_language::{Language, messages};

/// Messages whose name is put together of a word of the data.
const OF_A_WORD: [&str; 7] = ["later-", "no-result-", "order-", "reason-", "result-", "side-", "verdict-"];

fn sources(folder: &Path, into: &mut String) {
    for entry in std::fs::read_dir(folder).unwrap() {
        let path = entry.unwrap().path();
        if path.is_dir() {
            sources(&path, into);
        } else if path.extension().is_some_and(|ending| ending == "rs") {
            *into += &std::fs::read_to_string(path).unwrap();
        }
    }
}

#[test]
fn every_message_is_there_and_is_used() {
    let host = Path::new(env!("CARGO_MANIFEST_DIR")).join("../host-cli");
    let mut text = String::new();
    for folder in ["report/src/certificate", "report/src/label", "document/src/pdf"] {
        sources(&host.join(folder), &mut text);
    }
    let literals: BTreeSet<&str> = text.split('"').skip(1).step_by(2).collect();
    let there: BTreeSet<String> = messages(Language::German).into_iter().map(|(name, _)| name).collect();
    let unused: Vec<&String> = there
        .iter()
        .filter(|name| !literals.contains(name.as_str()) && !OF_A_WORD.iter().any(|word| name.starts_with(word)))
        .collect();
    assert!(unused.is_empty(), "{unused:?}");
    // What is said by its name stands behind one of these.
    let said = |call: &str| -> Vec<String> {
        let after = text.split(call).skip(1).map(|rest| rest.trim_start());
        after.filter_map(|rest| Some(rest.strip_prefix('"')?.split('"').next()?.to_owned())).collect()
    };
    let mut names: Vec<String> = [".say(", ".say_of(", "self.of(", "words.of("].into_iter().flat_map(said).collect();
    names.retain(|name| !there.contains(name));
    assert!(names.is_empty(), "{names:?}");
    for word in OF_A_WORD {
        assert!(there.iter().filter(|name| name.starts_with(word)).count() > 1, "{word}");
    }
}
