//! The files of a certificate: its page, its data, its signature.

use std::path::{Path, PathBuf};

use clap::Args;
use seathold_config::shop::{self, Shop};
use seathold_document::Document;
use seathold_document::pdf::{AttachedFile, PageSize};
use seathold_picture::mark::ShopMark;
use seathold_recording::file::{self, NewFile, Replace};
use seathold_report::certificate::{CertificateData, document};

use crate::cmd::find::RegisterArg;
use crate::cmd::page_file::{self, can_be_written, write_document_with};
use crate::cmd::picture_file::shop_mark;
use crate::console::Console;
use crate::error::Error;
use crate::signing_key::SigningKey;

/// The shop, and the page.
#[derive(Debug, Args)]
pub struct CertificatePageArgs {
    /// The shop that issues it, TOML; `seathold certificate template` prints one
    #[arg(long, value_name = "FILE")]
    pub shop: PathBuf,
    /// Key that it is signed with; `seathold certificate key` makes one
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

    pub(super) fn key(&self) -> Result<Option<SigningKey>, Error> {
        self.sign.as_deref().map(SigningKey::read).transpose()
    }

    /// An error where it could not be written; nothing is.
    pub(super) fn can_be_written(&self, drafts: &[CertificateData], console: &Console<'_>) -> Result<(), Error> {
        can_be_written(&self.out, drawn(drafts, console)?, self.page_size, self.force)?;
        for path in self.data.iter().flat_map(|path| [path.clone(), signature_path(path)]) {
            NewFile::create(&path, data_replaced(self.force))?;
        }
        Ok(())
    }

    /// Writes the page, and the data and signatures where they are asked for.
    pub(super) fn write(
        &self,
        certificates: &[CertificateData],
        key: Option<&SigningKey>,
        console: &Console<'_>,
    ) -> Result<(), Error> {
        let mut attached: Vec<AttachedFile> = certificates.iter().flat_map(|of| attached(of, key)).collect();
        attached.extend(attached_mark(certificates));
        write_document_with(&self.out, drawn(certificates, console)?, self.page_size, &attached, self.force)?;
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

fn drawn(certificates: &[CertificateData], console: &Console<'_>) -> Result<Document, Error> {
    document(certificates, &console.clock.zone()).map_err(|why| Error::usage(why.to_string()))
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

/// What a certificate's PDF has in it: its data, and their signature. A draft has nothing.
fn attached(certificate: &CertificateData, key: Option<&SigningKey>) -> Vec<AttachedFile> {
    let Some(number) = &certificate.certificate else { return Vec::new() };
    let mut files = vec![AttachedFile {
        name: format!("{number}.json"),
        mime_type: "application/json",
        about: format!("What certificate {number} states, as data"),
        bytes: certificate.json().into_bytes(),
    }];
    files.extend(key.map(|key| AttachedFile {
        name: format!("{number}.json.sig"),
        mime_type: "text/plain",
        about: format!("Signature of the data of certificate {number}"),
        bytes: signature(certificate, key).into_bytes(),
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
