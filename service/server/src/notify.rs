//! Tells the system's service manager that the service is ready, and that it stops.
//!
//! The protocol is that of sd_notify(3) of systemd: a datagram of `NAME=value` lines to the socket that `NOTIFY_SOCKET` names. A
//! name that begins with `@` is an address of Linux's own, which no file stands for. Whoever is not asked tells nobody.

use std::ffi::OsStr;
use std::io;

/// The variable that names the socket.
pub const SOCKET: &str = "NOTIFY_SOCKET";

/// What is told.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Word {
    /// The service listens, and its store is open.
    Ready,
    /// The service was told to stop, and lets calls under way end.
    Stopping,
}

impl Word {
    fn line(self) -> &'static str {
        match self {
            Word::Ready => "READY=1\n",
            Word::Stopping => "STOPPING=1\n",
        }
    }
}

/// Tells whoever the environment names. That nobody hears is logged, and stops nothing.
pub fn say(word: Word) {
    let Some(socket) = std::env::var_os(SOCKET) else { return };
    if let Err(error) = say_to(&socket, word) {
        tracing::warn!(%error, "the service manager does not hear {word:?} at {SOCKET}");
    }
}

#[cfg(target_os = "linux")]
fn say_to(socket: &OsStr, word: Word) -> io::Result<()> {
    use std::os::linux::net::SocketAddrExt as _;
    use std::os::unix::ffi::OsStrExt as _;
    use std::os::unix::net::{SocketAddr, UnixDatagram};
    let address = match socket.as_bytes().strip_prefix(b"@") {
        Some(name) => SocketAddr::from_abstract_name(name)?,
        None => SocketAddr::from_pathname(socket)?,
    };
    UnixDatagram::unbound()?.send_to_addr(word.line().as_bytes(), &address)?;
    Ok(())
}

#[cfg(not(target_os = "linux"))]
fn say_to(_: &OsStr, _: Word) -> io::Result<()> {
    Err(io::Error::new(io::ErrorKind::Unsupported, "there is no such service manager on this system"))
}

#[cfg(all(test, target_os = "linux"))]
mod tests {
    use super::*;
    use std::os::linux::net::SocketAddrExt as _;
    use std::os::unix::net::{SocketAddr, UnixDatagram};

    fn heard(socket: &UnixDatagram) -> String {
        let mut bytes = [0; 64];
        let length = socket.recv(&mut bytes).expect("a datagram");
        String::from_utf8_lossy(&bytes[..length]).into_owned()
    }

    #[test]
    fn a_word_reaches_a_path_and_a_name_without_one() {
        let folder = tempfile::tempdir().expect("a folder");
        let path = folder.path().join("notify");
        let by_path = UnixDatagram::bind(&path).expect("a socket");
        say_to(path.as_os_str(), Word::Ready).expect("told");
        assert_eq!(heard(&by_path), "READY=1\n");

        let name = format!("fettler-notify-{}", std::process::id());
        let address = SocketAddr::from_abstract_name(name.as_bytes()).expect("an address");
        let by_name = UnixDatagram::bind_addr(&address).expect("a socket");
        say_to(OsStr::new(&format!("@{name}")), Word::Stopping).expect("told");
        assert_eq!(heard(&by_name), "STOPPING=1\n");
    }

    #[test]
    fn a_socket_that_nobody_made_is_an_error() {
        let folder = tempfile::tempdir().expect("a folder");
        assert!(say_to(folder.path().join("nobody").as_os_str(), Word::Ready).is_err());
    }
}
