//! What is on the shelf, and what to buy.

use super::{due::Board, order::dry, table::Table, words, wrap::labelled};
use fettler_proto::v1 as pb;
use std::fmt::Write as _;

/// What hazardous items ask for, said under lists that name one.
const HEED: &str =
    "Hazardous items: read the safety data sheet before use; local codes and licensed practice come first.";

fn card(item: &pb::StockItem) -> pb::ItemCard {
    item.card.clone().unwrap_or_default()
}

/// Items as rows.
pub(crate) fn rows(items: &[pb::StockItem]) -> Table {
    let mut table = Table::new([
        "item",
        "code",
        "unit",
        "usable",
        "expired",
        "set_aside",
        "ordered",
        "next_expiry",
        "asks_for_count",
        "findings",
        "number",
    ]);
    for item in items {
        let card = card(item);
        let next = item.lots.iter().find(|lot| !lot.expired && !lot.expires_day.is_empty());
        table.push([
            card.name,
            card.code,
            card.unit,
            item.usable.clone(),
            item.expired.clone(),
            item.set_aside.clone(),
            item.ordered.clone(),
            next.map(|lot| lot.expires_day.clone()).unwrap_or_default(),
            item.asks_for_count.to_string(),
            item.findings.join("; "),
            item.number.to_string(),
        ]);
    }
    table
}

/// Items for people: a table, and what stands open under it.
pub(crate) fn list(answer: &pb::ListStockResponse, empty: &str, board: Board) -> String {
    if answer.items.is_empty() {
        return format!("{empty}\n");
    }
    let mut table = Table::new(["item", "there is", "set aside", "ordered", "use first by"]);
    for item in &answer.items {
        let card = card(item);
        let next = item.lots.iter().find(|lot| !lot.expired && !lot.expires_day.is_empty());
        let next = next.map(|lot| board.teller.day(&lot.expires_day)).unwrap_or_default();
        let of = |amount: &str| if amount == "0" { String::new() } else { amount.to_owned() };
        table.push([
            card.name,
            format!("{} {}", item.usable, card.unit),
            of(&item.set_aside),
            of(&item.ordered),
            next,
        ]);
    }
    let mut out = table.text(board.width, board.style);
    let standing: Vec<_> = answer.items.iter().filter(|item| !item.findings.is_empty()).collect();
    if !standing.is_empty() {
        let _ = write!(out, "\n{}\n", board.style.heading("TO BE LOOKED AT"));
    }
    for item in standing {
        let _ = writeln!(out, "  {}", card(item).name);
        for finding in &item.findings {
            out.push_str(&labelled(4, "-", 2, finding, board.width));
        }
    }
    out.push_str(&heed(answer.items.iter().any(|item| card(item).hazardous), board));
    out
}

fn heed(is_hazardous: bool, board: Board) -> String {
    if is_hazardous { format!("\n{}", labelled(0, "", 0, HEED, board.width)) } else { String::new() }
}

/// Items with their lots and open purchases.
pub(crate) fn each(items: &[pb::StockItem], board: Board) -> String {
    let mut out = String::new();
    for item in items {
        out.push_str(&one(item, board));
    }
    out.push_str(&heed(items.iter().any(|item| card(item).hazardous), board));
    out
}

fn one(item: &pb::StockItem, board: Board) -> String {
    let card = card(item);
    let code = if card.code.is_empty() { String::new() } else { format!(" ({})", card.code) };
    let mut out = format!("{}\n", board.style.heading(&format!("{}{code}", card.name)));
    let mut label = |name: &str, text: &str| out.push_str(&labelled(2, name, 12, text, board.width));
    label("there is", &format!("{} {}", item.usable, card.unit));
    if !matches!(item.set_aside.as_str(), "" | "0") {
        label("set aside", &format!("{} {} for open orders", item.set_aside, card.unit));
    }
    label("counted", &board.teller.instant(item.counted_at.as_ref()).unwrap_or_else(|| "never".to_owned()));
    if card.hazardous && !card.data_sheet.is_empty() {
        label("data sheet", &card.data_sheet);
    }
    for finding in &item.findings {
        label("finding", finding);
    }
    if !item.lots.is_empty() {
        let mut table = Table::new(["lot", "there is", "use by", "received"]);
        for lot in &item.lots {
            let by = match (lot.expires_day.as_str(), lot.expired) {
                ("", _) => "no day known".to_owned(),
                (day, true) => format!("{}, expired", board.teller.day(day)),
                (day, false) => board.teller.day(day),
            };
            table.push([
                lot.lot.clone(),
                format!("{} {}", lot.quantity, card.unit),
                by,
                board.teller.day(&lot.received_day),
            ]);
        }
        let _ = write!(out, "\n{}", table.text(board.width, board.style));
    }
    if !item.purchases.is_empty() {
        let mut table = Table::new(["purchase", "to come", "of", "ordered", "arrives", "reference"]);
        for purchase in &item.purchases {
            let arrives = match purchase.arrives_day.as_str() {
                "" => "not confirmed".to_owned(),
                day => board.teller.day(day),
            };
            table.push([
                purchase.number.to_string(),
                format!("{} {}", purchase.open, card.unit),
                purchase.ordered.clone(),
                board.teller.day(&purchase.ordered_day),
                arrives,
                purchase.reference.clone(),
            ]);
        }
        let _ = write!(out, "\n{}", table.text(board.width, board.style));
    }
    out
}

/// Lots as rows.
pub(crate) fn lot_rows(items: &[pb::StockItem]) -> Table {
    let mut table = Table::new(["item", "lot", "quantity", "unit", "expires_day", "received_day", "expired"]);
    for item in items {
        let card = card(item);
        for lot in &item.lots {
            table.push([
                card.name.clone(),
                lot.lot.clone(),
                lot.quantity.clone(),
                card.unit.clone(),
                lot.expires_day.clone(),
                lot.received_day.clone(),
                lot.expired.to_string(),
            ]);
        }
    }
    table
}

/// What came of a change of stock.
pub(crate) fn changed(
    item: Option<&pb::StockItem>,
    remarks: &[String],
    dry_run: bool,
    board: Board,
) -> String {
    let mut out = dry(dry_run);
    if let Some(item) = item {
        out.push_str(&one(item, board));
    }
    if !remarks.is_empty() {
        out.push('\n');
    }
    for (index, remark) in remarks.iter().enumerate() {
        let label = if index == 0 { "remark" } else { "" };
        out.push_str(&labelled(2, label, 12, remark, board.width));
    }
    out.push_str(&heed(item.is_some_and(|item| card(item).hazardous), board));
    out
}

/// What a line of the buy list says.
pub(super) fn verdict(verdict: pb::BuyVerdict) -> &'static str {
    match verdict {
        pb::BuyVerdict::Unspecified => "",
        pb::BuyVerdict::Order => "order",
        pb::BuyVerdict::Late => "late",
        pb::BuyVerdict::NoDataSheet => "no data sheet",
        pb::BuyVerdict::Hurry => "hurry",
    }
}

/// The buy list as rows.
pub(crate) fn buy_rows(lines: &[pb::BuyLine]) -> Table {
    let mut table = Table::new([
        "item",
        "code",
        "verdict",
        "quantity",
        "unit",
        "packs",
        "order_by_day",
        "arrives_day",
        "runs_out_day",
        "waiting_orders",
        "why",
        "remarks",
    ]);
    for line in lines {
        table.push([
            line.item.clone(),
            line.code.clone(),
            verdict(line.verdict()).to_owned(),
            line.quantity.clone(),
            line.unit.clone(),
            words::unless_zero(line.packs),
            line.order_by_day.clone(),
            line.arrives_day.clone(),
            line.runs_out_day.clone(),
            orders(line),
            line.why.clone(),
            line.remarks.join("; "),
        ]);
    }
    table
}

fn orders(line: &pb::BuyLine) -> String {
    line.waiting_orders.iter().map(ToString::to_string).collect::<Vec<_>>().join(", ")
}

/// The buy list for people.
pub(crate) fn buy(answer: &pb::GetBuyListResponse, board: Board) -> String {
    let until = board.teller.day(&answer.until_day);
    if answer.lines.is_empty() {
        return format!("nothing is to be bought for the time to {until}\n{}", not_counted(answer, board));
    }
    let mut out = String::new();
    for (title, verdict) in [
        ("LATE: ORDER TODAY", pb::BuyVerdict::Late),
        ("HURRY WHAT IS ON ITS WAY", pb::BuyVerdict::Hurry),
        ("TO ORDER", pb::BuyVerdict::Order),
        ("NOT TO BE BOUGHT", pb::BuyVerdict::NoDataSheet),
    ] {
        let lines: Vec<_> = answer.lines.iter().filter(|line| line.verdict() == verdict).collect();
        if !lines.is_empty() {
            let gap = if out.is_empty() { "" } else { "\n" };
            let _ = writeln!(out, "{gap}{}", board.style.heading(title));
            for line in lines {
                out.push_str(&buy_line(line, board));
            }
        }
    }
    out.push_str(&not_counted(answer, board));
    out
}

fn buy_line(line: &pb::BuyLine, board: Board) -> String {
    let code = if line.code.is_empty() { String::new() } else { format!(" ({})", line.code) };
    let mut out = format!("  {}{code}\n", line.item);
    let mut label = |name: &str, text: &str| out.push_str(&labelled(4, name, 11, text, board.width));
    if line.packs > 0 {
        let packs = words::count(usize::try_from(line.packs).unwrap_or(0), "pack", "packs");
        let (by, arrives) = (board.teller.day(&line.order_by_day), board.teller.day(&line.arrives_day));
        label("order", &format!("{} {} ({packs}) by {by}, here on {arrives}", line.quantity, line.unit));
    }
    label("why", &line.why);
    label(
        "waiting",
        &if line.waiting_orders.is_empty() { String::new() } else { format!("order {}", orders(line)) },
    );
    for remark in &line.remarks {
        label("heed", remark);
    }
    out
}

fn not_counted(answer: &pb::GetBuyListResponse, board: Board) -> String {
    if answer.not_counted.is_empty() {
        return String::new();
    }
    let text = format!("kits also name what is no item on the shelf: {}", answer.not_counted.join("; "));
    format!("\n{}", labelled(0, "", 0, &text, board.width))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::out::Style;
    use crate::testkit::at;
    use crate::times::{self, Teller};

    fn board() -> Board {
        let now = times::absolute("2026-11-25T05:02:00Z").unwrap();
        Board { teller: Teller::new(chrono_tz::Europe::Berlin, now), width: 80, style: Style::PLAIN }
    }

    fn oil() -> pb::StockItem {
        let lot = |lot: &str, quantity: &str, expires: &str, expired| pb::StockLot {
            lot: lot.into(),
            quantity: quantity.into(),
            expires_day: expires.into(),
            received_day: "2026-01-05".into(),
            expired,
        };
        pb::StockItem {
            number: 12,
            card: Some(pb::ItemCard {
                name: "way oil VG 68".into(),
                code: "20-068".into(),
                unit: "L".into(),
                hazardous: true,
                data_sheet: "SDS 12".into(),
                ..Default::default()
            }),
            usable: "18.5".into(),
            expired: "2".into(),
            set_aside: "4".into(),
            ordered: "20".into(),
            lots: vec![lot("A-16", "2", "2026-11-01", true), lot("A-17", "18.5", "2027-03-01", false)],
            purchases: vec![pb::Purchase {
                number: 3,
                ordered: "40".into(),
                open: "20".into(),
                ordered_day: "2026-11-20".into(),
                arrives_day: String::new(),
                reference: "P-9".into(),
            }],
            findings: vec!["count it: 1 L used beyond the book".into()],
            asks_for_count: true,
            counted_at: at("2026-11-02T08:00:00Z"),
        }
    }

    fn cloth() -> pb::StockItem {
        let card = pb::ItemCard { name: "cloth".into(), unit: "pcs".into(), ..Default::default() };
        let none = || "0".to_owned();
        pb::StockItem {
            card: Some(card),
            usable: none(),
            expired: none(),
            set_aside: none(),
            ordered: none(),
            ..Default::default()
        }
    }

    #[test]
    fn the_shelf_says_what_there_is_and_what_is_to_be_looked_at() {
        let answer = pb::ListStockResponse { items: vec![cloth(), oil()], ..Default::default() };
        insta::assert_snapshot!(list(&answer, "none", board()), @r"
        item           there is  set aside  ordered  use first by
        cloth          0 pcs
        way oil VG 68  18.5 L    4          20       Mon 1 Mar 2027

        TO BE LOOKED AT
          way oil VG 68
            - count it: 1 L used beyond the book

        Hazardous items: read the safety data sheet before use; local codes and licensed
        practice come first.
        ");
        assert_eq!(list(&pb::ListStockResponse::default(), "none", board()), "none\n");
        assert_eq!(
            rows(&answer.items).rows[1][7..10],
            ["2027-03-01", "true", "count it: 1 L used beyond the book"]
        );
    }

    #[test]
    fn an_item_says_its_lots_and_purchases() {
        insta::assert_snapshot!(changed(Some(&oil()), &["as the book says".into()], true, board()), @r"
        Nothing was changed; this is what would come of it.

        way oil VG 68 (20-068)
          there is    18.5 L
          set aside   4 L for open orders
          counted     Mon 2 Nov 09:00
          data sheet  SDS 12
          finding     count it: 1 L used beyond the book

        lot   there is  use by              received
        A-16  2 L       Sun 1 Nov, expired  Mon 5 Jan
        A-17  18.5 L    Mon 1 Mar 2027      Mon 5 Jan

        purchase  to come  of  ordered     arrives        reference
        3         20 L     40  Fri 20 Nov  not confirmed  P-9

          remark      as the book says

        Hazardous items: read the safety data sheet before use; local codes and licensed
        practice come first.
        ");
        assert_eq!(lot_rows(&[oil()]).rows.len(), 2);
    }

    fn line(item: &str, verdict: pb::BuyVerdict) -> pb::BuyLine {
        pb::BuyLine {
            item: item.into(),
            code: "20-068".into(),
            unit: "L".into(),
            verdict: verdict.into(),
            quantity: "20".into(),
            packs: 1,
            order_by_day: "2026-11-25".into(),
            arrives_day: "2026-11-30".into(),
            runs_out_day: "2026-11-28".into(),
            waiting_orders: vec![41, 57],
            why: "26 L needed by 2027-02-24 (between 24 and 28), 4 on the shelf, runs out on 2026-11-28, before it can arrive"
                .into(),
            remarks: vec!["count it first: more was used than there was by the book".into()],
            ..Default::default()
        }
    }

    #[test]
    fn the_buy_list_says_the_late_first_and_what_is_not_to_be_bought_last() {
        let answer = pb::GetBuyListResponse {
            lines: vec![
                pb::BuyLine {
                    packs: 0,
                    waiting_orders: Vec::new(),
                    remarks: vec!["not to be bought: no safety data sheet".into()],
                    ..line("grease", pb::BuyVerdict::NoDataSheet)
                },
                line("way oil VG 68", pb::BuyVerdict::Late),
            ],
            shop_day: "2026-11-25".into(),
            until_day: "2027-02-24".into(),
            not_counted: vec!["string".into()],
            next_page_token: String::new(),
        };
        insta::assert_snapshot!(buy(&answer, board()), @r"
        LATE: ORDER TODAY
          way oil VG 68 (20-068)
            order      20 L (1 pack) by Wed 25 Nov, here on Mon 30 Nov
            why        26 L needed by 2027-02-24 (between 24 and 28), 4 on the shelf,
                       runs out on 2026-11-28, before it can arrive
            waiting    order 41, 57
            heed       count it first: more was used than there was by the book

        NOT TO BE BOUGHT
          grease (20-068)
            why        26 L needed by 2027-02-24 (between 24 and 28), 4 on the shelf,
                       runs out on 2026-11-28, before it can arrive
            heed       not to be bought: no safety data sheet

        kits also name what is no item on the shelf: string
        ");
        let nothing = pb::GetBuyListResponse { until_day: "2027-02-24".into(), ..Default::default() };
        assert_eq!(buy(&nothing, board()), "nothing is to be bought for the time to Wed 24 Feb 2027\n");
        assert_eq!(buy_rows(&answer.lines).rows[1][2..6], ["late", "20", "L", "1"]);
    }
}
