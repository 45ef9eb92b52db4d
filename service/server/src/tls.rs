//! Encryption of the connection, by rustls on the one provider of cryptography.

use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::Duration;
use tokio_rustls::rustls::pki_types::pem::PemObject as _;
use tokio_rustls::rustls::pki_types::{CertificateDer, PrivateKeyDer};
use tokio_rustls::rustls::server::{VerifierBuilderError, WebPkiClientVerifier};
use tokio_rustls::rustls::{self, RootCertStore, ServerConfig};
use tonic::transport::server::{TcpConnectInfo, TlsConnectInfo};
use tonic::transport::{Certificate, Identity, Server, ServerTlsConfig};

/// How long a peer may take to agree on encryption; one that says nothing holds a connection no longer.
pub(crate) const HANDSHAKE: Duration = Duration::from_secs(10);

/// The files of the service's certificate.
#[derive(Clone, Debug)]
pub struct TlsFiles {
    /// The service's certificate, and those that lead to its authority.
    pub certificate: PathBuf,
    /// The certificate's key.
    pub key: PathBuf,
    /// The authority that callers' certificates must be of; none when callers need no certificate.
    pub client_authority: Option<PathBuf>,
}

/// Why the files cannot be used.
#[derive(Debug, thiserror::Error)]
pub enum TlsError {
    /// A file cannot be read.
    #[error("cannot read {path}; see that it is there and yours to read")]
    Io {
        /// The file.
        path: PathBuf,
        /// What went wrong.
        source: std::io::Error,
    },
    /// They do not go together.
    #[error("the certificate in {path}, its key and the authority of callers cannot be used together")]
    Unfit {
        /// The certificate's file.
        path: PathBuf,
        /// What is wrong.
        source: Box<dyn std::error::Error + Send + Sync>,
    },
}

/// What encrypts connections of the HTTP port.
pub type HttpTls = Arc<ServerConfig>;

/// What encrypts the connections of both ports, by the same files.
#[derive(Clone)]
pub struct Tls {
    /// For gRPC, which is HTTP/2.
    pub grpc: ServerTlsConfig,
    /// For HTTP, both versions.
    pub http: HttpTls,
}

/// Reads the files and sees that they can be used.
pub fn read(files: &TlsFiles) -> Result<Tls, TlsError> {
    let (certificate, key) = (pem(&files.certificate)?, pem(&files.key)?);
    let authority = files.client_authority.as_deref().map(pem).transpose()?;
    let identity = Identity::from_pem(&certificate, &key);
    let mut grpc = ServerTlsConfig::new().identity(identity).timeout(HANDSHAKE);
    if let Some(authority) = &authority {
        grpc = grpc.client_ca_root(Certificate::from_pem(authority));
    }
    let unfit = |source| TlsError::Unfit { path: files.certificate.clone(), source };
    Server::builder().tls_config(grpc.clone()).map_err(|error| unfit(error.into()))?;
    let http = of_http(&certificate, &key, authority.as_deref()).map_err(|error| unfit(error.into()))?;
    Ok(Tls { grpc, http: Arc::new(http) })
}

/// What is wrong with files that the HTTP port cannot use.
#[derive(Debug, thiserror::Error)]
enum UnfitError {
    #[error("it is not in PEM form")]
    Pem(#[from] rustls::pki_types::pem::Error),
    #[error("they cannot be used")]
    Rustls(#[from] rustls::Error),
    #[error("the authority cannot be used")]
    Authority(#[from] VerifierBuilderError),
}

fn of_http(certificate: &str, key: &str, authority: Option<&str>) -> Result<ServerConfig, UnfitError> {
    let chain: Vec<_> = CertificateDer::pem_slice_iter(certificate.as_bytes()).collect::<Result<_, _>>()?;
    let key = PrivateKeyDer::from_pem_slice(key.as_bytes())?;
    let builder = ServerConfig::builder();
    let builder = match authority {
        None => builder.with_no_client_auth(),
        Some(authority) => {
            let mut roots = RootCertStore::empty();
            for root in CertificateDer::pem_slice_iter(authority.as_bytes()) {
                roots.add(root?)?;
            }
            builder.with_client_cert_verifier(WebPkiClientVerifier::builder(roots.into()).build()?)
        }
    };
    let mut config = builder.with_single_cert(chain, key)?;
    config.alpn_protocols = vec![b"h2".to_vec(), b"http/1.1".to_vec()];
    Ok(config)
}

fn pem(path: &Path) -> Result<String, TlsError> {
    std::fs::read_to_string(path).map_err(|source| TlsError::Io { path: path.to_owned(), source })
}

/// Who is at the other end of a call's connection.
#[derive(Clone, Debug, Default)]
pub struct Peer {
    /// From where.
    pub address: Option<std::net::SocketAddr>,
    /// Our own end of the connection.
    pub own: Option<std::net::SocketAddr>,
    /// The certificate that was shown and checked against the authority, in DER.
    pub certificate: Option<Vec<u8>>,
}

impl Peer {
    /// The peer of a request.
    pub fn of(extensions: &http::Extensions) -> Peer {
        if let Some(peer) = extensions.get::<Peer>() {
            return peer.clone();
        }
        let Some(tls) = extensions.get::<TlsConnectInfo<TcpConnectInfo>>() else {
            let tcp = extensions.get::<TcpConnectInfo>();
            let ends = tcp.map(|tcp| (tcp.remote_addr(), tcp.local_addr())).unwrap_or_default();
            return Peer { address: ends.0, own: ends.1, certificate: None };
        };
        let certificate = tls.peer_certs().and_then(|chain| chain.first().map(|first| first.to_vec()));
        let tcp = tls.get_ref();
        Peer { address: tcp.remote_addr(), own: tcp.local_addr(), certificate }
    }
}
