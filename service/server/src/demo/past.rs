//! What happened in the invented shop, day by day: shifts were reported, rounds were made, orders were closed, one
//! of them late, a machine was laid up and another forbidden.

use super::DAYS;
use super::gauges::{THIN, THIN_AT_LAST, usual_value};
use super::shelf;
use super::shop::{COUNTER_ONLY, MACHINES, Machine, SITE, first, later};
use super::{fluids, oil, rounds};
use crate::wire::{report, shop_in};
use anyhow::{Context as _, Result, bail};
use chrono::{Datelike, NaiveDate, Weekday};
use fettler_domain::calendar::Calendar;
use fettler_domain::ledger::report::Received;
use fettler_domain::order::{AsFound, ClosingSaid, ReadingSaid};
use fettler_domain::reading::ReadingTold;
use fettler_domain::text::{ForeignName, Key, Name};
use fettler_domain::time::{MICROS_PER_HOUR, MICROS_PER_MINUTE, ShopDay, Ts};
use fettler_proto::v1;
use fettler_store::contract::{
    Caller, DueEntry, DueFilter, DuePart, MachineMove, PageAsk, SiteRecord, StockTold, Store,
};

/// From so many days before today on, nobody closed anything: that is what stands on today's list.
const QUIET_DAYS: i64 = 4;
/// Orders looked at in one round.
const ROUND_MAX: u32 = 200;
/// Passes of upkeep after which it must have come to its end.
const PASSES_MAX: u32 = 100;
/// What the compressor's counter showed on the first day, in hours.
const COUNTER_START: i64 = 4_120;

struct Teller<'a> {
    store: &'a dyn Store,
    site: SiteRecord,
    today: ShopDay,
}

fn caller(now: Ts) -> Caller {
    Caller { token: None, method: "Demo", request: None, now, person: None, as_manager: true }
}

/// Declares the shop and tells its past.
pub(super) async fn tell(store: &dyn Store, now: Ts) -> Result<()> {
    // The shop's zone is an hour or two ahead of UTC; its own calendar says the day once it is declared.
    let begin = now.plus_micros(-(DAYS + 1) * 24 * MICROS_PER_HOUR);
    let date = begin.to_utc().date_naive();
    let saturdays: Vec<NaiveDate> = (0..=DAYS + 28)
        .map(|ahead| ShopDay(date).plus_days(ahead).0)
        .filter(|date| is_worked_saturday(*date))
        .collect();
    let declared = shop_in::declaration(Some(&first(&saturdays)))?;
    store.load_shop(&caller(begin), &declared, None, false).await?;
    let site = store.site(SITE).await?.context("the shop was declared and is not there")?;
    let today = site.calendar.shop_day_of(now);
    let teller = Teller { store, site, today };
    for ago in (0..=DAYS).rev() {
        teller.day(today.plus_days(-ago), now).await?;
    }
    for said in fluids::told(now)? {
        teller.store.record_fluid(&caller(now), teller.site.site, &said, false).await?;
    }
    teller.catch_up(now).await
}

/// Every third Saturday is worked.
fn is_worked_saturday(date: NaiveDate) -> bool {
    date.weekday() == Weekday::Sat && date.iso_week().week().is_multiple_of(3)
}

impl Teller<'_> {
    fn calendar(&self) -> &Calendar {
        &self.site.calendar
    }

    /// One shop day, as far as it lies before `now`.
    async fn day(&self, day: ShopDay, now: Ts) -> Result<()> {
        let ago = self.today.days_since(day);
        let morning = self.calendar().start_of(day).plus_micros(90 * MICROS_PER_MINUTE);
        if morning < now {
            self.round(day, ago, morning).await?;
            self.events(ago, morning).await?;
        }
        let shifts = self.calendar().shifts_of(day);
        for (place, shift) in shifts.iter().enumerate() {
            if shift.end >= now {
                break;
            }
            let reported = shift.end.plus_micros(10 * MICROS_PER_MINUTE).min(now);
            let said = MACHINES.iter().filter(|machine| runs(machine, ago));
            let mut reports = Vec::new();
            for (index, machine) in said.enumerate() {
                let hundredths = ran(machine, index, day, place, shift.end.micros_since(shift.start));
                reports.push(shift_report(
                    machine.tag,
                    day,
                    place,
                    (shift.start, shift.end),
                    hundredths,
                    reported,
                )?);
            }
            self.store.push(&caller(reported), self.site.site, reports).await?;
            if rounds::last_shift(self.calendar(), now) == Some(shift.start) {
                rounds::tell(self.store, self.site.site, shift.start, reported).await?;
            }
        }
        Ok(())
    }

    /// The morning round: the compressor's counter on Mondays, and closings on Mondays and Thursdays.
    async fn round(&self, day: ShopDay, ago: i64, at: Ts) -> Result<()> {
        if day.0.weekday() == Weekday::Mon {
            let report = counter_reading(ago, at)?;
            self.store.push(&caller(at), self.site.site, vec![report]).await?;
        }
        if !matches!(day.0.weekday(), Weekday::Mon | Weekday::Thu) || ago <= QUIET_DAYS {
            return Ok(());
        }
        self.catch_up(at).await?;
        let before = self.calendar().end_of(day);
        let filter = DueFilter { before, part: DuePart::Dated, machine: None, area: None };
        let due = self.store.due(self.site.site, &filter, PageAsk { after: None, limit: ROUND_MAX }).await?;
        for (index, entry) in due.rows.iter().enumerate() {
            if is_left(entry, ago) || entry.plan.covered_by.is_some() {
                continue;
            }
            let minutes = i64::try_from(index).unwrap_or(0) * 12;
            self.close(entry, ago, at.plus_micros(minutes * MICROS_PER_MINUTE)).await?;
        }
        Ok(())
    }

    async fn close(&self, entry: &DueEntry, ago: i64, at: Ts) -> Result<()> {
        let by = if entry.plan.order.0 % 3 == 0 { "Ben Holt" } else { "Ada Kern" };
        let readings = entry.readings.iter().map(|point| ReadingSaid {
            confirmed: false,
            point: point.clone(),
            value: usual_value(entry.machine.as_str(), point.as_str(), ago),
            unit: None,
        });
        let said = ClosingSaid {
            as_found: if entry.plan.order.0 % 7 == 0 { AsFound::Worn } else { AsFound::Good },
            readings: readings.collect(),
            used: entry.kit.clone(),
            cautions_confirmed: true,
            minutes: entry.minutes,
            ..ClosingSaid::plain(entry.plan.order, at, Name::new(by)?)
        };
        self.store.close(&caller(at), self.site.site, &said).await?;
        Ok(())
    }

    /// What happened once.
    async fn events(&self, ago: i64, at: Ts) -> Result<()> {
        match ago {
            30 => self.moved("MC-03", MachineMove::Rest, "spindle is away for repair", at).await,
            10 => {
                let declared = shop_in::declaration(Some(&later()))?;
                self.store.load_shop(&caller(at), &declared, None, false).await?;
                self.shelf(shelf::counted()?, at).await
            }
            4 => self.shelf(shelf::ordered(self.calendar().shop_day_of(at))?, at).await,
            3 => self.held(at).await,
            2 => {
                let reason = "door interlock failed its test; licensed service is called";
                self.moved("L-03", MachineMove::Forbid, reason, at).await
            }
            1 => {
                self.thin(at).await?;
                self.leaking(at).await
            }
            _ => Ok(()),
        }
    }

    /// A reading out of its limits, taken on a walk.
    async fn thin(&self, at: Ts) -> Result<()> {
        let told = ReadingTold {
            machine: ForeignName::new(THIN)?,
            point: Key::new("coolant-strength")?,
            value: THIN_AT_LAST.to_owned(),
            unit: String::new(),
            at,
            by: Name::new("Ben Holt")?,
            electrician_record: None,
            confirmed: false,
            note: "foams less than usual".to_owned(),
        };
        self.store.take_readings(&caller(at), self.site.site, &[Ok(told)], false).await?;
        Ok(())
    }

    /// What is said of the stock.
    async fn shelf(&self, told: Vec<StockTold>, at: Ts) -> Result<()> {
        for told in told {
            self.store.change_stock(&caller(at), self.site.site, &told, false).await?;
        }
        Ok(())
    }

    /// A reservoir that was declared late, with the levels that somebody had noted on a sheet.
    async fn leaking(&self, at: Ts) -> Result<()> {
        let first = self.today.plus_days(-oil::READ_DAYS - 1);
        let declared = shop_in::declaration(Some(&oil::reservoir(first.to_string())))?;
        self.store.load_shop(&caller(at), &declared, None, false).await?;
        let mut worked = 0;
        let mut levels = Vec::new();
        for day in (0..oil::READ_DAYS).map(|after| first.plus_days(after)) {
            worked += usize::from(!self.calendar().shifts_of(day).is_empty());
            let morning = self.calendar().start_of(day.plus_days(1)).plus_micros(30 * MICROS_PER_MINUTE);
            levels.push(Ok(ReadingTold {
                machine: ForeignName::new(oil::LEAKS)?,
                point: Key::new(oil::LEVEL)?,
                value: oil::level_after(worked),
                unit: String::new(),
                at: morning,
                by: Name::new("Ada Kern")?,
                electrician_record: None,
                confirmed: true,
                note: String::new(),
            }));
        }
        self.store.take_readings(&caller(at), self.site.site, &levels, false).await?;
        Ok(())
    }

    async fn moved(&self, tag: &str, to: MachineMove, reason: &str, at: Ts) -> Result<()> {
        let (tag, by) = (Key::new(tag)?, Name::new("Jo Lind")?);
        self.store.move_machine(&caller(at), self.site.site, &tag, to, &by, reason, false).await?;
        Ok(())
    }

    /// Two reports that cannot be counted: a name mistyped, and a point left out of a number.
    async fn held(&self, at: Ts) -> Result<()> {
        let before = (1..7).map(|back| self.calendar().shop_day_of(at).plus_days(-back));
        let shifts =
            before.map(|day| (day, self.calendar().shifts_of(day))).find(|(_, shifts)| shifts.len() > 1);
        let (day, shifts) = shifts.context("a week has a day with shifts")?;
        let stretch = (shifts[0].start, shifts[0].end);
        let mistyped = shift_report("MC-O2", day, 0, stretch, 560, at)?;
        let too_much = shift_report("TG-01", day, 8, stretch, 5_600, at)?;
        self.store.push(&caller(at), self.site.site, vec![mistyped, too_much]).await?;
        Ok(())
    }

    /// Brings the rows to the shop day of `now`.
    async fn catch_up(&self, now: Ts) -> Result<()> {
        for _ in 0..PASSES_MAX {
            let more = self.store.upkeep(self.site.site, now, 1_000).await?.more;
            // Figures of the fleet are learnt from the past once no more of it has come between two passes.
            if !more && !self.store.due_head(self.site.site, now).await?.figures_pending {
                return Ok(());
            }
        }
        bail!("upkeep of the invented shop does not come to its end")
    }
}

/// Whether a machine ran so many days ago.
fn runs(machine: &Machine, ago: i64) -> bool {
    machine.usual > 0
        && match machine.tag {
            "MC-03" => ago > 30,
            "L-03" => ago > 2,
            _ => true,
        }
}

/// What it ran in a shift, in hundredths of an hour: its usual share of the shift, a little more or less.
fn ran(machine: &Machine, index: usize, day: ShopDay, shift: usize, length_micros: i64) -> i64 {
    let step = i64::try_from(index * 7 + shift * 5).unwrap_or(0) + i64::from(day.to_days()) * 3;
    let full = machine.usual + (step % 11 - 5) * 12;
    full * length_micros / (8 * MICROS_PER_HOUR)
}

/// Orders that were left alone: what is late on today's list, and the check that was closed late.
fn is_left(entry: &DueEntry, ago: i64) -> bool {
    match (entry.machine.as_str(), entry.task.as_ref().map(Key::as_str)) {
        ("L-01", Some("coolant-check")) => ago < 14,
        ("CH-01", Some("screen")) => ago < 10,
        ("MC-01", Some("drain-bowl")) => ago < 12,
        ("MC-02", Some("coolant-check")) => (33..44).contains(&ago),
        _ => false,
    }
}

fn shift_report(
    machine: &str,
    day: ShopDay,
    shift: usize,
    (start, end): (Ts, Ts),
    hundredths: i64,
    received_at: Ts,
) -> Result<Received> {
    let amount = format!("{}.{:02}", hundredths / 100, hundredths % 100);
    let statement = v1::shift_report::Statement::Interval(v1::IntervalStatement {
        start: Some(crate::wire::time::stamp(start)),
        end: Some(crate::wire::time::stamp(end)),
        amount,
        unit: v1::Unit::Hours.into(),
    });
    read("erp", format!("{day}/{}/{machine}", shift + 1), machine, statement, received_at)
}

fn counter_reading(ago: i64, at: Ts) -> Result<Received> {
    // Eleven loaded hours of a working day, fifty-five in a week.
    let value = COUNTER_START + (DAYS - ago) * 55 / 7;
    let statement = v1::shift_report::Statement::Reading(v1::ReadingStatement {
        at: Some(crate::wire::time::stamp(at)),
        value: value.to_string(),
        unit: v1::Unit::Hours.into(),
    });
    read("walk-round", format!("{COUNTER_ONLY}/{at}"), COUNTER_ONLY, statement, at)
}

fn read(
    source: &str,
    report_id: String,
    machine: &str,
    statement: v1::shift_report::Statement,
    received_at: Ts,
) -> Result<Received> {
    let said = v1::ShiftReport {
        source: source.into(),
        report_id,
        revision: 0,
        machine: machine.into(),
        meter: String::new(),
        statement: Some(statement),
    };
    report::read(Some(&said), received_at).map_err(|refused| anyhow::anyhow!("{:?}", refused.problems))
}
