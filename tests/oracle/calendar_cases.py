#!/usr/bin/env python3
"""Prints tests/data/calendar_cases.csv: expected values of the calendar, from zoneinfo and dateutil.

Kinds of case, each with the columns it uses:
  wall   what = zone, given = wall time and edge          expect = the instant in UTC
  after  what = n and unit, given = base and times        expect = the day so many intervals after the base
  night  what = zone, given = date and day start          expect = hours of a 22:00-06:00 shift and its shop day
  day    what = zone, given = instant and day start       expect = the shop day that holds it
  closed what = closed dates, given = due day             expect = the last Monday-to-Friday day before, not closed
"""

from datetime import date, datetime, timedelta, timezone
from zoneinfo import ZoneInfo

from dateutil.relativedelta import relativedelta

ZONES = ["Europe/Berlin", "America/New_York", "Australia/Lord_Howe", "America/Santiago", "Asia/Kolkata"]
CHANGES = {
    "Europe/Berlin": [date(2026, 3, 29), date(2026, 10, 25)],
    "America/New_York": [date(2026, 3, 8), date(2026, 11, 1)],
    "Australia/Lord_Howe": [date(2026, 4, 5), date(2026, 10, 4)],
    "America/Santiago": [date(2026, 4, 5), date(2026, 9, 6)],
    "Asia/Kolkata": [date(2026, 3, 29)],
}


def utc(wall, zone, edge):
    """Gap: the offset before it (fold 0). Ambiguous: the first instant at a start, the second at an end."""
    tz = ZoneInfo(zone)
    first = wall.replace(tzinfo=tz, fold=0)
    second = wall.replace(tzinfo=tz, fold=1)
    gap = first.astimezone(timezone.utc).astimezone(tz).replace(tzinfo=None) != wall
    chosen = first if gap or edge == "start" else second
    return chosen.astimezone(timezone.utc)


def stamp(at):
    return at.strftime("%Y-%m-%dT%H:%M:%SZ")


def shop_day(at, zone, start):
    """The last day that had started; a day starts at its first instant."""
    day = at.astimezone(ZoneInfo(zone)).date() + timedelta(days=1)
    while utc(datetime.combine(day, start), zone, "start") > at:
        day -= timedelta(days=1)
    return day


def rows():
    six, half = datetime(1, 1, 1, 6).time(), datetime(1, 1, 1, 2, 30).time()
    for zone in ZONES:
        for change in CHANGES[zone]:
            for back, hour, minute in [(0, 0, 15), (0, 1, 45), (0, 2, 15), (0, 2, 30), (0, 3, 0), (1, 23, 30)]:
                wall = datetime.combine(change, datetime.min.time()) - timedelta(days=back)
                wall = wall.replace(hour=hour, minute=minute)
                for edge in ["start", "end"]:
                    yield "wall", zone, f"{wall:%Y-%m-%dT%H:%M} {edge}", stamp(utc(wall, zone, edge))
            for start in [six, half]:
                for back in [2, 1, 0]:
                    night = change - timedelta(days=back)
                    begins = utc(datetime.combine(night, datetime(1, 1, 1, 22).time()), zone, "start")
                    ends = utc(datetime.combine(night + timedelta(days=1), six), zone, "end")
                    day = shop_day(begins + (ends - begins) / 2, zone, start)
                    hours = (ends - begins) / timedelta(hours=1)
                    yield "night", zone, f"{night} {start:%H:%M}", f"{hours:g} {day}"
                for quarter in range(0, 28, 3):
                    at = datetime.combine(change, datetime.min.time(), tzinfo=ZoneInfo(zone))
                    at = at.astimezone(timezone.utc) + timedelta(minutes=15 * quarter)
                    yield "day", zone, f"{stamp(at)} {start:%H:%M}", str(shop_day(at, zone, start))
    units = {"day": "days", "week": "weeks", "month": "months", "year": "years"}
    for base in ["2023-12-31", "2024-01-30", "2024-01-31", "2024-02-29", "2025-03-31", "2026-08-31"]:
        for n, unit in [(1, "month"), (3, "month"), (1, "year"), (2, "year"), (6, "week"), (45, "day")]:
            for times in [1, 2, 4, 13]:
                day = date.fromisoformat(base) + relativedelta(**{units[unit]: n * times})
                yield "after", f"{n} {unit}", f"{base} {times}", str(day)
    for closed, due in [
        ("2026-05-01", "2026-05-01"),
        ("2026-04-03 2026-04-06", "2026-04-06"),
        ("2026-12-24 2026-12-25 2026-12-28", "2026-12-28"),
        ("2026-05-01", "2026-05-04"),
        ("2026-01-01 2026-01-02", "2026-01-04"),
    ]:
        day = date.fromisoformat(due)
        while day.weekday() > 4 or str(day) in closed.split():
            day -= timedelta(days=1)
        yield "closed", closed, due, str(day)


print("# Printed by tests/oracle/calendar_cases.py: Python zoneinfo and dateutil.relativedelta.")
print("kind,what,given,expect")
for row in rows():
    print(",".join(row))
