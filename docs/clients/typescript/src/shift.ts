// One shift: pushes its report, pulls the due list of the machine, and closes the order that stands first.
//
//   node build/src/shift.js --server 127.0.0.1:7133 --token-file admin.token --machine L-03 --report s-0100 \
//     --start 2026-11-16T14:00:00+01:00 --end 2026-11-16T22:00:00+01:00 --hours 6.5 --by "Ada Kern"
//   node build/src/shift.js --web http://127.0.0.1:7134 ...    the same over gRPC-Web
//
// Each step prints a line of JSON. It ends with 0; with 3 where the service said no, and says why; with 4 where it did not answer.
import { randomUUID } from "node:crypto";
import { readFileSync } from "node:fs";
import { parseArgs } from "node:util";
import { timestampFromDate } from "@bufbuild/protobuf/wkt";
import { AsFound, type DueItem } from "../gen/fettler/v1/common_pb.js";
import { DueService } from "../gen/fettler/v1/due_pb.js";
import { OrderService } from "../gen/fettler/v1/order_pb.js";
import { OutcomeSchema, RunHoursService } from "../gen/fettler/v1/run_hours_pb.js";
import { call, Refused, type Wire } from "./caller.js";
import { grpcWire } from "./grpc.js";
import { webWire } from "./web.js";

const text = { type: "string" } as const;
const { values: asked } = parseArgs({
  options: {
    server: { ...text, default: "127.0.0.1:7133" },
    web: text,
    "ca-file": text,
    "request-id": { ...text, default: randomUUID() },
    // Said where whoever did the work was shown the cautions and heeded them.
    "cautions-confirmed": { type: "boolean", default: false },
    "token-file": text,
    machine: text,
    report: text,
    start: text,
    end: text,
    hours: text,
    by: text,
  },
});

function given(name: "token-file" | "machine" | "report" | "start" | "end" | "hours" | "by"): string {
  const value = asked[name];
  if (value) return value;
  console.error(`--${name} is missing`);
  process.exit(2);
}

/** What became of the shift's report. */
async function push(wire: Wire): Promise<void> {
  const instant = (name: "start" | "end") => timestampFromDate(new Date(given(name)));
  const interval = { start: instant("start"), end: instant("end"), amount: given("hours") };
  const answer = await call(wire, RunHoursService.method.pushReport, {
    report: {
      source: "erp",
      reportId: given("report"),
      machine: given("machine"),
      statement: { case: "interval", value: interval },
    },
  });
  const said = answer.acknowledgement;
  tell({ pushed: OutcomeSchema.value[said?.outcome ?? 0].name, why: said?.reason?.text ?? "" });
}

/** The whole due list of the machine, page by page. */
async function due(wire: Wire): Promise<DueItem[]> {
  const items: DueItem[] = [];
  let pageToken = "";
  do {
    const asked = { machine: given("machine"), pageSize: 100, pageToken };
    const page = await call(wire, DueService.method.listDue, asked);
    items.push(...page.items);
    pageToken = page.nextPageToken;
  } while (pageToken);
  tell({ due: items.map((item) => `${item.order} ${item.title}, ${item.when}`) });
  return items;
}

/** Closes an order, once however often it is said. */
async function close(wire: Wire, order: bigint): Promise<void> {
  const answer = await call(wire, OrderService.method.closeOrder, {
    requestId: asked["request-id"],
    order,
    doneBy: given("by"),
    asFound: AsFound.WORN,
    // Only where the cautions were shown to whoever did the work, who heeded them.
    cautionsConfirmed: asked["cautions-confirmed"] ?? false,
  });
  tell({ closed: Number(answer.order?.number), next: Number(answer.next?.order ?? 0) });
}

function tell(line: object): void {
  console.log(JSON.stringify(line));
}

const token = readFileSync(given("token-file"), "utf8").trim();
const wire = asked.web ? webWire(asked.web, token) : grpcWire(asked.server, token, asked["ca-file"]);
try {
  await push(wire);
  const [first] = await due(wire);
  if (first) {
    tell({ heed: first.cautions });
    await close(wire, first.order);
  }
  process.exit(0);
} catch (error) {
  if (!(error instanceof Refused)) throw error;
  console.error(error.explained());
  process.exit(error.isAway ? 4 : 3);
}
