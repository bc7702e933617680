//! Labels as a PDF file: pages of the labels' size, a label each, for the printer of a roll. A code and a few lines beside it.
//!
//! The same labels give the same bytes. What is kept of PDF/A and PDF/UA is what is kept by [`pdf`](super).

use std::fmt;

use super::font::Fonts;
use super::label::LabelProblem;
pub use super::label::{Label, LabelLine, Lettering};
use super::label_layout::{MM, place};
use super::layout::{DocumentLayout, Piece, Strip};
use super::pagination::PlacedStrip;
use super::tagging::Role;
use super::{PageFormat, PdfError, draw};
use crate::matrix_code::is_unprintable;
use crate::{Block, Document};

/// Least and greatest width and height, in millimetres.
pub const LABEL_MM: std::ops::RangeInclusive<f64> = 20.0..=210.0;
/// Most labels of a file.
pub const LABELS_MAX: usize = 20_000;

/// Size of a label, in tenths of a millimetre.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct LabelSize {
    width: u16,
    height: u16,
}

impl Default for LabelSize {
    fn default() -> Self {
        Self { width: 620, height: 290 }
    }
}

impl LabelSize {
    fn format(self) -> PageFormat {
        let points = |tenths: u16| f32::from(tenths) / 10.0 * MM;
        PageFormat { size: (points(self.width), points(self.height)), margin: 0.0, foot: 0.0 }
    }
}

impl fmt::Display for LabelSize {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}x{} mm", f64::from(self.width) / 10.0, f64::from(self.height) / 10.0)
    }
}

impl std::str::FromStr for LabelSize {
    type Err = String;

    /// "62x29mm", "70 x 30 mm": millimetres, with one decimal at most.
    fn from_str(text: &str) -> Result<Self, String> {
        let (least, most) = (LABEL_MM.start(), LABEL_MM.end());
        let wrong = || format!("\"{text}\" is no size like \"62x29mm\"; width and height are {least} to {most} mm");
        let bare: String = text.chars().filter(|c| !c.is_whitespace()).collect::<String>().to_lowercase();
        let (width, height) = bare.trim_end_matches("mm").split_once(['x', '×']).ok_or_else(wrong)?;
        let side = |side: &str| {
            let mm: f64 = side.trim_end_matches("mm").parse().map_err(|_| wrong())?;
            let tenths = (mm * 10.0).round();
            if !LABEL_MM.contains(&mm) || (mm * 10.0 - tenths).abs() > 1e-6 {
                return Err(wrong());
            }
            // In range, so it fits.
            Ok(tenths as u16)
        };
        Ok(Self { width: side(width)?, height: side(height)? })
    }
}

/// Why labels cannot be written: of each label that is wrong.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct LabelError(Vec<String>);

impl fmt::Display for LabelError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}", self.0.join("\n"))
    }
}

impl std::error::Error for LabelError {}

impl From<PdfError> for LabelError {
    fn from(why: PdfError) -> Self {
        Self(vec![format!("labels cannot be written: {}", why.0)])
    }
}

/// So many labels that do not fit are named.
const TOLD_MAX: usize = 10;

fn told(label: &Label, problem: &LabelProblem, size: LabelSize) -> String {
    let name: String = label.name.chars().map(|c| if is_unprintable(c) { '\u{fffd}' } else { c }).collect();
    let why = match problem {
        LabelProblem::TooLong { text, size, least } => format!(
            "\"{text}\" would be set in {size:.1} points, and {least} is the least that is legible: a wider label (--size) is needed"
        ),
        LabelProblem::TooHigh => "there is no room for all its lines: a larger label (--size) is needed".into(),
        LabelProblem::CodeTooLarge { needs_mm, has_mm } => format!(
            "its code needs {needs_mm:.1} mm, and there are {has_mm:.1} mm for it: a larger label (--size) is needed"
        ),
        LabelProblem::Character(text, c) => {
            let shown: String = text.chars().map(|c| if is_unprintable(c) { '\u{fffd}' } else { c }).collect();
            format!("\"{shown}\" cannot be printed as it is: there is no sign for U+{:04X}", u32::from(*c))
        }
    };
    format!("label of {name}, {size}: {why}")
}

/// The bytes of the file. `moment` is the date it bears, RFC 3339; empty where there is none.
///
/// # Errors
/// When there is no label, there are too many, or what must be complete on one does not fit or cannot be printed: nothing is cut then.
pub fn labels(title: &str, moment: &str, size: LabelSize, labels: &[Label]) -> Result<Vec<u8>, LabelError> {
    if labels.is_empty() || labels.len() > LABELS_MAX {
        return Err(LabelError(vec![format!("{} labels; a file has 1 to {LABELS_MAX}", labels.len())]));
    }
    let fonts = Fonts::new().ok_or_else(|| PdfError("its own font cannot be read".into()))?;
    let format = size.format();
    let mut layout = DocumentLayout::new(&fonts, format);
    let mut problems = Vec::new();
    let mut pages = Vec::new();
    let mut codes = Vec::new();
    for label in labels {
        match place(label, &fonts, format) {
            Err(problem) => problems.push(told(label, &problem, size)),
            Ok(placed) => {
                let heading = fonts.title(&label.name);
                let first = label.lines.iter().position(|line| line.lettering == Lettering::Name);
                let role = |of: usize| {
                    if Some(of) == first { Role::Heading(1, heading.clone()) } else { Role::Paragraph }
                };
                let mut tags: Vec<Option<usize>> = vec![None; label.lines.len()];
                let mut pieces = Vec::new();
                for line in placed.lines {
                    let part = *tags[line.of].get_or_insert_with(|| layout.parts.add(role(line.of), None));
                    let (x, base, weight, size, text) = (line.x, line.base, line.weight, line.size, line.text);
                    pieces.push(Piece::Words { x, base, weight, size, text, part });
                }
                if let (Some((x, y, module)), Some(code)) = (placed.code, &label.code) {
                    let part = layout.parts.add(Role::Figure(fonts.shown(&code.about())), None);
                    pieces.push(Piece::Code { block: codes.len(), x, y, module, part });
                    codes.push(Block::Code { code: code.clone(), caption: String::new() });
                }
                let mut strip = Strip::of(format.size.1, pieces);
                strip.heading = Some((2, heading));
                pages.push(vec![PlacedStrip { index: layout.strips.len(), top: 0.0, again: false }]);
                layout.strips.push(strip);
            }
        }
    }
    if !problems.is_empty() {
        let more = problems.len().saturating_sub(TOLD_MAX);
        problems.truncate(TOLD_MAX);
        if more > 0 {
            problems.push(format!("and {more} more"));
        }
        return Err(LabelError(problems));
    }
    let document = Document {
        title: title.into(),
        foot: String::new(),
        moment: moment.into(),
        blocks: codes,
        ..Document::default()
    };
    Ok(draw::write(&document, &layout, &pages, &fonts, format, &[])?)
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;
    use crate::MatrixCode;

    const AT: &str = "2026-03-02T09:00:00Z";

    fn label(serial: &str, batch: &str) -> Label {
        let lines = vec![
            LabelLine::complete(Lettering::Name, serial),
            LabelLine::complete(Lettering::Detail, "DN 25, air"),
            LabelLine::complete(Lettering::Result, "LEAKING"),
            LabelLine::detail(batch),
        ];
        Label { name: serial.into(), code: MatrixCode::new(serial).ok(), lines }
    }

    fn bare(text: &str) -> String {
        text.chars().filter(|c| !c.is_whitespace()).collect()
    }

    proptest! {
        #![proptest_config(ProptestConfig { cases: 200, failure_persistence: None, ..ProptestConfig::default() })]

        /// A label is refused, or everything is on it: inside its edges, nothing over the code or another line, legible, and what must be
        /// complete is.
        #[test]
        fn all_of_a_label_is_on_it_or_it_is_refused(
            serial in prop_oneof!["[A-Z]{2}-[0-9]{3}", "[A-Za-z0-9][A-Za-z0-9_./+#()-]{0,63}", "[A-Z]{1,9}( [0-9A-Z]{1,9}){1,6}"],
            batch in "\\PC{0,200}",
            width in 200_u16..=2100,
            height in 200_u16..=2100,
        ) {
            let (size, label) = (LabelSize { width, height }, label(&serial, &batch));
            let (fonts, format) = (Fonts::new().unwrap(), size.format());
            let Ok(placed) = place(&label, &fonts, format) else {
                prop_assert!(labels("T", AT, size, &[label]).is_err());
                return Ok(());
            };
            let (x, y, module) = placed.code.unwrap();
            let side = module * label.code.as_ref().unwrap().side() as f32;
            prop_assert!(x >= 2.0 && y >= 2.0 && x + side <= format.size.0 - 2.0 && y + side <= format.size.1 - 2.0);
            let mut below = 0.0_f32;
            for line in &placed.lines {
                let (top, bottom) = (line.base - 0.93 * line.size, line.base + 0.24 * line.size);
                let right = line.x + fonts.width(line.weight, line.size, &line.text);
                prop_assert!(line.size >= 4.99 && top >= below - 0.01, "{} {}", line.size, top);
                prop_assert!(line.x >= 2.0 && right <= format.size.0 - 2.0 && bottom <= format.size.1 - 2.0, "{}", line.text);
                prop_assert!(line.x >= x + side - 0.01 || top >= y + side - 0.01, "over the code");
                below = bottom;
            }
            for (of, line) in label.lines.iter().enumerate().filter(|(_, line)| !line.may_be_cut) {
                let on_it: String = placed.lines.iter().filter(|placed| placed.of == of).map(|p| p.text.as_str()).collect();
                prop_assert_eq!(bare(&on_it), bare(&line.text));
                // A line ends after a sign, or where there is a blank: none is read into a name.
                let parts: Vec<&str> = placed.lines.iter().filter(|p| p.of == of).map(|p| p.text.as_str()).collect();
                let mut rest = line.text.trim();
                for part in &parts {
                    prop_assert!(rest.starts_with(part), "{} of {}", part, line.text);
                    rest = &rest[part.len()..];
                    let ends = rest.is_empty() || rest.starts_with(' ') || !part.ends_with(char::is_alphanumeric);
                    prop_assert!(ends, "{:?} of {}", parts, line.text);
                    rest = rest.trim_start();
                }
            }
        }
    }

    #[test]
    fn a_serial_of_any_usual_length_is_on_the_usual_label() {
        for serial in ["1", "HM-001", "HM-2026-000123", "P-4711/0815.22-A", "HATCHERY-SEAWATER-INTAKE-0001-A"] {
            assert!(labels("T", AT, LabelSize::default(), &[label(serial, "spring")]).is_ok(), "{serial}");
        }
    }

    /// No part of it is left out: the label is refused, with what would help.
    #[test]
    fn a_serial_that_does_not_fit_is_refused_by_its_name() {
        let long = "X".repeat(64);
        let why =
            labels("T", AT, LabelSize::default(), &[label("HM-001", ""), label(&long, "")]).unwrap_err().to_string();
        assert!(why.starts_with(&format!("label of {long}, 62x29 mm: ")) && why.contains("--size"), "{why}");
        let unknown = labels("T", AT, LabelSize::default(), &[label("漢-1", "")]).unwrap_err().to_string();
        assert!(unknown.contains("there is no sign for U+6F22"), "{unknown}");
    }

    #[test]
    fn a_remark_is_cut_and_says_so() {
        let fonts = Fonts::new().unwrap();
        let placed = place(&label("HM-001", &"spring ".repeat(40)), &fonts, LabelSize::default().format()).unwrap();
        assert!(placed.lines.last().unwrap().text.ends_with('…'));
    }

    #[test]
    fn sizes() {
        let size = |text: &str| text.parse::<LabelSize>();
        assert_eq!(size("62x29mm"), Ok(LabelSize::default()));
        assert_eq!(size(" 70 X 30.5 mm "), Ok(LabelSize { width: 700, height: 305 }));
        assert_eq!(size("20x210"), Ok(LabelSize { width: 200, height: 2100 }));
        for wrong in ["62", "19.9x29mm", "62x211mm", "62x29in", "62x29.25mm", "nanx29", "1e2xmm", ""] {
            assert!(size(wrong).is_err(), "{wrong}");
        }
    }

    #[test]
    fn the_same_labels_are_the_same_bytes_and_forty_are_small() {
        let forty: Vec<Label> = (1..=40).map(|i| label(&format!("HM-{i:03}"), "spring")).collect();
        let [a, b] = [0; 2].map(|_| labels("Labels", AT, LabelSize::default(), &forty).unwrap());
        assert!(a == b && a.len() < 200_000, "{} bytes", a.len());
    }
}
