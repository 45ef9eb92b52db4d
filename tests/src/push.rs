//! Pushes reports through the stream and gathers what became of each.

use crate::wire::Wire;
use fettler_proto::v1::{Acknowledgement, Outcome, ShiftReport, StreamReportsRequest};
use futures::StreamExt as _;
use std::collections::BTreeMap;
use tokio::sync::mpsc;
use tokio_stream::wrappers::ReceiverStream;
use tonic::Status;

/// Messages that may wait between the sender and the connection.
const WAITING: usize = 4_096;

/// What a push came to, when the stream ended or broke.
#[derive(Debug, Default)]
pub struct Pushed {
    /// The acknowledgements in the order in which they came, each with the place of its report, from 0.
    pub acknowledged: Vec<(usize, Acknowledgement)>,
    /// How the stream broke, if it did.
    pub broken: Option<Status>,
}

impl Pushed {
    /// How many of each outcome.
    pub fn count(&self) -> BTreeMap<&'static str, usize> {
        let mut counts = BTreeMap::new();
        for (_, acknowledgement) in &self.acknowledged {
            let outcome = Outcome::try_from(acknowledgement.outcome).expect("a known outcome");
            *counts.entry(outcome.as_str_name()).or_default() += 1;
        }
        counts
    }
}

/// Pushes the reports in this order through one stream; calls `seen` with the number of acknowledgements after each.
pub async fn stream(wire: &Wire, reports: &[ShiftReport], mut seen: impl FnMut(usize)) -> Pushed {
    let (send, receive) = mpsc::channel(WAITING);
    let all: Vec<ShiftReport> = reports.to_vec();
    tokio::spawn(async move {
        for report in all {
            let message = StreamReportsRequest { report: Some(report), ..Default::default() };
            // The stream may break while there is more to send.
            if send.send(message).await.is_err() {
                return;
            }
        }
    });
    let mut pushed = Pushed::default();
    let mut answers = match wire.hours().stream_reports(ReceiverStream::new(receive)).await {
        Ok(answers) => answers.into_inner(),
        Err(status) => return Pushed { broken: Some(status), ..pushed },
    };
    while let Some(answer) = answers.next().await {
        match answer {
            Ok(answer) => {
                let place = usize::try_from(answer.sequence).expect("a small number") - 1;
                pushed.acknowledged.push((place, answer.acknowledgement.expect("an acknowledgement")));
                seen(pushed.acknowledged.len());
            }
            Err(status) => {
                pushed.broken = Some(status);
                return pushed;
            }
        }
    }
    pushed
}

/// Pushes everything; the stream must not break, and each report must be acknowledged once, in the order of sending.
pub async fn push_all(wire: &Wire, reports: &[ShiftReport]) -> Pushed {
    let pushed = stream(wire, reports, |_| ()).await;
    assert!(pushed.broken.is_none(), "the stream broke: {:?}", pushed.broken);
    let places = pushed.acknowledged.iter().map(|(place, _)| *place);
    assert!(places.eq(0..reports.len()), "one acknowledgement for each report, in the order of sending");
    pushed
}
