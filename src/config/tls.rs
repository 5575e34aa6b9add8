//! TLS towards others: which authorities are trusted, and who we say we are.
//!
//! In: contents of PEM files. Out: a client's configuration. Left out: connecting.

use std::sync::Arc;

use rustls::pki_types::pem::PemObject;
use rustls::pki_types::{CertificateDer, PrivateKeyDer};
use rustls::{ClientConfig, RootCertStore};

use super::plan::BrokerTls;

/// The client's side of TLS for `tls`.
///
/// # Errors
/// One plain sentence: a file does not hold what it must.
pub fn client(tls: &BrokerTls) -> Result<Arc<ClientConfig>, String> {
    let roots = match &tls.ca_pem {
        Some(pem) => given(pem)?,
        None => machines_own()?,
    };
    let provider = Arc::new(rustls::crypto::ring::default_provider());
    let config = ClientConfig::builder_with_provider(provider)
        .with_safe_default_protocol_versions()
        .map_err(|error| format!("TLS cannot be set up ({error})"))?
        .with_root_certificates(roots);
    let config = match &tls.client_pem {
        None => config.with_no_client_auth(),
        Some((chain, key)) => {
            let chain = certificates(chain).map_err(|why| format!("cert_file {why}"))?;
            let key = PrivateKeyDer::from_pem_slice(key.0.as_bytes())
                .map_err(|error| format!("key_file holds no private key in PEM ({error})"))?;
            config
                .with_client_auth_cert(chain, key)
                .map_err(|error| format!("cert_file and key_file do not go together ({error})"))?
        }
    };
    Ok(Arc::new(config))
}

/// The authorities in `pem`.
fn given(pem: &[u8]) -> Result<RootCertStore, String> {
    let mut roots = RootCertStore::empty();
    for certificate in certificates(pem).map_err(|why| format!("ca_file {why}"))? {
        roots.add(certificate).map_err(|error| format!("ca_file holds a certificate that cannot be used ({error})"))?;
    }
    Ok(roots)
}

/// The authorities that this machine trusts.
///
/// # Errors
/// One plain sentence where it has none.
pub fn machines_own() -> Result<RootCertStore, String> {
    let mut roots = RootCertStore::empty();
    let (added, _) = roots.add_parsable_certificates(rustls_native_certs::load_native_certs().certs);
    if added == 0 {
        return Err(
            "this machine has no list of trusted authorities; install its ca-certificates or set ca_file".into()
        );
    }
    Ok(roots)
}

/// The certificates in `pem`, at least one.
fn certificates(pem: &[u8]) -> Result<Vec<CertificateDer<'static>>, String> {
    let certificates: Result<Vec<_>, _> = CertificateDer::pem_slice_iter(pem).collect();
    match certificates {
        Ok(certificates) if certificates.is_empty() => Err("holds no certificate in PEM".to_owned()),
        Ok(certificates) => Ok(certificates),
        Err(error) => Err(format!("is no PEM ({error})")),
    }
}
