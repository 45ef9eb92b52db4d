//! The least that speaks HTTP/1.1 to the service: what is sent and what comes back stands there byte by byte.

use std::collections::BTreeMap;
use std::net::SocketAddr;
use tokio::io::{AsyncBufReadExt as _, AsyncReadExt as _, AsyncWriteExt as _, BufReader};
use tokio::net::TcpStream;

/// An answer.
#[derive(Debug)]
pub struct Told {
    /// Its number.
    pub status: u16,
    /// Its headers, their names in small letters.
    pub headers: BTreeMap<String, String>,
    /// Its body.
    pub body: Vec<u8>,
}

impl Told {
    /// The body as JSON.
    pub fn json(&self) -> serde_json::Value {
        serde_json::from_slice(&self.body).unwrap_or_else(|error| panic!("{error}: {}", self.text()))
    }

    /// The body as text.
    pub fn text(&self) -> String {
        String::from_utf8_lossy(&self.body).into_owned()
    }

    /// The reason that programs read.
    pub fn reason(&self) -> String {
        let json = self.json();
        let details = json["details"].as_array().into_iter().flatten();
        details.filter_map(|detail| detail["reason"].as_str()).collect()
    }
}

/// A connection over which one request goes, part by part.
pub struct Open {
    stream: BufReader<TcpStream>,
}

impl Open {
    /// Sends the head of a request whose body comes in chunks.
    pub async fn begin(address: SocketAddr, path: &str, headers: &[(&str, &str)]) -> Open {
        let mut open = Open { stream: BufReader::new(TcpStream::connect(address).await.unwrap()) };
        open.send(&head("POST", path, headers, "transfer-encoding: chunked")).await;
        open
    }

    async fn send(&mut self, bytes: &[u8]) {
        self.stream.get_mut().write_all(bytes).await.unwrap();
    }

    /// Sends a part of the body; an empty one ends it.
    pub async fn part(&mut self, bytes: &[u8]) {
        let chunk = [format!("{:x}\r\n", bytes.len()).as_bytes(), bytes, b"\r\n"].concat();
        self.send(&chunk).await;
    }

    /// Reads the head of the answer.
    pub async fn answer(&mut self) -> Told {
        let (mut status, mut headers) = (0, BTreeMap::new());
        loop {
            let line = self.line().await;
            if line.is_empty() {
                return Told { status, headers, body: Vec::new() };
            }
            if status == 0 {
                status = line.split(' ').nth(1).unwrap().parse().unwrap();
            } else if let Some((name, value)) = line.split_once(": ") {
                headers.insert(name.to_ascii_lowercase(), value.to_owned());
            }
        }
    }

    async fn line(&mut self) -> String {
        let mut line = String::new();
        self.stream.read_line(&mut line).await.unwrap();
        line.trim_end().to_owned()
    }

    /// Reads a chunk of the answer's body; an empty one ends it.
    pub async fn chunk(&mut self) -> Vec<u8> {
        let length = usize::from_str_radix(&self.line().await, 16).unwrap();
        let mut bytes = vec![0; length + 2];
        self.stream.read_exact(&mut bytes).await.unwrap();
        bytes.truncate(length);
        bytes
    }
}

fn head(method: &str, path: &str, headers: &[(&str, &str)], last: &str) -> Vec<u8> {
    let first = format!("{method} {path} HTTP/1.1\r\nhost: shop.example\r\n{last}\r\n");
    let lines = headers.iter().map(|(name, value)| format!("{name}: {value}\r\n"));
    [first, lines.collect::<Vec<_>>().concat(), "\r\n".to_owned()].concat().into_bytes()
}

/// Sends a request and reads its answer to the end.
pub async fn ask(
    address: SocketAddr,
    method: &str,
    path: &str,
    headers: &[(&str, &str)],
    body: &[u8],
) -> Told {
    let mut open = Open { stream: BufReader::new(TcpStream::connect(address).await.unwrap()) };
    let length = format!("content-length: {}\r\nconnection: close", body.len());
    open.send(&head(method, path, headers, &length)).await;
    // Who is refused early may not take the rest.
    let _ = open.stream.get_mut().write_all(body).await;
    let mut told = open.answer().await;
    if told.headers.get("transfer-encoding").is_some_and(|how| how == "chunked") {
        loop {
            let chunk = open.chunk().await;
            if chunk.is_empty() {
                return told;
            }
            told.body.extend(chunk);
        }
    }
    let _ = open.stream.read_to_end(&mut told.body).await;
    told
}
