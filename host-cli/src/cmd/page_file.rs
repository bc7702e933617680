//! Pages written to files: their options, and what may be replaced.

use std::io::Write;
use std::path::{Path, PathBuf};

use seathold_document::pdf::{self, AttachedFile, PageSize, PdfError};
use seathold_document::{Document, html};
use seathold_recording::file::{self, NewFile, Replace};
use seathold_recording::plain::lines;

use crate::console::Console;
use crate::error::Error;

/// Pages made here, by what stands in them: the next one may replace them.
pub(super) const PAGES: Replace =
    Replace::Ours(&[b"<meta name=\"generator\" content=\"seathold\">", b"<pdf:Producer>seathold "]);

/// `--page-size`.
pub(super) fn page_size(text: &str) -> Result<PageSize, String> {
    match text {
        "a4" => Ok(PageSize::A4),
        "letter" => Ok(PageSize::Letter),
        _ => Err("give a4 or letter".into()),
    }
}

fn ending(path: &Path) -> String {
    path.extension().map(|ending| ending.to_string_lossy().to_ascii_lowercase()).unwrap_or_default()
}

/// Whether a page is to be a PDF.
pub(super) fn is_pdf(path: &Path) -> bool {
    ending(path) == "pdf"
}

/// A page's file, by its ending.
pub(super) fn page_file(text: &str) -> Result<PathBuf, String> {
    let path = PathBuf::from(text);
    match ending(&path).as_str() {
        "html" | "pdf" => Ok(path),
        _ => Err(format!("{text} must end in .html or .pdf")),
    }
}

/// A file of labels.
pub(super) fn pdf_file(text: &str) -> Result<PathBuf, String> {
    let path = PathBuf::from(text);
    if ending(&path) == "pdf" { Ok(path) } else { Err(format!("{text} must end in .pdf")) }
}

/// Writes the complete page or nothing; nothing in its texts acts on a screen.
pub(super) fn write_document(path: &Path, document: Document, size: PageSize, force: bool) -> Result<(), Error> {
    write_document_with(path, document, size, &[], force)
}

/// The same with files in it, if it is a PDF.
pub(super) fn write_document_with(
    path: &Path,
    document: Document,
    size: PageSize,
    attached: &[AttachedFile],
    force: bool,
) -> Result<(), Error> {
    write_bytes(path, &page(path, document, size, attached)?, force)
}

/// An error where that would be none; nothing is written.
pub(super) fn can_be_written(
    path: &Path,
    document: Document,
    size: PageSize,
    attached: &[AttachedFile],
    force: bool,
) -> Result<(), Error> {
    let bytes = page(path, document, size, attached)?;
    // Written under another name, which it loses again: the disk has room for it.
    let (_given_up, mut file) = NewFile::create(path, replaced(force))?;
    file.write_all(&bytes).and_then(|()| file.sync_all()).map_err(|why| Error::file("write", path, why))
}

fn page(path: &Path, document: Document, size: PageSize, attached: &[AttachedFile]) -> Result<Vec<u8>, Error> {
    if ending(path) != "pdf" {
        return Ok(html::page(&plain(document)).into_bytes());
    }
    pdf_page(document, size, attached).map_err(|why| Error::file("write", path, std::io::Error::other(why)))
}

/// The bytes of a PDF.
pub(super) fn pdf_page(document: Document, size: PageSize, attached: &[AttachedFile]) -> Result<Vec<u8>, PdfError> {
    pdf::document_with(&plain(document), size, attached)
}

/// With no text in it that acts on a screen.
fn plain(document: Document) -> Document {
    document.map_texts(|text| lines(text).into_owned())
}

const fn replaced(force: bool) -> Replace {
    if force { Replace::Any } else { PAGES }
}

/// Writes all bytes of a page or nothing.
pub(super) fn write_bytes(path: &Path, bytes: &[u8], force: bool) -> Result<(), Error> {
    Ok(file::write(path, bytes, replaced(force))?)
}

/// Writes the complete page or nothing; one made here before is replaced.
pub(super) fn write_page(path: &Path, page: &str) -> Result<(), Error> {
    write_bytes(path, page.as_bytes(), false)
}

/// Now, as a page says it in local time, and as RFC 3339.
pub(super) fn moment_of_page(console: &Console<'_>) -> Result<(String, String), Error> {
    let now = console.date()?;
    let local = console.clock.zone().to_datetime(now);
    Ok((local.strftime("%Y-%m-%d %H:%M").to_string(), now.to_string()))
}
