//! The service with a clock that stands at a given moment, so that a test can ask what was due on a day long past.
//! Everything but the clock is what `fettlerd serve` runs.
//!
//! usage: `fettlerd_at serve --listen ADDR [--http ADDR] --data DIR [--database URL] --clock-at RFC3339`
#![expect(clippy::print_stdout, reason = "it says where it listens, as the service does")]

use anyhow::Result;
use chrono::{DateTime, Utc};
use clap::Parser;
use fettler_domain::time::Ts;
use fettler_server::clock::{Clock as _, HandClock};
use fettler_server::folder::Folder;
use fettler_server::notary::{Notary, Places};
use fettler_server::serve::{Ports, serve};
use std::net::SocketAddr;
use std::path::PathBuf;
use std::sync::Arc;
use tokio::net::TcpListener;
use tokio::signal::unix::{SignalKind, signal};

#[derive(Parser)]
enum Arguments {
    /// Serves until it is killed or told to stop.
    Serve {
        /// Where to listen.
        #[arg(long)]
        listen: SocketAddr,
        /// Where to listen for HTTP too.
        #[arg(long)]
        http: Option<SocketAddr>,
        /// The data folder.
        #[arg(long)]
        data: PathBuf,
        /// A database instead of a file in the data folder.
        #[arg(long)]
        database: Option<String>,
        /// The moment at which the clock stands.
        #[arg(long)]
        clock_at: DateTime<Utc>,
    },
}

#[tokio::main]
async fn main() -> Result<()> {
    let Arguments::Serve { listen, http, data, database, clock_at } = Arguments::parse();
    let listener = TcpListener::bind(listen).await?;
    let web = match http {
        Some(at) => Some(TcpListener::bind(at).await?),
        None => None,
    };
    let folder = Folder::take(&data)?;
    let clock = Arc::new(HandClock::new(Ts::from_utc(clock_at)));
    let store = fettler_store::open(&folder.store_location(database.as_deref())).await?;
    folder.first_token(&*store, clock.now()).await?;
    let notary = Notary::open(&*store, &Places::within(folder.path()), clock.now()).await?;
    // Before anybody is told that the service is there, it can be stopped.
    let mut terminate = signal(SignalKind::terminate())?;
    println!("listening on http://{}", listener.local_addr()?);
    if let Some(web) = &web {
        println!("and for HTTP on http://{}", web.local_addr()?);
    }
    let ports = Ports { grpc: listener, http: web, tls: None };
    Ok(serve(ports, store, clock, notary, async move {
        terminate.recv().await;
    })
    .await?)
}
