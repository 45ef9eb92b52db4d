// gRPC itself, for programs that run on Node: @grpc/grpc-js carries the messages that protoc-gen-es has made.
import { readFileSync } from "node:fs";
import * as grpc from "@grpc/grpc-js";
import { create, fromBinary, toBinary } from "@bufbuild/protobuf";
import { StatusSchema } from "../gen/google/rpc/status_pb.js";
import { DEADLINE_MS, Refused, type Wire } from "./caller.js";

/** A service at HOST:PORT; encrypted where the file of its authority is named. */
export function grpcWire(server: string, token: string, caFile?: string): Wire {
  const trusted = caFile ? grpc.credentials.createSsl(readFileSync(caFile)) : grpc.credentials.createInsecure();
  // The library would wait longer and longer on its own before it tries to connect again.
  const client = new grpc.Client(server, trusted, {
    "grpc.initial_reconnect_backoff_ms": 200,
    "grpc.max_reconnect_backoff_ms": 2000,
  });
  const metadata = new grpc.Metadata();
  metadata.set("authorization", `Bearer ${token}`);
  return {
    unary: (method, message) =>
      new Promise((answered, refused) => {
        client.makeUnaryRequest(
          `/${method.parent.typeName}/${method.name}`,
          (asked) => Buffer.from(toBinary(method.input, asked)),
          (bytes) => fromBinary(method.output, bytes),
          create(method.input, message),
          metadata,
          { deadline: Date.now() + DEADLINE_MS },
          (error, answer) => (error ? refused(refusal(error)) : answered(answer!)),
        );
      }),
  };
}

function refusal(error: grpc.ServiceError): Refused {
  const [bytes] = error.metadata?.get("grpc-status-details-bin") ?? [];
  const details = Buffer.isBuffer(bytes) ? fromBinary(StatusSchema, bytes).details : [];
  return new Refused(error.code, error.details, details);
}
