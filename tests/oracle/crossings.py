#!/usr/bin/env python3
"""What is due in the year of real duty, computed from the file alone, by the written rules and in whole numbers.

It shares nothing with the Rust code, so that the two can be held against each other. The six rules are those of
`rules()` in tests/src/year.rs.

usage: crossings.py FILE.csv.gz < ASK.json > RESULT.jsonl

The question: {"known_to": MICROS, "as_of": MICROS, "zone": "America/New_York", "day_starts_at": "06:00",
"last_done": "2012-12-31", "closings": [{"machine": ..., "task": ..., "done_at": MICROS}, ...]}. Reports that end after
known_to are left out.

The answer: a line for each machine with its total in milliseconds, and a line for each machine and task with the
instant at which it is due in microseconds, and how that is known: "crossed" or "calendar", or "later" when the hours
that are known do not decide it.
"""

import csv
import gzip
import json
import sys
from calendar import monthrange
from collections import defaultdict
from datetime import date, datetime, time, timedelta
from decimal import Decimal
from zoneinfo import ZoneInfo

HOUR_MS = 3_600_000
EPOCH = datetime.fromisoformat("1970-01-01T00:00:00+00:00")
MICROSECOND = timedelta(microseconds=1)

# The task's key, and its clauses: hours of the meter, ("days", n) or ("months", n); and how they combine.
RULES = {
    "filter": ([250], min),
    "lube": ([100], min),
    "look": ([("days", 30)], min),
    "grease": ([50, ("days", 90)], min),
    "belt": ([150, ("months", 4)], max),
}
GRID_TASK, GRID_HOURS = "overhaul", 500


def micros(instant):
    return (instant - EPOCH) // MICROSECOND


def read(path, known_to):
    """The reports by machine: (start, end, amount in milliseconds), in order of start."""
    reports = defaultdict(list)
    with gzip.open(path, "rt", encoding="utf-8", newline="") as file:
        for row in csv.DictReader(file):
            start, end = (micros(datetime.fromisoformat(row[c].replace("Z", "+00:00"))) for c in ("start", "end"))
            amount = Decimal(row["run_hours"]) * HOUR_MS
            assert amount == int(amount)
            # Every machine is known, its reports only up to the instant.
            machine = reports[row["machine_id"]]
            if end <= known_to:
                machine.append((start, end, int(amount)))
    for machine in reports.values():
        machine.sort()
    return dict(sorted(reports.items()))


def counted(reports, at):
    """H: the sum of floor(amount x elapsed / length)."""
    total = 0
    for start, end, amount in reports:
        if at >= end:
            total += amount
        elif at > start:
            total += amount * (at - start) // (end - start)
    return total


def crossing(reports, threshold):
    """The first microsecond at which H reaches the threshold. The reports of this file never overlap."""
    before = 0
    for start, end, amount in reports:
        if before + amount >= threshold:
            missing = threshold - before
            return start if missing <= 0 else start - (-missing * (end - start) // amount)
        before += amount
    return None


class Site:
    def __init__(self, ask):
        self.zone = ZoneInfo(ask["zone"])
        self.day_starts_at = time.fromisoformat(ask["day_starts_at"])
        self.as_of = ask["as_of"]

    def shop_day(self, at):
        local = (EPOCH + at * MICROSECOND).astimezone(self.zone)
        return local.date() - timedelta(days=1 if local.time() < self.day_starts_at else 0)

    def start_of(self, day):
        return micros(datetime.combine(day, self.day_starts_at, self.zone))

    def calendar(self, base, unit, n):
        if unit == "days":
            return self.start_of(base + timedelta(days=n))
        month = base.month - 1 + n
        year, month = base.year + month // 12, month % 12 + 1
        return self.start_of(date(year, month, min(base.day, monthrange(year, month)[1])))


def due_from_last(site, reports, clauses, combine, base_day, base_count):
    known = []
    for clause in clauses:
        if isinstance(clause, tuple):
            known.append((site.calendar(base_day, *clause), "calendar"))
        else:
            at = crossing(reports, base_count + clause * HOUR_MS)
            known.append((at, "crossed" if at is not None else "later"))
    decided = [k for k in known if k[0] is not None]
    open_ended = len(decided) < len(known)
    if combine is max:
        return (None, "later") if open_ended else max(decided)
    if not decided or open_ended and min(decided)[0] > site.as_of:
        return (None, "later")
    # Of two at one instant the calendar's stands first, as its word does in the alphabet.
    return min(decided)


def due_on_grid(reports, closings):
    every, satisfied = GRID_HOURS * HOUR_MS, 0
    for done_at in closings:
        # The newest due point whose window, a tenth of the interval wide, was open.
        satisfied = max(satisfied, (10 * counted(reports, done_at) + every) // (10 * every))
    at = crossing(reports, (satisfied + 1) * every)
    return (at, "crossed") if at is not None else (None, "later")


def main():
    ask = json.load(sys.stdin)
    site = Site(ask)
    closings = defaultdict(list)
    for closing in ask["closings"]:
        closings[closing["machine"], closing["task"]].append(closing["done_at"])
    stated = date.fromisoformat(ask["last_done"])
    for machine, reports in read(sys.argv[1], ask["known_to"]).items():
        print(json.dumps({"machine": machine, "total_ms": sum(amount for _, _, amount in reports)}))
        for task, (clauses, combine) in RULES.items():
            done = max(closings[machine, task], default=None)
            base = (stated, 0) if done is None else (site.shop_day(done), counted(reports, done))
            due, how = due_from_last(site, reports, clauses, combine, *base)
            print(json.dumps({"machine": machine, "task": task, "due": due, "how": how}))
        due, how = due_on_grid(reports, closings[machine, GRID_TASK])
        print(json.dumps({"machine": machine, "task": GRID_TASK, "due": due, "how": how}))


if __name__ == "__main__":
    main()
