//! Keys that certificates are signed with: Ed25519 (RFC 8032). The private part stays at the bench, the public part goes to whoever
//! is to check a certificate.

use std::path::{Path, PathBuf};

use ed25519_dalek::{Signature, Signer, VerifyingKey};
use seathold_recording::hash::hex;
use seathold_report::certificate::fingerprint;

use crate::error::Error;
use crate::secret_file;

/// First word of a private key's file, so that it is not taken for a controller's key.
const PRIVATE: &str = "seathold-signing-key-1";
/// And of a public key's.
const PUBLIC: &str = "seathold-public-key-1";

/// Longest file of either that is read.
const LONGEST: u64 = 256;

/// A private key.
#[derive(Debug)]
pub struct SigningKey(ed25519_dalek::SigningKey);

/// A public key.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct PublicKey(VerifyingKey);

/// Where the public part of a key lies: beside it.
pub fn public_path(path: &Path) -> PathBuf {
    let mut name = path.as_os_str().to_owned();
    name.push(".pub");
    name.into()
}

impl SigningKey {
    /// Makes a key: its file, which only its owner can read, and that of its public part. Neither replaces one.
    ///
    /// # Errors
    /// When one exists, or cannot be written.
    pub fn make(path: &Path) -> Result<Self, Error> {
        let public = public_path(path);
        if public.exists() {
            return Err(Error::file("make", &public, std::io::ErrorKind::AlreadyExists.into()));
        }
        let key = Self(ed25519_dalek::SigningKey::from_bytes(&secret_file::random()?));
        secret_file::make(path, &format!("{PRIVATE} {}\n", hex(key.0.as_bytes())))?;
        let text = format!("{PUBLIC} {}\n", key.public().hex());
        std::fs::write(&public, text).map_err(|why| Error::file("write", &public, why))?;
        Ok(key)
    }

    /// Reads its file.
    ///
    /// # Errors
    /// When others can read it too, or it is none.
    pub fn read(path: &Path) -> Result<Self, Error> {
        let text = secret_file::read(path, LONGEST)?;
        let key = text.trim().strip_prefix(PRIVATE).and_then(|text| bytes::<32>(text.trim()));
        key.map(|key| Self(ed25519_dalek::SigningKey::from_bytes(&key))).ok_or_else(|| {
            let what = "not a key that certificates are signed with, from `seathold certificate key`";
            Error::usage(format!("{}: {what}", path.display()))
        })
    }

    /// Its public part.
    pub fn public(&self) -> PublicKey {
        PublicKey(self.0.verifying_key())
    }

    /// The signature of a text, in hexadecimal digits.
    pub fn sign(&self, text: &str) -> String {
        hex(&self.0.sign(text.as_bytes()).to_bytes())
    }
}

impl PublicKey {
    /// Reads its file.
    ///
    /// # Errors
    /// When it cannot be read, or is none.
    pub fn read(path: &Path) -> Result<Self, Error> {
        let text = seathold_recording::file::read_text_at_most(path, LONGEST)?;
        let key = text.trim().strip_prefix(PUBLIC).and_then(|text| bytes::<32>(text.trim()));
        key.and_then(|key| VerifyingKey::from_bytes(&key).ok()).map(Self).ok_or_else(|| {
            let what = "not the public part (.pub) of a key that certificates are signed with";
            Error::usage(format!("{}: {what}", path.display()))
        })
    }

    /// In hexadecimal digits.
    pub fn hex(&self) -> String {
        hex(self.0.as_bytes())
    }

    /// Whether this is a text's signature by this key; strictly, so that no other signature of it is taken.
    pub fn verifies(&self, text: &str, signature: &str) -> bool {
        let signature = bytes::<64>(signature.trim()).map(|bytes| Signature::from_bytes(&bytes));
        signature.is_some_and(|signature| self.0.verify_strict(text.as_bytes(), &signature).is_ok())
    }

    /// What people compare.
    pub fn fingerprint(&self) -> String {
        fingerprint(&self.hex())
    }
}

fn bytes<const N: usize>(text: &str) -> Option<[u8; N]> {
    let digits = text.as_bytes();
    if digits.len() != 2 * N || !digits.iter().all(u8::is_ascii_hexdigit) {
        return None;
    }
    let mut bytes = [0; N];
    for (byte, pair) in bytes.iter_mut().zip(digits.chunks(2)) {
        *byte = u8::from_str_radix(std::str::from_utf8(pair).ok()?, 16).ok()?;
    }
    Some(bytes)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// RFC 8032, 7.1, test 2: a message of one byte, here the text "r".
    #[test]
    fn signatures_are_those_of_the_standard() {
        let secret = bytes("4ccd089b28ff96da9db6c346ec114e0f5b8a319f35aba624da8cf6ed4fb8a6fb").unwrap();
        let key = SigningKey(ed25519_dalek::SigningKey::from_bytes(&secret));
        assert_eq!(key.public().hex(), "3d4017c3e843895a92b70aa74d1b7ebc9c982ccf2ec4968cc0cd55f12af4660c");
        let signature = "92a009a9f0d4cab8720e820b5f642540a2b27b5416503f8fb3762223ebdb69da\
                         085ac1e43e15996e458f3613d0f11d8c387b2eaeb4302aeeb00d291612bb0c00";
        assert_eq!(key.sign("r"), signature);
        assert!(key.public().verifies("r", signature) && !key.public().verifies("s", signature));
        assert!(!key.public().verifies("r", &signature.replacen('9', "8", 1)) && !key.public().verifies("r", "92a0"));
    }
}
