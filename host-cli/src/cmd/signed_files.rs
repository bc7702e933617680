//! `seathold sign` and `verify`: any file as whoever has a key left it, such as an export, a bundle, or a recording.

use std::io::Read;
use std::path::{Path, PathBuf};

use clap::Args;
use seathold_recording::file::{self, Replace, read_text_at_most};
use seathold_recording::hash::hex;
use seathold_register::{Access, Register};
use seathold_signing::{PublicKey, SigningKey};
use sha2::{Digest, Sha256};

use super::certificate::verify::{is_certificate, verify_signed};
use super::find::RegisterArg;
use crate::console::Console;
use crate::error::Error;
use crate::exit::Exit;
use crate::passphrase::read_key;

/// First word of such a signature's file.
const SIGNATURE: &str = "seathold-file-signature-1";

/// By this a file of a signature is known again, and may be replaced.
const SIGNATURES: &[&[u8]] = &[SIGNATURE.as_bytes()];

/// Longest file of a signature that is read, in bytes.
const LONGEST: u64 = 1024;

/// `seathold sign`.
#[derive(Debug, Args)]
pub struct SignArgs {
    /// The files; the signature of each lies beside it, FILE.sig
    #[arg(required = true, value_name = "FILE")]
    pub files: Vec<PathBuf>,
    /// Key to sign with [default: the bench's own, beside the register]
    #[arg(long, value_name = "FILE")]
    pub sign: Option<PathBuf>,
    #[command(flatten)]
    pub register: RegisterArg,
}

/// `seathold verify`.
#[derive(Debug, Args)]
pub struct VerifyFileArgs {
    /// The files: certificates as PDF or as data, and others with their signature beside them, FILE.sig
    #[arg(required = true, value_name = "FILE")]
    pub files: Vec<PathBuf>,
    /// Public part of the key that must have signed them
    #[arg(long, value_name = "FILE.pub")]
    pub key: PathBuf,
}

/// `seathold sign`.
pub(super) fn sign(args: &SignArgs, console: &mut Console<'_>) -> Result<Exit, Error> {
    let key = match &args.sign {
        Some(path) => read_key(path, console.environment)?,
        None => bench_key(&args.register.register)?,
    };
    for path in &args.files {
        let hash = sha256_of(path)?;
        let line = format!("{SIGNATURE} {}\n", key.sign(&signed_text(&hash)));
        let to = signature_path(path);
        file::write(&to, line.as_bytes(), Replace::Ours(SIGNATURES))?;
        writeln!(console.out, "{}: signed with the key of fingerprint {}", to.display(), key.public().fingerprint())?;
    }
    Ok(Exit::Good)
}

/// The key of the bench that a register belongs to.
fn bench_key(path: &Path) -> Result<SigningKey, Error> {
    let register = Register::open(path, Access::Read)?;
    if let Some(key) = register.bench_key() {
        return Ok(key.clone());
    }
    let why =
        register.not_signed()?.unwrap_or_else(|| "the bench has no key; `seathold register key` makes one".into());
    Err(Error::usage(format!("{}: nothing to sign with: {why}; or give --sign", path.display())))
}

/// `seathold verify`.
pub(super) fn verify(args: &VerifyFileArgs, console: &mut Console<'_>) -> Result<Exit, Error> {
    let key = PublicKey::read(&args.key)?;
    let mut exit = Exit::Good;
    for path in &args.files {
        let found = match is_certificate(path)? {
            true => verify_signed(path, None, &key, console)?,
            false => verify_one(path, &key, console)?,
        };
        exit = if found == Exit::Good { exit } else { found };
    }
    Ok(exit)
}

fn verify_one(path: &Path, key: &PublicKey, console: &mut Console<'_>) -> Result<Exit, Error> {
    let text = read_text_at_most(&signature_path(path), LONGEST)?;
    let holds = text.trim().strip_prefix(SIGNATURE).map(str::trim);
    let hash = sha256_of(path)?;
    let (path, fingerprint) = (path.display(), key.fingerprint());
    if holds.is_some_and(|signature| key.verifies(&signed_text(&hash), signature)) {
        writeln!(console.out, "{path}: signed with the key of fingerprint {fingerprint}")?;
        return Ok(Exit::Good);
    }
    let why = "changed since, or signed by another";
    writeln!(console.out, "{path}: NOT SIGNED with the key of fingerprint {fingerprint}: {why}")?;
    Ok(Exit::Storage)
}

fn signature_path(path: &Path) -> PathBuf {
    let mut name = path.as_os_str().to_owned();
    name.push(".sig");
    name.into()
}

fn signed_text(sha256: &str) -> String {
    format!("seathold file\n{sha256}\n")
}

/// The hash of a file of any length.
fn sha256_of(path: &Path) -> Result<String, Error> {
    let unread = |why| Error::file("read", path, why);
    let mut from = std::fs::File::open(path).map_err(unread)?;
    if !from.metadata().map_err(unread)?.is_file() {
        return Err(Error::usage(format!("{}: not a regular file", path.display())));
    }
    let mut hash = Sha256::new();
    let mut some = vec![0; 1 << 16];
    loop {
        match from.read(&mut some).map_err(unread)? {
            0 => return Ok(hex(&hash.finalize())),
            n => hash.update(&some[..n]),
        }
    }
}
