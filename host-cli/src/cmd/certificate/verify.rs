//! `seathold certificate verify`, and what `seathold verify` says of certificates.

use std::collections::HashMap;
use std::path::{Path, PathBuf};

use clap::Args;
use seathold_document::pdf::attached::attached_files;
use seathold_picture::mark::ShopMark;
use seathold_recording::file::{read_at_most, read_text_at_most};
use seathold_recording::hash::sha256;
use seathold_recording::plain::shown;
use seathold_register::customer::issue::CertificateRecord;
use seathold_register::intake::VALVES_MAX;
use seathold_register::valves::BatchRecord;
use seathold_register::{Access, Register, name_or_none};
use seathold_report::certificate::CertificateData;
use seathold_signing::PublicKey;

use super::page::{ComparedPage, compared, is_signature, signature_in, signature_path};
use super::valves::{BatchValves, certified, whole};

use crate::cmd::batch_common::listed;
use crate::cmd::find::{RegisterArg, date};
use crate::console::Console;
use crate::error::Error;
use crate::exit::Exit;

/// Longest data or page that are read, in bytes: a batch of thousands of valves.
const DATA_MAX: u64 = 64 << 20;

/// `seathold certificate verify`.
#[derive(Debug, Args)]
pub struct VerifyArgs {
    /// The PDF, or its data, JSON
    #[arg(value_name = "FILE")]
    pub data: PathBuf,
    /// Public part of the shop's key: the signature is checked, and no register is needed
    #[arg(long, value_name = "FILE.pub")]
    pub key: Option<PathBuf>,
    /// The signature of data [default: beside them, FILE.json.sig; that of a PDF is in it]
    #[arg(long, value_name = "FILE.sig", requires = "key")]
    pub signature: Option<PathBuf>,
    #[command(flatten)]
    pub register: RegisterArg,
}

/// Certificates, as a file has them.
struct CertificateFile {
    /// What each states.
    data: Vec<String>,
    /// Their signatures, where they are in it: as many, or none.
    signatures: Vec<String>,
    /// The shop's mark, where one is in it.
    mark: Option<ShopMark>,
    /// The page, where it is a PDF.
    pdf: Option<Vec<u8>>,
}

impl CertificateFile {
    fn read(path: &Path) -> Result<Self, Error> {
        if !is_pdf(path)? {
            let data = lines(path, &read_text_at_most(path, DATA_MAX)?)?;
            if data.is_empty() {
                return Err(Error::usage(format!("{}: it is empty, and holds no certificate", path.display())));
            }
            return Ok(Self { data, signatures: Vec::new(), mark: None, pdf: None });
        }
        let pdf = read_at_most(path, DATA_MAX)?;
        let (mut data, mut signatures, mut mark) = (Vec::new(), Vec::new(), None);
        for bytes in attached_files(&pdf) {
            if bytes.starts_with(b"\x89PNG") {
                mark = ShopMark::from_bitmap(bytes).ok();
            }
            let Ok(file) = std::str::from_utf8(bytes) else { continue };
            if is_signature(file) {
                signatures.push(file.to_owned());
            } else if is_data(file) {
                data.push(file.to_owned());
            }
        }
        if data.is_empty() {
            let why = "no certificate's data are attached to it as this program attaches them; where another program has saved it \
                       anew, take them out with `pdfdetach -saveall` of poppler, and verify those";
            return Err(Error::usage(format!("{}: {why}", path.display())));
        }
        Ok(Self { data, signatures, mark, pdf: Some(pdf) })
    }

    /// What must be known of the page, where it is one, and whether nothing is wrong with it.
    fn page(&self) -> (Option<String>, Exit) {
        let Some(pdf) = &self.pdf else { return (None, Exit::Good) };
        // A mark of another hash than the data have is none of theirs, and the page will not be the same.
        let with_mark = |data: CertificateData| {
            let stated = data.mark_sha256.clone();
            let marked = data.with_mark(self.mark.clone().filter(|_| stated.is_some()));
            (marked.mark_sha256 == stated).then_some(marked)
        };
        let data = self.data.iter().filter_map(|line| serde_json::from_str(line).ok());
        let read: Vec<CertificateData> = data.filter_map(with_mark).collect();
        let whole = read.len() == self.data.len();
        let found = if whole { compared(pdf, &read, &self.signatures) } else { ComparedPage::Other };
        match found {
            ComparedPage::Same => (Some("the page says what its data say".into()), Exit::Good),
            ComparedPage::Unknown(why) => {
                (Some(format!("the page was not compared, {why}: read the data")), Exit::NoVerdict)
            }
            ComparedPage::Other => {
                let text = "THE PAGE IS NOT THE ONE THAT THESE DATA MAKE: it was changed since; read the data";
                (Some(text.into()), Exit::Storage)
            }
        }
    }
}

/// Whether a file is a certificate, as a page or as data.
pub(in crate::cmd) fn is_certificate(path: &Path) -> Result<bool, Error> {
    if is_pdf(path)? {
        return Ok(!signature_path(path).exists());
    }
    let ending = path.extension().is_some_and(|ending| ending.eq_ignore_ascii_case("json"));
    Ok(ending && read_text_at_most(path, DATA_MAX)?.lines().next().is_some_and(is_data))
}

fn is_pdf(path: &Path) -> Result<bool, Error> {
    use std::io::Read;
    let mut first = Vec::new();
    let file = std::fs::File::open(path).map_err(|why| Error::file("read", path, why))?;
    file.take(5).read_to_end(&mut first).map_err(|why| Error::file("read", path, why))?;
    Ok(first == b"%PDF-")
}

fn is_data(text: &str) -> bool {
    let data: serde_json::Value = serde_json::from_str(text).unwrap_or_default();
    data["schema"].as_str().is_some_and(|schema| schema.starts_with("seathold/certificate-issue/"))
}

pub(super) fn run(args: &VerifyArgs, console: &mut Console<'_>) -> Result<Exit, Error> {
    if let Some(key) = &args.key {
        let signed = verify_signed(&args.data, args.signature.as_deref(), &PublicKey::read(key)?, console)?;
        // Where the register that issued it is at hand, it says whether it still holds.
        let known = || -> Result<bool, Error> {
            let file = CertificateFile::read(&args.data)?;
            let register = Register::open(&args.register.register, Access::Read)?;
            let issued = register.certificates()?;
            Ok(file.data.iter().any(|line| issued.iter().any(|known| known.sha256 == sha256(line.as_bytes()))))
        };
        let at_hand = args.register.register.is_file() && known().unwrap_or(false);
        return if signed == Exit::Good && at_hand { held_against(args, console) } else { Ok(signed) };
    }
    held_against(args, console)
}

/// What a register says of certificates.
fn held_against(args: &VerifyArgs, console: &mut Console<'_>) -> Result<Exit, Error> {
    let file = CertificateFile::read(&args.data)?;
    let register = Register::open(&args.register.register, Access::Read)?;
    whole(&register)?;
    let issued = register.certificates()?;
    let (page, mut exit) = file.page();
    let mut batches = BatchesRead::default();
    for line in &file.data {
        let hash = sha256(line.as_bytes());
        let answer = match issued.iter().find(|known| known.sha256 == hash) {
            Some(CertificateRecord { altered: Some(what), certificate, .. }) => {
                exit = Exit::Storage;
                format!("{certificate}: ITS RECORD IS ALTERED: record {what}")
            }
            Some(known) => {
                let serials: Vec<&str> = known.serials.iter().map(String::as_str).collect();
                let since = since(&register, &mut batches, known, line)?;
                if since.is_some() && exit == Exit::Good {
                    exit = Exit::NoVerdict;
                }
                let twice = if known.number_twice { "; ANOTHER HAS THE SAME NUMBER" } else { "" };
                if known.number_twice {
                    exit = Exit::Storage;
                }
                format!(
                    "{}: as it was issued {} UTC, released by {}: {}{}{twice}",
                    known.certificate,
                    date(&known.issued_at),
                    name_or_none(&known.released_by),
                    listed(&serials),
                    since.unwrap_or_default()
                )
            }
            None => {
                exit = Exit::Storage;
                format!("NOT AS ISSUED: this register has no certificate that states this (SHA-256 {hash})")
            }
        };
        writeln!(console.out, "{}", shown(&answer))?;
    }
    if let Some(page) = page {
        writeln!(console.out, "{page}")?;
    }
    Ok(exit)
}

/// Whether certificates were signed with this key. That the data name it themselves proves nothing, and that they name another is a
/// fault.
pub(in crate::cmd) fn verify_signed(
    path: &Path,
    signature: Option<&Path>,
    key: &PublicKey,
    console: &mut Console<'_>,
) -> Result<Exit, Error> {
    let file = CertificateFile::read(path)?;
    let signatures = match (&file.pdf, signature) {
        (Some(_), None) => file.signatures.clone(),
        (_, named) => {
            let beside = named.map_or_else(|| signature_path(path), Path::to_path_buf);
            let text = read_text_at_most(&beside, DATA_MAX)?;
            text.lines().filter(|line| !line.trim().is_empty()).take(VALVES_MAX).map(str::to_owned).collect()
        }
    };
    let mut signatures = signatures.iter();
    let (page, mut exit) = file.page();
    for line in &file.data {
        let data: serde_json::Value = serde_json::from_str(line).unwrap_or_default();
        let number = data["certificate"].as_str().unwrap_or("NOT A CERTIFICATE");
        let signature = signatures.next().and_then(|line| signature_in(line)).unwrap_or_default();
        let holds = key.verifies(line, signature) && data["key"].as_str() == Some(&key.hex());
        let answer = if holds {
            let results = data["valves"].as_array().into_iter().flatten();
            let each = |valve: &serde_json::Value| {
                Some(format!("{} {}", valve["serial"].as_str()?, valve["result"].as_str()?))
            };
            let results: Vec<String> = results.filter_map(each).collect();
            format!("{number}: signed with the key of fingerprint {}: {}", key.fingerprint(), results.join(", "))
        } else {
            exit = Exit::Storage;
            format!(
                "{number}: NOT SIGNED with the key of fingerprint {}: changed since, or signed by another",
                key.fingerprint()
            )
        };
        writeln!(console.out, "{}", shown(&answer))?;
    }
    if let Some(page) = page {
        writeln!(console.out, "{page}")?;
    }
    Ok(exit)
}

/// Certificates, a line each, as `issue --data` writes them.
fn lines(path: &Path, text: &str) -> Result<Vec<String>, Error> {
    let lines = text.lines().filter(|line| !line.trim().is_empty()).take(VALVES_MAX + 1);
    let lines: Vec<String> = lines.map(str::to_owned).collect();
    if lines.len() > VALVES_MAX {
        let why = format!("more than {VALVES_MAX} lines: no batch has so many certificates");
        return Err(Error::usage(format!("{}: {why}", path.display())));
    }
    Ok(lines)
}

/// Batches that were read, by their UUID; none where one is not in the register.
type BatchesRead = HashMap<String, Option<(BatchValves, BatchRecord)>>;

/// That the register says something else of its valves by now, where it does.
fn since(
    register: &Register,
    batches: &mut BatchesRead,
    known: &CertificateRecord,
    data: &str,
) -> Result<Option<String>, Error> {
    if !batches.contains_key(&known.batch) {
        let batch = register.batches()?.into_iter().find(|batch| batch.batch == known.batch);
        let read = batch.map(|batch| Ok::<_, Error>((BatchValves::read(register, &batch)?, batch))).transpose()?;
        batches.insert(known.batch.clone(), read);
    }
    let Some(Some((of_batch, batch))) = batches.get(&known.batch) else {
        return Ok(Some("; ITS BATCH IS NOT HERE, so what holds now is not known".into()));
    };
    let now = match certified(register, batch, of_batch, &known.serials) {
        Ok(valves) => serde_json::json!(valves),
        Err(why @ Error::Register { .. }) => return Ok(Some(format!("; IT NO LONGER HOLDS: {why}"))),
        Err(why) => return Err(why),
    };
    let then = serde_json::from_str(data).map(|data: serde_json::Value| data["valves"].clone()).unwrap_or_default();
    let text = "; IT NO LONGER HOLDS: what is on record of its valves has changed since";
    Ok((now != then).then(|| text.into()))
}
