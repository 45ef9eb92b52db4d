// Makes calls with the gRPC library of Node and with Connect's over gRPC-Web; the messages are protobuf-es'. Standard input and output are
// those of calls_grpc.py, but the first line is {"server", "web", "token", "descriptors": [files]}; one of "server" and "web".
import { readFileSync } from "node:fs";
import { createInterface } from "node:readline/promises";
import { createRequire } from "node:module";
import { pathToFileURL } from "node:url";

// The libraries lie where the tests keep their tools.
const require = createRequire(`${process.env.FETTLER_NODE_MODULES}/`);
const load = (name) => import(pathToFileURL(require.resolve(name)).href);
const { createFileRegistry, create, fromBinary, fromJson, toBinary, toJson } = await load("@bufbuild/protobuf");
const { FileDescriptorSetSchema } = await load("@bufbuild/protobuf/wkt");

const SECONDS = 60;

function described(files) {
  const sets = files.map((file) => fromBinary(FileDescriptorSetSchema, readFileSync(file)).file);
  const seen = new Map(sets.flat().map((file) => [file.name, file]));
  return createFileRegistry(create(FileDescriptorSetSchema, { file: [...seen.values()] }));
}

function told(registry, bytes) {
  const kind = registry.getMessage("google.rpc.Status");
  return bytes ? (toJson(kind, fromBinary(kind, bytes), { registry }).details ?? []) : [];
}

async function overGrpc(begin, registry) {
  const grpc = (await load("@grpc/grpc-js")).default;
  const client = new grpc.Client(begin.server, grpc.credentials.createInsecure());
  const metadata = new grpc.Metadata();
  metadata.set("authorization", `Bearer ${begin.token}`);
  const refused = (error) => {
    const [bytes] = error.metadata?.get("grpc-status-details-bin") ?? [];
    return { code: error.code, message: error.details, details: told(registry, bytes) };
  };
  const words = (method) => [
    `/${method.parent.typeName}/${method.name}`,
    (message) => Buffer.from(toBinary(method.input, message)),
    (bytes) => fromBinary(method.output, bytes),
  ];
  const deadline = () => ({ deadline: Date.now() + SECONDS * 1000 });
  const unary = (method, ask) =>
    new Promise((go) => {
      client.makeUnaryRequest(...words(method), ask, metadata, deadline(), (error, got) =>
        go(error ? refused(error) : { code: 0, answer: toJson(method.output, got, { registry }) }),
      );
    });
  const stream = async (method, asks, first) => {
    const both = method.methodKind === "bidi_streaming";
    const made = both
      ? client.makeBidiStreamRequest(...words(method), metadata, deadline())
      : client.makeServerStreamRequest(...words(method), asks[0], metadata, deadline());
    if (both) {
      for (const ask of asks) made.write(ask);
      made.end();
    }
    const answers = [];
    try {
      for await (const got of made) {
        answers.push(toJson(method.output, got, { registry }));
        if (answers.length === first) {
          // What comes of leaving is told as an error, of which nobody asks.
          made.on("error", () => {});
          made.cancel();
          break;
        }
      }
      return { code: 0, answers };
    } catch (error) {
      return { ...refused(error), answers };
    }
  };
  return { unary, stream };
}

async function overWeb(begin, registry) {
  const { ConnectError } = await load("@connectrpc/connect");
  const { createGrpcWebTransport } = await load("@connectrpc/connect-web");
  const transport = createGrpcWebTransport({ baseUrl: begin.web });
  const header = { authorization: `Bearer ${begin.token}` };
  const refused = (caught) => {
    const error = ConnectError.from(caught);
    const details = error.details.map(({ type, value }) => {
      const kind = registry.getMessage(type);
      return { "@type": `type.googleapis.com/${type}`, ...toJson(kind, fromBinary(kind, value), { registry }) };
    });
    return { code: error.code, message: error.rawMessage, details };
  };
  const unary = async (method, ask) => {
    try {
      const got = await transport.unary(method, undefined, SECONDS * 1000, header, ask);
      return { code: 0, answer: toJson(method.output, got.message, { registry }) };
    } catch (caught) {
      return refused(caught);
    }
  };
  const stream = async (method, asks, first) => {
    const leaving = new AbortController();
    const answers = [];
    async function* each() {
      yield* asks;
    }
    try {
      const got = await transport.stream(method, leaving.signal, SECONDS * 1000, header, each());
      for await (const message of got.message) {
        answers.push(toJson(method.output, message, { registry }));
        if (answers.length === first) break;
      }
      leaving.abort();
      return { code: 0, answers };
    } catch (caught) {
      return { ...refused(caught), answers };
    }
  };
  return { unary, stream };
}

let call;
let registry;
for await (const line of createInterface({ input: process.stdin })) {
  const ask = JSON.parse(line);
  if (!call) {
    registry = described(ask.descriptors);
    call = await (ask.web ? overWeb(ask, registry) : overGrpc(ask, registry));
    continue;
  }
  const [service, name] = ask.call.split("/");
  const method = registry.getService(`fettler.v1.${service}`).methods.find((one) => one.name === name);
  const read = (json) => fromJson(method.input, json, { registry });
  const answer = ask.asks
    ? await call.stream(method, ask.asks.map(read), ask.first)
    : await call.unary(method, read(ask.ask));
  console.log(JSON.stringify(answer));
}
process.exit(0);
