#!/usr/bin/env python3
"""A year of reports as shops really send them, invented from a seed: the same seed gives the same bytes.

Per-job reports that overlap, two sources for one meter, corrections early and late, moves to another machine,
withdrawals, machines declared late, counters read by hand with replacements and slips, reports of time that has
not passed, repeats, and rows that can never count. A few statements are settled by a manager.

usage: second_year.py --seed N --machines M [--days D] > FILE.jsonl

The lines are those that ledger.py describes, in the order in which they would reach a service. The reports of a
machine that is declared late come before its declaration.
"""

import argparse
import json
import random

from ledger import digest_of

MINUTE = 60_000_000
HOUR = 60 * MINUTE
DAY = 24 * HOUR
FIRST_DAY = 1_767_225_600_000_000  # 2026-01-01T00:00:00Z
HOUR_MS = 3_600_000


def machine_name(number):
    return f"M-{number:04}"


class Shop:
    def __init__(self, seed, machines, days):
        self.random = random.Random(seed)
        self.days = days
        self.as_of = FIRST_DAY + (days - 1) * DAY
        self.machines = [self.machine(number) for number in range(1, machines + 1)]
        self.arrivals = []  # (when it reaches the service, number, line)
        self.next_report = 0

    def chance(self, of):
        return self.random.random() < of

    def machine(self, number):
        meters = [self.meter(number * 10, "main", "working", "interval", HOUR_MS)]
        if self.chance(0.4):
            meters.append(self.meter(number * 10 + 1, "counter", "powered", "absolute", HOUR_MS))
        if self.chance(0.2):
            meters.append(self.meter(number * 10 + 2, "strokes", "cycles", "interval", 600_000))
        return {"line": "machine", "number": number, "names": [machine_name(number), f"4711-{number}"],
                "meters": meters}

    def meter(self, number, key, kind, feed, most):
        return {"number": number, "key": key, "kind": kind, "feed": feed, "max_per_hour": most,
                "replacements": []}

    def say(self, when, source, machine, meter=None, report=None, revision=1, **what):
        """A report that reaches the service some time after `when`, sometimes twice."""
        if report is None:
            self.next_report += 1
            report = f"{self.next_report:07}"
        line = {"line": "report", "source": source, "report": report, "revision": revision,
                "machine": machine, "meter": meter, **what}
        late = self.random.choice([5 * MINUTE, HOUR, 9 * HOUR, 4 * DAY, 40 * DAY])
        for _ in range(2 if self.chance(0.04) else 1):
            self.arrivals.append((when + self.random.randrange(late), len(self.arrivals), line))
        if self.chance(0.01):
            settled = {"line": "settlement", "source": source, "report": report, "revision": revision,
                       "digest": digest_of(line), "settlement": self.random.choice(["count", "drop"])}
            self.arrivals.append((when + 60 * DAY, len(self.arrivals), settled))
        return line

    def story(self):
        for machine in self.machines:
            per_job = self.chance(0.35)
            for day in range(self.days + 1):
                for shift in range(2):
                    if not self.chance(0.12):
                        self.shift(machine, FIRST_DAY + day * DAY + (5 + 8 * shift) * HOUR, per_job)
            for meter in machine["meters"]:
                if meter["feed"] == "absolute":
                    self.counter(machine, meter)
                if meter["kind"] == "cycles":
                    self.strokes(machine)
        for _ in range(len(self.machines) * 2):
            self.nonsense()
        return self.lines()

    def shift(self, machine, start, per_job):
        name = self.random.choice(machine["names"])
        if per_job:
            said = self.jobs(name, start)
        else:
            length = self.random.choice([8 * HOUR, 8 * HOUR, 7 * HOUR + 30 * MINUTE])
            share = self.random.choice([0, 350, 612, 777, 930, 1000])
            amount = length // 1000 * share // 1000 + (self.random.randrange(90_000) if share == 1000 else 0)
            said = [self.say(start, "erp", name, start=start, end=start + length, unit="hours", amount=amount)]
        for line in said:
            self.second_thoughts(line, machine)
        if self.chance(0.06):
            # The cell's own computer tells of the same time, or of a stretch beside it.
            begin = start + self.random.choice([0, 30 * MINUTE, 8 * HOUR, 16 * HOUR])
            self.say(begin, "cell", name, "working" if self.chance(0.5) else None, start=begin,
                     end=begin + 2 * HOUR, unit="hours", amount=self.random.randrange(2 * HOUR_MS))

    def jobs(self, name, start):
        """Jobs of one shift that share the machine's time, evenly or not, and sometimes more than there is."""
        count = self.random.randrange(2, 5)
        said = []
        for job in range(count):
            begin = start + self.random.randrange(4) * HOUR
            end = begin + self.random.choice([HOUR, 3 * HOUR, 4 * HOUR, 5 * HOUR + 20 * MINUTE])
            share = self.random.choice([1, 1, 1, 2]) if count < 4 or self.chance(0.2) else 1
            amount = (end - begin) // 1000 * share // count + self.random.choice([0, 0, 60_000, 60_001])
            said.append(self.say(begin, "erp", name, start=begin, end=end, unit="hours", amount=amount))
        return said

    def second_thoughts(self, line, machine):
        at, again = line["end"], {k: line[k] for k in ("start", "end", "unit", "amount")}
        key = {"report": line["report"], "revision": line["revision"] + 1}
        if self.chance(0.04):
            again["amount"] = again["amount"] * self.random.randrange(5, 14) // 10
            self.say(at, "erp", line["machine"], **key, **again)
            if self.chance(0.3):
                key["revision"] += 1
                self.say(at, "erp", line["machine"], **key, **again)
        elif self.chance(0.015):
            self.say(at, "erp", line["machine"], **key, withdrawn=True)
        elif self.chance(0.015):
            other = self.random.choice(self.machines + [machine])
            self.say(at, "erp", other["names"][0], **key, **again)
        elif self.chance(0.01):
            again["amount"] += 1_000
            self.say(at, "erp", line["machine"], report=line["report"], revision=line["revision"], **again)

    def counter(self, machine, meter):
        """Readings by hand every few days; now and then a slip, a new counter, or two people at once."""
        at, shown = FIRST_DAY + 7 * HOUR, self.random.randrange(9_000) * HOUR_MS
        while at < FIRST_DAY + self.days * DAY:
            what = self.random.random()
            value = shown
            if what < 0.04:
                value = shown - self.random.randrange(1, 50) * HOUR_MS
            elif what < 0.08:
                value = shown + self.random.randrange(200, 400) * HOUR_MS
            self.say(at, "walk", machine["names"][0], "counter", at=at, unit="hours", value=value)
            if what > 0.95:
                value += self.random.choice([0, 30_000])
                self.say(at, "walk", machine["names"][0], "counter", at=at, unit="hours", value=value)
            step = self.random.randrange(8, 150) * HOUR
            if self.chance(0.08) and at + step < self.as_of:
                opening = self.random.choice([0, 0, 12 * HOUR_MS])
                recorded = {"at": at + step // 2, "closing": shown + step // 2_000 // 3, "opening": opening}
                meter["replacements"].append(recorded)
                shown = opening + step // 2_000 // 3
            else:
                shown += step // 1_000 * self.random.randrange(90) // 100
            at += step
        if self.chance(0.5):
            self.say(at, "walk", machine["names"][0], "main", at=at - 9 * DAY, unit="hours", value=shown)

    def strokes(self, machine):
        for week in range(self.days // 7):
            start = FIRST_DAY + week * 7 * DAY
            self.say(start, "press", machine["names"][0], "cycles", start=start, end=start + 7 * DAY, unit="cycles",
                     amount=self.random.randrange(100_000_000))

    def nonsense(self):
        name = self.random.choice(self.machines)["names"][0]
        start = FIRST_DAY + self.random.randrange(self.days * 24) * HOUR
        what = {"start": start, "end": start + 4 * HOUR, "unit": "hours", "amount": HOUR_MS}
        which = self.random.randrange(8)
        if which == 0:
            self.say(start, "erp", "M-9999", **what)
        elif which == 1:
            self.say(start, "erp", name, "spindle", **what)
        elif which == 2:
            self.say(start, "erp", name, "main", **dict(what, unit="litres"))
        elif which == 3:
            self.say(start, "erp", name, **dict(what, amount=-1))
        elif which == 4:
            self.say(start, "erp", name, **dict(what, end=start))
        elif which == 5:
            self.say(start, "erp", name, **dict(what, end=start + 31 * DAY + 1))
        elif which == 6:
            self.say(start, "erp", name, **dict(what, amount=10_000 * HOUR_MS))
        else:
            self.say(start, "erp", name, "counter", **what)

    def lines(self):
        yield {"line": "source", "name": "erp", "rank": 0, "feeds": "working"}
        yield {"line": "source", "name": "cell", "rank": 1, "feeds": "working"}
        yield {"line": "source", "name": "walk", "rank": None, "feeds": None}
        arrivals = [line for _, _, line in sorted(self.arrivals, key=lambda a: a[:2])]
        late = [machine for machine in self.machines if machine["number"] % 9 == 4]
        for machine in self.machines:
            if machine not in late:
                yield machine
        yield from arrivals[: len(arrivals) // 2]
        yield from late
        yield from arrivals[len(arrivals) // 2:]
        yield {"line": "as_of", "at": self.as_of}


def main():
    parser = argparse.ArgumentParser(description="Writes an invented year of reports as JSON lines.")
    parser.add_argument("--seed", type=int, required=True)
    parser.add_argument("--machines", type=int, required=True)
    parser.add_argument("--days", type=int, default=365)
    given = parser.parse_args()
    for line in Shop(given.seed, given.machines, given.days).story():
        print(json.dumps(line))


if __name__ == "__main__":
    main()
