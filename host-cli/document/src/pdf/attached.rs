//! Files that were attached to a PDF made here, found again without a reader of PDF: they lie in it as they are.
//!
//! What another program has packed anew is not found; whether a whole file is what it should be, is told by making it again.

/// What stands before the bytes of one.
const KIND: &[u8] = b"/EmbeddedFile";

/// The bytes of each file, in the order in which they lie in it.
pub fn attached_files(pdf: &[u8]) -> Vec<&[u8]> {
    let mut files = Vec::new();
    let mut rest = pdf;
    while let Some(at) = find(rest, KIND) {
        // The dictionary around that word, then the bytes; no file of ours has a word of PDF's between.
        let (before, after) = rest.split_at(at);
        let began = rfind(before, b"obj").unwrap_or(0);
        let Some(bytes) = find(after, b"stream").map(|to| to + b"stream".len()) else { break };
        let dictionary = rest.get(began..at + bytes).unwrap_or_default();
        let after = &after[bytes..];
        let after = after.strip_prefix(b"\r\n").or_else(|| after.strip_prefix(b"\n")).unwrap_or(after);
        let plain = find(dictionary, b"/Filter").is_none();
        if let Some(file) = length(dictionary).filter(|_| plain).and_then(|length| after.get(..length)) {
            files.push(file);
            rest = &after[file.len()..];
        } else {
            rest = after;
        }
    }
    files
}

/// The number behind `/Length`.
fn length(dictionary: &[u8]) -> Option<usize> {
    let after = &dictionary[find(dictionary, b"/Length")? + b"/Length".len()..];
    let digits: Vec<u8> = after
        .iter()
        .skip_while(|byte| byte.is_ascii_whitespace())
        .take_while(|byte| byte.is_ascii_digit())
        .copied()
        .collect();
    std::str::from_utf8(&digits).ok()?.parse().ok()
}

fn find(bytes: &[u8], word: &[u8]) -> Option<usize> {
    bytes.windows(word.len()).position(|window| window == word)
}

fn rfind(bytes: &[u8], word: &[u8]) -> Option<usize> {
    bytes.windows(word.len()).rposition(|window| window == word)
}

#[cfg(test)]
mod tests {
    use super::super::{AttachedFile, PageSize, document_with};
    use super::*;
    use crate::Document;

    fn pdf(files: &[&[u8]]) -> Vec<u8> {
        let document = Document { title: "Title".into(), moment: "2026-03-02T09:30:00Z".into(), ..Document::default() };
        let file = |(number, bytes): (usize, &&[u8])| AttachedFile {
            name: format!("{number}.txt"),
            mime_type: "text/plain",
            about: "about".into(),
            bytes: bytes.to_vec(),
        };
        let files: Vec<AttachedFile> = files.iter().enumerate().map(file).collect();
        document_with(&document, PageSize::A4, &files).unwrap()
    }

    #[test]
    fn what_was_attached_is_found_as_it_was() {
        let hard: [&[u8]; 4] =
            [b"{\"a\": 1}", b"", b"endstream endobj /EmbeddedFile stream 7 /Length 3", &[0, 255, 10, 13]];
        assert_eq!(attached_files(&pdf(&hard)), hard);
        assert!(attached_files(&pdf(&[])).is_empty());
    }

    /// No bytes of somebody else's lead anywhere but to a list of parts of them.
    #[test]
    fn a_file_cut_or_made_up_does_no_harm() {
        let whole = pdf(&[b"one", b"two"]);
        for end in (0..whole.len()).step_by(37) {
            assert!(attached_files(&whole[..end]).len() <= 2);
        }
        for text in
            ["/EmbeddedFile", "/Length 99999999999999999999 /EmbeddedFile stream", "/Length 5 /EmbeddedFile stream\nab"]
        {
            assert!(attached_files(text.as_bytes()).is_empty(), "{text}");
        }
    }
}
