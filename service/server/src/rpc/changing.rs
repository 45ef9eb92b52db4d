//! What every request has that changes something: its id, and in whose name it is said.

use fettler_proto::v1;
use prost::Message;

/// A request that changes something.
pub(super) trait Changing: Message {
    /// The caller's id for it; empty for none.
    fn request_id(&self) -> &str;
    /// In whose name it is said: the field and the name; an empty name for nobody's.
    fn speaker(&self) -> (&'static str, &str);
}

const NOBODY: (&str, &str) = ("", "");

macro_rules! changing {
    ($($name:ident: |$ask:pat_param| $speaker:expr),+ $(,)?) => {
        $(impl Changing for v1::$name {
            fn request_id(&self) -> &str {
                &self.request_id
            }

            fn speaker(&self) -> (&'static str, &str) {
                let $ask = self;
                $speaker
            }
        })+
    };
}

changing!(
    AcknowledgeHandoverRequest: |ask| ("by", &ask.by),
    AcknowledgeOutboundRequest: |_| NOBODY,
    AddDueCalendarRequest: |_| NOBODY,
    AddPersonRequest: |_| NOBODY,
    AnswerAdviceRequest: |ask| ("by", &ask.by),
    BookAdjustmentRequest: |ask| ("by", &ask.by),
    CancelPurchaseRequest: |ask| ("by", &ask.by),
    CloseOrderRequest: |ask| match ask.entered_by.as_str() {
        "" => ("done_by", &ask.done_by),
        entered_by => ("entered_by", entered_by),
    },
    CountStockRequest: |ask| ("by", &ask.by),
    EndRoundRequest: |ask| ("by", &ask.by),
    ErasePersonRequest: |ask| ("by", &ask.by),
    ForbidMachineRequest: |ask| ("by", &ask.by),
    IssueStockRequest: |ask| ("by", &ask.by),
    LoadShopRequest: |ask| ("by", &ask.by),
    PlanUseRequest: |ask| ("by", &ask.by),
    RaiseOrderRequest: |ask| ("by", &ask.by),
    ReceiveStockRequest: |ask| ("by", &ask.by),
    RecordChecksRequest: |ask| ("by", &ask.by),
    RecordFluidRequest: |ask| ("said.by", ask.said.as_ref().map_or("", |said| &said.by)),
    RecordPurchaseRequest: |ask| ("by", &ask.by),
    ReplaceCounterRequest: |ask| ("by", &ask.by),
    RestMachineRequest: |ask| ("by", &ask.by),
    RetireMachineRequest: |ask| ("by", &ask.by),
    ReturnMachineRequest: |ask| ("by", &ask.by),
    RevokeDueCalendarRequest: |_| NOBODY,
    SetPinRequest: |ask| ("name", &ask.name),
    SettleReportRequest: |ask| ("by", &ask.by),
    SkipOrderRequest: |ask| ("by", &ask.by),
    StateLastDoneRequest: |ask| ("by", &ask.by),
    TakeReadingsRequest: |ask| ("readings[0].by", ask.readings.first().map_or("", |said| &said.by)),
    UndoClosingRequest: |ask| ("by", &ask.by),
    WithdrawFluidRequest: |ask| ("by", &ask.by),
    WithdrawIssueRequest: |ask| ("by", &ask.by),
    WithdrawReadingRequest: |ask| ("by", &ask.by),
);

macro_rules! known_by_its_content {
    ($($name:ident: |$ask:pat_param| $speaker:expr),+ $(,)?) => {
        // A pushed report is known by its own id, so pushing it again has no second effect.
        $(impl Changing for v1::$name {
            fn request_id(&self) -> &str {
                ""
            }

            fn speaker(&self) -> (&'static str, &str) {
                let $ask = self;
                $speaker
            }
        })+
    };
}

known_by_its_content!(PushReportRequest: |ask| ("by", &ask.by), PushReportsRequest: |_| NOBODY);
