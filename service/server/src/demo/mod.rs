//! An invented shop with ninety days behind it, so that a stranger sees a due list within seconds.
//!
//! Everything goes through the calls that a real shop uses: the declaration is read as a caller's would be, reports
//! are pushed, orders closed and machines moved, in the order in which it would have happened. Nothing is random.

mod care;
mod fluids;
mod gauges;
mod oil;
mod past;
mod rounds;
mod shelf;
mod shop;

use crate::wire::due::item;
use anyhow::{Context as _, Result};
use fettler_domain::time::Ts;
use fettler_proto::v1;
use fettler_store::contract::{DueFilter, DuePart, PageAsk, Store};
use std::fmt::Write as _;
use std::net::SocketAddr;
use std::path::{Path, PathBuf};
use std::process::Stdio;

/// Days of reports before today.
const DAYS: i64 = 90;
/// Items of the compact list; the shop has far fewer due.
const LISTED_MAX: u32 = 100;

/// Declares the shop and tells its past up to `now`.
pub async fn invent(store: &dyn Store, now: Ts) -> Result<()> {
    past::tell(store, now).await.context("cannot invent the shop")
}

/// Today's due list as the client shows it; none where no client lies beside this program.
pub async fn by_client(address: SocketAddr, token: &Path) -> Option<String> {
    let client = client()?;
    let mut command = std::process::Command::new(client);
    command.arg("due").arg("--server").arg(format!("http://{address}")).arg("--token-file").arg(token);
    command.stdin(Stdio::null());
    let output = tokio::task::spawn_blocking(move || command.output()).await.ok()?.ok()?;
    output.status.success().then(|| String::from_utf8_lossy(&output.stdout).trim_end().to_owned())
}

/// The client, where it lies beside this program.
fn client() -> Option<PathBuf> {
    let own = std::env::current_exe().ok()?;
    let client = own.with_file_name(format!("fettler{}", std::env::consts::EXE_SUFFIX));
    client.is_file().then_some(client)
}

/// Today's due list in a compact form.
pub async fn by_itself(store: &dyn Store, now: Ts) -> Result<String> {
    let site = store.sites().await?.pop().context("the shop is gone")?;
    let today = site.calendar.shop_day_of(now);
    let mut text = format!("due on {today}\n");
    let head = store.due_head(site.site, now).await?;
    for machine in &head.forbidden {
        writeln!(text, "must not start: {} {}: {}", machine.tag, machine.name, machine.reason)?;
    }
    for (part, section) in
        [(DuePart::Dated, v1::DueSection::Dated), (DuePart::NeverRecorded, v1::DueSection::NeverRecorded)]
    {
        let before = site.calendar.end_of(today);
        let filter = DueFilter { before, part, machine: None, area: None };
        let page = store.due(site.site, &filter, PageAsk { after: None, limit: LISTED_MAX }).await?;
        for entry in &page.rows {
            let due = item(entry, section, &site.calendar, now);
            let (order, machine, title) = (due.order, due.machine, due.title);
            writeln!(text, "{order:>6}  {machine:<6} {title}; {}; {}", due.when, due.why)?;
        }
    }
    write!(text, "held reports: {}", head.held.held)?;
    Ok(text)
}

/// The commands to try, as they can be copied.
pub fn what_to_try(address: SocketAddr, http: Option<SocketAddr>, token: &Path) -> String {
    let client = client().map_or_else(|| "fettler".to_owned(), |path| path.display().to_string());
    let data = token.parent().unwrap_or(Path::new("."));
    let over_http = http.map(|http| {
        format!(
            "  curl http://{http}/ready             # over HTTP: docs/api.md\nthe board, for a browser: http://{http}/board, and http://{http}/board?wall=1 \
             for a wall; closing orders there asks for the token in {}",
            token.display()
        )
    });
    let lines = [
        format!("serving an invented shop on http://{address}; Ctrl-C ends it. In another terminal:"),
        format!("  export FETTLER_SERVER=http://{address} FETTLER_DATA='{}'", data.display()),
        format!("  {client} due --within 7d --while-stopped"),
        format!("  {client} why NUMBER                      # where a due point comes from"),
        format!("  {client} close NUMBER --by \"Ada Kern\"    # it was done; the next order stands at once"),
        format!("  {client} readings {} coolant-strength  # what readings tell", gauges::THIN),
        format!("  {client} round --by \"Ada Kern\"           # walk the checks of the shift"),
        format!("  {client} hours held                      # reports that wait for a decision"),
        format!("  {client} machine list"),
        format!("  {client} shop show                       # the file that declares this shop"),
        format!("  {client} journal list"),
    ];
    lines.into_iter().chain(over_http).collect::<Vec<_>>().join("\n")
}
