//! An agent of the standard, asked over HTTP: one GET at a time, without redirects, bounded in time and size.

use super::markup::BYTES_MAX;
use crate::exit::{Complaint, Failure};
use http_body_util::{BodyExt as _, Empty, Limited};
use hyper::{body::Bytes, client::conn::http1};
use hyper_util::rt::TokioIo;
use std::time::Duration;
use tokio::net::TcpStream;

/// How long an answer may take, a slow control's agent and its network included.
const WITHIN: Duration = Duration::from_secs(30);
/// How many values are asked for at once: a tenth of an agent's usual room, and far below the bound of a document.
const VALUES_AT_ONCE: u32 = 10_000;

/// Where an agent is.
#[derive(Clone, Debug)]
pub(crate) struct Agent {
    /// The address as typed, without a slash at its end.
    pub(crate) address: String,
    uri: http::Uri,
}

type Failed = Box<dyn std::error::Error + Send + Sync>;

impl Agent {
    /// From what was typed. Agents speak plain HTTP inside a shop's network.
    pub(crate) fn of(text: &str) -> Result<Agent, Failure> {
        let address = text.trim_end_matches('/').to_owned();
        let refused = |why: &str| {
            Failure::usage(format!("the agent `{text}` {why}; write it like http://10.0.0.7:5000"))
        };
        let uri: http::Uri = address.parse().map_err(|_| refused("is not an address"))?;
        match uri.scheme_str() {
            Some("http") if uri.host().is_some_and(|host| !host.is_empty()) => {}
            Some("https") => {
                return Err(refused("is asked by https, which agents seldom speak and this client does not"));
            }
            Some(_) | None => return Err(refused("is not an address")),
        }
        if uri.query().is_some() {
            return Err(refused(
                "has a query; name the agent, or a device of it as http://10.0.0.7:5000/mill-7,",
            ));
        }
        Ok(Agent { address, uri })
    }

    /// What it says of everything now.
    pub(crate) async fn current(&self) -> Result<Vec<u8>, Failure> {
        self.ask("current").await
    }

    /// What it said from a number on.
    pub(crate) async fn sample(&self, from: u64) -> Result<Vec<u8>, Failure> {
        self.ask(&format!("sample?from={from}&count={VALUES_AT_ONCE}")).await
    }

    async fn ask(&self, what: &str) -> Result<Vec<u8>, Failure> {
        let told = |why: String| {
            let complaint =
                Complaint::new(format!("the agent {} did not answer {what}: {why}", self.address));
            Failure::NotReachable(complaint.hint("the same command again goes on where this one stopped"))
        };
        match tokio::time::timeout(WITHIN, self.asked(what)).await {
            Ok(Ok(bytes)) => Ok(bytes),
            Ok(Err(error)) => Err(told(error.to_string())),
            Err(_) => Err(told(format!("nothing came within {} s", WITHIN.as_secs()))),
        }
    }

    async fn asked(&self, what: &str) -> Result<Vec<u8>, Failed> {
        let host = self.uri.host().unwrap_or_default().trim_matches(['[', ']']).to_owned();
        let tcp = TcpStream::connect((host.as_str(), self.uri.port_u16().unwrap_or(80))).await?;
        let (mut sender, connection) = http1::handshake(TokioIo::new(tcp)).await?;
        let connection = tokio::spawn(connection);
        let authority = self.uri.authority().map_or("", http::uri::Authority::as_str);
        let request = http::Request::get(format!("{}/{what}", self.uri.path().trim_end_matches('/')))
            .header(http::header::HOST, authority)
            .header(http::header::ACCEPT, "application/xml, text/xml")
            .body(Empty::<Bytes>::new())?;
        let answer = sender.send_request(request).await?;
        let status = answer.status();
        let body = Limited::new(answer.into_body(), BYTES_MAX).collect().await?.to_bytes();
        connection.abort();
        // An agent says why it refuses in a document beside the status. A fault of its own, or of a proxy before it, is no
        // answer, whatever page comes with it.
        let is_document = body.trim_ascii_start().starts_with(b"<");
        if status.is_server_error() || (!status.is_success() && !is_document) {
            return Err(format!("it said {status}").into());
        }
        Ok(body.to_vec())
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::io::{Read as _, Write as _};

    #[tokio::test]
    async fn a_fault_of_the_agent_is_no_answer_whatever_page_comes_with_it() {
        let listener = std::net::TcpListener::bind("127.0.0.1:0").unwrap();
        let agent = Agent::of(&format!("http://{}", listener.local_addr().unwrap())).unwrap();
        let answering = std::thread::spawn(move || {
            let (mut stream, _) = listener.accept().unwrap();
            assert_ne!(stream.read(&mut [0; 1024]).unwrap(), 0);
            let head = "HTTP/1.1 503 Service Unavailable\r\nContent-Length: 6\r\nConnection: close\r\n\r\n";
            stream.write_all(format!("{head}<html>").as_bytes()).unwrap();
        });
        match agent.current().await {
            Err(Failure::NotReachable(complaint)) => {
                assert!(complaint.message.contains("it said 503"), "{}", complaint.message);
            }
            other => panic!("{other:?}"),
        }
        answering.join().unwrap();
    }

    #[test]
    fn only_plain_http_is_an_agent() {
        for (text, address) in [
            ("http://10.0.0.7:5000/", "http://10.0.0.7:5000"),
            ("http://[::1]:5000/mill-7", "http://[::1]:5000/mill-7"),
        ] {
            assert_eq!(Agent::of(text).unwrap().address, address);
        }
        for (text, part) in [
            ("10.0.0.7:5000", "is not an address"),
            ("https://agent.example", "by https"),
            ("ftp://agent.example", "is not an address"),
            ("http://agent.example?x=1", "has a query"),
            ("", "is not an address"),
        ] {
            match Agent::of(text) {
                Err(Failure::Usage(complaint)) => {
                    assert!(complaint.message.contains(part), "{}", complaint.message);
                }
                other => panic!("{text}: {other:?}"),
            }
        }
    }
}
