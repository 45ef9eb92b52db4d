"""Reads the figures of a service with the parser of Prometheus' own client for Python: the text on standard input, one line of JSON for each
sample and each family on standard output. Ends ill where a name or a help text breaks the conventions of
https://prometheus.io/docs/practices/naming/ (base units, the unit last, `_total` on counters alone)."""

import json
import re
import sys

from prometheus_client.parser import text_string_to_metric_families

# Units that are multiples or parts of a base unit.
FOREIGN = {"milliseconds", "ms", "microseconds", "us", "minutes", "hours", "kilobytes", "kb", "mb", "megabytes", "percent"}
MEASURED = {"duration": "seconds", "age": "seconds", "timestamp": "seconds", "size": "bytes", "memory": "bytes", "free": "bytes"}


def faults(family):
    words = family.name.split("_")
    if not re.fullmatch(r"(fettler|process)(_[a-z0-9]+)+", family.name):
        yield "the name is not in small words"
    if FOREIGN & set(words):
        yield "the unit is no base unit"
    if not family.documentation or family.documentation.endswith(".."):
        yield "the help is missing or ends twice"
    if family.type not in ("counter", "gauge", "histogram", "info"):
        yield f"the type is {family.type}"
    if "total" in words:
        yield "_total stands within the name"
    for word, unit in MEASURED.items():
        if word in words and words[-1] != unit:
            yield f"what is a {word} is told in {unit}"
    for sample in family.samples:
        if family.type == "counter" and not sample.name.endswith("_total"):
            yield f"{sample.name} is a counter without _total"
        for label in sample.labels:
            if not re.fullmatch(r"[a-z_]+", label):
                yield f"the label {label} is not in small words"


wrong = []
for family in text_string_to_metric_families(sys.stdin.read()):
    wrong += [f"{family.name}: {fault}" for fault in faults(family)]
    print(json.dumps({"family": family.name, "type": family.type, "help": family.documentation}))
    for sample in family.samples:
        print(json.dumps({"sample": sample.name, "labels": sample.labels, "value": sample.value}))
sys.exit("\n".join(wrong) or 0)
