"""Reads an iCalendar object from standard input with the package icalendar, and prints what it holds as JSON, with the form of its lines."""

import json
import sys

from icalendar import Calendar

raw = sys.stdin.buffer.read()
calendar = Calendar.from_ical(raw)
events = []
for event in calendar.walk("VEVENT"):
    events.append(
        {
            "uid": str(event["UID"]),
            "sequence": int(event["SEQUENCE"]),
            "status": str(event["STATUS"]),
            "day": event.decoded("DTSTART").isoformat(),
            "stamp": event.decoded("DTSTAMP").isoformat(),
            "created": event.decoded("CREATED").isoformat(),
            "summary": str(event["SUMMARY"]),
            "text": str(event["DESCRIPTION"]),
            "where": str(event.get("LOCATION", "")),
            "transparent": str(event["TRANSP"]) == "TRANSPARENT",
            "wrong": [str(error) for error in event.errors],
        }
    )
lines = raw.split(b"\r\n")
print(
    json.dumps(
        {
            "name": str(calendar["NAME"]),
            "product": str(calendar["PRODID"]),
            "version": str(calendar["VERSION"]),
            "refresh": calendar["REFRESH-INTERVAL"].to_ical().decode(),
            "events": events,
            "wrong": [str(error) for error in calendar.errors],
            "longest_line_bytes": max(map(len, lines)),
            "whole_lines": lines[-1] == b"" and not any(b"\n" in line or b"\r" in line for line in lines),
        }
    )
)
