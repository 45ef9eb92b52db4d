"""The tables of a month's report, from an exported journal and nothing else: what the client writes is held against this.

Reads one JSON object {export, keys, edges, now, cases} on stdin: the text of an export, twelve months YYYY-MM with the thirteen
instants between which they lie, and now, in microseconds since 1970; and the rows of `fettler backtest --output csv`. Prints an
object of tables, each a list of rows of text and numbers in the order of the report's CSV files. Shops it can follow: those of
`figures.py`.
"""

import datetime
import json
import sys
from fractions import Fraction

import figures
from figures import DAY, Figures, hours_of


class Shop(figures.Shop):
    """The same shop, with what is poured and taken off the shelf."""

    def __init__(self):
        super().__init__()
        self.used, self.names, self.raised = [], {}, {}

    def item_declared(self, number, after, entry):
        super().item_declared(number, after, entry)
        self.names[int(number)] = after

    def order_raised(self, number, after, entry):
        super().order_raised(number, after, entry)
        self.raised[int(number)] = after["due"]

    def order_closed(self, number, after, entry):
        super().order_closed(number, after, entry)
        for used in after["used"]:
            item = self.items.get(used["item"], {})
            unit = used["unit"] or item.get("unit", "")
            self.used.append((used["item"], unit, after["done_at"], 0, Fraction(used["quantity"])))

    def fluid_recorded(self, _, after, __):
        if after["act"] in ("added", "changed"):
            called = [item["name"] for item in self.items.values() if item.get("code") == after["fluid"]]
            self.used.append(((called or [after["fluid"]])[0], "L", after["at"], 1, Fraction(after["amount"], 1000)))

    def stock_issued(self, number, after, entry):
        if "for" not in after["said"]:
            item = self.names[int(number)]
            self.used.append((item["name"], item.get("unit", ""), entry["at"], 2, Fraction(after["said"]["amount"], 1000)))


def month_of(asked, at):
    for key, start, end in zip(asked["keys"], asked["edges"], asked["edges"][1:]):
        if start <= at < end:
            return key
    return None


def used(shop, asked):
    rows = {}
    for item, unit, at, way, amount in shop.used:
        month = month_of(asked, at)
        if month:
            rows.setdefault((item, unit, month), [Fraction(0)] * 3)[way] += amount
    return [[*key, *map(float, ways), float(sum(ways))] for key, ways in sorted(rows.items())]


def compliance(shop, asked):
    rows = []
    for key, start, end in zip(asked["keys"], asked["edges"], asked["edges"][1:]):
        found = Figures(shop, shop.orders, None, (start, end, asked["now"])).found["compliance"]
        rows.append([key, found["numerator"], found["denominator"]])
    return rows


def overdue(shop, asked):
    start, end = asked["edges"][-2:]
    at = min(end, asked["now"])
    of = Figures(shop, shop.orders, None, (start, end, asked["now"]))
    due = {order: due for order, due, *_ in of.planned()}
    rows = []
    for order, _ in of.found["overdue"]["orders"]:
        tag = shop.machines[shop.orders[order]["machine"]]["tag"]
        days = (at - due[order]) / DAY
        age = "up to 7 days" if days <= 7 else "7 to 30 days" if days <= 30 else "over 30 days"
        rows.append([due[order], tag, order, days, age])
    return [row[1:] for row in sorted(rows)]


def run_hours(shop, asked):
    start, end = asked["edges"][-2:]
    until = min(end, asked["now"])
    return sorted([m["tag"], float(hours_of(shop, {number}, start, until))] for number, m in shop.machines.items())


def crossed(shop, order, done_at):
    """The instant at which a count was reached that was closed before it was, from the closing before it; none until now."""
    task, machine = shop.orders[order]["task"], shop.orders[order]["machine"]
    before = [c["done_at"] for o, c in shop.closed.items() if shop.orders[o]["task"] == task and c["done_at"] < done_at]
    since = max(before) if before else figures.days_of(shop.stated[task]["day"]) * DAY
    every = Fraction(shop.tasks[task]["rule"]["clauses"][0]["meter"]["every"])
    day = since // DAY
    while day * DAY <= shop.now:
        if hours_of(shop, {machine}, since, (day + 1) * DAY) >= every:
            return day * DAY
        day += 1
    return None


def due_points(shop, asked):
    parts = [0] * 5
    for order, closing in shop.closed.items():
        due = closing["due_then"]
        if shop.orders[order]["task"] is None:
            due = shop.raised[order]
        elif closing["due_kind_then"] == "expected":
            due = crossed(shop, order, closing["done_at"])
        if due is None or month_of(asked, closing["done_at"]) is None:
            continue
        days = closing["done_at"] // DAY - due // DAY
        parts[0 if days < -7 else 1 if days < 0 else 2 if days == 0 else 3 if days <= 7 else 4] += 1
    return [[of, sum(parts)] for of in parts]


def forecast(asked):
    instant = lambda text: datetime.datetime.fromisoformat(text.replace("Z", "+00:00"))
    groups = {}
    for case in asked["cases"]:
        for group in (case["weeks"], "all"):
            row = groups.setdefault(group, [0, 0, 0, 0])
            row[0] += 1
            if instant(case["p90"]) <= instant(case["data_end"]):
                due = instant(case["due"]) if case["due"] else None
                late = due is None or due > instant(case["p90"])
                row[3 if late else 2 if due < instant(case["p10"]) else 1] += 1
    order = sorted(groups, key=lambda group: (group == "all", int(group) if group != "all" else 0))
    return [[g, groups[g][0], sum(groups[g][1:]), *groups[g][1:]] for g in order]


def main():
    asked = json.load(sys.stdin)
    shop = Shop()
    shop.now = asked["now"]
    for line in asked["export"].splitlines()[1:]:
        shop.take(json.loads(line.split(" ", 1)[1]))
    print(
        json.dumps(
            {
                "compliance": compliance(shop, asked),
                "overdue": overdue(shop, asked),
                "run_hours": run_hours(shop, asked),
                "used": used(shop, asked),
                "due_points": due_points(shop, asked),
                "forecast": forecast(asked),
            }
        )
    )


if __name__ == "__main__":
    main()
