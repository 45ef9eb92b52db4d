#!/usr/bin/env python3
"""What the calendar and its rules must come to, by Python's zoneinfo and dateutil, for `service/domain/tests/calendar_oracle.rs`.

  calendar_oracle.py version             the edition of the zone data in the package tzdata, which is all that is asked here
  calendar_oracle.py zones SEED COUNT    for every zone, walls and instants around COUNT of its changes of 2000 to 2040
  calendar_oracle.py every SEED COUNT    so many intervals after a day, by dateutil.relativedelta
  calendar_oracle.py rules SEED COUNT    recurrence rules with their days, by dateutil.rrule

The rules of what a wall time means stand in docs/formulas.md, "Shop days and shifts"; a case is one line, fields split by tabs.
"""

import random
import sys
import zoneinfo
from datetime import date, datetime, timedelta, timezone
from itertools import islice

import tzdata
from dateutil.relativedelta import relativedelta
from dateutil.rrule import rrulestr

# Not the data of this machine, which may be of another edition.
zoneinfo.reset_tzpath(to=())

UTC = timezone.utc
FIRST, LAST = datetime(2000, 1, 1, tzinfo=UTC), datetime(2041, 1, 1, tzinfo=UTC)
LAST_DAY = date(2199, 12, 31)
STARTS = ["00:00", "02:30", "06:00", "22:15"]


def put(*fields):
    print("\t".join(str(field) for field in fields))


def stamp(at):
    return at.astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%SZ")


def wall_of(at, zone):
    return at.astimezone(zone).replace(tzinfo=None)


def changes(zone):
    """The instants at which the zone's offset changes: found between two looks, six days apart, by halving."""
    found = []
    offset = lambda at: zone.utcoffset(at.astimezone(zone))
    at = FIRST
    before = offset(at)
    while at < LAST:
        then = at + timedelta(days=6)
        after = offset(then)
        if after != before:
            low, high = at, then
            while high - low > timedelta(seconds=1):
                middle = low + (high - low) // 2
                middle = middle.replace(microsecond=0)
                if middle == low:
                    break
                low, high = (low, middle) if offset(middle) == after else (middle, high)
            found.append(high)
        at, before = then, after
    return found


def utc(wall, zone, edge):
    """Gap: the offset before it (fold 0). Ambiguous: the first instant at a start, the second at an end."""
    first = wall.replace(tzinfo=zone, fold=0)
    gap = wall_of(first.astimezone(UTC), zone) != wall
    return first if gap or edge == "start" else wall.replace(tzinfo=zone, fold=1)


def start_of(day, starts, zone):
    """A shop day's first instant; on a date that the zone leaves out altogether, the end of the gap."""
    wall = datetime.combine(day, starts)
    at = utc(wall, zone, "start").astimezone(UTC)
    if wall_of(at, zone).date() == day:
        return at
    low, high = at - timedelta(days=1), at
    while high - low > timedelta(seconds=1):
        middle = (low + (high - low) / 2).replace(microsecond=0)
        if middle == low:
            break
        low, high = (low, middle) if wall_of(middle, zone) >= wall else (middle, high)
    return high


def shop_day(at, starts, zone):
    """The last day that had started."""
    day = wall_of(at, zone).date() + timedelta(days=2)
    while start_of(day, starts, zone) > at:
        day -= timedelta(days=1)
    return day


def zones(seed, count):
    pick = random.Random(seed)
    for name in sorted(tzdata_zones()):
        zone = zoneinfo.ZoneInfo(name)
        all_changes = changes(zone)
        put("zone", name, len(all_changes))
        some = all_changes if len(all_changes) <= count else pick.sample(all_changes, count)
        for change in some or [datetime(2026, 3, 29, 1, tzinfo=UTC)]:
            around = [wall_of(change - timedelta(seconds=1), zone), wall_of(change, zone)]
            low, high = min(around).replace(second=0), max(around).replace(second=0)
            walls = [low - timedelta(minutes=1), low, high, high + timedelta(minutes=1), low + (high - low) / 2]
            for wall in walls:
                wall = wall.replace(second=0, microsecond=0)
                for edge in ["start", "end"]:
                    put("wall", name, f"{wall:%Y-%m-%dT%H:%M}", edge, stamp(utc(wall, zone, edge)))
            text = pick.choice(STARTS)
            starts = datetime.strptime(text, "%H:%M").time()
            for minutes in [-1500, -1, 0, 1, 59, 1441]:
                at = change + timedelta(minutes=minutes)
                day = shop_day(at, starts, zone)
                put("day", name, text, stamp(at), day, stamp(start_of(day, starts, zone)))


def tzdata_zones():
    """The names in the package, not those that this Python finds elsewhere, without the stand-in for "no zone set"."""
    with open(tzdata.__path__[0] + "/zones", encoding="utf-8") as lines:
        return {line.strip() for line in lines} - {"", "Factory"}


def every(seed, count):
    pick = random.Random(seed)
    units = {"day": 400, "week": 60, "month": 40, "year": 12}
    for _ in range(count):
        unit = pick.choice(list(units))
        base = date(2000, 1, 1) + timedelta(days=pick.randrange(14_975))
        if pick.random() < 0.5:
            base = (base.replace(day=1) + relativedelta(months=1)) - timedelta(days=pick.choice([1, 1, 2, 3]))
        n, times = pick.randint(1, units[unit]), pick.randint(1, 12)
        put("every", n, unit, base, times, base + relativedelta(**{f"{unit}s": n * times}))


NAMES = ["MO", "TU", "WE", "TH", "FR", "SA", "SU"]


def some(pick, values, most):
    return sorted(pick.sample(values, pick.randint(1, most)))


def listed(values):
    return ",".join(str(value) for value in values)


def rule(pick):
    """A rule that gives days: dateutil would look for those of one that gives none up to the year 9999."""
    frequency = pick.choice(["DAILY", "WEEKLY", "MONTHLY", "MONTHLY", "YEARLY", "YEARLY"])
    parts = [f"FREQ={frequency}"]
    if pick.random() < 0.5:
        parts.append(f"INTERVAL={pick.choice([1, 2, 3, 4, 6, 18])}")
    if pick.random() < 0.3:
        parts.append(f"WKST={pick.choice(NAMES)}")
    days = some(pick, NAMES, 5)
    if frequency == "DAILY":
        parts += pick.choice([[], [f"BYMONTH={listed(some(pick, range(1, 13), 4))}"], [f"BYDAY={listed(days)}"]])
    elif frequency == "WEEKLY":
        chosen = [[], [f"BYDAY={listed(days)}"]]
        if len(days) > 1:
            chosen.append([f"BYDAY={listed(days)}", f"BYSETPOS={pick.choice([1, -1, 2, -2])}"])
        parts += pick.choice(chosen)
    elif frequency == "MONTHLY":
        nth = [f"{pick.choice([-4, -3, -2, -1, 1, 2, 3, 4, 5])}{day}" for day in days[:2]]
        parts += pick.choice([
            [],
            [f"BYMONTHDAY={listed(some(pick, [*range(1, 32), *range(-31, 0)], 4))}"],
            [f"BYDAY={listed(nth)}"],
            [f"BYDAY={listed(days)}", f"BYSETPOS={pick.choice([1, 2, 3, 4, -1, -2, -3])}"],
            [f"BYDAY={listed(days[:1])}", f"BYMONTHDAY={listed(range(8, 15))}"],
        ])
    else:
        nth = [f"{pick.choice([-52, -20, -2, -1, 1, 3, 17, 52])}{day}" for day in days[:2]]
        month = pick.randint(1, 12)
        parts += pick.choice([
            [],
            [f"BYMONTH={month}", f"BYMONTHDAY={listed(some(pick, [*range(1, 29), -1, -2], 3))}"],
            [f"BYMONTH={month}", f"BYDAY={pick.choice([-1, 1, 2, 3])}{days[0]}"],
            [f"BYDAY={listed(nth)}"],
            [f"BYWEEKNO={listed(some(pick, [*range(1, 54), *range(-53, 0)], 3))}", f"BYDAY={listed(days)}"],
            [f"BYYEARDAY={listed(some(pick, [*range(1, 367), *range(-366, 0)], 4))}"],
            [f"BYMONTH={month}", f"BYDAY={listed(days)}", f"BYSETPOS={pick.choice([1, 2, -1, -2])}"],
        ])
    return parts


def rules(seed, count):
    pick = random.Random(seed)
    for _ in range(count):
        start = date(1998, 1, 1) + timedelta(days=pick.randrange(15_000))
        parts = rule(pick)
        end = pick.random()
        if end < 0.25:
            parts.append(f"COUNT={pick.randint(1, 40)}")
        elif end < 0.5:
            parts.append(f"UNTIL={start + timedelta(days=pick.randrange(4_000)):%Y%m%d}")
        text = ";".join(parts)
        found = rrulestr(text, dtstart=datetime.combine(start, datetime.min.time()))
        dates = [at.date() for at in islice(found, 40)]
        dates = [day for day in dates if day <= LAST_DAY]
        if not dates or dates[0] > start + relativedelta(years=20):
            continue
        at = start + timedelta(days=pick.randrange(9_000))
        middle = datetime.combine(at, datetime.min.time())
        after, before = found.after(middle, inc=True), found.before(middle)
        shown = [each.date() if each and each.date() <= LAST_DAY else "" for each in (after, before)]
        put("rule", start, text, " ".join(map(str, dates)), at, *shown)


if __name__ == "__main__":
    what, *numbers = sys.argv[1:]
    if what == "version":
        print(tzdata.IANA_VERSION)
    else:
        {"zones": zones, "every": every, "rules": rules}[what](*map(int, numbers))
