//! `seathold certificate`: what leaves the shop with a valve.

mod issue;
mod list;
mod valves;
mod verify;

use std::path::PathBuf;

use clap::{Args, Subcommand};
use seathold_config::shop::{self, Shop};
use seathold_document::pdf::PageSize;
use seathold_report::certificate::CertifyingShop;

use super::find::RegisterArg;
use super::page_file;
use crate::console::Console;
use crate::error::Error;
use crate::exit::Exit;

/// `seathold certificate …`.
#[derive(Debug, Subcommand)]
pub enum CertificateCommand {
    /// Print a file of the shop to start from: its name, who may release
    Template,
    /// Issue certificates, a page for each valve or one with a table
    Issue(issue::IssueArgs),
    /// Write a certificate that was issued once more, under its number
    Again(issue::AgainArgs),
    /// Tell whether a certificate's data are what was issued: attached to its PDF, or written by --data
    Verify(verify::VerifyArgs),
    /// List the certificates that were issued
    List(list::CertificateListArgs),
}

/// The shop, and the page.
#[derive(Debug, Args)]
pub struct CertificatePageArgs {
    /// The shop that issues it, TOML; `seathold certificate template` prints one
    #[arg(long, value_name = "FILE")]
    pub shop: PathBuf,
    /// Page to write, by its ending .html or .pdf
    #[arg(long, short, value_name = "FILE", value_parser = page_file::page_file)]
    pub out: PathBuf,
    /// What it states as data too, JSON: the SHA-256 of that file stands on the certificate
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

impl CertificatePageArgs {
    fn shop(&self) -> Result<Shop, Error> {
        Ok(shop::read(&self.shop)?)
    }
}

/// What of a shop stands on a certificate.
fn certifying(shop: &Shop) -> CertifyingShop {
    CertifyingShop { name: shop.name.clone(), address: shop.address.clone(), contact: shop.contact.clone() }
}

pub(super) fn run(command: &CertificateCommand, console: &mut Console<'_>) -> Result<Exit, Error> {
    match command {
        CertificateCommand::Template => {
            write!(console.out, "{}", shop::TEMPLATE)?;
            Ok(Exit::Good)
        }
        CertificateCommand::Issue(args) => issue::issue(args, console),
        CertificateCommand::Again(args) => issue::again(args, console),
        CertificateCommand::Verify(args) => verify::run(args, console),
        CertificateCommand::List(args) => list::run(args, console),
    }
}
