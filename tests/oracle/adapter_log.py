"""Reckons what a log of SHDR holds, from the standard's description of its lines alone.

Reads the log on standard input. Arguments: the keys whose counters are asked for. Prints one JSON object: how many
lines of which kind there are, and for each key its values in time order, each once, which of them are to be sent
(the first, the last of each hour of UTC, and both sides of each fall), and what a ledger counts that adds rises and
holds what is lower than the last value that counted.
"""

import json
import sys
from datetime import datetime, timezone
from itertools import groupby


def instant(text):
    """Microseconds since 1970; further digits are cut off."""
    whole, _, fraction = text.rstrip("Z").partition(".")
    seconds = datetime.strptime(whole, "%Y-%m-%dT%H:%M:%S").replace(tzinfo=timezone.utc).timestamp()
    return int(seconds) * 1_000_000 + int((fraction + "000000")[:6])


def kept(values):
    """Which of the values in time order are sent, by their places."""
    places = {0} if values else set()
    numbered = list(enumerate(values))
    for _, hour in groupby(numbered, key=lambda pair: pair[1][0] // 3_600_000_000):
        places.add(list(hour)[-1][0])
    for place in range(1, len(values)):
        if values[place][1] < values[place - 1][1]:
            places |= {place - 1, place}
    return sorted(places)


def counted(values):
    """The rises of what counts, and how many values do not."""
    total, held, last = 0, 0, None
    for _, value in values:
        if last is not None and value < last:
            held += 1
            continue
        total += 0 if last is None else value - last
        last = value
    return total, held


def main():
    keys = sys.argv[1:]
    lines = sys.stdin.read().split("\n")[:-1]
    counts = {"lines": len(lines), "timed": 0, "back": 0, "body": 0, "protocol": 0, "values": 0}
    said = {key: [] for key in keys}
    before, mark = None, None
    for line in lines:
        if mark is not None:
            counts["body"] += 1
            mark = None if line == mark else mark
            continue
        fields = line.split("|")
        if line.startswith("*"):
            counts["protocol"] += 1
            continue
        counts["timed"] += 1
        at = instant(fields[0])
        if before is not None and fields[0] < before:
            counts["back"] += 1
        before = fields[0]
        if fields[1].startswith("@"):
            mark = fields[-1] if fields[-1].startswith("--multiline--") else None
            counts["body" if mark else "protocol"] += 1
            continue
        for key, value in zip(fields[1::2], fields[2::2]):
            counts["values"] += key != ""
            if key in said:
                said[key].append((at, int(value)))
    for key, values in said.items():
        once = sorted(set(values))
        sent = [once[place] for place in kept(once)]
        total, held = counted(sent)
        falls = sum(later[1] < earlier[1] for earlier, later in zip(once, once[1:]))
        said[key] = {
            "said": len(values),
            "repeated": len(values) - len(once),
            "falls": falls,
            "sent": sent,
            "counted": total,
            "held": held,
        }
    print(json.dumps({"counts": counts, "keys": said}))


main()
