//! The steps of assembly of a batch: `[[step]]` after `[[step]]`, in their order.

use std::collections::HashSet;
use std::path::Path;

use seathold_assembly::steps::{STEPS_MAX, Step, StepValue, step_fault};

use crate::Error;
use crate::config_file::ConfigFile;

/// Reads a file.
///
/// # Errors
/// When it cannot be read, or everything that is wrong with it.
pub fn read(path: &Path) -> Result<Vec<Step>, Error> {
    from(ConfigFile::read(path)?)
}

/// Reads a text.
///
/// # Errors
/// Everything that is wrong with it.
pub fn parse(origin: &str, text: &str) -> Result<Vec<Step>, Error> {
    from(ConfigFile::parse(origin, text)?)
}

fn from(mut file: ConfigFile) -> Result<Vec<Step>, Error> {
    let lines = file.tables("step");
    if lines.is_empty() || lines.len() > STEPS_MAX {
        file.complain(
            None,
            format!("step: {} of them; there are 1 to {STEPS_MAX}, each in its own [[step]]", lines.len()),
        );
    }
    let mut steps: Vec<Step> = Vec::new();
    let mut names = HashSet::new();
    for (at, line) in lines.iter().enumerate().take(STEPS_MAX) {
        file.within(&format!("step[{}]", at + 1));
        let step = step(&mut file);
        let is_new = names.insert(step.name.clone());
        let twice = || (!is_new).then(|| ("name", format!("\"{}\" comes twice", step.name)));
        let fault = step_fault(&step).or_else(twice);
        if let Some((field, why)) = fault {
            file.complain(*line, format!("step[{}].{field}: {why}", at + 1));
        }
        steps.push(step);
    }
    file.finish()?;
    Ok(steps)
}

fn step(file: &mut ConfigFile) -> Step {
    let flag =
        |file: &mut ConfigFile, name: &str| file.checked(name, true, |word| Ok(word == "true")).unwrap_or_default();
    let (least, most) = (file.number("least"), file.number("most"));
    let unit = file.text("unit");
    let value = file.text("value");
    let given = value.is_some() || unit.is_some() || least.is_some() || most.is_some();
    Step {
        name: file.text("name").unwrap_or_default(),
        text: file.text("text").unwrap_or_default(),
        value: given.then(|| StepValue {
            what: value.unwrap_or_default(),
            unit: unit.unwrap_or_default(),
            least,
            most,
        }),
        tool: flag(file, "tool"),
        photo: flag(file, "photo"),
        // No whole number is none that can be tightened in a criss-cross pattern.
        bolts: file.number("bolts").map(|bolts| if bolts.fract() == 0.0 { bolts as u32 } else { 0 }),
        again_after_rework: flag(file, "again_after_rework"),
    }
}

/// A list to start from.
pub const TEMPLATE: &str = r#"# Steps of assembly of a batch, in their order: an example. Put in what your own procedure asks for, and its figures.
#
# name                the word it is ticked by: small letters, digits and hyphens
# text                what is to be done
# value               what is read or noted: "torque", "kit lot"
# unit, least, most   where that is a number
# tool                true: the number of the tool is noted
# photo               true: a photograph is taken
# bolts               so many are tightened in a criss-cross pattern; the order is drawn
# again_after_rework  true: a rework undoes it

[[step]]
name = "purge"
text = "Ball half open and both ends purged while the fittings are welded"

[[step]]
name = "clean"
text = "Bores, seats and threads clean and dry"
again_after_rework = true

[[step]]
name = "seals"
text = "New seals in, the right way round"
value = "kit lot"
again_after_rework = true

[[step]]
name = "bolts"
text = "Body bolts tightened in a criss-cross pattern, in three stages"
value = "torque"
unit = "N m"
least = 18
most = 22
tool = true
bolts = 4
again_after_rework = true
"#;

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_template_is_a_list() {
        let steps = parse("template", TEMPLATE).unwrap();
        assert_eq!(steps.iter().map(|s| s.name.as_str()).collect::<Vec<_>>(), ["purge", "clean", "seals", "bolts"]);
        assert_eq!((steps[3].bolts, steps[3].tool, steps[0].again_after_rework), (Some(4), true, false));
        assert_eq!(steps[3].value.as_ref().unwrap().range(), "18 to 22 N m");
    }

    #[test]
    fn everything_wrong_is_named_with_its_line() {
        let text = "[[step]]\nname = \"A b\"\ntext = \"x\"\n[[step]]\nname = \"c\"\ntext = \"\"\nbolts = 5\nphoto = 1\n\
                    [[step]]\nname = \"d\"\ntext = \"x\"\nunit = \"N m\"\nleast = \"2\"\n[[step]]\nname = \"d\"\ntext = \"x\"\ntorqe = 3\n";
        let why = parse("steps.toml", text).unwrap_err().to_string();
        for said in [
            "line 1: step[1].name: \"A b\" is not 1 to 40 small letters, digits and hyphens",
            "line 4: step[2].text: empty",
            "line 8: step[2].photo: 1 is neither true nor false",
            "line 9: step[3].value: empty",
            "line 13: step[3].least: \"2\" is not a number",
            "line 14: step[4].name: \"d\" comes twice",
            "line 17: step[4].torqe: unknown field",
        ] {
            assert!(why.contains(said), "{said}\n{why}");
        }
        let why = parse("steps.toml", "").unwrap_err().to_string();
        assert!(why.contains("step: 0 of them; there are 1 to 64"), "{why}");
    }
}
