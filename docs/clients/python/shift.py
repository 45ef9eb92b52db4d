"""One shift over gRPC: pushes its report, pulls the due list of the machine, and closes the order that stands first.

    python -m grpc_tools.protoc -I ../../../proto --python_out=. --grpc_python_out=. ../../../proto/fettler/v1/*.proto
    python shift.py --server 127.0.0.1:7133 --token-file admin.token --machine L-03 --report s-0100 \
        --start 2026-11-16T14:00:00+01:00 --end 2026-11-16T22:00:00+01:00 --hours 6.5 --by "Ada Kern"

Each step prints a line of JSON. It ends with 0; with 3 where the service said no, and says why; with 4 where it did not answer.
"""

import argparse
import json
import random
import sys
import time
import uuid
from datetime import datetime

import grpc
from google.protobuf.timestamp_pb2 import Timestamp
from google.rpc import error_details_pb2
from grpc_status import rpc_status

from fettler.v1 import common_pb2, due_pb2, due_pb2_grpc, order_pb2, order_pb2_grpc, run_hours_pb2, run_hours_pb2_grpc

# How long one call may take, in seconds.
DEADLINE_S = 10
# How long a call is made again and again, in seconds.
PATIENCE_S = 60
# The first wait between two calls and the longest, in seconds.
WAITS_S = (0.2, 5)
# What says nothing about whether the call was taken. Asking again is safe: a report is known by its source and id, a change by its request id.
AGAIN = (grpc.StatusCode.UNAVAILABLE, grpc.StatusCode.DEADLINE_EXCEEDED)


class Caller:
    """Makes calls with a token, a deadline and patience."""

    def __init__(self, channel, token):
        self.channel = channel
        self.metadata = (("authorization", f"Bearer {token}"),)

    def call(self, method, message):
        """The answer; the message goes out again as it is, so with the same request id, until there is one."""
        wait, longest = WAITS_S
        until = time.monotonic() + PATIENCE_S
        while True:
            try:
                return method(message, timeout=DEADLINE_S, metadata=self.metadata)
            except grpc.RpcError as error:
                if error.code() not in AGAIN or time.monotonic() + wait > until:
                    raise
                print(f"no answer ({error.code().name}); trying again", file=sys.stderr, flush=True)
            # Not all at once after an outage.
            time.sleep(random.uniform(wait / 2, wait))
            wait = min(wait * 2, longest)


def instant(text):
    """An instant of RFC 3339 as a message."""
    stamp = Timestamp()
    stamp.FromDatetime(datetime.fromisoformat(text))
    return stamp


def push(caller, asked):
    """What became of the shift's report."""
    interval = run_hours_pb2.IntervalStatement(start=instant(asked.start), end=instant(asked.end), amount=asked.hours)
    report = run_hours_pb2.ShiftReport(source="erp", report_id=asked.report, machine=asked.machine, interval=interval)
    method = run_hours_pb2_grpc.RunHoursServiceStub(caller.channel).PushReport
    answer = caller.call(method, run_hours_pb2.PushReportRequest(report=report))
    return answer.acknowledgement


def due(caller, machine):
    """The whole due list of a machine, page by page."""
    method = due_pb2_grpc.DueServiceStub(caller.channel).ListDue
    request = due_pb2.ListDueRequest(machine=machine, page_size=100)
    while True:
        page = caller.call(method, request)
        yield from page.items
        if not page.next_page_token:
            return
        request.page_token = page.next_page_token


def close(caller, order, asked):
    """Closes an order, once however often it is said."""
    method = order_pb2_grpc.OrderServiceStub(caller.channel).CloseOrder
    request = order_pb2.CloseOrderRequest(
        request_id=asked.request_id,
        order=order,
        done_by=asked.by,
        as_found=common_pb2.AS_FOUND_WORN,
        # Only where the cautions were shown to whoever did the work, who heeded them.
        cautions_confirmed=asked.cautions_confirmed,
    )
    return caller.call(method, request)


def explain(error):
    """A refusal in words: the code, the reason, and the fields that are wrong (google.rpc.Status)."""
    print(f"{error.code().name}: {error.details()}", file=sys.stderr)
    status = rpc_status.from_call(error)
    info, bad = error_details_pb2.ErrorInfo(), error_details_pb2.BadRequest()
    for detail in status.details if status else ():
        if detail.Unpack(info):
            print(f"reason: {info.reason}", file=sys.stderr)
        if detail.Unpack(bad):
            for field in bad.field_violations:
                print(f"  {field.field}: {field.description}", file=sys.stderr)


def arguments():
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--server", default="127.0.0.1:7133", help="HOST:PORT of the gRPC port")
    parser.add_argument("--ca-file", help="the authority of an encrypted service's certificate, PEM")
    parser.add_argument("--request-id", default=str(uuid.uuid4()), help="of the closing; the same again has no second effect")
    heeded = "whoever did the work was shown the cautions and heeded them"
    parser.add_argument("--cautions-confirmed", action="store_true", help=heeded)
    for name in ("token-file", "machine", "report", "start", "end", "hours", "by"):
        parser.add_argument(f"--{name}", required=True)
    return parser.parse_args()


def connect(asked):
    # The library would wait longer and longer on its own before it tries to connect again.
    options = (("grpc.initial_reconnect_backoff_ms", 200), ("grpc.max_reconnect_backoff_ms", 2000))
    if not asked.ca_file:
        return grpc.insecure_channel(asked.server, options)
    with open(asked.ca_file, "rb") as file:
        return grpc.secure_channel(asked.server, grpc.ssl_channel_credentials(file.read()), options)


def tell(**line):
    print(json.dumps(line), flush=True)


def main():
    asked = arguments()
    with open(asked.token_file, encoding="utf-8") as file:
        token = file.read().strip()
    with connect(asked) as channel:
        caller = Caller(channel, token)
        try:
            pushed = push(caller, asked)
            tell(pushed=run_hours_pb2.Outcome.Name(pushed.outcome), why=pushed.reason.text)
            items = list(due(caller, asked.machine))
            tell(due=[f"{item.order} {item.title}, {item.when}" for item in items])
            if items:
                tell(heed=list(items[0].cautions))
                closed = close(caller, items[0].order, asked)
                tell(closed=closed.order.number, next=closed.next.order)
        except grpc.RpcError as error:
            explain(error)
            return 4 if error.code() in AGAIN else 3
    return 0


if __name__ == "__main__":
    sys.exit(main())
