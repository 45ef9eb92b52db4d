//! `ready`: which machines will be ready when the shift starts.

use super::{instant, paging};
use crate::{
    args::round::ReadyArgs,
    clock,
    exit::{Answer, Failure},
    render::round as shown,
    session::Session,
    times::Teller,
};
use fettler_proto::v1 as pb;

/// Runs `ready`; the answer is no where a machine is cold or must not start.
pub(super) async fn run(session: &Session, args: ReadyArgs) -> Result<Answer, Failure> {
    let at = instant(session, "--at", args.at.as_deref()).await?;
    let all: pb::ListReadinessResponse = paging::gather(session, &args.limit, |page_size, page_token| {
        let request = pb::ListReadinessRequest { site: session.site(), at, page_size, page_token };
        async move {
            session
                .ask(&request, |link, request| async move { link.rounds().list_readiness(request).await })
                .await
        }
    })
    .await?;
    let teller = Teller::new(session.zone().await?, clock::told_at());
    let (width, style) = (session.settings.width, session.out.style());
    let text = || {
        let round = all.round.clone().unwrap_or_default();
        let start = teller.instant(round.shift_start.as_ref()).unwrap_or_default();
        let machines = shown::ready(&all.machines, Some(teller));
        let table = if machines.rows.is_empty() {
            "no machine has a warm-up\n".to_owned()
        } else {
            machines.text(width, style)
        };
        format!("{} shift, {start}\n\n{table}{}\n", round.shift, shown::START)
    };
    session.show(&all, text, || shown::ready(&all.machines, None))?;
    let is_ready = |of: &pb::MachineReadiness| {
        !matches!(of.readiness(), pb::Readiness::Cold | pb::Readiness::MustNotStart)
    };
    Ok(if all.machines.iter().all(is_ready) { Answer::Done } else { Answer::No })
}
