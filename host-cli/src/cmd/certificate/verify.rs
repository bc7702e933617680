//! `seathold certificate verify`.

use std::path::PathBuf;

use clap::Args;
use seathold_recording::file::read_text_at_most;
use seathold_recording::hash::sha256;
use seathold_recording::plain::shown;
use seathold_register::customer::issue::CertificateRecord;
use seathold_register::{Access, Register, name_or_none};

use super::valves::certified;

use crate::cmd::batch_common::listed;
use crate::cmd::find::{RegisterArg, date};
use crate::console::Console;
use crate::error::Error;
use crate::exit::Exit;

/// Longest data that are read, in bytes: a batch of thousands of valves.
const DATA_MAX: u64 = 64 << 20;

/// `seathold certificate verify`.
#[derive(Debug, Args)]
pub struct VerifyArgs {
    /// The data, JSON
    #[arg(value_name = "FILE.json")]
    pub data: PathBuf,
    #[command(flatten)]
    pub register: RegisterArg,
}

pub(super) fn run(args: &VerifyArgs, console: &mut Console<'_>) -> Result<Exit, Error> {
    let text = read_text_at_most(&args.data, DATA_MAX)?;
    let register = Register::open(&args.register.register, Access::Read)?;
    let issued = register.certificates()?;
    let mut exit = Exit::Good;
    // A line each, as `issue --data` writes them.
    for line in text.lines().filter(|line| !line.trim().is_empty()) {
        let hash = sha256(line.as_bytes());
        let answer = match issued.iter().find(|known| known.sha256 == hash) {
            Some(CertificateRecord { altered: Some(what), certificate, .. }) => {
                exit = Exit::Storage;
                format!("{certificate}: ITS RECORD IS ALTERED: record {what}")
            }
            Some(known) => {
                let serials: Vec<&str> = known.serials.iter().map(String::as_str).collect();
                let since = since(&register, known, line)?;
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

/// That the register says something else of its valves by now, where it does.
fn since(register: &Register, known: &CertificateRecord, data: &str) -> Result<Option<String>, Error> {
    let Some(batch) = register.batches()?.into_iter().find(|batch| batch.batch == known.batch) else {
        return Ok(Some("; ITS BATCH IS NOT HERE, so what holds now is not known".into()));
    };
    let now = match certified(register, &batch, &known.serials) {
        Ok(valves) => serde_json::json!(valves),
        Err(why @ Error::Register { .. }) => return Ok(Some(format!("; IT NO LONGER HOLDS: {why}"))),
        Err(why) => return Err(why),
    };
    let then = serde_json::from_str(data).map(|data: serde_json::Value| data["valves"].clone()).unwrap_or_default();
    let text = "; IT NO LONGER HOLDS: what is on record of its valves has changed since";
    Ok((now != then).then(|| text.into()))
}
