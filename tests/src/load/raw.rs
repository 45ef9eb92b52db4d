//! Calls in bytes: what is sent was encoded before the clock runs, what comes is only counted, so that the caller's own work on
//! messages is no part of a figure.

use crate::wire::Authorised;
use fettler_proto::v1::{ListDueRequest, ShiftReport, StreamReportsRequest};
use prost::Message as _;
use prost::bytes::{Buf as _, BufMut as _, Bytes};
use tonic::codec::{Codec, DecodeBuf, Decoder, EncodeBuf, Encoder};
use tonic::codegen::http::uri::PathAndQuery;
use tonic::{Request, Response, Status, Streaming};

/// The path of the stream that takes reports.
const STREAM: &str = "/fettler.v1.RunHoursService/StreamReports";
/// The path of the due list.
const DUE: &str = "/fettler.v1.DueService/ListDue";
/// The largest answer that is taken.
const ANSWER_BYTES_MAX: usize = 64 << 20;

/// Messages as the bytes they are.
#[derive(Clone, Copy, Debug, Default)]
pub struct Plain;

impl Codec for Plain {
    type Encode = Bytes;
    type Decode = Bytes;
    type Encoder = Plain;
    type Decoder = Plain;

    fn encoder(&mut self) -> Plain {
        Plain
    }

    fn decoder(&mut self) -> Plain {
        Plain
    }
}

impl Encoder for Plain {
    type Item = Bytes;
    type Error = Status;

    fn encode(&mut self, item: Bytes, to: &mut EncodeBuf<'_>) -> Result<(), Status> {
        to.put(item);
        Ok(())
    }
}

impl Decoder for Plain {
    type Item = Bytes;
    type Error = Status;

    fn decode(&mut self, from: &mut DecodeBuf<'_>) -> Result<Option<Bytes>, Status> {
        Ok(Some(from.copy_to_bytes(from.remaining())))
    }
}

/// A connection on which only bytes travel.
#[derive(Clone, Debug)]
pub struct RawWire(Authorised);

impl RawWire {
    /// Over a channel that carries the token.
    pub fn new(channel: Authorised) -> RawWire {
        RawWire(channel)
    }

    async fn grpc(&self) -> Result<tonic::client::Grpc<Authorised>, Status> {
        let mut grpc = tonic::client::Grpc::new(self.0.clone()).max_decoding_message_size(ANSWER_BYTES_MAX);
        let ready = grpc.ready().await;
        ready.map_err(|error| Status::unavailable(error.to_string()))?;
        Ok(grpc)
    }

    /// A page of the due list.
    pub async fn due(&self, ask: Bytes) -> Result<Bytes, Status> {
        let path = PathAndQuery::from_static(DUE);
        self.grpc().await?.unary(Request::new(ask), path, Plain).await.map(Response::into_inner)
    }

    /// The stream of reports and its acknowledgements.
    pub async fn stream(
        &self,
        messages: impl futures::Stream<Item = Bytes> + Send + 'static,
    ) -> Result<Streaming<Bytes>, Status> {
        let path = PathAndQuery::from_static(STREAM);
        self.grpc().await?.streaming(Request::new(messages), path, Plain).await.map(Response::into_inner)
    }
}

/// A report as a message of the stream.
pub fn message(report: ShiftReport) -> Bytes {
    StreamReportsRequest { report: Some(report), ..Default::default() }.encode_to_vec().into()
}

/// The first page of so many items of today's due list.
pub fn first_page(items: i32) -> Bytes {
    ListDueRequest { page_size: items, ..ListDueRequest::default() }.encode_to_vec().into()
}
