//! Certificate files become a TLS acceptor, proved whole before anything is bound or founded.
//!
//! The files are read once, at the start: a renewed certificate counts from the next start on.

use std::path::Path;
use std::sync::Arc;

use tokio_rustls::TlsAcceptor;
use tokio_rustls::rustls::crypto::ring;
use tokio_rustls::rustls::pki_types::pem::{self, PemObject};
use tokio_rustls::rustls::pki_types::{CertificateDer, PrivateKeyDer};
use tokio_rustls::rustls::version::{TLS12, TLS13};
use tokio_rustls::rustls::{self, InconsistentKeys, ServerConfig};

use crate::error::ServerError;

/// The one protocol that is spoken under TLS (RFC 7301).
const SPOKEN: &[u8] = b"http/1.1";

/// An acceptor that shows the certificate and holds the key.
///
/// # Errors
/// [`ServerError::Tls`] naming the file and what is wrong with it.
pub(crate) fn acceptor(certificate: &Path, key: &Path) -> Result<TlsAcceptor, ServerError> {
    let refuse = |file: &Path, why: String| ServerError::Tls { file: file.to_owned(), why };
    let chain: Vec<CertificateDer<'static>> = CertificateDer::pem_file_iter(certificate)
        .and_then(Iterator::collect)
        .map_err(|error| refuse(certificate, unread(&error, "certificate")))?;
    if chain.is_empty() {
        return Err(refuse(certificate, unread(&pem::Error::NoItemsFound, "certificate")));
    }
    private_key_file(key).map_err(|why| refuse(key, why))?;
    let private = PrivateKeyDer::from_pem_file(key).map_err(|error| refuse(key, unread(&error, "private key")))?;
    let config = ServerConfig::builder_with_provider(Arc::new(ring::default_provider()))
        .with_protocol_versions(&[&TLS13, &TLS12])
        .map_err(|error| refuse(certificate, error.to_string()))?
        .with_no_client_auth()
        .with_single_cert(chain, private);
    let mut config = config.map_err(|error| match error {
        rustls::Error::InconsistentKeys(InconsistentKeys::KeyMismatch) => {
            refuse(key, format!("it is not the key of the first certificate in {}", certificate.display()))
        }
        rustls::Error::InvalidCertificate(why) => refuse(certificate, format!("its first certificate cannot be read: {why:?}")),
        other => refuse(key, other.to_string()),
    })?;
    config.alpn_protocols = vec![SPOKEN.to_vec()];
    Ok(TlsAcceptor::from(Arc::new(config)))
}

fn unread(error: &pem::Error, what: &str) -> String {
    match error {
        pem::Error::NoItemsFound => format!("it holds no {what} in PEM form"),
        pem::Error::Io(error) => error.to_string(),
        other => format!("it is no PEM file: {other}"),
    }
}

/// Whoever reads the key can speak in the shop's name.
#[cfg(unix)]
fn private_key_file(key: &Path) -> Result<(), String> {
    use std::os::unix::fs::PermissionsExt;
    let mode = std::fs::metadata(key).map_err(|error| error.to_string())?.permissions().mode() & 0o777;
    if mode & 0o077 == 0 {
        return Ok(());
    }
    Err(format!("other accounts of this computer can get at the key, its mode is {mode:03o}: chmod 600 it"))
}

#[cfg(not(unix))]
fn private_key_file(_: &Path) -> Result<(), String> {
    Ok(())
}
