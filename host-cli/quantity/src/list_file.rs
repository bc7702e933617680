//! Lists as shops write them: CSV with commas, semicolons or tabs, and lines that begin with # between.

use crate::InputProblem;

/// A reader of such a list. What parts the cells is seen in the first line that is neither empty nor a remark.
pub fn reader(text: &str) -> csv::ReaderBuilder {
    let first = text.lines().find(|line| !line.trim().is_empty() && !line.starts_with('#')).unwrap_or_default();
    let delimiter = [b';', b'\t'].into_iter().find(|d| first.contains(char::from(*d))).unwrap_or(b',');
    let mut builder = csv::ReaderBuilder::new();
    builder.delimiter(delimiter).trim(csv::Trim::All).comment(Some(b'#')).flexible(true);
    builder
}

/// The text of a file. Spreadsheets like to write other encodings, where names with accents would be garbled.
///
/// # Errors
/// The line that is no UTF-8, and what to do.
pub fn text(bytes: Vec<u8>) -> Result<String, InputProblem> {
    String::from_utf8(bytes).map_err(|why| {
        let whole = why.utf8_error().valid_up_to();
        let line = 1 + why.as_bytes().iter().take(whole).filter(|byte| **byte == b'\n').count();
        InputProblem { line: Some(line), message: "is not UTF-8: save the list as CSV in UTF-8".into() }
    })
}

/// The text without the mark that spreadsheets put before UTF-8.
pub fn without_mark(text: &str) -> &str {
    text.trim_start_matches('\u{feff}')
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_remark_does_not_say_what_parts_the_cells() {
        for text in ["a,b\n1,2\n", "# laid out; tray 3\na,b\n1,2\n", "\na;b\n1;2\n", "a\tb\n1\t2\n"] {
            let rows: Vec<_> = reader(text).from_reader(text.as_bytes()).records().map(Result::unwrap).collect();
            assert_eq!(rows, [csv::StringRecord::from(vec!["1", "2"])], "{text}");
        }
    }

    #[test]
    fn another_encoding_is_named_with_its_line() {
        let problem = text(b"serial;notes\nHM-001;\nHM-002;S\xe9ance\n".to_vec()).unwrap_err();
        assert_eq!(problem.line, Some(3));
        assert_eq!(text(b"serial\n".to_vec()).unwrap(), "serial\n");
    }
}
