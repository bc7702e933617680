//! Labels of fittings, and of the classes that they lie in.

use seathold_assembly::length_class::ClassedParts;
use seathold_document::pdf::labels::{Label, LabelLine, Lettering};
use seathold_document::{CodeError, MatrixCode};
use seathold_register::assembly::sealed::{SealedPart, mm};

/// The label of a fitting: its name, its class, and the valve and the partner that it goes to; none of these where it is left over.
/// Its code holds its name, as bolting asks for it.
///
/// # Errors
/// When its name cannot be in a code.
pub fn fitting_label(part: &SealedPart, class: &str, goes_to: Option<(&str, &str)>) -> Result<Label, CodeError> {
    let (valve, partner) = match goes_to {
        Some((valve, partner)) => (format!("to {valve}"), format!("with {partner}")),
        None => ("IN NO VALVE".into(), String::new()),
    };
    let lines = vec![
        LabelLine::complete(Lettering::Name, &part.id),
        LabelLine::complete(Lettering::Result, valve),
        LabelLine::complete(Lettering::Detail, partner),
        LabelLine::complete(Lettering::Detail, format!("class {class}, {} mm", mm(part.length_mm))),
    ];
    Ok(Label { name: part.id.clone(), code: Some(MatrixCode::new(&part.id)?), lines })
}

/// The label of a class, for its place in the tray.
pub fn class_label(class: &ClassedParts) -> Label {
    let many = seathold_text::messages::counted(class.parts.len() as u64, "fitting");
    let lines = vec![
        LabelLine::complete(Lettering::Name, &class.name),
        LabelLine::complete(Lettering::Detail, format!("{} mm up to {} mm", class.name, class.next)),
        LabelLine::complete(Lettering::Detail, many),
    ];
    Label { name: format!("class {}", class.name), code: None, lines }
}
