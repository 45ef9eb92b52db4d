//! An address that stays while what answers behind it changes: what a virtual address, a name or a pooler does in a shop.

use std::io;
use tokio::net::{TcpListener, TcpStream};
use tokio::sync::watch;

/// A listening port that hands its connections on.
#[derive(Debug)]
pub struct Relay {
    port: u16,
    target: watch::Sender<u16>,
}

impl Relay {
    /// Listens on a port of its own, and hands on to this one.
    pub async fn to(port: u16) -> Relay {
        let listener = TcpListener::bind("127.0.0.1:0").await.expect("a port");
        let own = listener.local_addr().expect("an address").port();
        let (target, to) = watch::channel(port);
        tokio::spawn(accept(listener, to));
        Relay { port: own, target }
    }

    /// The port that stays.
    pub fn port(&self) -> u16 {
        self.port
    }

    /// Hands on to another port from now on; connections to the one before are cut.
    pub fn point(&self, port: u16) {
        self.target.send_replace(port);
    }
}

async fn accept(listener: TcpListener, to: watch::Receiver<u16>) {
    let mut gone = to.clone();
    loop {
        tokio::select! {
            peer = listener.accept() => {
                if let Ok((peer, _)) = peer {
                    tokio::spawn(hand_on(peer, to.clone()));
                }
            }
            // Without its owner nobody knows the port any more.
            ended = gone.changed() => if ended.is_err() { return },
        }
    }
}

async fn hand_on(mut peer: TcpStream, mut to: watch::Receiver<u16>) -> io::Result<()> {
    let port = *to.borrow_and_update();
    let mut target = TcpStream::connect(("127.0.0.1", port)).await?;
    peer.set_nodelay(true)?;
    target.set_nodelay(true)?;
    tokio::select! {
        _ = tokio::io::copy_bidirectional(&mut peer, &mut target) => {}
        _ = to.changed() => {}
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;
    use tokio::io::{AsyncReadExt as _, AsyncWriteExt as _};

    /// A server that says one word to each peer and then waits for it to go.
    async fn says(word: &'static str) -> u16 {
        let listener = TcpListener::bind("127.0.0.1:0").await.expect("a port");
        let port = listener.local_addr().expect("an address").port();
        tokio::spawn(async move {
            while let Ok((mut peer, _)) = listener.accept().await {
                peer.write_all(word.as_bytes()).await.expect("heard");
                tokio::spawn(async move { peer.read(&mut [0]).await });
            }
        });
        port
    }

    async fn hear(peer: &mut TcpStream) -> String {
        let mut heard = [0; 3];
        peer.read_exact(&mut heard).await.expect("a word");
        String::from_utf8_lossy(&heard).into_owned()
    }

    #[tokio::test]
    async fn who_calls_the_port_reaches_the_one_it_points_to() {
        let (one, two) = (says("one").await, says("two").await);
        let relay = Relay::to(one).await;
        let mut first = TcpStream::connect(("127.0.0.1", relay.port())).await.expect("a connection");
        assert_eq!(hear(&mut first).await, "one");
        relay.point(two);
        assert_eq!(first.read(&mut [0]).await.unwrap_or(0), 0, "the old connection is cut");
        let mut second = TcpStream::connect(("127.0.0.1", relay.port())).await.expect("a connection");
        assert_eq!(hear(&mut second).await, "two");
    }
}
