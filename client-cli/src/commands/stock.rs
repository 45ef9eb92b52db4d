//! `stock` and `buy`: what is on the shelf, what is said of it, and what to buy.

use super::{board, paging, request_id};
use crate::{
    args::fluids::WithdrawArgs,
    args::stock::{
        BuyArgs, CancelArgs, CountArgs, IssueArgs, ListArgs, LotsArgs, OrderedArgs, ReceiveArgs, SayArgs,
        StockCommand,
    },
    exit::{Answer, Failure},
    json::Named,
    render::stock as show,
    session::Session,
    times,
};
use fettler_proto::v1 as pb;
use prost::Message;

/// Does what is asked of the shelf.
pub(crate) async fn run(session: &Session, command: StockCommand) -> Result<Answer, Failure> {
    match command {
        StockCommand::List(args) => list(session, args).await,
        StockCommand::Lots(args) => lots(session, args).await,
        StockCommand::Receive(args) => receive(session, args).await,
        StockCommand::Count(args) => count(session, args).await,
        StockCommand::Issue(args) => issue(session, args).await,
        StockCommand::Withdraw(args) => withdraw(session, args).await,
        StockCommand::Ordered(args) => ordered(session, args).await,
        StockCommand::Cancel(args) => cancel(session, args).await,
    }
}

/// A day that was typed under a flag.
fn day(flag: &str, text: Option<&str>) -> Result<String, Failure> {
    let read = |text| times::day(text).map_err(|error| Failure::usage(format!("{flag}: {error}")));
    text.map_or(Ok(String::new()), read)
}

async fn list(session: &Session, args: ListArgs) -> Result<Answer, Failure> {
    let within = match &args.within {
        None => 0,
        Some(span) => {
            let days =
                times::span_days(span).map_err(|error| Failure::usage(format!("--within: {error}")))?;
            i32::try_from(days).unwrap_or(i32::MAX)
        }
    };
    let request = pb::ListStockRequest {
        site: session.site(),
        with_findings: args.findings,
        within_days: within,
        ..Default::default()
    };
    let answer = paging::gather(session, &args.limit, |page_size, page_token| {
        let request = pb::ListStockRequest { page_size, page_token, ..request.clone() };
        async move {
            session.ask(&request, |link, request| async move { link.stock().list_stock(request).await }).await
        }
    })
    .await?;
    let board = board(session).await?;
    let empty = if args.findings { "nothing stands open about any item" } else { "no items are declared" };
    session.show(&answer, || show::list(&answer, empty, board), || show::rows(&answer.items))?;
    Ok(if args.findings && !answer.items.is_empty() { Answer::No } else { Answer::Done })
}

async fn lots(session: &Session, args: LotsArgs) -> Result<Answer, Failure> {
    let request = pb::ListStockRequest { site: session.site(), item: args.item, ..Default::default() };
    let answer =
        session.ask(&request, |link, request| async move { link.stock().list_stock(request).await }).await?;
    let board = board(session).await?;
    session.show(&answer, || show::each(&answer.items, board), || show::lot_rows(&answer.items))?;
    Ok(Answer::Done)
}

/// Shows what came of a change.
async fn changed<A: Message + Named>(
    session: &Session,
    say: &SayArgs,
    answer: &A,
    (item, remarks): (Option<&pb::StockItem>, &[String]),
) -> Result<Answer, Failure> {
    let board = board(session).await?;
    session.show(
        answer,
        || show::changed(item, remarks, say.dry_run, board),
        || show::rows(&item.cloned().into_iter().collect::<Vec<_>>()),
    )?;
    Ok(Answer::Done)
}

async fn receive(session: &Session, args: ReceiveArgs) -> Result<Answer, Failure> {
    let id = request_id(&args.say.change);
    let request = pb::ReceiveStockRequest {
        site: session.site(),
        request_id: id.to_string(),
        item: args.item,
        quantity: args.quantity,
        lot: args.lot.unwrap_or_default(),
        expires_day: day("--expires", args.expires.as_deref())?,
        purchase: args.purchase.unwrap_or_default(),
        by: args.by.unwrap_or_default(),
        validate_only: args.say.dry_run,
    };
    let answer = session
        .change(&request, id, |link, request| async move { link.stock().receive_stock(request).await })
        .await?;
    changed(session, &args.say, &answer, (answer.item.as_ref(), &answer.remarks)).await
}

async fn count(session: &Session, args: CountArgs) -> Result<Answer, Failure> {
    let id = request_id(&args.say.change);
    let lots = args.lots.iter().map(|text| lot(text)).collect::<Result<Vec<_>, _>>();
    let request = pb::CountStockRequest {
        site: session.site(),
        request_id: id.to_string(),
        item: args.item,
        quantity: args.quantity.unwrap_or_default(),
        lots: lots.map_err(|error| Failure::usage(format!("--lot: {error}")))?,
        by: args.by,
        validate_only: args.say.dry_run,
    };
    let answer = session
        .change(&request, id, |link, request| async move { link.stock().count_stock(request).await })
        .await?;
    changed(session, &args.say, &answer, (answer.item.as_ref(), &answer.remarks)).await
}

/// Reads `LOT=QTY[,DAY]`.
fn lot(text: &str) -> Result<pb::LotCount, String> {
    let bad = |what: &str| format!("`{text}` {what}; write it like A-17=8 or A-17=8,2027-03-01");
    let (lot, rest) = text.rsplit_once('=').ok_or_else(|| bad("names no quantity"))?;
    let (quantity, expires) = rest.split_once(',').unwrap_or((rest, ""));
    if lot.trim().is_empty() {
        return Err(bad("names no lot"));
    }
    let expires_day = match expires.trim() {
        "" => String::new(),
        day => times::day(day).map_err(|_| bad("has no day after its comma"))?,
    };
    Ok(pb::LotCount { lot: lot.trim().to_owned(), quantity: quantity.trim().to_owned(), expires_day })
}

async fn issue(session: &Session, args: IssueArgs) -> Result<Answer, Failure> {
    let id = request_id(&args.say.change);
    let request = pb::IssueStockRequest {
        site: session.site(),
        request_id: id.to_string(),
        item: args.item,
        quantity: args.quantity,
        lot: args.lot.unwrap_or_default(),
        by: args.by,
        note: args.note.unwrap_or_default(),
        validate_only: args.say.dry_run,
        confirmed: args.it_is_so,
    };
    let answer = session
        .change(&request, id, |link, request| async move { link.stock().issue_stock(request).await })
        .await?;
    let back = format!("entry {}; `fettler stock withdraw {0}` takes it back", answer.entry);
    let mut remarks = answer.remarks.clone();
    remarks.extend((!args.say.dry_run).then_some(back));
    changed(session, &args.say, &answer, (answer.item.as_ref(), &remarks)).await
}

async fn withdraw(session: &Session, args: WithdrawArgs) -> Result<Answer, Failure> {
    let id = request_id(&args.change);
    let request = pb::WithdrawIssueRequest {
        site: session.site(),
        request_id: id.to_string(),
        entry: args.entry,
        by: args.by,
        reason: args.reason,
    };
    let answer = session
        .change(&request, id, |link, request| async move { link.stock().withdraw_issue(request).await })
        .await?;
    let say = SayArgs { dry_run: false, change: args.change };
    changed(session, &say, &answer, (answer.item.as_ref(), &answer.remarks)).await
}

async fn ordered(session: &Session, args: OrderedArgs) -> Result<Answer, Failure> {
    let id = request_id(&args.say.change);
    let request = pb::RecordPurchaseRequest {
        site: session.site(),
        request_id: id.to_string(),
        item: args.item,
        quantity: args.quantity,
        arrives_day: day("--arrives", args.arrives.as_deref())?,
        reference: args.reference.unwrap_or_default(),
        purchase: args.purchase.unwrap_or_default(),
        by: args.by.unwrap_or_default(),
        validate_only: args.say.dry_run,
    };
    let answer = session
        .change(&request, id, |link, request| async move { link.stock().record_purchase(request).await })
        .await?;
    changed(session, &args.say, &answer, (answer.item.as_ref(), &answer.remarks)).await
}

async fn cancel(session: &Session, args: CancelArgs) -> Result<Answer, Failure> {
    let id = request_id(&args.say.change);
    let request = pb::CancelPurchaseRequest {
        site: session.site(),
        request_id: id.to_string(),
        item: args.item,
        purchase: args.purchase,
        by: args.by.unwrap_or_default(),
        validate_only: args.say.dry_run,
    };
    let answer = session
        .change(&request, id, |link, request| async move { link.stock().cancel_purchase(request).await })
        .await?;
    changed(session, &args.say, &answer, (answer.item.as_ref(), &answer.remarks)).await
}

/// What to buy.
pub(crate) async fn buy(session: &Session, args: BuyArgs) -> Result<Answer, Failure> {
    let request = pb::GetBuyListRequest {
        site: session.site(),
        until_day: day("--until", args.until.as_deref())?,
        order_by_day: day("--order-by", args.order_by.as_deref())?,
        item: args.item.unwrap_or_default(),
        ..Default::default()
    };
    let answer = paging::gather(session, &args.limit, |page_size, page_token| {
        let request = pb::GetBuyListRequest { page_size, page_token, ..request.clone() };
        async move {
            session
                .ask(&request, |link, request| async move { link.stock().get_buy_list(request).await })
                .await
        }
    })
    .await?;
    let board = board(session).await?;
    session.show(&answer, || show::buy(&answer, board), || show::buy_rows(&answer.lines))?;
    Ok(Answer::Done)
}

/// All items, page by page.
pub(super) async fn all(session: &Session) -> Result<Vec<pb::StockItem>, Failure> {
    let all: pb::ListStockResponse = paging::all(|page_token| {
        let request = pb::ListStockRequest {
            site: session.site(),
            page_size: paging::PAGE_MAX,
            page_token,
            ..Default::default()
        };
        async move {
            session.ask(&request, |link, request| async move { link.stock().list_stock(request).await }).await
        }
    })
    .await?;
    Ok(all.items)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_lot_is_counted_with_its_last_day_or_without() {
        let read = lot("A=17=8.5, 2027-03-01").expect("a lot");
        assert_eq!(
            (read.lot.as_str(), read.quantity.as_str(), read.expires_day.as_str()),
            ("A=17", "8.5", "2027-03-01")
        );
        assert_eq!(lot("A-17=8").expect("a lot").expires_day, "");
        for bad in ["A-17", "=8", "A-17=8,soon"] {
            let error = lot(bad).expect_err("no lot");
            assert!(error.contains(bad) && error.contains("write it like A-17=8"), "{error}");
        }
    }
}
