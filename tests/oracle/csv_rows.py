"""Reads a CSV text on standard input with Python's own reader, strictly, and prints its rows as one JSON array of arrays."""

import csv
import io
import json
import sys

text = sys.stdin.buffer.read().decode("utf-8")
print(json.dumps(list(csv.reader(io.StringIO(text, newline=""), strict=True))))
