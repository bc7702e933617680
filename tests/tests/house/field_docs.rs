//! A field is described once, in its table; what its member says in the documentation is that row, word for word.

use seathold_sequencer::adapters::{current_loop, divider, ratiometric};
use seathold_sequencer::field::{Field, Unit};
use seathold_sequencer::{recipe, rig};
use std::collections::HashMap;
use std::fmt::Debug;
use std::fs;
use std::path::Path;

/// The member whose line changes when the field is set; `None` for one of a struct within.
fn member<T: Copy + Debug>(field: &Field<T>, of: &T) -> Option<String> {
    let text = |raw: &T| format!("{raw:#?}");
    let before = text(of);
    // Two values, of which one is not what is there.
    let after = [field.min, field.max].into_iter().find_map(|value| {
        let mut raw = *of;
        (field.set)(&mut raw, value);
        Some(text(&raw)).filter(|after| *after != before)
    });
    let after = after.unwrap_or_else(|| panic!("{}: setting it changes nothing", field.name));
    let (line, _) = before.lines().zip(after.lines()).find(|(before, after)| before != after).unwrap();
    let name = line.strip_prefix("    ").filter(|rest| !rest.starts_with(' '))?.split_once(':')?.0;
    Some(name.to_owned())
}

/// A number as read: thousands apart, and powers where there would be more noughts than digits.
fn number(value: f64) -> String {
    let magnitude = value.abs();
    if magnitude != 0.0 && (magnitude < 1e-3 || (magnitude >= 1e9 && magnitude % 1e9 == 0.0)) {
        return format!("{value:e}").replace('-', "−").replace("e−", "e-");
    }
    let text = magnitude.to_string();
    let (whole, rest) = text.split_once('.').map_or((text.as_str(), String::new()), |(w, r)| (w, format!(".{r}")));
    let mut grouped = String::new();
    for (i, digit) in whole.chars().enumerate() {
        if i > 0 && (whole.len() - i) % 3 == 0 {
            grouped.push(' ');
        }
        grouped.push(digit);
    }
    format!("{}{grouped}{rest}", if value < 0.0 { "−" } else { "" })
}

fn described<T>(field: &Field<T>, member: &str) -> String {
    let mut about = field.about.to_owned();
    about[..1].make_ascii_uppercase();
    let unit = match field.unit {
        // Numbers of things; only a converter's are counts, and those are members of a struct within.
        Unit::Count => "",
        unit => unit.symbol(),
    };
    let range = match field.unit {
        Unit::Flag => String::new(),
        _ => format!(": {} to {} {unit}", number(field.min), number(field.max)).trim_end().to_owned(),
    };
    let named = if member.starts_with(field.name) { String::new() } else { format!(" In files `{}`.", field.name) };
    format!("{about}{range}.{named}")
}

/// Documentation of the members of a struct.
fn written(file: &str, name: &str) -> HashMap<String, String> {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("..").join(file);
    let source = syn::parse_file(&fs::read_to_string(path).unwrap()).unwrap();
    let of = source.items.iter().find_map(|item| match item {
        syn::Item::Struct(of) if of.ident == name => Some(of),
        _ => None,
    });
    let of = of.unwrap_or_else(|| panic!("{file} has no struct {name}"));
    let line = |attribute: &syn::Attribute| match &attribute.meta {
        syn::Meta::NameValue(syn::MetaNameValue {
            path,
            value: syn::Expr::Lit(syn::ExprLit { lit: syn::Lit::Str(text), .. }),
            ..
        }) if path.is_ident("doc") => Some(text.value().trim().to_owned()),
        _ => None,
    };
    let docs = |field: &syn::Field| field.attrs.iter().filter_map(line).collect::<Vec<_>>().join(" ");
    of.fields.iter().map(|field| (field.ident.as_ref().unwrap().to_string(), docs(field))).collect()
}

fn compare<T: Copy + Debug>(file: &str, name: &str, of: &T, fields: &[Field<T>], wrong: &mut Vec<String>) -> usize {
    let written = written(file, name);
    let (mut compared, mut rows) = (0, Vec::new());
    for field in fields {
        let Some(member) = member(field, of) else { continue };
        let wanted = described(field, &member);
        compared += 1;
        if written.get(&member) != Some(&wanted) {
            wrong.push(format!("{file} {name} {member} /// {wanted}"));
        }
        rows.push(member);
    }
    for (member, docs) in &written {
        if docs.is_empty() && !rows.contains(member) {
            wrong.push(format!("{file} {name} {member}: is in no table, and has no words of its own"));
        }
    }
    compared
}

#[test]
fn every_member_says_what_its_row_says() {
    use ratiometric::RawRatiometric;
    use seathold_sim::{config, operator, sensor};
    let wrong = &mut Vec::new();
    let compared = [
        compare("sequencer/src/rig.rs", "RawRig", &rig::RawRig::DEMO, rig::FIELDS, wrong),
        compare("sequencer/src/recipe.rs", "RawRecipe", &recipe::RawRecipe::DEMO, recipe::FIELDS, wrong),
        compare(
            "sequencer/src/adapters/ratiometric.rs",
            "RawRatiometric",
            &RawRatiometric::HALF_TO_FOUR_AND_A_HALF,
            ratiometric::FIELDS,
            wrong,
        ),
        compare(
            "sequencer/src/adapters/current_loop.rs",
            "RawCurrentLoop",
            &current_loop::RawCurrentLoop::DEMO,
            current_loop::FIELDS,
            wrong,
        ),
        compare("sequencer/src/adapters/divider.rs", "RawDivider", &divider::RawDivider::DEMO, divider::FIELDS, wrong),
        compare("sim/src/config.rs", "RawPlant", &config::RawPlant::DEMO, config::PLANT_FIELDS, wrong),
        compare("sim/src/sensor.rs", "RawSensor", &sensor::RawSensor::DEMO, sensor::SENSOR_FIELDS, wrong),
        compare(
            "sim/src/sensor.rs",
            "RawThermometer",
            &sensor::RawThermometer::DEMO,
            sensor::THERMOMETER_FIELDS,
            wrong,
        ),
        compare("sim/src/operator.rs", "RawOperator", &operator::RawOperator::DEMO, operator::OPERATOR_FIELDS, wrong),
    ];
    assert!(compared.iter().all(|&rows| rows >= 5), "{compared:?}");
    assert!(wrong.is_empty(), "the documentation is to be, member by member:\n{}", wrong.join("\n"));
}
