//! Requests made by chance from the descriptors of the protos, whole ones and bent encodings of them, to a service in this process:
//! every call is answered, with a code that the documentation names for it, and the service neither breaks, stands still nor grows.

use crate::fuzz::{Ran, bent, cpu_of_process_millis, resident_bytes};
use crate::script;
use crate::shuffle::Random;
use fettler_domain::time::Ts;
use fettler_proto::v1::LoadShopRequest;
use fettler_proto::v1::shop_service_client::ShopServiceClient;
use fettler_server::auth::{hash, new_token};
use fettler_server::clock::HandClock;
use fettler_server::notary::Notary;
use fettler_server::serve::{Ports, serve};
use fettler_store::contract::{Caller, NewToken};
use futures::StreamExt as _;
use prost::Message as _;
use prost::bytes::{Buf as _, BufMut as _};
use prost_reflect::{
    DescriptorPool, DynamicMessage, FieldDescriptor, Kind, MapKey, MessageDescriptor, MethodDescriptor, Value,
};
use std::collections::BTreeMap;
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};
use std::time::Duration;
use tokio::net::TcpListener;
use tonic::client::Grpc;
use tonic::codec::{Codec, DecodeBuf, Decoder, EncodeBuf, Encoder};
use tonic::transport::{Channel, Endpoint};
use tonic::{Code, Request, Status};

/// How deep a message is filled.
const DEPTH_MAX: usize = 5;
/// The most that a list is given.
const LIST_MAX: usize = 4;
/// The most messages that are read of one answer.
const ANSWERS_MAX: usize = 200;
/// The time on a processor that one call may take, in milliseconds, on a slow machine and without optimisation.
const CALL_MILLIS_MAX: u64 = 10_000;
/// How long a call may take before it counts as standing still.
const CALL: Duration = Duration::from_mins(5);
/// After so many calls the shop is loaded again: machines were retired meanwhile, and sites made.
const RELOAD_EVERY: u64 = 1_000;
/// Calls after which memory is looked at for the first time: by then every statement has run.
const WARM: u64 = 2_000;
/// The memory that the service may come to hold beyond that, in bytes: its caches are bounded, and fill slowly.
const GROWTH_BYTES_MAX: u64 = 192 << 20;

/// Words that fields may mean something by.
const WORDS: &[&str] = &[
    "north",
    "L-1",
    "L-2",
    "filter",
    "bowl",
    "coolant",
    "oil",
    "erp",
    "cell",
    "Ada Kern",
    "operating",
    "installation",
    "",
    "nobody",
    "7.5",
    "-1",
    "0",
    "1e9",
    "99999999999999999999",
    "0.000000000001",
    "2026-03-31",
    "2026-02-30",
    "0001-01-01",
    "9999-12-31",
    "Europe/Berlin",
    "UTC",
    "FREQ=DAILY",
    "FREQ=YEARLY;BYMONTHDAY=30;BYMONTH=2",
    "0b2b3a52-6a0e-4a8c-9a53-000000000001",
    "not a uuid",
    "06:00",
    "25:61",
    "L",
    "%",
    "\u{0}",
    "a\nb",
    "\u{202e}x",
    "ü",
    "r-1",
    "look",
    "1,5",
    "AQ",
    "10x0.1",
];

/// Carries messages as the bytes that they are.
#[derive(Clone, Copy, Debug, Default)]
struct Raw;

impl Codec for Raw {
    type Encode = Vec<u8>;
    type Decode = Vec<u8>;
    type Encoder = Raw;
    type Decoder = Raw;

    fn encoder(&mut self) -> Raw {
        Raw
    }

    fn decoder(&mut self) -> Raw {
        Raw
    }
}

impl Encoder for Raw {
    type Item = Vec<u8>;
    type Error = Status;

    fn encode(&mut self, item: Vec<u8>, into: &mut EncodeBuf<'_>) -> Result<(), Status> {
        into.put_slice(&item);
        Ok(())
    }
}

impl Decoder for Raw {
    type Item = Vec<u8>;
    type Error = Status;

    fn decode(&mut self, from: &mut DecodeBuf<'_>) -> Result<Option<Vec<u8>>, Status> {
        Ok(Some(from.copy_to_bytes(from.remaining()).to_vec()))
    }
}

/// Panics of this process so far, whoever caught them.
static PANICS: AtomicU64 = AtomicU64::new(0);

/// A service in this process, and requests for it.
pub struct Requests {
    random: Random,
    channel: Channel,
    token: String,
    methods: Vec<MethodDescriptor>,
    corpus: Vec<Vec<u8>>,
    codes: BTreeMap<(String, i32), u64>,
    _folder: tempfile::TempDir,
}

impl Requests {
    /// Starts the service on a new file.
    pub async fn start(seed: u64) -> Requests {
        let folder = tempfile::tempdir().expect("a folder");
        let store = fettler_store::open(&folder.path().join("shop.db").display().to_string()).await;
        let store = store.expect("a store");
        let now = script::CLOCK_AT.parse().map(Ts::from_utc).expect("a moment");
        let token = new_token().expect("random bits");
        let caller =
            Caller { token: None, method: "FirstStart", request: None, now, person: None, as_manager: true };
        store.add_token(&caller, &NewToken::admin("admin", hash(&token))).await.expect("a token");
        let listener = TcpListener::bind("127.0.0.1:0").await.expect("a port");
        let address = listener.local_addr().expect("an address");
        let clock = Arc::new(HandClock::new(now));
        let ports = Ports { grpc: listener, http: None, tls: None };
        tokio::spawn(serve(ports, store, clock, Notary::silent(), std::future::pending()));
        let channel = Endpoint::from_shared(format!("http://{address}")).expect("an address").connect().await;
        let before = std::panic::take_hook();
        std::panic::set_hook(Box::new(move |info| {
            PANICS.fetch_add(1, Ordering::SeqCst);
            before(info);
        }));
        let pool = DescriptorPool::decode(fettler_proto::DESCRIPTORS).expect("descriptors");
        let methods = pool.services().flat_map(|service| service.methods().collect::<Vec<_>>()).collect();
        Requests {
            random: Random::new(seed),
            channel: channel.expect("it listens"),
            token,
            methods,
            corpus: vec![Vec::new()],
            codes: BTreeMap::new(),
            _folder: folder,
        }
    }

    /// Makes calls until the time on a processor is spent, or so many were made.
    pub async fn run(&mut self, calls: u64, cpu_millis: u64) -> Ran {
        let (mut ran, mut held) = (Ran::default(), 0);
        let begun = cpu_of_process_millis();
        let mut before = begun;
        while ran.inputs < calls && ran.cpu_millis < cpu_millis {
            if ran.inputs % RELOAD_EVERY == 0 {
                self.reload().await;
            }
            self.one().await;
            let now = cpu_of_process_millis();
            ran.slowest_millis = ran.slowest_millis.max(now - before);
            before = now;
            ran.cpu_millis = now - begun;
            ran.inputs += 1;
            if ran.inputs == WARM {
                held = resident_bytes();
            }
        }
        if ran.inputs > WARM {
            ran.grown_bytes = resident_bytes().saturating_sub(held);
            assert!(ran.grown_bytes < GROWTH_BYTES_MAX, "it came to hold {} bytes more", ran.grown_bytes);
        }
        ran.shapes = u64::try_from(self.codes.len()).unwrap_or(u64::MAX);
        ran
    }

    /// How many methods answered well at least once, and how many there are.
    pub fn answered(&self) -> (usize, usize) {
        (self.codes.keys().filter(|(_, code)| *code == Code::Ok as i32).count(), self.methods.len())
    }

    async fn reload(&self) {
        let mut ask =
            Request::new(LoadShopRequest { shop: Some(script::shop(0)), ..LoadShopRequest::default() });
        self.sign(&mut ask);
        // It may be refused: what was declared meanwhile may stand against it.
        let _ = ShopServiceClient::new(self.channel.clone()).load_shop(ask).await;
    }

    fn sign<T>(&self, ask: &mut Request<T>) {
        let token = format!("Bearer {}", self.token).parse().expect("plain text");
        ask.metadata_mut().insert("authorization", token);
    }

    /// One call with one request, or a few where the call takes a stream.
    async fn one(&mut self) {
        let method = self.methods[self.random.below(self.methods.len())].clone();
        let count = if method.is_client_streaming() { self.random.below(4) } else { 1 };
        let bodies: Vec<Vec<u8>> = (0..count).map(|_| self.body(&method.input())).collect();
        let before = cpu_of_process_millis();
        let code = tokio::time::timeout(CALL, self.call(&method, bodies.clone())).await;
        let millis = cpu_of_process_millis() - before;
        let shown = || {
            let bodies: Vec<String> = bodies.iter().map(|body| body.escape_ascii().to_string()).collect();
            format!("{} with {bodies:?}", method.full_name())
        };
        let code =
            code.unwrap_or_else(|_| panic!("it stands still: {}", shown())).unwrap_or_else(|s| s.code());
        assert_eq!(PANICS.load(Ordering::SeqCst), 0, "it panics: {}", shown());
        assert!(millis < CALL_MILLIS_MAX, "it takes {millis} ms: {}", shown());
        assert!(is_documented(code), "{code:?}: {}", shown());
        *self.codes.entry((method.full_name().to_owned(), code as i32)).or_default() += 1;
    }

    async fn call(&self, method: &MethodDescriptor, bodies: Vec<Vec<u8>>) -> Result<Code, Status> {
        let mut grpc = Grpc::new(self.channel.clone());
        grpc.ready().await.map_err(|error| Status::unavailable(error.to_string()))?;
        let path = format!("/{}/{}", method.parent_service().full_name(), method.name());
        let mut ask = Request::new(futures::stream::iter(bodies));
        self.sign(&mut ask);
        let mut answers = grpc.streaming(ask, path.parse().expect("a path"), Raw).await?.into_inner();
        // A watch goes on until its caller leaves.
        let most = if method.name() == "WatchDue" { 1 } else { ANSWERS_MAX };
        for _ in 0..most {
            match answers.next().await {
                Some(answer) => answer.map(drop)?,
                None => break,
            }
        }
        Ok(Code::Ok)
    }

    /// A request's bytes: those of a message filled by chance, half of them bent.
    fn body(&mut self, kind: &MessageDescriptor) -> Vec<u8> {
        let body = self.filled(kind, 0).encode_to_vec();
        match self.random.below(8) {
            0..=3 => body,
            4..=6 => {
                if self.corpus.len() < 500 {
                    self.corpus.push(body.clone());
                }
                bent(&mut self.random, body, &self.corpus)
            }
            _ => (0..self.random.below(64)).map(|_| self.random.draw().to_le_bytes()[0]).collect(),
        }
    }

    fn filled(&mut self, kind: &MessageDescriptor, depth: usize) -> DynamicMessage {
        let mut message = DynamicMessage::new(kind.clone());
        if kind.full_name() == "google.protobuf.Timestamp" {
            let seconds =
                [1_774_958_400, 1_772_323_200, 0, -1, i64::MAX, 253_402_300_800][self.random.below(6)];
            message.set_field_by_name("seconds", Value::I64(seconds));
            let nanos = [0, 0, 0, 999_999_999, -1, i32::MAX][self.random.below(6)];
            message.set_field_by_name("nanos", Value::I32(nanos));
            return message;
        }
        for field in kind.fields() {
            // What identifies a thing is left out seldom, so that a call gets further than to miss it.
            let stays_out = if matches!(field.name(), "site" | "page_token") { 8 } else { 3 };
            let is_out = match field.name() {
                "site" | "page_token" | "request_id" => self.random.below(stays_out) != 0,
                _ => self.random.below(stays_out) == 0,
            };
            if is_out || depth >= DEPTH_MAX {
                continue;
            }
            let value = self.value(&field, depth);
            message.set_field(&field, value);
        }
        message
    }

    fn value(&mut self, field: &FieldDescriptor, depth: usize) -> Value {
        if field.is_map() {
            return Value::Map(
                [(MapKey::String("a".into()), Value::String("b".into()))].into_iter().collect(),
            );
        }
        if field.is_list() {
            return Value::List(
                (0..self.random.below(LIST_MAX)).map(|_| self.single(field, depth)).collect(),
            );
        }
        self.single(field, depth)
    }

    fn single(&mut self, field: &FieldDescriptor, depth: usize) -> Value {
        const WHOLE: [i64; 10] = [0, 1, 2, 3, 5, 8, 13, -1, i64::MAX, i64::MIN];
        let whole = WHOLE[self.random.below(WHOLE.len())];
        // The nearest that each kind of number has.
        let narrow = i32::try_from(whole).unwrap_or(if whole < 0 { i32::MIN } else { i32::MAX });
        match field.kind() {
            Kind::Bool => Value::Bool(self.random.below(2) == 0),
            Kind::Int32 | Kind::Sint32 | Kind::Sfixed32 => Value::I32(narrow),
            Kind::Int64 | Kind::Sint64 | Kind::Sfixed64 => Value::I64(whole),
            Kind::Uint32 | Kind::Fixed32 => Value::U32(narrow.unsigned_abs()),
            Kind::Uint64 | Kind::Fixed64 => Value::U64(whole.unsigned_abs()),
            Kind::Float => Value::F32([0.5, f32::NAN, f32::INFINITY][self.random.below(3)]),
            Kind::Double => Value::F64([0.5, f64::NAN, f64::INFINITY][self.random.below(3)]),
            Kind::Bytes => Value::Bytes(vec![0; self.random.below(40)].into()),
            Kind::Enum(_) => Value::EnumNumber(narrow),
            Kind::Message(kind) => Value::Message(self.filled(&kind, depth + 1)),
            Kind::String => Value::String(self.word(field.name()).to_owned()),
        }
    }

    /// A word that the field may well take, or any.
    fn word(&mut self, field: &str) -> &'static str {
        let likely: &[&str] = match field {
            "machine" | "tag" => &["L-1", "L-2", "L-3"],
            "by" | "done_by" | "entered_by" | "name" => &["Ada Kern"],
            "point" => &["coolant"],
            "task" => &["filter", "bowl", "belt"],
            "item" => &["oil"],
            "source" => &["erp", "cell"],
            "value" | "quantity" | "amount" => &["7.5", "1", "3"],
            "request_id" => &["0b2b3a52-6a0e-4a8c-9a53-000000000001"],
            name if name.ends_with("day") => &["2026-03-31", "2026-04-30"],
            _ => &[],
        };
        if likely.is_empty() || self.random.below(4) == 0 {
            return WORDS[self.random.below(WORDS.len())];
        }
        likely[self.random.below(likely.len())]
    }
}

/// Codes that `docs/api.md` names for calls that reach a service that is well.
fn is_documented(code: Code) -> bool {
    match code {
        Code::Ok
        | Code::InvalidArgument
        | Code::NotFound
        | Code::AlreadyExists
        | Code::PermissionDenied
        | Code::ResourceExhausted
        | Code::FailedPrecondition
        | Code::Aborted
        | Code::OutOfRange => true,
        Code::Cancelled
        | Code::Unknown
        | Code::DeadlineExceeded
        | Code::Unimplemented
        | Code::Internal
        | Code::Unavailable
        | Code::DataLoss
        | Code::Unauthenticated => false,
    }
}
