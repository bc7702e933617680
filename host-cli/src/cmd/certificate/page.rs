//! The files of a certificate: its page, its data, its signature.

use std::path::{Path, PathBuf};

use clap::Args;
use seathold_config::shop::{self, PREFIX_MAX, Shop};
use seathold_document::Document;
use seathold_document::pdf::{AttachedFile, PageSize};
use seathold_picture::mark::ShopMark;
use seathold_recording::file::{self, NewFile, Replace};
use seathold_recording::plain::shown;
use seathold_register::Register;
use seathold_report::certificate::{CertificateData, PageError, document};

use crate::cmd::find::RegisterArg;
use crate::cmd::page_file::{self, can_be_written, pdf_page, write_document_with};
use crate::cmd::picture_file::shop_mark;
use crate::console::Console;
use crate::error::Error;
use crate::passphrase::read_key;
use seathold_signing::SigningKey;

/// The program, as a certificate names it.
pub(super) const PROGRAM: &str = concat!("seathold ", env!("CARGO_PKG_VERSION"));

/// The shop, and the page.
#[derive(Debug, Args)]
pub struct CertificatePageArgs {
    /// The shop that issues it, TOML; `seathold certificate template` prints one
    #[arg(long, value_name = "FILE")]
    pub shop: PathBuf,
    /// Key that it is signed with, of `seathold certificate key` [default: the bench's own, beside the register]
    #[arg(long, value_name = "FILE")]
    pub sign: Option<PathBuf>,
    /// Page to write, by its ending .html or .pdf
    #[arg(long, short, value_name = "FILE", value_parser = page_file::page_file)]
    pub out: PathBuf,
    /// What it states as data too, JSON, and the signature beside it, FILE.json.sig
    #[arg(long, value_name = "FILE.json")]
    pub data: Option<PathBuf>,
    /// Page size of a PDF: a4 or letter
    #[arg(long, value_parser = page_file::page_size, value_name = "SIZE", default_value = "a4")]
    pub page_size: PageSize,
    /// Replace a file that is there, even if it is no page made by seathold
    #[arg(long)]
    pub force: bool,
    #[command(flatten)]
    pub register: RegisterArg,
}

/// Where the signature of a file lies: beside it.
pub(super) fn signature_path(path: &Path) -> PathBuf {
    let mut name = path.as_os_str().to_owned();
    name.push(".sig");
    name.into()
}

impl CertificatePageArgs {
    pub(super) fn shop(&self) -> Result<Shop, Error> {
        Ok(shop::read(&self.shop)?)
    }

    /// The shop's mark.
    pub(super) fn mark(&self, shop: &Shop) -> Result<Option<ShopMark>, Error> {
        shop_mark(shop, &self.shop)
    }

    /// Whether a signature is kept: a page for screens has no room for one.
    pub(super) fn keeps_signature(&self) -> bool {
        self.data.is_some() || page_file::is_pdf(&self.out)
    }

    /// The key to sign with: the one that was named, or the bench's own.
    pub(super) fn key(&self, register: &Register, console: &Console<'_>) -> Result<Option<SigningKey>, Error> {
        let kept = self.keeps_signature();
        match &self.sign {
            Some(_) if !kept => Err(Error::usage(
                "--sign: a signature is kept in a PDF, or beside the data: end --out in .pdf, or give --data",
            )),
            Some(path) => Ok(Some(read_key(path, console.environment)?)),
            None => Ok(register.bench_key().filter(|_| kept).cloned()),
        }
    }

    /// An error where it could not be written; nothing is.
    pub(super) fn can_be_written(&self, drafts: &[CertificateData]) -> Result<(), Error> {
        let same = |data: &PathBuf| *data == self.out || signature_path(data) == self.out;
        if let Some(data) = self.data.as_ref().filter(|data| same(data)) {
            return Err(Error::usage(format!("--data {}: the page is to be written there", data.display())));
        }
        // As long as they will be with their numbers.
        let numbered = |(at, draft): (usize, &CertificateData)| CertificateData {
            certificate: Some(format!("{}-{at:06}-000000", "X".repeat(PREFIX_MAX))),
            ..draft.clone()
        };
        let numbered: Vec<CertificateData> = drafts.iter().enumerate().map(numbered).collect();
        let signatures = vec!["0".repeat(SIGNATURE.len() + 129); numbered.len()];
        let attached = attached(&numbered, &signatures);
        can_be_written(&self.out, drawn(&numbered)?, self.page_size, &attached, self.force)?;
        for path in self.data.iter().flat_map(|path| [path.clone(), signature_path(path)]) {
            NewFile::create(&path, data_replaced(self.force))?;
        }
        Ok(())
    }

    /// Writes the page, and the data and signatures where they are asked for.
    pub(super) fn write(&self, certificates: &[CertificateData], key: Option<&SigningKey>) -> Result<(), Error> {
        let signatures: Vec<String> =
            key.map(|key| certificates.iter().map(|of| signature(of, key)).collect()).unwrap_or_default();
        let attached = attached(certificates, &signatures);
        write_document_with(&self.out, drawn(certificates)?, self.page_size, &attached, self.force)?;
        let Some(path) = &self.data else { return Ok(()) };
        let lines =
            |of: &dyn Fn(&CertificateData) -> String| certificates.iter().map(of).collect::<Vec<_>>().join("\n");
        // One certificate is the file; several are a line each, whose hash is that of the line without its end.
        file::write(path, lines(&CertificateData::json).as_bytes(), data_replaced(self.force))?;
        if let Some(key) = key {
            let signatures = lines(&|certificate| signature(certificate, key));
            file::write(&signature_path(path), signatures.as_bytes(), data_replaced(self.force))?;
        }
        Ok(())
    }

    /// Says what was written.
    pub(super) fn tell(&self, console: &mut Console<'_>) -> Result<(), Error> {
        let data = self.data.as_ref().map_or_else(String::new, |data| format!(", and its data to {}", data.display()));
        writeln!(console.out, "written to {}{data}", self.out.display())?;
        Ok(())
    }
}

fn drawn(certificates: &[CertificateData]) -> Result<Document, Error> {
    document(certificates).map_err(|why| Error::usage(why.to_string()))
}

/// What a page is beside the data in it.
pub(super) enum ComparedPage {
    /// To the byte what this program makes of them.
    Same,
    /// It could not be made again here, and why.
    Unknown(String),
    /// Something else.
    Other,
}

/// Compares a PDF with the one that its data make.
pub(super) fn compared(pdf: &[u8], certificates: &[CertificateData], signatures: &[String]) -> ComparedPage {
    if let Some(other) = certificates.iter().find(|of| of.manner.program != PROGRAM) {
        return ComparedPage::Unknown(format!("it was made by {}", shown(&other.manner.program)));
    }
    let drawn = match document(certificates) {
        Ok(drawn) => drawn,
        Err(why @ (PageError::Zone(_) | PageError::Language(_))) => return ComparedPage::Unknown(why.to_string()),
        Err(PageError::Code(_)) => return ComparedPage::Other,
    };
    let attached = attached(certificates, signatures);
    let is_of = |size| pdf_page(drawn.clone(), size, &attached).is_ok_and(|page| page == pdf);
    if is_of(PageSize::A4) || is_of(PageSize::Letter) { ComparedPage::Same } else { ComparedPage::Other }
}

/// First word of a signature's file.
const SIGNATURE: &str = "seathold-signature-1";

/// A line of a signature's file.
fn signature(certificate: &CertificateData, key: &SigningKey) -> String {
    format!("{SIGNATURE} {}", key.sign(&certificate.json()))
}

/// The signature in such a line.
pub(super) fn signature_in(line: &str) -> Option<&str> {
    line.trim().strip_prefix(SIGNATURE).map(str::trim)
}

/// Whether a text is such a line.
pub(super) fn is_signature(text: &str) -> bool {
    text.starts_with(SIGNATURE)
}

/// What the PDF of certificates has in it: their data, and the signatures where there are any. A draft has nothing.
fn attached(certificates: &[CertificateData], signatures: &[String]) -> Vec<AttachedFile> {
    let signatures = signatures.iter().map(Some).chain(std::iter::repeat(None));
    let of_each = certificates.iter().zip(signatures).flat_map(|(of, signature)| attached_to(of, signature));
    of_each.chain(attached_mark(certificates)).collect()
}

fn attached_to(certificate: &CertificateData, signature: Option<&String>) -> Vec<AttachedFile> {
    let Some(number) = &certificate.certificate else { return Vec::new() };
    let mut files = vec![AttachedFile {
        name: format!("{number}.json"),
        mime_type: "application/json",
        about: format!("What certificate {number} states, as data"),
        bytes: certificate.json().into_bytes(),
    }];
    files.extend(signature.map(|signature| AttachedFile {
        name: format!("{number}.json.sig"),
        mime_type: "text/plain",
        about: format!("Signature of the data of certificate {number}"),
        bytes: signature.clone().into_bytes(),
    }));
    files
}

/// The mark, once however many certificates have it: with it and the data the page can be made again.
fn attached_mark(certificates: &[CertificateData]) -> Option<AttachedFile> {
    let mark = certificates.iter().filter(|of| of.certificate.is_some()).find_map(|of| of.mark.as_ref())?;
    Some(AttachedFile {
        name: "mark.png".into(),
        mime_type: "image/png",
        about: "The shop's mark".into(),
        bytes: mark.png.to_vec(),
    })
}

/// Data and signatures made here, by what stands in them.
const DATA: &[&[u8]] = &[b"\"schema\":\"seathold/certificate-issue/", SIGNATURE.as_bytes()];

const fn data_replaced(force: bool) -> Replace {
    if force { Replace::Any } else { Replace::Ours(DATA) }
}
