#!/usr/bin/env python3
"""An independent ledger: which shift reports count, computed from the written rules with exact fractions.

It shares nothing with the Rust code, so that the two can be held against each other. It is written to be checked
against the rules, not to be fast; a year of a few thousand machines takes minutes.

usage: ledger.py FILE.jsonl > RESULT.jsonl

Lines of the file, in the order in which things happened (all times in microseconds since 1970 UTC, all amounts in
kept units: milliseconds, thousandths of a cycle, millilitres):

  {"line": "source", "name": "erp", "rank": 0, "feeds": "working"}            rank and feeds may be null
  {"line": "machine", "number": 1, "names": ["M-1"], "meters": [{"number": 1, "key": "main", "kind": "working",
      "feed": "interval", "max_per_hour": 3600000, "replacements": [{"at": 0, "closing": 0, "opening": 0}]}]}
  {"line": "report", "source": "erp", "report": "a", "revision": 1, "machine": "M-1", "meter": null, ...}
      with "start", "end", "unit", "amount"; or "at", "unit", "value"; or "withdrawn": true
  {"line": "settlement", "source": ..., "report": ..., "revision": ..., "digest": ..., "settlement": "count"}
  {"line": "as_of", "at": 0}

Lines of the result: one for each distinct statement with its state and the word of its reason, in the order of
(source, report, revision, digest), then one for each meter with its total.
"""

import hashlib
import json
import sys
from bisect import bisect_left, insort
from collections import defaultdict
from fractions import Fraction

HOUR = 3_600_000_000
MONTHISH = 31 * 24 * HOUR
LARGEST = 3_600_000_000_000_000
UNITS = {"cycles": "cycles", "litres": "litres"}  # every other kind is counted in hours


def digest_of(report):
    """SHA-256 over the RFC 8785 form of the content: names in order, no spaces, integers only."""
    content = {"machine": report["machine"]}
    if report.get("meter") is not None:
        content["meter"] = report["meter"]
    if report.get("withdrawn"):
        content["withdrawn"] = True
    elif "value" in report:
        content.update(kind="absolute", start=report["at"], unit=report["unit"], value=report["value"])
    else:
        content.update(kind="interval", start=report["start"], end=report["end"], unit=report["unit"],
                       amount=report["amount"])
    text = json.dumps(content, sort_keys=True, separators=(",", ":"), ensure_ascii=False)
    return hashlib.sha256(text.encode()).hexdigest()


class Site:
    def __init__(self, lines):
        self.ranks, self.feeds = {}, {}
        self.machines, self.meters = {}, {}
        self.statements, self.settled = {}, {}
        self.as_of = None
        for line in lines:
            kind = line["line"]
            if kind == "source":
                self.ranks[line["name"]] = line["rank"]
                self.feeds[line["name"]] = line["feeds"]
            elif kind == "machine":
                for name in line["names"]:
                    self.machines[name] = line["meters"]
                for meter in line["meters"]:
                    self.meters[meter["number"]] = meter
            elif kind == "report":
                digest = digest_of(line)
                key = (line["source"], line["report"], line["revision"], digest)
                self.statements.setdefault(key, dict(line, digest=digest, key=key))
            elif kind == "settlement":
                key = (line["source"], line["report"], line["revision"], line["digest"])
                self.settled[key] = line["settlement"]
            elif kind == "as_of":
                self.as_of = line["at"]
            else:
                sys.exit(f"unknown line {kind!r}")
        if self.as_of is None:
            sys.exit("no line says as_of")

    def judge(self):
        self.result = {}
        self.totals = {number: 0 for number in self.meters}
        by_report = defaultdict(list)
        for key, statement in self.statements.items():
            by_report[key[:2]].append(statement)
        spans, readings = defaultdict(list), defaultdict(list)
        for statements in by_report.values():
            standing = self.standing(statements)
            if standing is None:
                continue
            meter, verdict = self.alone(standing)
            if verdict is not None:
                self.result[standing["key"]] = verdict
            elif "value" in standing:
                readings[meter["number"]].append(standing)
            else:
                spans[meter["number"]].append(standing)
        for number, meter in self.meters.items():
            self.judge_spans(meter, spans[number])
            if meter["feed"] == "absolute":
                self.judge_readings(meter, readings[number])

    def standing(self, statements):
        """The highest revision; in it what a manager counts, else the smallest digest not dropped."""
        highest = max(s["revision"] for s in statements)
        rivals = []
        for s in statements:
            if s["revision"] < highest:
                self.result[s["key"]] = ("superseded", None)
            elif self.settled.get(s["key"]) == "drop":
                self.result[s["key"]] = ("dropped", None)
            else:
                rivals.append(s)
        if not rivals:
            return None
        chosen = min(rivals, key=lambda s: (self.settled.get(s["key"]) != "count", s["digest"]))
        for s in rivals:
            if s is not chosen:
                self.result[s["key"]] = ("held", "same_revision")
        if chosen.get("withdrawn"):
            self.result[chosen["key"]] = ("withdrawn", None)
            return None
        return chosen

    def meter_meant(self, s):
        meters = self.machines[s["machine"]]
        if s.get("meter") is not None:
            by_key = [m for m in meters if m["key"] == s["meter"]]
            found = by_key or [m for m in meters if m["kind"] == s["meter"]]
        elif self.feeds.get(s["source"]) is not None:
            found = [m for m in meters if m["kind"] == self.feeds[s["source"]]]
        else:
            found = meters
        return found[0] if len(found) == 1 else None

    def alone(self, s):
        """What can be said of a report without the others: (meter, None) when they must be looked at."""
        if s["machine"] not in self.machines:
            return None, ("held", "unknown_machine")
        meter = self.meter_meant(s)
        if meter is None:
            return None, ("held", "unknown_meter")
        reading = "value" in s
        if s["unit"] != UNITS.get(meter["kind"], "hours") or (not reading and meter["feed"] == "absolute"):
            return meter, ("held", "wrong_kind")
        stated = s["value"] if reading else s["amount"]
        if not reading and not 0 < s["end"] - s["start"] <= MONTHISH or not 0 <= stated <= LARGEST:
            return meter, ("held", "impossible")
        if not reading and not self.counted_by_manager(s):
            if Fraction(meter["max_per_hour"] * (s["end"] - s["start"]), HOUR) + grace(meter) < stated:
                return meter, ("held", "more_than_time")
        if (s["at"] if reading else s["end"]) > self.as_of:
            return meter, ("held", "future")
        if reading and meter["feed"] == "interval":
            return meter, ("check", None)
        return meter, None

    def counted_by_manager(self, s):
        return self.settled.get(s["key"]) == "count"

    def judge_spans(self, meter, spans):
        """In order of settlement, rank, start, end, report id, digest, source: each against those accepted."""

        def turn(s):
            rank = self.ranks.get(s["source"])
            return (not self.counted_by_manager(s), rank is None, rank or 0, s["start"], s["end"],
                    s["report"], s["digest"], s["source"])

        accepted = []  # (start, turn number, statement), by start
        for number, s in enumerate(sorted(spans, key=turn)):
            first = bisect_left(accepted, (s["start"] - MONTHISH,))
            last = bisect_left(accepted, (s["end"],))
            touching = [a[2] for a in accepted[first:last] if a[2]["end"] > s["start"]]
            if not self.counted_by_manager(s):
                if any(other["source"] != s["source"] for other in touching):
                    self.result[s["key"]] = ("held", "conflict")
                    continue
                if touching and not fits(meter, s, touching):
                    self.result[s["key"]] = ("held", "overlap")
                    continue
            insort(accepted, (s["start"], number, s))
            self.result[s["key"]] = ("counted", None)
            self.totals[meter["number"]] += s["amount"]

    def judge_readings(self, meter, readings):
        """In time order, replacements before readings of the same instant."""
        events = [(r["at"], 0, r["closing"], r["opening"]) for r in meter["replacements"]]
        events += [(s["at"], 1, not self.counted_by_manager(s), s["digest"], s["source"], s["report"], s)
                   for s in readings]
        known = None  # (at, shown, whether by a reading)
        for event in sorted(events, key=lambda e: e[:6]):
            at = event[0]
            if event[1] == 0:
                if known:
                    self.totals[meter["number"]] += max(0, event[2] - known[1])
                known = (at, event[3], False)
                continue
            s = event[6]
            if known and not self.counted_by_manager(s):
                why = self.does_not_follow(meter, s, known)
                if why:
                    self.result[s["key"]] = ("held", why)
                    continue
            if known:
                self.totals[meter["number"]] += max(0, s["value"] - known[1])
            known = (at, s["value"], True)
            self.result[s["key"]] = ("counted", None)

    def does_not_follow(self, meter, s, known):
        if known[2] and known[0] == s["at"] and known[1] != s["value"]:
            return "conflict"
        if s["value"] < known[1]:
            return "fell"
        most = Fraction(meter["max_per_hour"] * (s["at"] - known[0]), HOUR) + grace(meter)
        return "more_than_time" if s["value"] - known[1] > most else None


def grace(meter):
    """What accumulates in a minute, in whole kept units."""
    return meter["max_per_hour"] // 60


def fits(meter, s, touching):
    """Whether in every stretch of s the rates, each lessened by its minute, add up to no more than the meter's."""
    most = Fraction(meter["max_per_hour"], HOUR)
    rates = [(t["start"], t["end"], Fraction(max(0, t["amount"] - grace(meter)), t["end"] - t["start"]))
             for t in [s, *touching]]
    stops = {max(s["start"], start) for start, _, _ in rates}
    return all(sum(rate for start, end, rate in rates if start <= stop < end) <= most for stop in stops)


def main():
    with open(sys.argv[1], encoding="utf-8") as file:
        site = Site(json.loads(line) for line in file if line.strip())
    site.judge()
    for key in sorted(site.result):
        state, reason = site.result[key]
        source, report, revision, digest = key
        print(json.dumps({"source": source, "report": report, "revision": revision, "digest": digest,
                          "state": state, "reason": reason}))
    for number in sorted(site.totals):
        print(json.dumps({"meter": number, "total": site.totals[number]}))


if __name__ == "__main__":
    main()
