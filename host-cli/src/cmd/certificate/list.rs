//! `seathold certificate list`.

use clap::Args;
use seathold_recording::plain::shown;
use seathold_register::{Access, Register, name_or_none};
use serde_json::json;

use crate::cmd::batch_common::listed;
use crate::cmd::find::{RegisterArg, date};
use crate::console::Console;
use crate::error::Error;
use crate::exit::Exit;
use crate::schema::{self, JsonKind};

/// `seathold certificate list`.
#[derive(Debug, Args)]
pub struct CertificateListArgs {
    #[command(flatten)]
    pub register: RegisterArg,
    /// A JSON object a line
    #[arg(long)]
    pub json: bool,
}

pub(super) fn run(args: &CertificateListArgs, console: &mut Console<'_>) -> Result<Exit, Error> {
    let register = Register::open(&args.register.register, Access::Read)?;
    let certificates = register.certificates()?;
    let mut exit = Exit::Good;
    for certificate in &certificates {
        if certificate.altered.is_some() || certificate.number_twice {
            exit = Exit::Storage;
        }
        if args.json {
            schema::write(console, JsonKind::CertificateList, json!(certificate))?;
            continue;
        }
        let serials: Vec<&str> = certificate.serials.iter().map(String::as_str).collect();
        let by = name_or_none(&certificate.released_by);
        let altered = certificate.altered.as_ref().map_or_else(String::new, |what| format!("; ALTERED: record {what}"));
        let twice = if certificate.number_twice { "; ANOTHER HAS THE SAME NUMBER" } else { "" };
        let line = format!(
            "{}  {} UTC, released by {by}: {}{altered}{twice}",
            certificate.certificate,
            date(&certificate.issued_at),
            listed(&serials)
        );
        writeln!(console.out, "{}", shown(&line))?;
    }
    if certificates.is_empty() && !args.json {
        writeln!(console.err, "no certificate was issued yet; `seathold certificate issue` issues one")?;
    }
    Ok(exit)
}
