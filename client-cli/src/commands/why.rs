//! `why`: where a due point comes from.

use super::board;
use crate::{
    args::orders::WhyArgs,
    exit::{Answer, Failure},
    render,
    session::Session,
};
use fettler_proto::v1 as pb;

/// Explains one open order.
pub(crate) async fn run(session: &Session, args: WhyArgs) -> Result<Answer, Failure> {
    let request = resolve(session.site(), args)?;
    let answer =
        session.ask(&request, |link, request| async move { link.due().explain_order(request).await }).await?;
    let board = board(session).await?;
    session.show(&answer, || render::why::text(&answer, board), || render::why::rows(&answer))?;
    Ok(Answer::Done)
}

fn resolve(site: String, args: WhyArgs) -> Result<pb::ExplainOrderRequest, Failure> {
    let WhyArgs { subject, task } = args;
    match (task, subject.parse::<i64>()) {
        (Some(task), _) => Ok(pb::ExplainOrderRequest { site, machine: subject, task, order: 0 }),
        (None, Ok(order)) if order > 0 => Ok(pb::ExplainOrderRequest { site, order, ..Default::default() }),
        (None, _) => Err(Failure::usage(format!("`{subject}` is not an order's number"))
            .with_hint(format!("for a task of a machine give both: fettler why {subject} TASK"))),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_number_is_an_order_and_two_words_are_a_task() {
        let typed = |subject: &str, task: Option<&str>| {
            resolve(String::new(), WhyArgs { subject: subject.into(), task: task.map(Into::into) })
        };
        assert_eq!(typed("1042", None).unwrap().order, 1042);
        let both = typed("77", Some("drain")).unwrap();
        assert_eq!((both.order, both.machine.as_str(), both.task.as_str()), (0, "77", "drain"));
        assert!(typed("L-03", None).is_err());
        assert!(typed("0", None).is_err());
    }
}
