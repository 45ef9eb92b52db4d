//! A PostgreSQL for tests, from the system's own programs: made in a temporary folder, served on a free port, gone with
//! the process that started it. Its absence is an error that says what to install, never a test that is passed over.

use std::io::{BufReader, Write as _};
use std::net::TcpListener;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Output, Stdio};
use std::sync::atomic::{AtomicU32, Ordering};
use std::sync::mpsc::{Sender, channel};
use std::sync::{Arc, Mutex, OnceLock};
use std::time::{Duration, Instant};
use tempfile::TempDir;

/// How long a server may take until it answers; generous, for a busy machine.
const START: Duration = Duration::from_mins(2);
/// What a server says when it answers; a standby answers to reading only.
const READY: [&str; 2] = [
    "database system is ready to accept connections",
    "database system is ready to accept read-only connections",
];
/// The database that others are cloned from, once it is prepared.
const TEMPLATE: &str = "shop_made_ready";

/// Runs the server until standard input ends, as it does when the process that holds its other end is gone, however it
/// went. Then stops the server at once, and removes the folder that is named first, if one is.
const GUARD: &str = r#"gone=$1; shift; "$@" & server=$!; cat >/dev/null; kill -QUIT "$server" 2>/dev/null
wait "$server"; [ -z "$gone" ] || rm -rf "$gone""#;

/// How a server treats what is committed.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Flush {
    /// As in production.
    Always,
    /// Never: for tests in which nothing is killed.
    Never,
}

/// A PostgreSQL that this process started.
#[derive(Debug)]
pub struct Cluster {
    folder: TempDir,
    programs: PathBuf,
    port: u16,
    flush: Flush,
    /// Whether it lives as long as the process, which drops nothing when it ends.
    shared: bool,
    guard: Option<Child>,
    prepared: Mutex<bool>,
    databases: AtomicU32,
}

impl Cluster {
    /// The one that the tests of this process share. It does not flush.
    pub fn shared() -> &'static Cluster {
        static SHARED: OnceLock<Cluster> = OnceLock::new();
        SHARED.get_or_init(|| Cluster::make(Flush::Never, true))
    }

    /// Makes and starts one.
    ///
    /// # Panics
    ///
    /// When PostgreSQL is not installed, or does not start: a test cannot go on.
    pub fn start(flush: Flush) -> Cluster {
        Cluster::make(flush, false)
    }

    fn make(flush: Flush, shared: bool) -> Cluster {
        let mut cluster = Cluster::nowhere(flush, shared);
        let made = as_server(&cluster.programs.join("initdb"))
            .args(["--username=postgres", "--auth=trust", "--encoding=UTF8", "--locale=C.UTF-8", "--no-sync"])
            .arg("--pgdata")
            .arg(cluster.data())
            .output();
        told("initdb", made);
        cluster.start_again();
        cluster
    }

    /// One that has a folder, and nothing in it.
    fn nowhere(flush: Flush, shared: bool) -> Cluster {
        let folder = tempfile::Builder::new().prefix("fettler-pg-").tempdir().expect("a temporary folder");
        give_to_server(folder.path());
        Cluster {
            folder,
            programs: programs(),
            port: 0,
            flush,
            shared,
            guard: None,
            prepared: Mutex::new(false),
            databases: AtomicU32::new(0),
        }
    }

    fn data(&self) -> PathBuf {
        self.folder.path().join("data")
    }

    /// Makes and starts a standby of this one, a copy that follows it. From now on every commit here waits until the standby
    /// has flushed it too.
    ///
    /// # Panics
    ///
    /// When it cannot be made, or does not follow.
    #[must_use]
    pub fn standby(&self) -> Cluster {
        let mut standby = Cluster::nowhere(self.flush, false);
        let port = self.port.to_string();
        let copied = as_server(&self.programs.join("pg_basebackup"))
            .args(["--host=127.0.0.1", "--username=postgres", "--port", &port])
            .args([
                "--write-recovery-conf",
                "--wal-method=stream",
                "--checkpoint=fast",
                "--no-sync",
                "--pgdata",
            ])
            .arg(standby.data())
            .output();
        told("pg_basebackup", copied);
        standby.start_again();
        self.set("synchronous_standby_names", "*");
        self.wait_until("SELECT count(*) FROM pg_stat_replication WHERE sync_state = 'sync'", "1");
        standby
    }

    /// Makes a standby the server that takes writes.
    ///
    /// # Panics
    ///
    /// When it does not become one.
    pub fn promote(&self) {
        assert_eq!(self.sql("postgres", "SELECT pg_promote(true, 60)"), "t\n", "the standby is promoted");
    }

    /// Cuts a standby of this one off: nothing here waits for it any more, and nothing reaches it. What it lacks when it is
    /// promoted is lost.
    ///
    /// # Panics
    ///
    /// When it goes on following.
    pub fn cut_off(&self, standby: &Cluster) {
        self.set("synchronous_standby_names", "");
        standby.set("primary_conninfo", "");
        self.wait_until("SELECT count(*) FROM pg_stat_replication", "0");
    }

    /// Sets something that a running server reads again.
    fn set(&self, name: &str, value: &str) {
        self.sql("postgres", &format!("ALTER SYSTEM SET {name} = '{value}'"));
        self.sql("postgres", "SELECT pg_reload_conf()");
    }

    /// Asks again until the answer is this one.
    fn wait_until(&self, question: &str, answer: &str) {
        let begin = Instant::now();
        while self.sql("postgres", question).trim() != answer {
            assert!(begin.elapsed() < START, "{question} does not become {answer}");
        }
    }

    /// Starts it again after [`Cluster::kill`], on the same port.
    ///
    /// # Panics
    ///
    /// When it does not start.
    pub fn start_again(&mut self) {
        if self.port == 0 {
            self.port = free_port();
        }
        let flush = if self.flush == Flush::Always { "on" } else { "off" };
        let mut guard = Command::new("sh");
        guard.args(["-c", GUARD, "guard"]);
        guard.arg(if self.shared { self.folder.path().as_os_str() } else { "".as_ref() });
        for word in server_words(&self.programs.join("postgres")) {
            guard.arg(word);
        }
        guard.arg("-D").arg(self.data());
        for setting in [
            format!("port={}", self.port),
            "listen_addresses=127.0.0.1".into(),
            format!("unix_socket_directories={}", self.folder.path().display()),
            format!("fsync={flush}"),
            format!("full_page_writes={flush}"),
            "max_connections=200".into(),
            "max_wal_size=2GB".into(),
            "wal_level=replica".into(),
        ] {
            guard.arg("-c").arg(setting);
        }
        guard.stdin(Stdio::piped()).stdout(Stdio::null()).stderr(Stdio::piped());
        let mut guard = guard.spawn().expect("a shell starts");
        let said = guard.stderr.take().expect("a pipe");
        self.guard = Some(guard);
        let log = Arc::new(Mutex::new(String::new()));
        let (ready, answers) = channel();
        let kept = Arc::clone(&log);
        std::thread::spawn(move || listen(BufReader::new(said), &kept, &ready));
        let log = || log.lock().map(|log| log.clone()).unwrap_or_default();
        assert!(answers.recv_timeout(START).is_ok(), "PostgreSQL does not start:\n{}", log());
    }

    /// Kills the server with all its processes without a warning (SIGKILL), as a power cut would. One that outlived its first
    /// process for a moment would keep the shared memory, and the next start would be refused.
    ///
    /// # Panics
    ///
    /// When its process is not known, or it does not end.
    pub fn kill(&mut self) {
        let first = self.process();
        let others = children_of(first);
        told("kill", Command::new("kill").args(["-KILL", &first.to_string()]).output());
        // Those that have ended by themselves meanwhile are not there to be killed.
        let others = others.iter().map(u32::to_string);
        drop(Command::new("kill").arg("-KILL").args(others.clone()).stderr(Stdio::null()).status());
        if let Some(mut guard) = self.guard.take() {
            drop(guard.stdin.take());
            guard.wait().expect("the guard ends with its server");
        }
        let begin = Instant::now();
        while others.clone().any(|other| parent_of(&other).is_some()) {
            assert!(begin.elapsed() < START, "a process of the server does not end");
            std::thread::yield_now();
        }
    }

    /// The number of the server's first process, of which the others are children.
    ///
    /// # Panics
    ///
    /// When it does not run.
    pub fn process(&self) -> u32 {
        let file = self.data().join("postmaster.pid");
        let text = std::fs::read_to_string(&file).expect("a running server has a pid file");
        text.lines().next().and_then(|line| line.trim().parse().ok()).expect("the process stands first")
    }

    /// The port it listens on.
    pub fn port(&self) -> u16 {
        self.port
    }

    /// The URL of one of its databases.
    pub fn url(&self, database: &str) -> String {
        format!("postgres://postgres@127.0.0.1:{}/{database}", self.port)
    }

    /// A database of its own for a test: cloned from one that `prepare` was given the URL of, once.
    ///
    /// # Panics
    ///
    /// When the server refuses.
    pub fn database(&self, prepare: impl FnOnce(&str)) -> String {
        {
            let mut prepared = self.prepared.lock().expect("nobody failed while preparing");
            if !*prepared {
                self.sql("postgres", &format!("CREATE DATABASE {TEMPLATE}"));
                prepare(&self.url(TEMPLATE));
                // A database can be cloned only while nobody is connected to it.
                self.sql("postgres", &format!("ALTER DATABASE {TEMPLATE} ALLOW_CONNECTIONS false"));
                let others = format!(
                    "SELECT pg_terminate_backend(pid, 10000) FROM pg_stat_activity WHERE datname = '{TEMPLATE}'"
                );
                self.sql("postgres", &others);
                *prepared = true;
            }
        }
        self.copy_of(&self.url(TEMPLATE))
    }

    /// A copy of one of its databases, to which nobody is connected.
    ///
    /// # Panics
    ///
    /// When the server refuses.
    pub fn copy_of(&self, url: &str) -> String {
        let name = format!("shop_{}", self.databases.fetch_add(1, Ordering::Relaxed));
        self.sql("postgres", &format!("CREATE DATABASE {name} TEMPLATE {}", name_in(url)));
        self.url(&name)
    }

    /// How large one of its databases is, in bytes.
    ///
    /// # Panics
    ///
    /// When there is no such database.
    pub fn database_bytes(&self, url: &str) -> u64 {
        let size = self.sql("postgres", &format!("SELECT pg_database_size('{}')", name_in(url)));
        size.trim().parse().expect("a number of bytes")
    }

    /// An empty database.
    pub fn empty(&self) -> String {
        let name = format!("empty_{}", self.databases.fetch_add(1, Ordering::Relaxed));
        self.sql("postgres", &format!("CREATE DATABASE {name}"));
        self.url(&name)
    }

    /// Runs a statement and gives what it printed.
    ///
    /// # Panics
    ///
    /// When the server refuses it.
    pub fn sql(&self, database: &str, statement: &str) -> String {
        let output = told(statement, Ok(self.psql(database, statement)));
        String::from_utf8(output.stdout).expect("UTF-8")
    }

    fn psql(&self, database: &str, statement: &str) -> Output {
        let port = self.port.to_string();
        Command::new(self.programs.join("psql"))
            .args(["--no-psqlrc", "--tuples-only", "--no-align", "--quiet", "--host=127.0.0.1"])
            .args(["--username=postgres", "--port", &port, "--dbname", database, "--command", statement])
            .output()
            .expect("psql starts")
    }
}

impl Drop for Cluster {
    fn drop(&mut self) {
        if let Some(mut guard) = self.guard.take() {
            drop(guard.stdin.take());
            // It may have ended before.
            let _ = guard.wait();
        }
    }
}

/// The database that a URL names.
fn name_in(url: &str) -> &str {
    url.rsplit('/').next().unwrap_or(url)
}

/// Keeps what a server says, and tells when it is ready; goes on so that it is never blocked by what it says.
fn listen(said: impl std::io::BufRead, log: &Mutex<String>, ready: &Sender<()>) {
    for line in said.lines().map_while(Result::ok) {
        if READY.iter().any(|ready| line.contains(ready)) {
            // Only the first time is waited for.
            let _ = ready.send(());
        }
        if let Ok(mut log) = log.lock() {
            log.push_str(&line);
            log.push('\n');
        }
    }
}

/// The folder of the server's programs: Debian keeps them beside the path, one folder a version.
fn programs() -> PathBuf {
    let version = |path: &Path| path.parent()?.file_name()?.to_str()?.parse::<u32>().ok();
    let debian = std::fs::read_dir("/usr/lib/postgresql").into_iter().flatten().flatten();
    let newest = debian.map(|entry| entry.path().join("bin")).max_by_key(|bin| version(bin));
    let path = std::env::var_os("PATH").unwrap_or_default();
    let candidates = newest.into_iter().chain(std::env::split_paths(&path));
    let mut whole = candidates.filter(|folder| {
        ["initdb", "pg_basebackup", "postgres", "psql"].iter().all(|p| folder.join(p).exists())
    });
    whole.next().expect(
        "PostgreSQL is not installed (initdb, pg_basebackup, postgres and psql are missing): on Debian, apt-get install postgresql; \
         ./tests/run does it",
    )
}

/// PostgreSQL refuses to run as root; then it runs as the user that its package makes.
fn is_root() -> bool {
    let output = Command::new("id").arg("-u").output().expect("id starts");
    output.stdout.starts_with(b"0\n")
}

fn server_words(program: &Path) -> Vec<std::ffi::OsString> {
    let mut words: Vec<std::ffi::OsString> = Vec::new();
    if is_root() {
        for word in ["setpriv", "--reuid=postgres", "--regid=postgres", "--clear-groups", "--"] {
            words.push(word.into());
        }
    }
    words.push(program.into());
    words
}

fn as_server(program: &Path) -> Command {
    let words = server_words(program);
    let mut command = Command::new(&words[0]);
    command.args(&words[1..]);
    command
}

fn give_to_server(folder: &Path) {
    if is_root() {
        told("chown", Command::new("chown").arg("postgres").arg(folder).output());
    }
}

fn free_port() -> u16 {
    let listener = TcpListener::bind("127.0.0.1:0").expect("a port");
    listener.local_addr().expect("an address").port()
}

/// The output of a command that did not fail.
fn told(what: &str, output: std::io::Result<Output>) -> Output {
    let output = output.unwrap_or_else(|error| panic!("{what}: {error}"));
    if !output.status.success() {
        // Test output shows what a panic message of many lines would hide.
        let _ = std::io::stderr().write_all(&output.stderr);
        panic!("{what}: {}", output.status);
    }
    output
}

/// The processes that another one has started.
fn children_of(process: u32) -> Vec<u32> {
    let all = std::fs::read_dir("/proc").expect("a list of processes");
    let numbers = all.filter_map(|entry| entry.ok()?.file_name().to_str()?.parse::<u32>().ok());
    numbers.filter(|number| parent_of(&number.to_string()) == Some(process)).collect()
}

/// The parent of a process that has not ended.
fn parent_of(process: &str) -> Option<u32> {
    let stat = std::fs::read_to_string(format!("/proc/{process}/stat")).ok()?;
    // The name of the program stands in parentheses and may hold anything.
    let mut words = stat.rsplit_once(')')?.1.split_whitespace();
    let is_over = matches!(words.next()?, "Z" | "X");
    words.next()?.parse().ok().filter(|_| !is_over)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn databases_are_clones_and_a_killed_server_comes_back() {
        let mut cluster = Cluster::start(Flush::Always);
        let name = |url: &str| url.rsplit('/').next().expect("a name").to_owned();
        let prepare = |cluster: &Cluster| {
            cluster.database(|url| {
                cluster.sql(&name(url), "CREATE TABLE t (n BIGINT); INSERT INTO t VALUES (7)");
            })
        };
        let (a, b) = (prepare(&cluster), prepare(&cluster));
        cluster.sql(&name(&a), "INSERT INTO t VALUES (8)");
        assert_eq!(cluster.sql(&name(&a), "SELECT sum(n) FROM t"), "15\n");
        assert_eq!(cluster.sql(&name(&b), "SELECT sum(n) FROM t"), "7\n");
        cluster.kill();
        cluster.start_again();
        assert_eq!(cluster.sql(&name(&a), "SELECT sum(n) FROM t"), "15\n");
    }

    #[test]
    fn a_promoted_standby_has_what_was_committed_and_one_that_was_cut_off_has_not() {
        let primary = Cluster::start(Flush::Never);
        primary.sql("postgres", "CREATE TABLE t (n BIGINT)");
        let standby = primary.standby();
        primary.sql("postgres", "INSERT INTO t VALUES (7)");
        primary.cut_off(&standby);
        primary.sql("postgres", "INSERT INTO t VALUES (8)");
        drop(primary);
        standby.promote();
        standby.sql("postgres", "INSERT INTO t VALUES (9)");
        assert_eq!(standby.sql("postgres", "SELECT n FROM t ORDER BY n"), "7\n9\n");
    }
}
