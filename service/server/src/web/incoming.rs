//! Connections of the HTTP port: bounded in number, encrypted where the service has a certificate.

use super::HttpPort;
use crate::tls::{HANDSHAKE, Peer};
use futures::{Stream, StreamExt as _};
use std::io;
use std::pin::Pin;
use std::sync::Arc;
use std::task::{Context, Poll};
use std::time::Duration;
use tokio::io::{AsyncRead, AsyncWrite, ReadBuf};
use tokio::net::{TcpListener, TcpStream};
use tokio::sync::{OwnedSemaphorePermit, Semaphore};
use tokio::time::{sleep, timeout};
use tokio_rustls::TlsAcceptor;
use tokio_rustls::server::TlsStream;
use tokio_util::either::Either;
use tonic::transport::server::Connected;

/// Connections at once: each costs some kilobytes, and more peers than a large shop has wait for one to end.
const CONNECTIONS_MAX: usize = 1_024;
/// Connections that agree on encryption at once.
const HANDSHAKES_MAX: usize = 128;
/// How long to wait when the system gives no connection, as when it has no file handle left.
const ACCEPT_AGAIN: Duration = Duration::from_millis(100);

/// A connection, and who is at its other end.
pub(super) struct Connection {
    io: Either<TcpStream, Box<TlsStream<TcpStream>>>,
    peer: Peer,
    _room: OwnedSemaphorePermit,
}

/// The connections of a port, each once it is ready to be read.
pub(super) fn connections(port: HttpPort) -> impl Stream<Item = io::Result<Connection>> {
    let acceptor = port.tls.map(TlsAcceptor::from);
    let room = Arc::new(Semaphore::new(CONNECTIONS_MAX));
    futures::stream::unfold((port.listener, room), next)
        .map(move |(stream, room)| ready(stream, room, acceptor.clone()))
        .buffer_unordered(HANDSHAKES_MAX)
        .filter_map(|connection| std::future::ready(connection.map(Ok)))
}

type Accepted = ((TcpStream, OwnedSemaphorePermit), (TcpListener, Arc<Semaphore>));

/// The next connection for which there is room.
async fn next((listener, room): (TcpListener, Arc<Semaphore>)) -> Option<Accepted> {
    let permit = room.clone().acquire_owned().await.ok()?;
    loop {
        match listener.accept().await {
            Ok((stream, _)) => return Some(((stream, permit), (listener, room))),
            Err(error) => {
                tracing::debug!(%error, "a connection was not taken");
                sleep(ACCEPT_AGAIN).await;
            }
        }
    }
}

/// A connection whose peer has agreed on encryption, where that is asked for; none if it did not in time.
async fn ready(
    stream: TcpStream,
    room: OwnedSemaphorePermit,
    acceptor: Option<TlsAcceptor>,
) -> Option<Connection> {
    let (address, own) = (stream.peer_addr().ok(), stream.local_addr().ok());
    // Answers are written whole; waiting for more to send would only delay them.
    let _ = stream.set_nodelay(true);
    let Some(acceptor) = acceptor else {
        let peer = Peer { address, own, certificate: None };
        return Some(Connection { io: Either::Left(stream), peer, _room: room });
    };
    let stream = match timeout(HANDSHAKE, acceptor.accept(stream)).await {
        Ok(Ok(stream)) => stream,
        Ok(Err(error)) => {
            tracing::debug!(%error, "a peer did not agree on encryption");
            return None;
        }
        Err(_) => return None,
    };
    let shown = stream.get_ref().1.peer_certificates().and_then(|chain| chain.first());
    let peer = Peer { address, own, certificate: shown.map(|certificate| certificate.to_vec()) };
    Some(Connection { io: Either::Right(Box::new(stream)), peer, _room: room })
}

impl Connected for Connection {
    type ConnectInfo = Peer;

    fn connect_info(&self) -> Peer {
        self.peer.clone()
    }
}

impl AsyncRead for Connection {
    fn poll_read(
        mut self: Pin<&mut Self>,
        cx: &mut Context<'_>,
        buffer: &mut ReadBuf<'_>,
    ) -> Poll<io::Result<()>> {
        Pin::new(&mut self.io).poll_read(cx, buffer)
    }
}

impl AsyncWrite for Connection {
    fn poll_write(mut self: Pin<&mut Self>, cx: &mut Context<'_>, bytes: &[u8]) -> Poll<io::Result<usize>> {
        Pin::new(&mut self.io).poll_write(cx, bytes)
    }

    fn poll_write_vectored(
        mut self: Pin<&mut Self>,
        cx: &mut Context<'_>,
        parts: &[io::IoSlice<'_>],
    ) -> Poll<io::Result<usize>> {
        Pin::new(&mut self.io).poll_write_vectored(cx, parts)
    }

    fn is_write_vectored(&self) -> bool {
        self.io.is_write_vectored()
    }

    fn poll_flush(mut self: Pin<&mut Self>, cx: &mut Context<'_>) -> Poll<io::Result<()>> {
        Pin::new(&mut self.io).poll_flush(cx)
    }

    fn poll_shutdown(mut self: Pin<&mut Self>, cx: &mut Context<'_>) -> Poll<io::Result<()>> {
        Pin::new(&mut self.io).poll_shutdown(cx)
    }
}
