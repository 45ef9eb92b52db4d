//! Encryption of the connection, by rustls on the one provider of cryptography.

use std::path::{Path, PathBuf};
use std::time::Duration;
use tonic::transport::server::{TcpConnectInfo, TlsConnectInfo};
use tonic::transport::{Certificate, Identity, Server, ServerTlsConfig};

/// How long a peer may take to agree on encryption; one that says nothing holds a connection no longer.
const HANDSHAKE: Duration = Duration::from_secs(10);

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
        source: tonic::transport::Error,
    },
}

/// Reads the files and sees that they can be used.
pub fn read(files: &TlsFiles) -> Result<ServerTlsConfig, TlsError> {
    let identity = Identity::from_pem(pem(&files.certificate)?, pem(&files.key)?);
    let mut config = ServerTlsConfig::new().identity(identity).timeout(HANDSHAKE);
    if let Some(authority) = &files.client_authority {
        config = config.client_ca_root(Certificate::from_pem(pem(authority)?));
    }
    let unfit = |source| TlsError::Unfit { path: files.certificate.clone(), source };
    Server::builder().tls_config(config.clone()).map_err(unfit)?;
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
    /// The certificate that was shown and checked against the authority, in DER.
    pub certificate: Option<Vec<u8>>,
}

impl Peer {
    /// The peer of a request.
    pub fn of(extensions: &http::Extensions) -> Peer {
        let Some(tls) = extensions.get::<TlsConnectInfo<TcpConnectInfo>>() else {
            let tcp = extensions.get::<TcpConnectInfo>();
            return Peer { address: tcp.and_then(TcpConnectInfo::remote_addr), certificate: None };
        };
        let certificate = tls.peer_certs().and_then(|chain| chain.first().map(|first| first.to_vec()));
        Peer { address: tls.get_ref().remote_addr(), certificate }
    }
}
