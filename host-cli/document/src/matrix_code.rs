//! Two-dimensional codes (QR, ISO/IEC 18004), as a matrix of dark and light modules.

use std::fmt;

use maud::{Markup, html};
use qrcode2::bits::Bits;
use qrcode2::error::Error as QrError;
use qrcode2::{Color, EcLevel, QrCode, Version};

/// Modules that stay light on every side of a code (ISO/IEC 18004, quiet zone; *memory*).
pub const QUIET_ZONE: usize = 4;
/// Longest text of a code, in bytes: beyond it modules are too many for a hand-held reader (*judgement*).
pub const CODE_BYTES_MAX: usize = 512;
/// Size of a module on a page, in millimetres: read by a telephone and by a hand-held reader (common practice, no source).
pub(crate) const PAGE_MODULE_MM: f64 = 0.508;
/// "What follows is UTF-8" (AIM ECI assignment 26, *memory*). Without it a text is ISO/IEC 8859-1 by the standard.
const ECI_UTF_8: u32 = 26;

/// A code, and the text that it holds.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct MatrixCode {
    text: String,
    side: usize,
    dark: Vec<bool>,
}

/// Why a text cannot be a code.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum CodeError {
    /// There is nothing to hold.
    Empty,
    /// So many bytes.
    TooLong(usize),
    /// A character that a reader could not type, or a screen not show.
    Character(char),
}

impl fmt::Display for CodeError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Empty => write!(f, "an empty text cannot be a code"),
            Self::TooLong(bytes) => write!(f, "{bytes} bytes are too long for a code; it holds 1 to {CODE_BYTES_MAX}"),
            Self::Character(c) => write!(f, "U+{:04X} cannot be in a code: a reader cannot type it", u32::from(*c)),
        }
    }
}

impl std::error::Error for CodeError {}

/// Whether a character only directs what is around it, or is for private use: a code must say what is printed beside it.
pub(crate) fn is_unprintable(c: char) -> bool {
    c.is_control()
        || matches!(c, '\u{200b}'..='\u{200f}' | '\u{2028}'..='\u{202e}' | '\u{2060}'..='\u{206f}' | '\u{61c}' | '\u{ad}')
        || matches!(c, '\u{e000}'..='\u{f8ff}' | '\u{feff}' | '\u{fff0}'..='\u{ffff}' | '\u{e0000}'..)
}

/// The smallest code of a text.
fn encoded(text: &str, level: EcLevel) -> Result<QrCode, QrError> {
    if text.is_ascii() {
        return QrCode::with_error_correction_level(text, level);
    }
    // Bytes alone: two of UTF-8 may look like one of another encoding that the standard has a mode for.
    let mut smallest = Err(QrError::DataTooLong);
    for version in 1..=40 {
        let mut bits = Bits::new(Version::Normal(version));
        smallest = bits
            .push_eci_designator(ECI_UTF_8)
            .and_then(|()| bits.push_byte_data(text.as_bytes()))
            .and_then(|()| bits.push_terminator(level))
            .and_then(|()| QrCode::with_bits(bits, level));
        if smallest.is_ok() {
            break;
        }
    }
    smallest
}

impl MatrixCode {
    /// The code of a text, of medium correction (about 15 % of it may be unreadable) or better where that needs no larger one.
    ///
    /// # Errors
    /// When it is empty, too long, or has control characters.
    pub fn new(text: &str) -> Result<Self, CodeError> {
        if text.is_empty() {
            return Err(CodeError::Empty);
        }
        if let Some(c) = text.chars().find(|c| is_unprintable(*c)) {
            return Err(CodeError::Character(c));
        }
        let long = CodeError::TooLong(text.len());
        if text.len() > CODE_BYTES_MAX {
            return Err(long);
        }
        let medium = encoded(text, EcLevel::M).map_err(|_| long)?;
        let better = [EcLevel::H, EcLevel::Q].into_iter().filter_map(|level| encoded(text, level).ok());
        let code = better.into_iter().find(|code| code.width() == medium.width()).unwrap_or(medium);
        let side = code.width();
        let dark: Vec<bool> = code.into_colors().into_iter().map(|colour| colour == Color::Dark).collect();
        Ok(Self { text: text.into(), side, dark })
    }

    /// The text that it holds.
    pub fn text(&self) -> &str {
        &self.text
    }

    /// Modules along a side, with the quiet zone.
    pub fn side(&self) -> usize {
        self.side + 2 * QUIET_ZONE
    }

    /// Whether a module is dark, by its column and row from the upper left corner of the quiet zone.
    pub fn is_dark(&self, column: usize, row: usize) -> bool {
        let inside = |at: usize| at.checked_sub(QUIET_ZONE).filter(|at| *at < self.side);
        let at = inside(column).zip(inside(row)).map(|(column, row)| row * self.side + column);
        at.and_then(|at| self.dark.get(at)).copied().unwrap_or(false)
    }

    /// Dark modules that lie side by side, row by row: column, row and how many.
    pub(crate) fn runs(&self) -> Vec<(usize, usize, usize)> {
        let mut runs: Vec<(usize, usize, usize)> = Vec::new();
        for row in 0..self.side() {
            let mut open = false;
            for column in 0..self.side() {
                let dark = self.is_dark(column, row);
                match runs.last_mut() {
                    Some(run) if dark && open => run.2 += 1,
                    _ if dark => runs.push((column, row, 1)),
                    _ => {}
                }
                open = dark;
            }
        }
        runs
    }

    /// For readers who do not see it.
    pub(crate) fn about(&self) -> String {
        format!("Two-dimensional code (QR, ISO/IEC 18004) that holds the text: {}", self.text)
    }

    /// As an `svg` element to stand in a page; `id` as of a chart.
    pub(crate) fn svg(&self, id: &str) -> Markup {
        let side = self.side();
        let size = format!("{:.1}mm", side as f64 * PAGE_MODULE_MM);
        let (title, about) = (format!("{id}-title"), format!("{id}-about"));
        // One path: between several a screen may show hairlines.
        let path: String = self.runs().iter().map(|(x, y, wide)| format!("M{x} {y}h{wide}v1h-{wide}z")).collect();
        html! {
            svg xmlns="http://www.w3.org/2000/svg" viewBox={ "0 0 " (side) " " (side) } width=(size) height=(size)
                shape-rendering="crispEdges" role="img" aria-labelledby={ (title) " " (about) }
            {
                title id=(title) { "Two-dimensional code" }
                desc id=(about) { (self.about()) }
                path d={ "M0 0h" (side) "v" (side) "H0z" } fill="#ffffff" {}
                path d=(path) fill="#000000" {}
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    /// What another program reads in a picture of it, so many dots a module.
    fn read(code: &MatrixCode, dots: usize) -> String {
        let side = code.side() * dots;
        let grey = |x: usize, y: usize| if code.is_dark(x / dots, y / dots) { 0 } else { 255 };
        let mut picture = rqrr::PreparedImage::prepare_from_greyscale(side, side, grey);
        let grids = picture.detect_grids();
        assert_eq!(grids.len(), 1, "{}", code.text());
        grids[0].decode().unwrap().1
    }

    fn allowed() -> impl Strategy<Value = String> {
        let any = "\\PC{1,120}".prop_filter("printable", |text| !text.is_empty() && !text.chars().any(is_unprintable));
        prop_oneof![
            "[A-Z0-9]{1,8}-[0-9]{1,6}",
            "[A-Za-z0-9_./ +#()-]{1,64}",
            "[0-9]{1,40}",
            "[A-Za-z0-9:/. -]{65,300}",
            any
        ]
    }

    proptest! {
        #![proptest_config(ProptestConfig { cases: 96, failure_persistence: None, ..ProptestConfig::default() })]

        #[test]
        fn any_text_is_read_back_by_another_program(text in allowed()) {
            let code = MatrixCode::new(&text).unwrap();
            prop_assert_eq!(read(&code, 4), text);
        }

        /// The rectangles that are drawn cover the dark modules, each once, and nothing of the quiet zone.
        #[test]
        fn what_is_drawn_is_the_matrix(text in allowed()) {
            let code = MatrixCode::new(&text).unwrap();
            let mut drawn = vec![0; code.side() * code.side()];
            for (x, y, wide) in code.runs() {
                (x..x + wide).for_each(|x| drawn[y * code.side() + x] += 1);
            }
            for (at, times) in drawn.into_iter().enumerate() {
                let (x, y) = (at % code.side(), at / code.side());
                prop_assert_eq!(times, usize::from(code.is_dark(x, y)));
                let quiet = |at: usize| at < QUIET_ZONE || at >= code.side() - QUIET_ZONE;
                prop_assert!(times == 0 || !(quiet(x) || quiet(y)));
            }
        }
    }

    /// The path of the page is the same matrix, and nothing of a caption or a text becomes markup.
    #[test]
    fn a_page_draws_the_matrix_and_says_what_it_holds() {
        let code = MatrixCode::new("HM-001 <b>&\"x").unwrap();
        let blocks = vec![crate::Block::Code { code: code.clone(), caption: "<i>Scan".into() }];
        let document = crate::Document {
            title: "T".into(),
            foot: String::new(),
            moment: String::new(),
            blocks,
            ..crate::Document::default()
        };
        let page = crate::html::page(&document);
        assert!(
            page.contains("that holds the text: HM-001 &lt;b&gt;&amp;") && page.contains("<figcaption>&lt;i&gt;Scan")
        );
        let path = page.split_once("<path d=\"M4 4").map(|(_, rest)| format!("M4 4{rest}")).unwrap();
        let path = path.split_once('"').unwrap().0;
        let mut drawn = vec![false; code.side() * code.side()];
        for run in path.split('z').filter(|run| !run.is_empty()) {
            let (at, wide) = run.trim_start_matches('M').split_once('h').unwrap();
            let (x, y) = at.split_once(' ').unwrap();
            let wide = wide.split_once('v').unwrap().0.parse::<usize>().unwrap();
            let first = y.parse::<usize>().unwrap() * code.side() + x.parse::<usize>().unwrap();
            drawn[first..first + wide].fill(true);
        }
        let all = |at: usize| code.is_dark(at % code.side(), at / code.side());
        assert!(drawn.iter().enumerate().all(|(at, dark)| *dark == all(at)));
    }

    #[test]
    fn the_longest_text_is_read_back_and_no_longer_one_taken() {
        let longest: String = ('a'..='z').cycle().take(CODE_BYTES_MAX).collect();
        assert_eq!(read(&MatrixCode::new(&longest).unwrap(), 4), longest);
        assert_eq!(MatrixCode::new(&(longest + "x")), Err(CodeError::TooLong(CODE_BYTES_MAX + 1)));
        assert_eq!(MatrixCode::new(""), Err(CodeError::Empty));
    }

    #[test]
    fn what_no_reader_types_is_refused() {
        for c in ['\n', '\u{1b}', '\u{202e}', '\u{200b}', '\u{feff}', '\u{e000}'] {
            assert_eq!(MatrixCode::new(&format!("HM{c}001")), Err(CodeError::Character(c)));
        }
    }

    #[test]
    fn a_serial_makes_the_smallest_code() {
        assert_eq!(MatrixCode::new("HM-001").unwrap().side(), 21 + 2 * QUIET_ZONE);
    }
}
