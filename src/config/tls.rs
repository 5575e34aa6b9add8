//! TLS: which authorities are trusted, and who we say we are, towards others and to those who come.
//!
//! In: contents of PEM files, the keys that name them. Out: a client's and a server's configuration. Left out:
//! connecting.

use std::sync::Arc;

use rustls::pki_types::pem::PemObject;
use rustls::pki_types::{CertificateDer, PrivateKeyDer};
use rustls::{ClientConfig, RootCertStore, ServerConfig};

use super::fault::Cause;
use super::files::Shelf;
use super::plan::{BrokerTls, Secret};
use super::walk::{Desk, Section};

/// PEM of the certificate chain that is shown, and of its key.
pub type Shown = (Vec<u8>, Secret);

/// `cert_file` and `key_file` of a table whose port speaks TLS; none where neither is given.
pub(super) fn shown(desk: &mut Desk<'_>, section: &Section<'_>, shelf: &Shelf) -> Option<Shown> {
    let chain = section.text(desk, "cert_file", "the path of a file, in quotes");
    let key = section.text(desk, "key_file", "the path of a file, in quotes");
    for (one, other, missing) in [(&chain, &key, "key_file"), (&key, &chain, "cert_file")] {
        if let (Some(path), None) = (one, other)
            && !section.has(missing)
        {
            let sentence = format!("it is of no use alone, expected {missing} beside it");
            desk.fault(path.at, &path.path, Cause::Clash, sentence);
        }
    }
    let at = chain.as_ref().map_or(section.at, |path| path.at);
    let chain = chain.and_then(|path| shelf.pem(desk, &path, "CERTIFICATE")).map(String::into_bytes);
    let key = key.and_then(|path| shelf.pem(desk, &path, "PRIVATE KEY")).map(Secret);
    let shown = chain.zip(key)?;
    if let Err(why) = server(&shown) {
        desk.fault(at, &section.path_of("cert_file"), Cause::Clash, why);
    }
    Some(shown)
}

/// The server's side of TLS.
///
/// # Errors
/// One plain sentence: a file does not hold what it must.
pub fn server((chain, key): &Shown) -> Result<ServerConfig, String> {
    let chain = certificates(chain).map_err(|why| format!("cert_file {why}"))?;
    let key = PrivateKeyDer::from_pem_slice(key.0.as_bytes())
        .map_err(|error| format!("key_file holds no private key in PEM ({error})"))?;
    let provider = Arc::new(rustls::crypto::ring::default_provider());
    ServerConfig::builder_with_provider(provider)
        .with_safe_default_protocol_versions()
        .map_err(|error| format!("TLS cannot be set up ({error})"))?
        .with_no_client_auth()
        .with_single_cert(chain, key)
        .map_err(|error| format!("cert_file and key_file do not go together ({error})"))
}

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
