// gRPC-Web, for pages in a browser that are served from the service's own origin, and for programs behind what speaks HTTP/1.1 only.
import { ConnectError } from "@connectrpc/connect";
import { createGrpcWebTransport } from "@connectrpc/connect-web";
import { anyPack } from "@bufbuild/protobuf/wkt";
import { BadRequestSchema, ErrorInfoSchema } from "../gen/google/rpc/error_details_pb.js";
import { DEADLINE_MS, Refused, type Wire } from "./caller.js";

/** A service at the address of its HTTP port. */
export function webWire(baseUrl: string, token: string): Wire {
  const transport = createGrpcWebTransport({ baseUrl });
  const header = { authorization: `Bearer ${token}` };
  return {
    async unary(method, message) {
      try {
        return (await transport.unary(method, undefined, DEADLINE_MS, header, message)).message;
      } catch (error) {
        throw refusal(ConnectError.from(error));
      }
    },
  };
}

function refusal(error: ConnectError): Refused {
  const details = [
    ...error.findDetails(ErrorInfoSchema).map((info) => anyPack(ErrorInfoSchema, info)),
    ...error.findDetails(BadRequestSchema).map((bad) => anyPack(BadRequestSchema, bad)),
  ];
  // Codes of Connect are those of gRPC; what never reached the service has the code UNKNOWN or UNAVAILABLE.
  const isOnTheWay = error.code === 2 && error.cause instanceof TypeError;
  return new Refused(isOnTheWay ? 14 : error.code, error.rawMessage, details);
}
