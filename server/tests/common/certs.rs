//! Throw-away certificates: an authority of the test's own, and a server's certificate that it vouches for.

use std::path::{Path, PathBuf};

use rcgen::{BasicConstraints, CertificateParams, CertifiedIssuer, IsCa, KeyPair};

/// Files for one server.
#[derive(Debug)]
pub(crate) struct Certs {
    pub(crate) authority: PathBuf,
    pub(crate) cert: PathBuf,
    pub(crate) key: PathBuf,
}

/// Makes an authority and a certificate for 127.0.0.1 in a folder; the files' names begin with `name`.
pub(crate) fn certs(folder: &Path, name: &str) -> Certs {
    let mut authority = CertificateParams::new(Vec::new()).unwrap();
    authority.is_ca = IsCa::Ca(BasicConstraints::Unconstrained);
    let authority = CertifiedIssuer::self_signed(authority, KeyPair::generate().unwrap()).unwrap();
    let key = KeyPair::generate().unwrap();
    let server = CertificateParams::new(vec!["127.0.0.1".to_owned()]).unwrap().signed_by(&key, &authority).unwrap();
    let kept = |ending: &str, pem: String| {
        let path = folder.join(format!("{name}-{ending}.pem"));
        std::fs::write(&path, pem).unwrap();
        owner_alone(&path, 0o600);
        path
    };
    Certs { authority: kept("authority", authority.pem()), cert: kept("cert", server.pem()), key: kept("key", key.serialize_pem()) }
}

/// Sets a file's rights.
pub(crate) fn owner_alone(path: &Path, mode: u32) {
    #[cfg(unix)]
    std::fs::set_permissions(path, std::os::unix::fs::PermissionsExt::from_mode(mode)).unwrap();
    #[cfg(not(unix))]
    let _ = (path, mode);
}
