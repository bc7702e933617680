//! `seathold certificate verify`.

use std::collections::HashMap;
use std::path::PathBuf;

use clap::Args;
use seathold_recording::file::read_text_at_most;
use seathold_recording::hash::sha256;
use seathold_recording::plain::shown;
use seathold_register::customer::issue::CertificateRecord;
use seathold_register::intake::VALVES_MAX;
use seathold_register::valves::BatchRecord;
use seathold_register::{Access, Register, name_or_none};

use super::page::{signature_in, signature_path};
use super::valves::{BatchValves, certified};

use crate::cmd::batch_common::listed;
use crate::cmd::find::{RegisterArg, date};
use crate::console::Console;
use crate::error::Error;
use crate::exit::Exit;
use crate::signing_key::PublicKey;

/// Longest data that are read, in bytes: a batch of thousands of valves.
const DATA_MAX: u64 = 64 << 20;

/// `seathold certificate verify`.
#[derive(Debug, Args)]
pub struct VerifyArgs {
    /// The data, JSON
    #[arg(value_name = "FILE.json")]
    pub data: PathBuf,
    /// Public part of the shop's key: the signature is checked, and no register is needed
    #[arg(long, value_name = "FILE.pub")]
    pub key: Option<PathBuf>,
    /// The signature [default: beside the data, FILE.json.sig]
    #[arg(long, value_name = "FILE.sig", requires = "key")]
    pub signature: Option<PathBuf>,
    #[command(flatten)]
    pub register: RegisterArg,
}

pub(super) fn run(args: &VerifyArgs, console: &mut Console<'_>) -> Result<Exit, Error> {
    let text = read_text_at_most(&args.data, DATA_MAX)?;
    if let Some(key) = &args.key {
        return signed(args, &text, &PublicKey::read(key)?, console);
    }
    let register = Register::open(&args.register.register, Access::Read)?;
    let issued = register.certificates()?;
    let mut exit = Exit::Good;
    let mut batches = BatchesRead::default();
    for line in lines(args, &text)? {
        let hash = sha256(line.as_bytes());
        let answer = match issued.iter().find(|known| known.sha256 == hash) {
            Some(CertificateRecord { altered: Some(what), certificate, .. }) => {
                exit = Exit::Storage;
                format!("{certificate}: ITS RECORD IS ALTERED: record {what}")
            }
            Some(known) => {
                let serials: Vec<&str> = known.serials.iter().map(String::as_str).collect();
                let since = since(&register, &mut batches, known, line)?;
                if since.is_some() {
                    exit = Exit::NoVerdict;
                }
                format!(
                    "{}: as it was issued {}, released by {}: {}{}",
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
    Ok(exit)
}

/// Whether the data were signed with this key. That the data name it themselves proves nothing, and that they name another is a fault.
fn signed(args: &VerifyArgs, text: &str, key: &PublicKey, console: &mut Console<'_>) -> Result<Exit, Error> {
    let path = args.signature.clone().unwrap_or_else(|| signature_path(&args.data));
    let signatures = read_text_at_most(&path, DATA_MAX)?;
    let mut signatures = signatures.lines().filter(|line| !line.trim().is_empty());
    let mut exit = Exit::Good;
    for line in lines(args, text)? {
        let data: serde_json::Value = serde_json::from_str(line).unwrap_or_default();
        let number = data["certificate"].as_str().unwrap_or("NOT A CERTIFICATE");
        let signature = signatures.next().and_then(signature_in).unwrap_or_default();
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
    Ok(exit)
}

/// Certificates, a line each, as `issue --data` writes them.
fn lines<'a>(args: &VerifyArgs, text: &'a str) -> Result<Vec<&'a str>, Error> {
    let lines: Vec<&str> = text.lines().filter(|line| !line.trim().is_empty()).take(VALVES_MAX + 1).collect();
    if lines.len() > VALVES_MAX {
        let why = format!("more than {VALVES_MAX} lines: no batch has so many certificates");
        return Err(Error::usage(format!("{}: {why}", args.data.display())));
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
