//! A line to a service that can be cut, as a radio network is where there is much steel. It needs no runtime, unlike a relay.

use crate::service::Service;
use std::io;
use std::net::{Shutdown, TcpListener, TcpStream};
use std::sync::{Arc, Mutex};
use std::thread;

/// A line: one address, wherever the service listens.
#[derive(Debug)]
pub struct Line {
    address: String,
    to: Arc<Mutex<Option<String>>>,
}

impl Line {
    /// A line to a service.
    pub fn to(service: &Service) -> Line {
        Line::to_port(service.endpoint())
    }

    /// A line to an address such as `http://127.0.0.1:7133`.
    pub fn to_port(endpoint: &str) -> Line {
        let listener = TcpListener::bind("127.0.0.1:0").expect("a port");
        let address = format!("http://{}", listener.local_addr().expect("an address"));
        let line = Line { address, to: Arc::new(Mutex::new(None)) };
        line.lead_to_port(endpoint);
        let to = line.to.clone();
        thread::spawn(move || {
            for caller in listener.incoming().map_while(Result::ok) {
                let to = to.lock().expect("no thread broke").clone();
                // A line that leads nowhere is closed at once.
                let Some(called) = to.and_then(|to| TcpStream::connect(to).ok()) else { continue };
                for (from, into) in [(&caller, &called), (&called, &caller)] {
                    let (mut from, mut into) =
                        (from.try_clone().expect("a stream"), into.try_clone().expect("a stream"));
                    thread::spawn(move || {
                        let _ = io::copy(&mut from, &mut into);
                        let _ = into.shutdown(Shutdown::Both);
                    });
                }
            }
        });
        line
    }

    /// Its address.
    pub fn address(&self) -> &str {
        &self.address
    }

    /// Leads to a service from now on.
    pub fn lead_to(&self, service: &Service) {
        self.lead_to_port(service.endpoint());
    }

    /// Leads to an address from now on.
    pub fn lead_to_port(&self, endpoint: &str) {
        let address = endpoint.trim_start_matches("http://").to_owned();
        *self.to.lock().expect("no thread broke") = Some(address);
    }

    /// Leads nowhere from now on.
    pub fn cut(&self) {
        *self.to.lock().expect("no thread broke") = None;
    }
}
