//! TLS to a broker or a receiver: rustls with ring, trusting the system's roots or one file.

use rustls::pki_types::CertificateDer;
use rustls::pki_types::pem::PemObject;
use rustls::{ClientConfig, RootCertStore};
use std::path::Path;
use std::sync::Arc;

/// What a client trusts: the certificates in `ca_file`, else those of the system.
///
/// # Errors
/// A file that cannot be read or holds no certificate; a system without roots.
pub(crate) fn trust(ca_file: Option<&Path>) -> Result<Arc<ClientConfig>, String> {
    let mut roots = RootCertStore::empty();
    if let Some(path) = ca_file {
        let bad = |why: String| format!("`ca_file` {}: {why}", path.display());
        let certificates = CertificateDer::pem_file_iter(path)
            .and_then(Iterator::collect::<Result<Vec<_>, _>>)
            .map_err(|e| bad(e.to_string()))?;
        for certificate in certificates {
            roots.add(certificate).map_err(|e| bad(e.to_string()))?;
        }
        if roots.is_empty() {
            return Err(bad("no certificate in it (PEM is expected)".to_owned()));
        }
    } else {
        roots.add_parsable_certificates(rustls_native_certs::load_native_certs().certs);
        if roots.is_empty() {
            return Err("this system has no trusted certificates; name the ones to trust in \
                        `ca_file`, or install the system's package of certificates"
                .to_owned());
        }
    }
    let provider = Arc::new(rustls::crypto::ring::default_provider());
    let config = ClientConfig::builder_with_provider(provider)
        .with_safe_default_protocol_versions()
        .map_err(|e| e.to_string())?
        .with_root_certificates(roots)
        .with_no_client_auth();
    Ok(Arc::new(config))
}
