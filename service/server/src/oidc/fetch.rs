//! The identity provider's keys, from a file or by HTTP: one GET, no redirect, bounded in time and size.

use super::jws::{Key, keys};
use http_body_util::{BodyExt as _, Empty, Limited};
use hyper::body::Bytes;
use hyper::client::conn::http1;
use hyper_util::rt::TokioIo;
use std::fmt;
use std::path::{Path, PathBuf};
use std::str::FromStr;
use std::sync::Arc;
use std::time::Duration;
use tokio::io::{AsyncRead, AsyncWrite};
use tokio::net::TcpStream;
use tokio_rustls::TlsConnector;
use tokio_rustls::rustls::pki_types::pem::PemObject as _;
use tokio_rustls::rustls::pki_types::{CertificateDer, ServerName};
use tokio_rustls::rustls::{ClientConfig, RootCertStore, crypto};

/// How long an answer may take: a call waits for it.
const WITHIN: Duration = Duration::from_secs(10);
/// The most bytes of a set of keys.
const BYTES_MAX: usize = 256 << 10;

/// Where keys come from.
#[derive(Clone)]
pub enum Source {
    /// A file.
    File(PathBuf),
    /// An address, and the TLS by which it is reached.
    Address(http::Uri, Option<TlsConnector>),
}

/// Why keys could not be had.
#[derive(Debug, thiserror::Error)]
pub enum FetchError {
    /// A file cannot be read.
    #[error("cannot read {path}; see that it is there and yours to read")]
    Io {
        /// The file.
        path: PathBuf,
        /// What went wrong.
        source: std::io::Error,
    },
    /// What was read is no set of keys.
    #[error("{from} {why}")]
    NoKeys {
        /// From where.
        from: String,
        /// What is wrong.
        why: &'static str,
    },
    /// An address that is not asked.
    #[error("--oidc-jwks {0} is neither a file nor an https address; http is asked on this computer only")]
    NotAsked(String),
    /// A file of authorities holds none.
    #[error("{0} holds no certificate in PEM form")]
    NoAuthority(PathBuf),
    /// The address was not reached, or did not answer as it should.
    #[error("{address} did not answer with keys: {why}")]
    NoAnswer {
        /// The address.
        address: http::Uri,
        /// What went wrong.
        why: String,
    },
}

impl fmt::Display for Source {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Source::File(path) => path.display().fmt(f),
            Source::Address(address, _) => address.fmt(f),
        }
    }
}

impl Source {
    /// From what was typed. An https address is believed by the authorities of the public web, or by those of a file.
    pub fn of(text: &str, authorities: Option<&Path>) -> Result<Source, FetchError> {
        if !text.contains("://") {
            return Ok(Source::File(PathBuf::from(text)));
        }
        let refused = || FetchError::NotAsked(text.to_owned());
        let address = http::Uri::from_str(text).map_err(|_| refused())?;
        let host = address.host().ok_or_else(refused)?;
        match address.scheme_str() {
            Some("https") => {
                let connector = connector(authorities)?;
                Ok(Source::Address(address, Some(connector)))
            }
            Some("http") if is_loopback(host) => Ok(Source::Address(address, None)),
            Some(_) | None => Err(refused()),
        }
    }

    /// Whether it lies beyond this computer's files.
    pub fn is_remote(&self) -> bool {
        matches!(self, Source::Address(..))
    }

    /// The keys as they are now.
    pub async fn keys(&self) -> Result<Vec<Key>, FetchError> {
        let text = match self {
            Source::File(path) => {
                let text = tokio::fs::read_to_string(path).await;
                text.map_err(|source| FetchError::Io { path: path.clone(), source })?
            }
            Source::Address(address, tls) => {
                let no_answer = |why: String| FetchError::NoAnswer { address: address.clone(), why };
                let answer = tokio::time::timeout(WITHIN, asked(address, tls.as_ref())).await;
                let answer = answer.map_err(|_| no_answer("nothing within 10 seconds".to_owned()))?;
                answer.map_err(|error| no_answer(error.to_string()))?
            }
        };
        keys(&text).map_err(|why| FetchError::NoKeys { from: self.to_string(), why })
    }
}

fn is_loopback(host: &str) -> bool {
    let host = host.trim_matches(['[', ']']);
    host == "localhost" || host.parse::<std::net::IpAddr>().is_ok_and(|ip| ip.is_loopback())
}

fn connector(authorities: Option<&Path>) -> Result<TlsConnector, FetchError> {
    let mut roots = RootCertStore::empty();
    match authorities {
        None => roots.extend(webpki_roots::TLS_SERVER_ROOTS.iter().cloned()),
        Some(path) => {
            let pem =
                std::fs::read(path).map_err(|source| FetchError::Io { path: path.to_owned(), source })?;
            let read = CertificateDer::pem_slice_iter(&pem).filter_map(Result::ok);
            if roots.add_parsable_certificates(read).0 == 0 {
                return Err(FetchError::NoAuthority(path.to_owned()));
            }
        }
    }
    let config = ClientConfig::builder_with_provider(Arc::new(crypto::ring::default_provider()))
        .with_safe_default_protocol_versions()
        .expect("ring serves TLS 1.2 and 1.3")
        .with_root_certificates(roots)
        .with_no_client_auth();
    Ok(TlsConnector::from(Arc::new(config)))
}

type Failed = Box<dyn std::error::Error + Send + Sync>;

async fn asked(address: &http::Uri, tls: Option<&TlsConnector>) -> Result<String, Failed> {
    let host = address.host().unwrap_or_default().trim_matches(['[', ']']).to_owned();
    let port = address.port_u16().unwrap_or(if tls.is_some() { 443 } else { 80 });
    let tcp = TcpStream::connect((host.as_str(), port)).await?;
    match tls {
        Some(tls) => got(tls.connect(ServerName::try_from(host)?, tcp).await?, address).await,
        None => got(tcp, address).await,
    }
}

async fn got(
    stream: impl AsyncRead + AsyncWrite + Unpin + Send + 'static,
    address: &http::Uri,
) -> Result<String, Failed> {
    let (mut sender, connection) = http1::handshake(TokioIo::new(stream)).await?;
    let connection = tokio::spawn(connection);
    let path = address.path_and_query().map_or("/", http::uri::PathAndQuery::as_str);
    let host = address.authority().map_or("", http::uri::Authority::as_str);
    let request = http::Request::get(path)
        .header(http::header::HOST, host)
        .header(http::header::ACCEPT, "application/jwk-set+json, application/json")
        .body(Empty::<Bytes>::new())?;
    let answer = sender.send_request(request).await?;
    if answer.status().as_u16() != 200 {
        return Err(format!("it said {}", answer.status()).into());
    }
    let body = Limited::new(answer.into_body(), BYTES_MAX).collect().await?.to_bytes();
    connection.abort();
    Ok(String::from_utf8(body.to_vec())?)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn only_files_https_and_this_computer_are_asked() {
        assert!(matches!(Source::of("keys.json", None), Ok(Source::File(_))));
        for address in ["http://127.0.0.1:8080/keys", "http://[::1]/keys", "http://localhost/keys"] {
            assert!(matches!(Source::of(address, None), Ok(Source::Address(_, None))), "{address}");
        }
        assert!(matches!(Source::of("https://id.example/keys", None), Ok(Source::Address(_, Some(_)))));
        for address in ["http://id.example/keys", "ftp://id.example/keys", "http://", "https://"] {
            assert!(matches!(Source::of(address, None), Err(FetchError::NotAsked(_))), "{address}");
        }
    }
}
