//! TLS to a broker or a receiver: rustls with ring, trusting the system's roots or one
//! file, and proving oneself by a certificate where the other end asks for one.

use rustls::pki_types::pem::{Error as PemError, PemObject};
use rustls::pki_types::{CertificateDer, PrivateKeyDer};
use rustls::{ClientConfig, RootCertStore};
use std::path::{Path, PathBuf};
use std::sync::Arc;

/// The files that a client of TLS reads.
#[derive(Clone, Debug, Default)]
pub(crate) struct Files {
    /// Certificates to trust instead of the system's.
    pub(crate) authority: Option<PathBuf>,
    /// The own certificate, with those between it and its authority.
    pub(crate) certificate: Option<PathBuf>,
    /// Its private key.
    pub(crate) key: Option<PathBuf>,
}

impl Files {
    /// The first key of the settings that names a file, if any does.
    pub(crate) fn named(&self) -> Option<&'static str> {
        [(&self.authority, AUTHORITY), (&self.certificate, CERTIFICATE), (&self.key, KEY)]
            .into_iter()
            .find_map(|(path, key)| path.is_some().then_some(key))
    }
}

/// The keys of the settings.
const AUTHORITY: &str = "ca_file";
const CERTIFICATE: &str = "certificate_file";
const KEY: &str = "key_file";

/// What is wrong, under which key of the settings.
#[derive(Debug)]
pub(crate) struct Untrusted {
    pub(crate) key: &'static str,
    pub(crate) why: String,
}

/// What a client trusts, the certificates of the authority's file or else those of the
/// system, and what it proves itself by.
///
/// # Errors
/// A file that cannot be read or does not hold what it should; a system without roots; a
/// certificate without its key, or with another's.
pub(crate) fn trust(files: &Files) -> Result<Arc<ClientConfig>, Untrusted> {
    let provider = Arc::new(rustls::crypto::ring::default_provider());
    let builder = ClientConfig::builder_with_provider(provider)
        .with_safe_default_protocol_versions()
        .map_err(|e| Untrusted { key: AUTHORITY, why: e.to_string() })?
        .with_root_certificates(roots(files.authority.as_deref())?);
    let config = match (&files.certificate, &files.key) {
        (None, None) => builder.with_no_client_auth(),
        (Some(certificate), Some(key)) => {
            let chain = certificates(certificate, CERTIFICATE)?;
            let bad = |why: String| file_is_bad(KEY, key, &why);
            let private = PrivateKeyDer::from_pem_file(key).map_err(|error| match error {
                PemError::NoItemsFound => {
                    bad("no private key in it (PEM without a password is expected)".to_owned())
                }
                error => bad(error.to_string()),
            })?;
            builder.with_client_auth_cert(chain, private).map_err(|e| bad(e.to_string()))?
        }
        (one, _) => {
            let key = if one.is_some() { CERTIFICATE } else { KEY };
            let why = format!("`{CERTIFICATE}` and `{KEY}` belong together");
            return Err(Untrusted { key, why });
        }
    };
    Ok(Arc::new(config))
}

fn roots(authority: Option<&Path>) -> Result<RootCertStore, Untrusted> {
    let mut roots = RootCertStore::empty();
    if let Some(path) = authority {
        for certificate in certificates(path, AUTHORITY)? {
            roots.add(certificate).map_err(|e| file_is_bad(AUTHORITY, path, &e.to_string()))?;
        }
    } else {
        roots.add_parsable_certificates(rustls_native_certs::load_native_certs().certs);
        if roots.is_empty() {
            let why = "this system has no trusted certificates; name the ones to trust in \
                       `ca_file`, or install the system's package of certificates";
            return Err(Untrusted { key: AUTHORITY, why: why.to_owned() });
        }
    }
    Ok(roots)
}

fn certificates(path: &Path, key: &'static str) -> Result<Vec<CertificateDer<'static>>, Untrusted> {
    let found = CertificateDer::pem_file_iter(path)
        .and_then(Iterator::collect::<Result<Vec<_>, _>>)
        .map_err(|e| file_is_bad(key, path, &e.to_string()))?;
    if found.is_empty() {
        return Err(file_is_bad(key, path, "no certificate in it (PEM is expected)"));
    }
    Ok(found)
}

fn file_is_bad(key: &'static str, path: &Path, why: &str) -> Untrusted {
    Untrusted { key, why: format!("`{key}` {}: {why}", path.display()) }
}

/// An error of a connection in words; where the other end did not like our certificate,
/// with what to mend (the alerts of TLS 1.3: RFC 8446 (2018), section 6.2).
pub(crate) fn told(error: &dyn std::fmt::Display) -> String {
    let text = error.to_string();
    let alert = text.split("received fatal alert: ").nth(1).unwrap_or_default();
    let mend = match alert.split(|c: char| !c.is_ascii_alphanumeric()).next().unwrap_or_default() {
        "CertificateRequired" => {
            "it asks for a certificate: `certificate_file` and `key_file` name one"
        }
        "UnknownCA" => "it does not trust the authority of the certificate in `certificate_file`",
        "CertificateExpired" => "the certificate in `certificate_file` has expired",
        "CertificateRevoked" => "the certificate in `certificate_file` was revoked",
        // Some say this to whoever has no certificate, too.
        "BadCertificate" => {
            "it asks for a certificate that it trusts: `certificate_file` and `key_file` name one"
        }
        "CertificateUnknown" | "UnsupportedCertificate" | "AccessDenied" | "DecryptError" => {
            "it does not take the certificate in `certificate_file`"
        }
        _ => return text,
    };
    format!("{text}: {mend}")
}
