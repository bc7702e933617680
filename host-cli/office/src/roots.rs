//! The certificates that an office's own must come from.

use std::path::Path;
use std::sync::Arc;

use rustls::pki_types::CertificateDer;
use rustls::pki_types::pem::PemObject;
use rustls::{ClientConfig, RootCertStore};
use tokio_postgres_rustls::MakeRustlsConnect;

use crate::error::Error;

/// An encrypted line that trusts these certificates and no others.
pub(crate) fn encrypted(roots: &Path) -> Result<MakeRustlsConnect, Error> {
    let wrong = |why: String| Error::Address(format!("{}: {why}", roots.display()));
    let mut store = RootCertStore::empty();
    let certificates = CertificateDer::pem_file_iter(roots).map_err(|why| wrong(format!("cannot be read: {why}")))?;
    for certificate in certificates {
        let certificate = certificate.map_err(|why| wrong(format!("is no certificate (PEM): {why}")))?;
        store.add(certificate).map_err(|why| wrong(format!("has a certificate that cannot be used: {why}")))?;
    }
    if store.is_empty() {
        return Err(wrong("has no certificate (PEM)".into()));
    }
    let provider = Arc::new(rustls::crypto::ring::default_provider());
    let config = ClientConfig::builder_with_provider(provider)
        .with_safe_default_protocol_versions()
        .map_err(|why| wrong(why.to_string()))?
        .with_root_certificates(store)
        .with_no_client_auth();
    Ok(MakeRustlsConnect::new(config))
}
