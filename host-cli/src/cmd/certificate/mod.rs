//! `seathold certificate`: what leaves the shop with a valve.

mod issue;
mod list;
mod page;
mod valves;
pub(in crate::cmd) mod verify;

use std::path::PathBuf;

use clap::Subcommand;
use seathold_config::shop::{self, Shop};
use seathold_report::certificate::CertifyingShop;

use crate::console::Console;
use crate::error::Error;
use crate::exit::Exit;
use crate::passphrase;
use seathold_signing::{SigningKey, public_path};

/// `seathold certificate …`.
#[derive(Debug, Subcommand)]
pub enum CertificateCommand {
    /// Print a file of the shop to start from: its name, who may release
    Template,
    /// Make a key that certificates are signed with
    Key {
        /// The file to make; the public part gets its name and .pub
        file: PathBuf,
        /// Under a passphrase, which is asked for each time it signs
        #[arg(long)]
        passphrase: bool,
    },
    /// Issue certificates, a page for each valve or one with a table
    Issue(issue::IssueArgs),
    /// Write a certificate that was issued once more, under its number
    Again(issue::AgainArgs),
    /// Tell whether a certificate's data are what was issued: attached to its PDF, or written by --data
    Verify(verify::VerifyArgs),
    /// List the certificates that were issued
    List(list::CertificateListArgs),
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
        CertificateCommand::Key { file, passphrase } => {
            let passphrase = passphrase.then(|| passphrase::chosen(file, console.environment)).transpose()?;
            let key = SigningKey::make(file, passphrase.as_deref())?.public();
            let (file, public) = (file.display(), public_path(file));
            let public = public.display();
            writeln!(
                console.out,
                "{file}: made; keep it at the bench, and give {public} to whoever checks certificates"
            )?;
            writeln!(console.out, "fingerprint {}", key.fingerprint())?;
            Ok(Exit::Good)
        }
        CertificateCommand::Issue(args) => issue::issue(args, console),
        CertificateCommand::Again(args) => issue::again(args, console),
        CertificateCommand::Verify(args) => verify::run(args, console),
        CertificateCommand::List(args) => list::run(args, console),
    }
}
