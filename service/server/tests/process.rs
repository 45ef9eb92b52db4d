//! The program itself: its first start, its lock, and its end while silent peers are connected.

use std::io::{BufRead as _, BufReader};
use std::net::{TcpListener, TcpStream};
use std::path::Path;
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};

struct Running {
    child: Child,
    address: String,
}

fn start(data: &Path) -> Running {
    start_by(fettlerd(data), data)
}

fn start_by(mut command: Command, data: &Path) -> Running {
    let mut child = command.spawn().expect("it starts");
    let stdout = child.stdout.take().expect("a pipe");
    let mut line = String::new();
    BufReader::new(stdout).read_line(&mut line).expect("it says where it listens");
    let address = line.strip_prefix("listening on http://").and_then(|rest| rest.split(';').next());
    let address = address.unwrap_or_else(|| panic!("{line}")).to_owned();
    let token = data.join("admin.token");
    assert!(line.contains(&token.display().to_string()), "{line}");
    Running { child, address }
}

fn fettlerd(data: &Path) -> Command {
    let mut command = Command::new(env!("CARGO_BIN_EXE_fettlerd"));
    command.args(["serve", "--listen", "127.0.0.1:0", "--data"]).arg(data);
    command.env_clear().stdin(Stdio::null()).stdout(Stdio::piped()).stderr(Stdio::piped());
    command
}

#[cfg(unix)]
fn terminate(child: &Child) {
    let kill = Command::new("kill").args(["-TERM", &child.id().to_string()]).status();
    assert!(kill.expect("kill is there").success());
}

#[cfg(unix)]
#[test]
fn the_program_is_gone_within_ten_seconds_though_silent_peers_are_connected() {
    let folder = tempfile::tempdir().expect("a folder");
    let data = folder.path().join("data");
    let mut running = start(&data);
    let peers: Vec<TcpStream> =
        (0..20).map(|_| TcpStream::connect(&running.address).expect("it listens")).collect();
    let told = Instant::now();
    terminate(&running.child);
    let status = running.child.wait().expect("it ends");
    assert!(told.elapsed() < Duration::from_secs(10), "{:?}", told.elapsed());
    assert_eq!(status.code(), Some(0));
    drop(peers);
    assert!(TcpStream::connect(&running.address).is_err(), "nobody listens any more");
}

#[cfg(unix)]
#[test]
fn the_first_start_makes_a_token_and_later_starts_keep_it() {
    use std::os::unix::fs::PermissionsExt as _;
    let folder = tempfile::tempdir().expect("a folder");
    let data = folder.path().join("data");
    let mut running = start(&data);
    let token = std::fs::read_to_string(data.join("admin.token")).expect("a token");
    assert_eq!(token.trim_end().len(), "fettler_".len() + 43);
    let mode = std::fs::metadata(data.join("admin.token")).expect("a file").permissions().mode();
    assert_eq!(mode & 0o777, 0o600);

    let second = fettlerd(&data).output().expect("it runs");
    let said = String::from_utf8(second.stderr).expect("UTF-8");
    assert_eq!(second.status.code(), Some(1));
    let expect = format!("another fettlerd runs on {}; stop it", data.display());
    assert!(said.contains(&expect), "{said}");

    terminate(&running.child);
    assert_eq!(running.child.wait().expect("it ends").code(), Some(0));
    let mut again = start(&data);
    assert_eq!(std::fs::read_to_string(data.join("admin.token")).expect("a token"), token);
    terminate(&again.child);
    again.child.wait().expect("it ends");
}

#[cfg(target_os = "linux")]
#[test]
fn a_service_manager_is_told_when_the_service_may_be_called_and_when_it_stops() {
    use std::os::unix::net::UnixDatagram;
    let folder = tempfile::tempdir().expect("a folder");
    let (data, path) = (folder.path().join("data"), folder.path().join("notify"));
    let manager = UnixDatagram::bind(&path).expect("a socket");
    manager.set_read_timeout(Some(Duration::from_mins(1))).expect("set");
    let heard = || {
        let mut bytes = [0; 64];
        let length = manager.recv(&mut bytes).expect("a datagram within a minute");
        String::from_utf8_lossy(&bytes[..length]).into_owned()
    };
    let mut command = fettlerd(&data);
    command.env("NOTIFY_SOCKET", &path);
    let mut running = start_by(command, &data);
    assert_eq!(heard(), "READY=1\n");
    TcpStream::connect(&running.address).expect("it listens");
    terminate(&running.child);
    assert_eq!(heard(), "STOPPING=1\n");
    assert_eq!(running.child.wait().expect("it ends").code(), Some(0));
}

/// The database takes the call and never answers, so that whoever has called it is in the midst of opening its store.
#[cfg(target_os = "linux")]
#[test]
fn nobody_is_told_that_the_service_is_ready_before_its_store_is_open() {
    use std::io::{ErrorKind, Read as _, Write as _};
    use std::os::unix::net::UnixDatagram;
    let folder = tempfile::tempdir().expect("a folder");
    let path = folder.path().join("notify");
    let manager = UnixDatagram::bind(&path).expect("a socket");
    manager.set_nonblocking(true).expect("set");
    let heard = || manager.recv(&mut [0; 64]).map_err(|error| error.kind());
    let database = TcpListener::bind("127.0.0.1:0").expect("a port");
    let address = database.local_addr().expect("an address");
    // Nobody else is likely to take the port between.
    let http = TcpListener::bind("127.0.0.1:0").and_then(|free| free.local_addr()).expect("a port");
    let mut command = fettlerd(&folder.path().join("data"));
    command
        .args(["--http", &http.to_string(), "--database", &format!("postgres://fettler@{address}/fettler")])
        .env("NOTIFY_SOCKET", &path);
    let child = command.spawn().expect("it starts");
    let ended = std::thread::spawn(move || {
        let output = child.wait_with_output().expect("it ends");
        // One that ends without a call leaves nobody waiting for it.
        drop(TcpStream::connect(address));
        output
    });
    let (call, _) = database.accept().expect("a call");
    assert_eq!(heard(), Err(ErrorKind::WouldBlock));
    for (path, status) in [("/ready", "503"), ("/live", "200"), ("/metrics", "503")] {
        let mut peer = TcpStream::connect(http).expect("it listens");
        write!(peer, "GET {path} HTTP/1.1\r\nhost: x\r\nconnection: close\r\n\r\n").expect("asked");
        let mut answer = String::new();
        peer.read_to_string(&mut answer).expect("answered");
        assert!(answer.starts_with(&format!("HTTP/1.1 {status} ")), "{path}: {answer}");
    }
    drop((call, database));
    let output = ended.join().expect("joined");
    let said = String::from_utf8(output.stderr).expect("UTF-8");
    assert!(output.status.code() == Some(1) && said.contains(&address.to_string()), "{said}");
    assert_eq!((heard(), output.stdout.len()), (Err(ErrorKind::WouldBlock), 0));
}

#[test]
fn beyond_loopback_it_listens_only_when_that_is_said() {
    let folder = tempfile::tempdir().expect("a folder");
    let mut command = Command::new(env!("CARGO_BIN_EXE_fettlerd"));
    command.args(["serve", "--listen", "0.0.0.0:0", "--data"]).arg(folder.path()).env_clear();
    let output = command.output().expect("it runs");
    assert_eq!(output.status.code(), Some(1));
    let said = String::from_utf8(output.stderr).expect("UTF-8");
    assert!(said.contains("--listen 0.0.0.0:0 is reachable from other computers"), "{said}");
}

#[test]
fn the_demo_shows_what_is_due_in_an_invented_shop() {
    let folder = tempfile::tempdir().expect("a folder");
    let mut command = Command::new(env!("CARGO_BIN_EXE_fettlerd"));
    command.args(["demo", "--once", "--listen", "127.0.0.1:0", "--data"]).arg(folder.path()).env_clear();
    let output = command.output().expect("it runs");
    let said = String::from_utf8(output.stdout).expect("UTF-8");
    assert_eq!(output.status.code(), Some(0), "{}", String::from_utf8_lossy(&output.stderr));
    // The client shows the list where it lies beside the service, and the service itself where it does not.
    for expect in ["L-03", "door interlock failed its test", "never recorded", "late", "CH-01", "held"] {
        assert!(said.contains(expect), "`{expect}` is missing:\n{said}");
    }
    let mut again = Command::new(env!("CARGO_BIN_EXE_fettlerd"));
    again.args(["demo", "--once", "--listen", "127.0.0.1:0", "--data"]).arg(folder.path()).env_clear();
    let output = again.output().expect("it runs");
    assert_eq!(output.status.code(), Some(1));
    let said = String::from_utf8(output.stderr).expect("UTF-8");
    assert!(said.contains("holds a shop already; give an empty folder"), "{said}");
}
