//! A real `fettlerd` as a child: on a port of its own, with a data folder of its own, to be killed and started again.

use crate::client::{Ran, fettler};
use crate::programs::program;
use crate::wire::Wire;
use std::fs;
use std::io::{BufRead as _, BufReader, Read, Write as _};
use std::path::Path;
use std::process::{Child, Command, ExitStatus, Stdio};
use std::sync::mpsc::{Receiver, Sender, channel};
use std::time::Duration;
use tempfile::TempDir;
use tonic::transport::Endpoint;

/// How long a service may take until it listens; generous, for a busy machine.
const START: Duration = Duration::from_mins(2);
/// How long a call may take before the test calls it lost.
const CALL: Duration = Duration::from_mins(5);
/// The file in the data folder that holds the administrator's token.
const TOKEN_FILE: &str = "admin.token";

/// A running service.
#[derive(Debug)]
pub struct Service {
    child: Child,
    endpoint: String,
    http: String,
    /// Taken away only at the end.
    folder: Option<TempDir>,
    arguments: Vec<String>,
    /// What stands in its environment beside its home.
    environment: Vec<(String, String)>,
    /// What it said since it listens; shown when a test fails.
    heard: Receiver<String>,
}

impl Service {
    /// Starts a service on an empty data folder.
    pub fn start() -> Service {
        Service::start_with(&[])
    }

    /// Starts a service and declares a shop by the client, as `shop.toml` in the data folder.
    pub fn with_shop(text: &str) -> Service {
        let service = Service::start();
        fs::write(service.data().join("shop.toml"), text).expect("a file");
        service.fettler(&["shop", "load", "shop.toml"]).done();
        service
    }

    /// Starts a service on an empty data folder, with more arguments for `fettlerd serve`.
    pub fn start_with(arguments: &[&str]) -> Service {
        let folder = tempfile::Builder::new().prefix("fettler-").tempdir().expect("a folder for data");
        Service::start_on(folder, arguments)
    }

    /// The same on a folder that holds data already.
    pub fn start_on(folder: TempDir, arguments: &[&str]) -> Service {
        let arguments: Vec<String> = arguments.iter().map(|&a| a.to_owned()).collect();
        Service::begin(folder, arguments, Vec::new())
    }

    /// Starts a service on an empty data folder with something in its environment.
    pub fn start_in(environment: Vec<(String, String)>) -> Service {
        let folder = tempfile::Builder::new().prefix("fettler-").tempdir().expect("a folder for data");
        Service::begin(folder, Vec::new(), environment)
    }

    fn begin(folder: TempDir, arguments: Vec<String>, environment: Vec<(String, String)>) -> Service {
        Service::begin_on(folder, arguments, environment).unwrap_or_else(|(_, said)| panic!("{said}"))
    }

    /// Starts a service on a folder that may hold data, with something in its environment. Where it does not come to listen, gives
    /// the folder back, and what the service said.
    pub fn try_start(
        folder: TempDir,
        arguments: &[&str],
        environment: Vec<(String, String)>,
    ) -> Result<Service, (TempDir, String)> {
        Service::begin_on(folder, arguments.iter().map(|&a| a.to_owned()).collect(), environment)
    }

    fn begin_on(
        folder: TempDir,
        arguments: Vec<String>,
        environment: Vec<(String, String)>,
    ) -> Result<Service, (TempDir, String)> {
        match spawn(folder.path(), &arguments, &environment) {
            Ok((child, endpoint, http, heard)) => {
                Ok(Service { child, endpoint, http, folder: Some(folder), arguments, environment, heard })
            }
            Err(said) => Err((folder, said)),
        }
    }

    /// Its folder, once it is gone.
    pub fn into_folder(mut self) -> TempDir {
        self.folder.take().expect("it is taken once")
    }

    /// Waits until it has ended by itself.
    pub fn ended(&mut self) -> ExitStatus {
        self.child.wait().expect("the service is gone")
    }

    /// Where it listens.
    pub fn endpoint(&self) -> &str {
        &self.endpoint
    }

    /// Where it listens for HTTP; empty where it does not.
    pub fn http(&self) -> &str {
        &self.http
    }

    /// Its data folder.
    pub fn data(&self) -> &Path {
        self.folder.as_ref().expect("it has its folder until the end").path()
    }

    /// What it said since it listens, line by line; waits until it has ended.
    pub fn said(&self) -> Vec<String> {
        self.heard.iter().collect()
    }

    /// The number of its process.
    pub fn process(&self) -> u32 {
        self.child.id()
    }

    /// The administrator's token that it wrote.
    pub fn token(&self) -> String {
        let path = self.data().join(TOKEN_FILE);
        let text = fs::read_to_string(&path).unwrap_or_else(|e| panic!("{}: {e}", path.display()));
        text.trim().to_owned()
    }

    /// A fresh connection with the administrator's token.
    pub async fn wire(&self) -> Wire {
        Wire::new(connect(&self.endpoint).await.expect("the service listens"), &self.token())
    }

    /// The same where it may be gone already.
    pub async fn try_wire(&self) -> Result<Wire, tonic::transport::Error> {
        Ok(Wire::new(connect(&self.endpoint).await?, &self.token()))
    }

    /// Runs the client against it.
    pub fn fettler(&self, arguments: &[&str]) -> Ran {
        self.fettler_with(arguments, b"")
    }

    /// Runs the client against it with something on its standard input.
    pub fn fettler_with(&self, arguments: &[&str], input: &[u8]) -> Ran {
        fettler(&self.endpoint, self.data(), arguments, input)
    }

    /// Kills it without a warning (SIGKILL).
    pub fn kill(&mut self) {
        self.child.kill().expect("the service can be killed");
        self.child.wait().expect("the service is gone");
    }

    /// Tells it to stop (SIGTERM), and waits until it is gone.
    pub fn stop(&mut self) {
        let told = Command::new("kill").args(["-TERM", &self.child.id().to_string()]).status();
        assert!(told.expect("kill starts").success(), "the service can be told to stop");
        assert!(self.child.wait().expect("the service is gone").success(), "the service stops well");
    }

    /// The same where it may have ended by itself before.
    pub fn stop_if_it_runs(&mut self) -> ExitStatus {
        if let Ok(None) = self.child.try_wait() {
            // It may end by itself just now.
            let _ = Command::new("kill").args(["-TERM", &self.child.id().to_string()]).status();
        }
        self.child.wait().expect("the service is gone")
    }

    /// Starts it again on the same data, on another port.
    pub fn start_again(&mut self) {
        let begun = spawn(self.data(), &self.arguments, &self.environment);
        (self.child, self.endpoint, self.http, self.heard) = begun.unwrap_or_else(|said| panic!("{said}"));
    }

    /// The same with other arguments.
    pub fn start_again_with(&mut self, arguments: &[&str]) {
        self.arguments = arguments.iter().map(|&a| a.to_owned()).collect();
        self.start_again();
    }

    /// Kills it and starts it again with other arguments on the same data.
    pub fn restart_with(&mut self, arguments: &[&str]) {
        self.kill();
        self.arguments = arguments.iter().map(|&a| a.to_owned()).collect();
        self.start_again();
    }

    /// The most memory it has held so far, in bytes, as the kernel counts it (`VmHWM`).
    pub fn memory_peak_bytes(&self) -> u64 {
        let status =
            fs::read_to_string(format!("/proc/{}/status", self.child.id())).expect("a running process");
        let line = status.lines().find_map(|line| line.strip_prefix("VmHWM:")).expect("VmHWM");
        let kib: u64 = line.trim().trim_end_matches(" kB").trim().parse().expect("a number of KiB");
        kib * 1024
    }

    /// How large its data folder is, in bytes.
    pub fn data_bytes(&self) -> u64 {
        let files = fs::read_dir(self.data()).expect("a data folder");
        files.map(|file| file.and_then(|f| f.metadata()).map_or(0, |meta| meta.len())).sum()
    }
}

impl Drop for Service {
    fn drop(&mut self) {
        if std::thread::panicking() {
            let ended = self.child.try_wait().ok().flatten();
            let how =
                ended.map_or_else(|| "it runs".to_owned(), |status| format!("it ended before: {status}"));
            let said: Vec<String> = self.heard.try_iter().collect();
            // Whoever reads why a test failed wants to see it; nobody else is kept from going on.
            let _ = writeln!(std::io::stderr(), "service at {}: {how}\n{}", self.endpoint, said.join("\n"));
        }
        // It may be gone already.
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

/// Connects to a service that listens.
pub async fn connect(endpoint: &str) -> Result<tonic::transport::Channel, tonic::transport::Error> {
    Endpoint::from_shared(endpoint.to_owned())
        .expect("an address")
        .connect_timeout(START)
        .timeout(CALL)
        .connect()
        .await
}

fn spawn(
    data: &Path,
    arguments: &[String],
    environment: &[(String, String)],
) -> Result<(Child, String, String, Receiver<String>), String> {
    // Only the service of the tests has a clock that can be set.
    let name = if arguments.iter().any(|a| a == "--clock-at") { "fettlerd_at" } else { "fettlerd" };
    let mut child = Command::new(program(name))
        .arg("serve")
        .args(["--listen", "127.0.0.1:0"])
        .arg("--data")
        .arg(data)
        .args(arguments)
        .env_clear()
        .env("HOME", data)
        // As the unit of systemd and the container file have it.
        .env("MALLOC_ARENA_MAX", "1")
        // What it says is kept in memory, and some tests make millions of calls.
        .env("FETTLER_LOG", "warn,fettler=info,fettler::call=warn")
        .envs(environment.iter().map(|(name, value)| (name, value)))
        .stdin(Stdio::null())
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .expect("the service starts");
    let (say, heard) = channel();
    listen(child.stdout.take().expect("a pipe"), say.clone());
    listen(child.stderr.take().expect("a pipe"), say);
    match announced(&heard) {
        Ok(endpoint) => {
            let is_off = || arguments.array_windows().any(|[flag, value]| flag == "--http" && value == "off");
            let has_http =
                if name == "fettlerd" { !is_off() } else { arguments.iter().any(|word| word == "--http") };
            let http = if has_http { announced_http(&heard) } else { String::new() };
            Ok((child, endpoint, http, heard))
        }
        Err(said) => {
            // It may be gone already.
            let _ = child.kill();
            let _ = child.wait();
            Err(said)
        }
    }
}

/// Reads what the service says for as long as it lives, so that its pipes never fill.
fn listen(pipe: impl Read + Send + 'static, say: Sender<String>) {
    std::thread::spawn(move || {
        for line in BufReader::new(pipe).lines().map_while(Result::ok) {
            // Nobody listens any more once the service is taken apart.
            let _ = say.send(line);
        }
    });
}

/// The address that the service announces; what it said where it announces none.
fn announced(heard: &Receiver<String>) -> Result<String, String> {
    let mut said = Vec::new();
    while let Ok(line) = heard.recv_timeout(START) {
        if let Some(at) = line.find("127.0.0.1:") {
            let rest = &line[at..];
            let end =
                rest.find(|c: char| !(c.is_ascii_digit() || c == '.' || c == ':')).unwrap_or(rest.len());
            if !rest[..end].ends_with(":0") {
                return Ok(format!("http://{}", &rest[..end]));
            }
        }
        said.push(line);
    }
    Err(format!("the service does not say where it listens:\n{}", said.join("\n")))
}

/// The address for HTTP that the service announces next.
fn announced_http(heard: &Receiver<String>) -> String {
    let mut said = Vec::new();
    while let Ok(line) = heard.recv_timeout(START) {
        if let Some((_, address)) = line.split_once("for HTTP on ") {
            return address.to_owned();
        }
        said.push(line);
    }
    panic!("the service does not say where it listens for HTTP:\n{}", said.join("\n"));
}
