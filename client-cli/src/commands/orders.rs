//! `orders`: work orders, open and ended.

use super::{board, paging};
use crate::{
    args::orders::{OrderState, OrdersArgs},
    exit::{Answer, Failure},
    render,
    session::Session,
};
use fettler_proto::v1 as pb;

/// Lists orders, or shows one.
pub(crate) async fn run(session: &Session, args: OrdersArgs) -> Result<Answer, Failure> {
    match args.order {
        Some(number) => one(session, number).await,
        None => list(session, args).await,
    }
}

async fn one(session: &Session, order: i64) -> Result<Answer, Failure> {
    let request = pb::GetOrderRequest { site: session.site(), order };
    let answer =
        session.ask(&request, |link, request| async move { link.orders().get_order(request).await }).await?;
    let board = board(session).await?;
    session.show(
        &answer,
        || answer.order.as_ref().map(|order| render::order::alone(order, board)).unwrap_or_default(),
        || render::order::rows(answer.order.as_slice()),
    )?;
    Ok(Answer::Done)
}

async fn list(session: &Session, args: OrdersArgs) -> Result<Answer, Failure> {
    let state = match args.state {
        None => pb::OrderState::Unspecified,
        Some(OrderState::Open) => pb::OrderState::Open,
        Some(OrderState::Closed) => pb::OrderState::Closed,
        Some(OrderState::Skipped) => pb::OrderState::Skipped,
        Some(OrderState::Void) => pb::OrderState::Void,
    };
    let wanted = pb::ListOrdersRequest {
        site: session.site(),
        state: state.into(),
        machine: args.machine.unwrap_or_default(),
        task: args.task.unwrap_or_default(),
        ..Default::default()
    };
    let all: pb::ListOrdersResponse = paging::gather(session, &args.limit, |page_size, page_token| {
        let request = pb::ListOrdersRequest { page_size, page_token, ..wanted.clone() };
        async move {
            session
                .ask(&request, |link, request| async move { link.orders().list_orders(request).await })
                .await
        }
    })
    .await?;
    let board = board(session).await?;
    session.show(
        &all,
        || {
            if all.orders.is_empty() {
                "no orders\n".to_owned()
            } else {
                render::order::list(&all.orders, board)
            }
        },
        || render::order::rows(&all.orders),
    )?;
    Ok(Answer::Done)
}
