//! The shop that hands valves over: what stands at the head of its certificates.

use std::collections::HashSet;
use std::path::{Path, PathBuf};

use seathold_language::Language;
use seathold_recording::plain::hidden_fault;

use crate::Error;
use crate::config_file::ConfigFile;

/// Longest text of a field, in characters.
const TEXT_MAX: usize = 200;

/// Longest prefix of certificate numbers.
pub const PREFIX_MAX: usize = 16;

/// Most people who may release.
const SIGNATORIES_MAX: usize = 100;

/// A shop.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Shop {
    /// Its name.
    pub name: String,
    /// Its address, on one line.
    pub address: String,
    /// How it is reached.
    pub contact: String,
    /// What the numbers of its certificates begin with.
    pub certificate_prefix: String,
    /// Language of its certificates.
    pub language: Language,
    /// The file of its mark, SVG or PNG.
    pub mark: Option<PathBuf>,
    /// Who may release a certificate; anybody where there is none.
    pub signatories: Vec<Signatory>,
}

/// Somebody who may release a certificate.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Signatory {
    /// Name.
    pub name: String,
    /// What stands below it.
    pub role: String,
}

/// Reads a file. The mark's is named from where that lies.
///
/// # Errors
/// When it cannot be read, or everything that is wrong with it.
pub fn read(path: &Path) -> Result<Shop, Error> {
    let shop = from(ConfigFile::read(path)?)?;
    let beside = path.parent().unwrap_or(Path::new(""));
    Ok(Shop { mark: shop.mark.map(|mark| beside.join(mark)), ..shop })
}

/// Reads a text.
///
/// # Errors
/// Everything that is wrong with it.
pub fn parse(origin: &str, text: &str) -> Result<Shop, Error> {
    from(ConfigFile::parse(origin, text)?)
}

fn from(mut file: ConfigFile) -> Result<Shop, Error> {
    let lines = file.tables("signatory");
    if lines.len() > SIGNATORIES_MAX {
        file.complain(None, format!("signatory: {} of them; {SIGNATORIES_MAX} are allowed", lines.len()));
    }
    let mut shop = Shop {
        name: text(&mut file, "name").unwrap_or_else(|| missing(&mut file, None, "name")),
        address: text(&mut file, "address").unwrap_or_default(),
        contact: text(&mut file, "contact").unwrap_or_default(),
        certificate_prefix: file.checked("certificate_prefix", false, prefix).unwrap_or_default(),
        language: file.checked("language", false, language).unwrap_or_default(),
        mark: file.has("mark").then(|| file.checked("mark", false, mark).unwrap_or_default()),
        signatories: Vec::new(),
    };
    let mut names = HashSet::new();
    for (at, line) in lines.iter().enumerate().take(SIGNATORIES_MAX) {
        file.within(&format!("signatory[{}]", at + 1));
        let path = format!("signatory[{}].name", at + 1);
        let signatory = Signatory {
            name: text(&mut file, "name").unwrap_or_else(|| missing(&mut file, *line, &path)),
            role: text(&mut file, "role").unwrap_or_default(),
        };
        if !names.insert(signatory.name.clone()) {
            file.complain(*line, format!("signatory[{}].name: \"{}\" comes twice", at + 1, signatory.name));
        }
        shop.signatories.push(signatory);
    }
    file.finish()?;
    Ok(shop)
}

/// A field's text, empty where there is something wrong with it; none where it is not there.
fn text(file: &mut ConfigFile, name: &str) -> Option<String> {
    let checked = |text: &str| {
        let count = text.chars().count();
        match count {
            _ if text.trim().is_empty() => Err("empty".into()),
            _ if count > TEXT_MAX => Err(format!("{count} characters; {TEXT_MAX} are allowed")),
            _ => hidden_fault(text).map_or_else(|| Ok(text.trim().to_owned()), Err),
        }
    };
    file.has(name).then(|| file.checked(name, false, checked).unwrap_or_default())
}

fn missing(file: &mut ConfigFile, line: Option<usize>, path: &str) -> String {
    file.complain(line, format!("{path}: missing"));
    String::new()
}

fn prefix(text: &str) -> Result<String, String> {
    let is_of_number = |c: char| c.is_ascii_alphanumeric() || c == '-';
    if text.len() > PREFIX_MAX || !text.chars().all(is_of_number) || text.starts_with('-') {
        return Err(format!("\"{text}\" is not up to {PREFIX_MAX} letters, digits and hyphens, the first no hyphen"));
    }
    Ok(text.into())
}

fn language(text: &str) -> Result<Language, String> {
    let known = || Language::ALL.map(Language::tag).join(", ");
    Language::of_tag(text).ok_or_else(|| format!("\"{text}\" is no language that is known; there are: {}", known()))
}

fn mark(text: &str) -> Result<PathBuf, String> {
    let path = PathBuf::from(text);
    let is = |kind: &str| path.extension().is_some_and(|ending| ending.eq_ignore_ascii_case(kind));
    if text.chars().any(char::is_control) || !(is("svg") || is("png")) {
        return Err(format!("{text:?} is no file that ends in .svg or .png"));
    }
    Ok(path)
}

/// A file to start from.
pub const TEMPLATE: &str = r#"# The shop that hands valves over: an example. Put in your own.
#
# name                at the head of every certificate
# address, contact    below it; may be left out
# certificate_prefix  what the numbers of certificates begin with: letters, digits, hyphens
# language            of its certificates: en, de; --language of a command goes before it
# mark                a drawing (.svg) or bitmap (.png) beside the name, named from where this file lies; may be left out
# signatory           who may release a certificate, one after the other; without any, anybody

name = "Tidewater Valve Works"
address = "Slipway 4, Old Harbour"
contact = "valves@tidewater.example"
certificate_prefix = "TW"
language = "en"
# mark = "mark.svg"

[[signatory]]
name = "Ada Brook"
role = "Inspector"
"#;

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_template_is_a_shop() {
        let shop = parse("template", TEMPLATE).unwrap();
        assert_eq!((shop.name.as_str(), shop.certificate_prefix.as_str()), ("Tidewater Valve Works", "TW"));
        assert_eq!(shop.signatories, [Signatory { name: "Ada Brook".into(), role: "Inspector".into() }]);
        assert_eq!(parse("shop.toml", "name = \"A\"").unwrap(), Shop { name: "A".into(), ..Shop::default() });
    }

    #[test]
    fn everything_wrong_is_named_with_its_line() {
        let long = "x".repeat(201);
        let text = format!(
            "address = \"{long}\"\ncontact = \"a\\nb\"\ncertificate_prefix = \"A/B\"\nlogo = 1\nmark = \"mark.gif\"\n[[signatory]]\nname = \
             \"B\"\n[[signatory]]\nname = \"B\"\nrole = \"\"\n[[signatory]]\nrole = \"C\"\n"
        );
        let why = parse("shop.toml", &text).unwrap_err().to_string();
        for said in [
            "name: missing",
            "line 1: address: 201 characters; 200 are allowed",
            "line 2: contact: has the character U+000A, which acts on a screen or is not seen",
            "line 3: certificate_prefix: \"A/B\" is not up to 16 letters, digits and hyphens, the first no hyphen",
            "line 4: logo: unknown field",
            "line 5: mark: \"mark.gif\" is no file that ends in .svg or .png",
            "line 8: signatory[2].name: \"B\" comes twice",
            "line 10: signatory[2].role: empty",
            "line 11: signatory[3].name: missing",
        ] {
            assert!(why.contains(said), "{said}:\n{why}");
        }
    }
}
