//! A language's messages.

use std::fmt;

use fluent_bundle::{FluentArgs, FluentBundle, FluentResource, FluentValue};
use unic_langid::LanguageIdentifier;

use crate::Language;

/// The messages of each language, in files of Fluent's format.
const fn source(language: Language) -> &'static str {
    match language {
        Language::English => include_str!("en.ftl"),
        Language::German => include_str!("de.ftl"),
    }
}

/// What stands for a variable of a message.
#[derive(Clone, Copy, Debug)]
pub enum MessageValue<'a> {
    /// A text, as it is.
    Text(&'a str),
    /// A count, by which a message may choose its words.
    Count(u64),
}

/// The messages of a language.
pub struct Catalogue {
    language: Language,
    bundle: FluentBundle<FluentResource>,
}

impl fmt::Debug for Catalogue {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("Catalogue").field("language", &self.language).finish_non_exhaustive()
    }
}

impl Catalogue {
    /// That of a language.
    pub fn new(language: Language) -> Self {
        let tag: LanguageIdentifier = language.tag().parse().unwrap_or_default();
        let mut bundle = FluentBundle::new(vec![tag]);
        // No marks of direction around what is put in: these languages are written in one.
        bundle.set_use_isolating(false);
        // What a file has wrong is left out of it; a test sees to it that nothing is.
        let resource = FluentResource::try_new(source(language).to_owned()).unwrap_or_else(|(rest, _)| rest);
        bundle.add_resource_overriding(resource);
        Self { language, bundle }
    }

    /// The language.
    pub const fn language(&self) -> Language {
        self.language
    }

    /// A message. Its name where there is none, so that it is noticed.
    pub fn say(&self, message: &str, values: &[(&str, MessageValue<'_>)]) -> String {
        let Some(pattern) = self.bundle.get_message(message).and_then(|found| found.value()) else {
            return message.to_owned();
        };
        let mut arguments = FluentArgs::new();
        for (name, value) in values {
            match value {
                MessageValue::Text(text) => arguments.set(*name, FluentValue::from(*text)),
                MessageValue::Count(count) => arguments.set(*name, FluentValue::from(*count)),
            }
        }
        self.bundle.format_pattern(pattern, Some(&arguments), &mut Vec::new()).into_owned()
    }

    /// A message in which texts stand for its variables.
    pub fn say_of(&self, message: &str, texts: &[(&str, &str)]) -> String {
        let values: Vec<(&str, MessageValue<'_>)> =
            texts.iter().map(|(name, text)| (*name, MessageValue::Text(text))).collect();
        self.say(message, &values)
    }
}

/// The names of the messages of a language, each with its variables; for tests.
pub fn messages(language: Language) -> Vec<(String, Vec<String>)> {
    let mut found: Vec<(String, Vec<String>)> = Vec::new();
    for line in source(language).lines() {
        let begins = line.split_once(" =").filter(|(name, _)| {
            !name.is_empty() && name.chars().all(|c| c.is_ascii_lowercase() || c.is_ascii_digit() || c == '-')
        });
        if let Some((name, _)) = begins {
            found.push((name.to_owned(), Vec::new()));
        }
        let Some((_, variables)) = found.last_mut().filter(|_| !line.starts_with('#')) else { continue };
        for part in line.split('$').skip(1) {
            let name: String = part.chars().take_while(|c| c.is_ascii_alphanumeric() || *c == '-').collect();
            variables.push(name);
        }
    }
    for (_, variables) in &mut found {
        variables.sort();
        variables.dedup();
    }
    found.sort();
    found
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_language_has_the_same_messages_with_the_same_variables() {
        let english = messages(Language::English);
        assert!(english.len() > 60, "{}", english.len());
        for language in Language::ALL {
            assert_eq!(messages(language), english, "{language:?}");
            let parsed = FluentResource::try_new(source(language).to_owned());
            let parsed = parsed.unwrap_or_else(|(_, errors)| panic!("{language:?}: {errors:?}"));
            assert!(parsed.entries().count() >= english.len());
        }
    }

    #[test]
    fn every_message_is_said_with_its_variables() {
        for language in Language::ALL {
            let catalogue = Catalogue::new(language);
            for (name, variables) in messages(language) {
                let values: Vec<(&str, MessageValue<'_>)> =
                    variables.iter().map(|name| (name.as_str(), MessageValue::Text("VALUE"))).collect();
                let said = catalogue.say(&name, &values);
                assert!(said != name && !said.contains(['{', '}', '\u{2068}']), "{language:?} {name}: {said}");
            }
        }
    }

    #[test]
    fn a_message_that_is_missing_is_noticed() {
        assert_eq!(Catalogue::new(Language::German).say("no-such-message", &[]), "no-such-message");
    }
}
