//! Peers that cost a service something and are of no use: those that say nothing, those that read a byte a second, and those that
//! send little that becomes much.

use crate::service::Service;
use fettler_proto::v1::person_service_client::PersonServiceClient;
use fettler_proto::v1::{AddPersonRequest, ListDueRequest};
use std::io::{Read as _, Write as _};
use std::net::{SocketAddr, TcpStream};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::thread::JoinHandle;
use std::time::{Duration, Instant};
use tonic::codec::CompressionEncoding;
use tonic::{Code, Status};

/// What an HTTP/2 peer says first, and an empty frame of settings (RFC 9113, sections 3.4 and 6.5).
const PREFACE: &[u8] = b"PRI * HTTP/2.0\r\n\r\nSM\r\n\r\n\0\0\0\x04\0\0\0\0\0";

/// Where a service listens.
fn address(service: &Service) -> SocketAddr {
    service.endpoint().trim_start_matches("http://").parse().expect("an address")
}

/// So many connections that say nothing.
pub fn silent(service: &Service, count: usize) -> Vec<TcpStream> {
    (0..count).map(|_| TcpStream::connect(address(service)).expect("it listens")).collect()
}

/// Peers that read a byte of each answer in a second, until they are told to stop.
pub struct SlowReaders {
    stop: Arc<AtomicBool>,
    reading: JoinHandle<()>,
}

impl SlowReaders {
    /// So many of them.
    pub fn start(service: &Service, count: usize) -> SlowReaders {
        let mut peers = silent(service, count);
        for peer in &mut peers {
            peer.write_all(PREFACE).expect("it listens");
            peer.set_nonblocking(true).expect("a socket");
        }
        let stop = Arc::new(AtomicBool::new(false));
        let told = stop.clone();
        let reading = std::thread::spawn(move || {
            while !told.load(Ordering::SeqCst) {
                for peer in &mut peers {
                    // There may be nothing to read, or nobody left.
                    let _ = peer.read(&mut [0; 1]);
                }
                std::thread::sleep(Duration::from_secs(1));
            }
        });
        SlowReaders { stop, reading }
    }

    /// Ends them.
    pub fn end(self) {
        self.stop.store(true, Ordering::SeqCst);
        // A peer that panicked has nothing to say here.
        let _ = self.reading.join();
    }
}

/// Sends a request that is small as it is packed, and this large when it is unpacked; gives the refusal.
pub async fn bomb(service: &Service, bytes: usize) -> Status {
    let client = PersonServiceClient::new(service.wire().await.channel());
    let mut packed = client.send_compressed(CompressionEncoding::Gzip).max_encoding_message_size(usize::MAX);
    let name = "0".repeat(bytes);
    let ask = AddPersonRequest { name, ..AddPersonRequest::default() };
    packed.add_person(ask).await.map(drop).expect_err("it is too large")
}

/// Whether a refusal is that of a message that is too large.
pub fn is_too_large(status: &Status) -> bool {
    status.code() == Code::ResourceExhausted
}

/// How long calls of an honest caller take, sorted.
pub async fn honest(service: &Service, calls: usize) -> Vec<Duration> {
    let mut client = service.wire().await.due();
    let mut took = Vec::with_capacity(calls);
    for _ in 0..calls {
        let begin = Instant::now();
        client.list_due(ListDueRequest::default()).await.expect("a list");
        took.push(begin.elapsed());
    }
    took.sort();
    took
}
