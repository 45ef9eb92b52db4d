//! Answers as JSON: the protobuf JSON mapping of the message, made from the contract's own descriptors.

use fettler_proto::{DESCRIPTORS, v1 as pb};
use prost::Message;
use prost_reflect::{DescriptorPool, DynamicMessage, SerializeOptions};
use std::sync::LazyLock;

/// A message that knows its full name.
pub(crate) trait Named {
    /// The name in the contract.
    const NAME: &'static str;
}

macro_rules! named {
    ($($message:ident),* $(,)?) => {
        $(impl Named for pb::$message {
            const NAME: &'static str = concat!("fettler.v1.", stringify!($message));
        })*
        #[cfg(test)]
        const NAMES: &[&str] = &[$(concat!("fettler.v1.", stringify!($message))),*];
    };
}

named!(
    AcknowledgeHandoverResponse,
    RevokeDueCalendarResponse,
    Acknowledgement,
    AddDueCalendarResponse,
    AddPersonResponse,
    AnswerAdviceResponse,
    BookAdjustmentResponse,
    CancelPurchaseResponse,
    CloseOrderResponse,
    CountStockResponse,
    EndRoundResponse,
    ErasePersonResponse,
    ExplainOrderResponse,
    ForbidMachineResponse,
    GetBuyListResponse,
    GetFiguresResponse,
    GetCheckpointResponse,
    GetDueCalendarResponse,
    GetInclusionResponse,
    GetJournalHeadResponse,
    GetMachineResponse,
    GetMeterResponse,
    AuditRow,
    OutboundEntry,
    AcknowledgeOutboundResponse,
    WatchDueResponse,
    GetFluidRecordResponse,
    GetOrderResponse,
    RecordFluidResponse,
    WithdrawFluidResponse,
    WithdrawIssueResponse,
    ExplainPointResponse,
    GetShopResponse,
    IssueStockResponse,
    ListAdviceResponse,
    ListCheckpointsResponse,
    ListChecksResponse,
    ListDueCalendarsResponse,
    ListDueResponse,
    ListEntriesResponse,
    ListHandoversResponse,
    ListHeldReportsResponse,
    ListMachinesResponse,
    ListOrdersResponse,
    ListPeopleResponse,
    ListPlannedUseResponse,
    ListReadinessResponse,
    ListReadingsResponse,
    ListReportsResponse,
    ListStockResponse,
    LookAheadResponse,
    LoadShopResponse,
    PlanUseResponse,
    PushReportResponse,
    RaiseOrderResponse,
    ReceiveStockResponse,
    RecordChecksResponse,
    RecordPurchaseResponse,
    ReplaceCounterResponse,
    RestMachineResponse,
    RetireMachineResponse,
    ReturnMachineResponse,
    SetPinResponse,
    SettleReportResponse,
    ShiftReport,
    SkipOrderResponse,
    StateLastDoneResponse,
    TakeReadingsResponse,
    UndoClosingResponse,
    WithdrawReadingResponse,
);

static POOL: LazyLock<DescriptorPool> = LazyLock::new(|| {
    DescriptorPool::decode(DESCRIPTORS).expect("the contract's descriptors were compiled with it")
});

/// A message as indented JSON with a line feed.
pub(crate) fn text<M: Message + Named>(message: &M) -> String {
    let mut bytes = Vec::new();
    write(message, &mut serde_json::Serializer::pretty(&mut bytes));
    finish(bytes)
}

/// A message as one line of JSON.
pub(crate) fn line<M: Message + Named>(message: &M) -> String {
    let mut bytes = Vec::new();
    write(message, &mut serde_json::Serializer::new(&mut bytes));
    finish(bytes)
}

fn write<M: Message + Named, F: serde_json::ser::Formatter>(
    message: &M,
    serializer: &mut serde_json::Serializer<&mut Vec<u8>, F>,
) {
    let descriptor =
        POOL.get_message_by_name(M::NAME).expect("a generated message stands in the descriptors");
    let dynamic = DynamicMessage::decode(descriptor, message.encode_to_vec().as_slice())
        .expect("a message that was encoded decodes as itself");
    dynamic
        .serialize_with_options(serializer, &SerializeOptions::new())
        .expect("text fields are UTF-8 and writing to memory does not fail");
}

fn finish(mut bytes: Vec<u8>) -> String {
    bytes.push(b'\n');
    String::from_utf8(bytes).expect("JSON is UTF-8")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_name_stands_in_the_contract() {
        for name in NAMES {
            assert!(POOL.get_message_by_name(name).is_some(), "{name}");
        }
    }

    #[test]
    fn the_mapping_is_the_protobuf_one() {
        let message = pb::GetMeterResponse {
            meter: Some(pb::Meter {
                machine: "L-03".into(),
                kind: pb::MeterKind::Operating.into(),
                counted: "402.5".into(),
                known_to: Some(prost_types::Timestamp { seconds: 1_764_050_400, nanos: 0 }),
                ..Default::default()
            }),
        };
        assert_eq!(
            line(&message),
            "{\"meter\":{\"machine\":\"L-03\",\"kind\":\"METER_KIND_OPERATING\",\"counted\":\"402.5\",\
             \"knownTo\":\"2025-11-25T06:00:00Z\"}}\n"
        );
        assert!(
            text(&pb::GetJournalHeadResponse { lineage: 1, ..Default::default() })
                .contains("\"lineage\": \"1\"")
        );
    }
}
