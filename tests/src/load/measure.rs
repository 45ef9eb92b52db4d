//! One run of the tool: what a service does, and beside it, in the same run, its floors.

use super::drive::{at_rate, flat_out, pages};
use super::echo::Echo;
use super::figures::Figures;
use super::fleet::{Fleet, Sent};
use super::ground::{Ground, Place, cpu_seconds, kept_at, start};
use super::growth::all_of_today;
use super::raw::{RawWire, first_page, message};
use crate::floor::{Floor, Grouping};
use crate::service::{Service, connect};
use crate::wire::Wire;
use anyhow::{Context as _, Result};
use fettler_proto::v1::{ListDueRequest, ListDueResponse, Outcome, StreamReportsResponse};
use prost::Message as _;
use prost::bytes::Bytes;
use std::time::{Duration, Instant};

/// How large a run is.
#[derive(Clone, Copy, Debug)]
pub struct Size {
    /// The fleet.
    pub fleet: Fleet,
    /// Reports of the fleet, their faults beside.
    pub reports: usize,
    /// Connections that push.
    pub connections: usize,
    /// Items of a page of the due list.
    pub items: i32,
    /// Times that a page is asked for.
    pub pages: usize,
}

const MIB: f64 = 1_048_576.0;

/// Measures once.
pub async fn run(ground: &Ground, size: Size) -> Result<Figures> {
    let sent = size.fleet.reports(0, size.reports);
    let messages: Vec<Bytes> = sent.reports.iter().cloned().map(message).collect();
    // Half of them as fast as they are taken, the rest at half that rate.
    let (fast, slow) = messages.split_at(messages.len() / 2);
    let mut figures = Figures::default();
    let Place { folder, database } = ground.place()?;
    let mut service = start(folder, database.as_deref());
    let wires = connections(&service, size.connections).await?;

    let (own, base) = (cpu_seconds(service.process()), ground.database_cpu_seconds());
    let pushed = flat_out(&wires, fast).await?;
    let peak = pushed.rate();
    let per_report = |seconds: f64| seconds / fast.len() as f64 * 1e6;
    let kept = fast.len() - duplicates(&pushed.answers)?;
    let rest = Rest { ground, size, fast, slow, peak, kept };
    figures.add("reports pushed flat out", "1/s", peak);
    figures.times("  their acknowledgement, in a full queue", &mut pushed.waited.clone());
    figures.add(
        "  computing of the service for each",
        "us",
        per_report(cpu_seconds(service.process()) - own),
    );
    if let (Some(before), Some(after)) = (base, ground.database_cpu_seconds()) {
        figures.add("  computing of the database for each", "us", per_report(after - before));
    }

    let mut answers = pushed.answers;
    // What the rush left to upkeep is none of the steady rate's.
    all_of_today(&service.wire().await).await?;
    let mut paced = at_rate(&wires, slow, peak / 2.0).await?;
    figures.add("reports pushed at half that rate", "1/s", paced.rate());
    figures.times("  their acknowledgement", &mut paced.waited);
    answers.extend(paced.answers);
    check_outcomes(&answers, &sent)?;

    let ask = first_page(size.items);
    let (mut took, page) = pages(&wires[0], &ask, size.pages).await?;
    check_list(&page, &sent)?;
    figures.times(&format!("first page of {} items due, bytes in to bytes out", size.items), &mut took);
    figures.add("most memory of the service", "MiB", service.memory_peak_bytes() as f64 / MIB);
    figures.add("what is kept", "MiB", ground.bytes(&service, database.as_deref()) as f64 / MIB);

    drop(wires);
    service.stop();
    let begin = Instant::now();
    service.start_again();
    service.wire().await.due().list_due(ListDueRequest::default()).await?;
    figures.add("start of the program to its first answer", "ms", millis(begin.elapsed()));
    service.stop();
    rest.floors(&kept_at(service.data(), database.as_deref()), &page, &mut figures).await?;
    Ok(figures)
}

/// What the floors are measured with.
struct Rest<'r> {
    ground: &'r Ground,
    size: Size,
    fast: &'r [Bytes],
    slow: &'r [Bytes],
    peak: f64,
    /// How many of the reports that were pushed flat out are kept: repeats are not.
    kept: usize,
}

impl Rest<'_> {
    async fn floors(&self, written: &str, page: &Bytes, figures: &mut Figures) -> Result<()> {
        let engine = self.ground.engine();
        let mut floor = Floor::read(engine, written, Grouping::AsWritten).await?;
        floor.keep_first(self.kept);
        let place = self.ground.place()?;
        let took = floor.replay(&kept_at(place.folder.path(), place.database.as_deref())).await?;
        let bare = floor.reports() as f64 / took.as_secs_f64();
        figures.add("floor: the database alone, by sqlx", "1/s", bare);
        figures.add(
            "  reports in each transaction",
            "",
            floor.reports() as f64 / floor.transactions() as f64,
        );
        figures.add("  the service's share of that rate", "%", self.peak / bare * 100.0);
        let mut took = floor.pages(written, end_of_day(page)?, self.size.items, self.size.pages).await?;
        figures.times("floor: the page's statement alone, by sqlx", &mut took);

        let folder = super::ground::temporary()?;
        let file = folder.path().join("page");
        std::fs::write(&file, page)?;
        let begin = Instant::now();
        let echo = Echo::start(&file)?;
        let channel = connect(&echo.endpoint).await?;
        let mut wires = vec![RawWire::new(Wire::new(channel, "none").channel())];
        pages(&wires[0], &first_page(1), 1).await?;
        let started = begin.elapsed();
        for _ in 1..self.size.connections {
            wires.push(RawWire::new(Wire::new(connect(&echo.endpoint).await?, "none").channel()));
        }
        figures.add(
            "floor: a bare service, reports flat out",
            "1/s",
            flat_out(&wires, self.fast).await?.rate(),
        );
        let mut paced = at_rate(&wires, self.slow, self.peak / 2.0).await?;
        figures.times("floor: a bare service, at the same half rate", &mut paced.waited);
        let (mut took, _) = pages(&wires[0], &first_page(self.size.items), self.size.pages).await?;
        figures.times("floor: a bare service, the same page", &mut took);
        figures.add("floor: a bare service, start to first answer", "ms", millis(started));
        Ok(())
    }
}

async fn connections(service: &Service, count: usize) -> Result<Vec<RawWire>> {
    let mut wires = Vec::with_capacity(count);
    for _ in 0..count {
        wires.push(RawWire::new(service.wire().await.channel()));
    }
    Ok(wires)
}

fn millis(took: Duration) -> f64 {
    took.as_secs_f64() * 1_000.0
}

/// None is refused, and as many are duplicates as were sent twice: figures of wrong answers would mean nothing.
/// How many acknowledgements tell of a repeat; none may tell of a report that was refused.
fn duplicates(answers: &[Bytes]) -> Result<usize> {
    let mut duplicates = 0;
    for answer in answers {
        let answer = StreamReportsResponse::decode(answer.clone()).context("an acknowledgement")?;
        let acknowledgement = answer.acknowledgement.context("an acknowledgement")?;
        anyhow::ensure!(acknowledgement.outcome() != Outcome::Refused, "{acknowledgement:?}");
        duplicates += usize::from(acknowledgement.outcome() == Outcome::Duplicate);
    }
    Ok(duplicates)
}

fn check_outcomes(answers: &[Bytes], sent: &Sent) -> Result<()> {
    let duplicates = duplicates(answers)?;
    anyhow::ensure!(duplicates == sent.twice, "{duplicates} duplicates, {} were sent twice", sent.twice);
    Ok(())
}

/// The end of the shop day that a page is of; the fleet's site keeps UTC and starts its days at 06:00.
fn end_of_day(page: &Bytes) -> Result<i64> {
    let day: chrono::NaiveDate = ListDueResponse::decode(page.clone())?.shop_day.parse()?;
    let next = (day + chrono::Days::new(1)).and_hms_opt(6, 0, 0).context("a time")?;
    Ok(next.and_utc().timestamp_micros())
}

fn check_list(page: &Bytes, sent: &Sent) -> Result<()> {
    let page = ListDueResponse::decode(page.clone()).context("a page")?;
    let held = usize::try_from(page.held_reports)?;
    anyhow::ensure!(held == sent.held, "{held} reports are held, {} must be", sent.held);
    anyhow::ensure!(!page.items.is_empty(), "something is due");
    Ok(())
}
