//! `fettlerd`: reads the command line, takes the data folder, opens the store, serves, and is gone in time.

use anyhow::{Context as _, Result};
use clap::Parser as _;
use fettler_domain::time::Ts;
use fettler_server::clock::{Clock, SystemClock};
use fettler_server::config::{
    Arguments, Command, ConfigArguments, CopyArguments, DemoArguments, ListenArguments, PlaceArguments,
    ServeArguments,
};
use fettler_server::demo;
use fettler_server::folder::{Folder, database_file};
use fettler_server::log::LogArguments;
use fettler_server::notary::{Notary, Places};
use fettler_server::notify::{self, Word};
use fettler_server::serve::{Before, Ports, Terms, serve_on};
use fettler_server::settings::{self, check};
use fettler_server::tls;
use fettler_server::tokens::{self, TokenCommand};
use fettler_server::vault;
use fettler_server::web::BoardToken;
use fettler_store::contract::Store;
use std::ffi::OsStr;
use std::io::Write as _;
use std::net::SocketAddr;
use std::path::{Path, PathBuf};
use std::process::ExitCode as Exit;
use std::sync::Arc;
use std::time::Duration;
use tokio::net::TcpListener;
use tokio::sync::oneshot;

/// From the signal to stop until the process is gone, whatever still holds it.
const GONE_WITHIN: Duration = Duration::from_millis(9_500);

fn main() -> Exit {
    let variable = |name: &OsStr| std::env::var_os(name);
    let arguments = match settings::with_file(std::env::args_os().collect(), &variable) {
        Ok(words) => Arguments::parse_from(words),
        Err(error) => {
            tell_error(&format!("fettlerd: {:#}", anyhow::Error::from(error)));
            return Exit::FAILURE;
        }
    };
    if let Command::Serve(serve) = &arguments.command {
        serve.log.start();
    } else {
        LogArguments::of_environment().start();
    }
    match run(arguments) {
        Ok(()) => Exit::SUCCESS,
        Err(error) => {
            tell_error(&format!("fettlerd: {error:#}"));
            Exit::FAILURE
        }
    }
}

fn run(arguments: Arguments) -> Result<()> {
    let runtime = tokio::runtime::Runtime::new().context("cannot start the runtime")?;
    let done = runtime.block_on(async {
        match arguments.command {
            Command::Serve(arguments) => run_serve(*arguments).await,
            Command::Migrate(place) => run_migrate(place).await,
            Command::Copy(arguments) => run_copy(arguments).await,
            Command::Backup(arguments) => {
                show(&vault::backup(&arguments, SystemClock::default().now()).await?)
            }
            Command::Check(arguments) => show(&vault::check(&arguments).await?),
            Command::Restore(arguments) => {
                show(&vault::restore(&arguments, SystemClock::default().now()).await?)
            }
            Command::Token(command) => run_token(&command).await,
            Command::Config(arguments) => run_config(&arguments).await,
            Command::Demo(arguments) => run_demo(arguments).await,
        }
    });
    // Peers that are still connected do not hold the process.
    runtime.shutdown_background();
    done
}

async fn run_serve(arguments: ServeArguments) -> Result<()> {
    let mut ports = listen(&arguments.listen).await?;
    // Whoever asks meanwhile is told that the service is not ready.
    let before = Before::start(&mut ports)?;
    let provider = arguments.identity.provider().await?;
    let board = arguments.board.token()?;
    let traces = arguments.traces.collector()?;
    let scheme = if ports.tls.is_some() { "https" } else { "http" };
    let address = ports.grpc.local_addr()?;
    let folder = Folder::take(&arguments.place.folder()?)?;
    let clock = Arc::new(SystemClock::default());
    let store = open(&folder, arguments.place.database.as_deref(), &*clock).await?;
    let notary = Notary::open(&*store, &arguments.journal.places(folder.path()), clock.now()).await?;
    before.end().await;
    // Before anybody is told that the service is there, it can be stopped.
    let stop = stop_signal()?;
    let token = folder.token_path();
    let where_it_is = if token.exists() {
        format!("the token is in {}", token.display())
    } else {
        // The database was given its tokens by a service that has another folder.
        format!("the token is in the folder of the fettlerd that came first; copy it to {}", token.display())
    };
    tell(&format!("listening on {scheme}://{address}; {where_it_is}"))?;
    if let Some(http) = &ports.http {
        tell(&format!("and for HTTP on {scheme}://{}", http.local_addr()?))?;
    }
    notify::say(Word::Ready);
    let stop = async {
        stop.await;
        notify::say(Word::Stopping);
    };
    let data = Some(folder.path().to_owned());
    let terms = Terms { provider, board, metrics_for: arguments.metrics, data, traces };
    Ok(serve_on(ports, store, clock, notary, terms, stop).await?)
}

async fn run_config(arguments: &ConfigArguments) -> Result<()> {
    let found = check::run(arguments, &|name| std::env::var_os(name)).await;
    for line in &found.lines {
        tell(line)?;
    }
    for fault in &found.faults {
        tell_error(&format!("fault: {fault}"));
    }
    let faults = if found.faults.len() == 1 { "fault" } else { "faults" };
    anyhow::ensure!(found.faults.is_empty(), "{} {faults}, as told", found.faults.len());
    if arguments.check {
        tell(
            "no faults: `fettlerd serve` takes these settings; the database was not asked, and no port was opened",
        )?;
    }
    Ok(())
}

async fn run_migrate(place: PlaceArguments) -> Result<()> {
    let folder = Folder::take(&place.folder()?)?;
    let location = folder.store_location(place.database.as_deref());
    let shown = fettler_store::shown(&location);
    let store = fettler_store::open(&location).await.with_context(|| format!("cannot open {shown}"))?;
    store.shut().await;
    tell(&format!("the schema of {shown} is up to date"))
}

/// Works on the database beside a service that may run on it: a transaction of its own, and the folder is not taken.
async fn run_token(command: &TokenCommand) -> Result<()> {
    let place = command.place();
    let location = if let Some(url) = &place.database {
        url.clone()
    } else {
        let file = database_file(&place.folder()?);
        anyhow::ensure!(
            file.is_file(),
            "there is no {}; the first `fettlerd serve` makes it",
            file.display()
        );
        format!("sqlite:{}", file.display())
    };
    let shown = fettler_store::shown(&location);
    let store = fettler_store::open(&location).await.with_context(|| format!("cannot open {shown}"))?;
    let said = tokens::run(&*store, command, SystemClock::default().now()).await;
    store.shut().await;
    let said = said?;
    if !said.note.is_empty() {
        tell_error(&said.note);
    }
    if said.data.is_empty() { Ok(()) } else { tell(&said.data) }
}

/// Shows what a backup, check or restore came to; faults are a failure.
fn show(report: &vault::Report) -> Result<()> {
    for line in &report.lines {
        tell(line)?;
    }
    anyhow::ensure!(report.faults == 0, "not whole, as told");
    Ok(())
}

/// A data folder is taken, so that no service runs on it meanwhile; a database has no such lock.
fn take_place(place: &str) -> Result<(Option<Folder>, String)> {
    if place.contains("://") {
        return Ok((None, place.to_owned()));
    }
    let folder = Folder::take(Path::new(place))?;
    let location = folder.store_location(None);
    Ok((Some(folder), location))
}

async fn run_copy(CopyArguments { from, to }: CopyArguments) -> Result<()> {
    anyhow::ensure!(
        from.contains("://") || Path::new(&from).is_dir(),
        "--from {from}: there is no such folder"
    );
    let ((from_folder, from), (to_folder, to)) = (take_place(&from)?, take_place(&to)?);
    let (shown_from, shown_to) = (fettler_store::shown(&from), fettler_store::shown(&to));
    let copied = fettler_store::copy(&from, &to)
        .await
        .with_context(|| format!("nothing was copied from {shown_from} to {shown_to}"))?;
    tell(&format!("copied {} rows from {shown_from} to {shown_to}", copied.rows))?;
    for (site, head) in &copied.journals {
        let root = hex::encode(head.root);
        let whose = if site.0 == 0 { "the installation".to_owned() } else { format!("site {site}") };
        tell(&format!("journal of {whose}: {} entries, root {root} in both places", head.size))?;
    }
    if let Some(folder) = from_folder.filter(|_| to_folder.is_none()) {
        let token = folder.token_path();
        tell(&format!("the administrator's token stays in {}; the client finds it there", token.display()))?;
        tell(&format!(
            "so does the key that signs the journals; give it to whoever serves the database: --journal-key {}",
            Places::within(folder.path()).key.display()
        ))?;
    }
    Ok(())
}

async fn run_demo(arguments: DemoArguments) -> Result<()> {
    let ports = listen(&arguments.listen).await?;
    let address = ports.grpc.local_addr()?;
    let temporary = tempfile::Builder::new().prefix("fettler-demo-").tempdir()?;
    let path = arguments.data.as_deref().unwrap_or(temporary.path());
    let folder = Folder::take(path)?;
    let clock = Arc::new(SystemClock::default());
    let store = open(&folder, None, &*clock).await?;
    anyhow::ensure!(
        store.sites().await?.is_empty(),
        "{} holds a shop already; give an empty folder",
        path.display()
    );
    let notary = Notary::open(&*store, &Places::within(path), clock.now()).await?;
    demo::invent(&*store, clock.now()).await?;
    let stop_signal = stop_signal()?;
    let (stop, stopped) = oneshot::channel();
    let http = ports.http.as_ref().map(TcpListener::local_addr).transpose()?;
    let demo = Demo { token: folder.token_path(), address, http, once: arguments.once, now: clock.now() };
    let shown = tokio::spawn(demo.show(store.clone(), stop));
    let end = async {
        tokio::select! {
            () = stop_signal => {}
            () = told(stopped) => {}
        }
    };
    // Nothing of the invented shop is a secret: whoever reaches it sees its board.
    let terms = Terms { board: Some(BoardToken::read(&folder.token_path())?), ..Terms::default() };
    serve_on(ports, store, clock, notary, terms, end).await?;
    shown.await?
}

/// Ready when something was said; never when the other end has gone without a word.
async fn told(word: oneshot::Receiver<()>) {
    if word.await.is_err() {
        std::future::pending::<()>().await;
    }
}

struct Demo {
    token: PathBuf,
    address: SocketAddr,
    http: Option<SocketAddr>,
    once: bool,
    now: Ts,
}

impl Demo {
    /// Shows today's due list, and what to try when the service stays.
    async fn show(self, store: Arc<dyn Store>, stop: oneshot::Sender<()>) -> Result<()> {
        let text = match demo::by_client(self.address, &self.token).await {
            Some(text) => Ok(text),
            None => demo::by_itself(&*store, self.now).await,
        };
        if self.once || text.is_err() {
            // The service may have been stopped by hand meanwhile; then nobody waits for the word.
            let _ = stop.send(());
            return tell(&text?);
        }
        tell(&text?)?;
        tell("")?;
        tell(&demo::what_to_try(self.address, self.http, &self.token))
    }
}

/// Opens the sockets, once all that concerns them is known to be right.
async fn listen(arguments: &ListenArguments) -> Result<Ports> {
    let (grpc, http) = (arguments.address()?, arguments.http_address()?);
    let tls = arguments.tls().map(|files| tls::read(&files)).transpose()?;
    let grpc = bind("--listen", grpc, tls.is_some()).await?;
    let http = match http {
        Some(http) => Some(bind("--http", http, tls.is_some()).await?),
        None => None,
    };
    Ok(Ports { grpc, http, tls })
}

async fn bind(flag: &str, address: SocketAddr, is_encrypted: bool) -> Result<TcpListener> {
    if !address.ip().is_loopback() && !is_encrypted {
        tracing::warn!(%address, "listening beyond this computer without encryption");
    }
    let listener = TcpListener::bind(address).await;
    listener.with_context(|| format!("cannot listen on {address}; give another with {flag}"))
}

async fn open(folder: &Folder, database: Option<&str>, clock: &dyn Clock) -> Result<Arc<dyn Store>> {
    let location = folder.store_location(database);
    let store = fettler_store::open(&location)
        .await
        .with_context(|| format!("cannot open {}", fettler_store::shown(&location)))?;
    folder.first_token(&*store, clock.now()).await?;
    Ok(store)
}

/// Listens for the signals to stop from now on; the answer is ready when one came. From then on the process is gone
/// in time, even if a peer or a disk holds it.
fn stop_signal() -> Result<impl Future<Output = ()> + Send> {
    #[cfg(unix)]
    let told = {
        use tokio::signal::unix::{SignalKind, signal};
        let mut terminate = signal(SignalKind::terminate()).context("cannot listen for SIGTERM")?;
        let mut interrupt = signal(SignalKind::interrupt()).context("cannot listen for Ctrl-C")?;
        async move {
            tokio::select! {
                _ = terminate.recv() => {}
                _ = interrupt.recv() => {}
            }
        }
    };
    #[cfg(not(unix))]
    let told = async {
        if tokio::signal::ctrl_c().await.is_err() {
            std::future::pending::<()>().await;
        }
    };
    Ok(async {
        told.await;
        tracing::info!("stopping");
        std::thread::spawn(|| {
            std::thread::sleep(GONE_WITHIN);
            tracing::warn!("not all was ended in time; leaving");
            std::process::exit(0);
        });
    })
}

/// Prints a line for whoever started the program; a reader that has gone does not matter.
fn tell(text: &str) -> Result<()> {
    let mut out = std::io::stdout().lock();
    match writeln!(out, "{text}").and_then(|()| out.flush()) {
        Err(error) if error.kind() != std::io::ErrorKind::BrokenPipe => Err(error.into()),
        _ => Ok(()),
    }
}

#[expect(clippy::print_stderr, reason = "the one place where the program tells why it ends")]
fn tell_error(text: &str) {
    eprintln!("{text}");
}
