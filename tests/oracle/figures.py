"""Figures of care, from an exported journal and nothing else: what the service answers is held against this.

Reads one JSON object {export, from, until, now} on stdin: the text of an export, and the first instant of a period, the first one
after it and now, in microseconds since 1970. Prints {GROUPING: {KEY: {FIGURE: {numerator, denominator, value, orders}}}} for the
groupings whole, machine, family and task. Shops it can follow: UTC, days from midnight, every day worked, rules of one
clause that counts days or a meter from the last closing; reports that all count, none of
whose counts is reached by an open order; nothing undone.
"""

import json
import sys
from fractions import Fraction

DAY = 86_400_000_000
HOUR = 3_600_000_000


class Shop:
    """What the entries tell, one after the other."""

    def __init__(self):
        self.machines, self.tasks, self.meters, self.items = {}, {}, {}, {}
        self.orders, self.closed, self.skipped, self.runs = {}, {}, {}, []
        self.stated, self.first, self.forbidden = {}, {}, []
        self.next_order = 1

    def take(self, entry):
        kind, after, number = entry["kind"], entry["after"], entry["subject"].split("/")[1]
        handler = getattr(self, kind.replace(".", "_"), None)
        if handler:
            handler(number, after, entry)

    def on_record(self, machine, at):
        self.first[machine] = min(at, self.first.get(machine, at))

    def machine_forbidden(self, number, _, entry):
        self.forbidden.append([int(number), entry["at"], None])

    def machine_returned(self, number, _, entry):
        for span in self.forbidden:
            if span[0] == int(number) and span[2] is None:
                span[2] = entry["at"]

    def machine_declared(self, number, after, entry):
        self.on_record(int(number), entry["at"])
        self.machines[int(number)] = {"tag": after["tag"], "family": after.get("family") or ""}

    def meter_declared(self, number, after, _):
        self.meters[int(number)] = {"machine": after["machine"], "kind": after["kind"]}

    def item_declared(self, _, after, __):
        self.items[after["name"]] = after

    def task_declared(self, number, after, entry):
        if int(number) not in self.tasks:
            self.open(self.next_order, int(number), after["machine"], entry["at"])
        self.tasks[int(number)] = after["card"]

    def last_done_stated(self, number, after, _):
        self.stated[int(number)] = after

    def order_raised(self, number, after, entry):
        self.open(int(number), None, after["machine"], entry["at"])

    def open(self, order, task, machine, at):
        self.orders[order] = {"task": task, "machine": machine, "opened": at}
        self.next_order = max(self.next_order, order) + 1

    def order_closed(self, number, after, entry):
        self.closed[int(number)] = after
        self.on_record(self.orders[int(number)]["machine"], after["done_at"])
        if after.get("next"):
            order = self.orders[int(number)]
            self.open(after["next"], order["task"], order["machine"], entry["at"])

    def closing_undone(self, *_):
        raise SystemExit("what was undone is not followed here")

    def order_skipped(self, number, after, entry):
        self.skipped[int(number)] = entry["at"]
        if after.get("next"):
            order = self.orders[int(number)]
            self.open(after["next"], order["task"], order["machine"], entry["at"])

    def report_arrived(self, _, after, __):
        assert after["outcome"] == "accepted" and after["content"]["kind"] == "interval", after
        self.runs.append(after["content"])
        machine = next(n for n, m in self.machines.items() if m["tag"] == after["content"]["machine"])
        self.on_record(machine, after["content"]["start"])


def due_of_open(shop, order):
    """When an open order of a task that counts days is due, and from when on it is late; none where a meter is counted."""
    task = shop.orders[order]["task"]
    clause = shop.tasks[task]["rule"]["clauses"][0].get("calendar")
    done = [c["done_at"] for o, c in shop.closed.items() if shop.orders[o]["task"] == task]
    if not clause:
        every = Fraction(shop.tasks[task]["rule"]["clauses"][0]["meter"]["every"])
        since = max(done) if done else days_of(shop.stated[task]["day"]) * DAY
        run = hours_of(shop, {shop.orders[order]["machine"]}, since, shop.now)
        assert run < every, "a count that was reached is not followed here"
        return None
    assert clause["every"]["unit"] == "day", clause
    base = max(done) // DAY if done else days_of(shop.stated[task]["day"])
    due = (base + clause["every"]["n"]) * DAY
    return due, due + (clause["every"]["n"] * 10 // 100 + 1) * DAY


def days_of(text):
    import datetime

    return (datetime.date.fromisoformat(text) - datetime.date(1970, 1, 1)).days


def floats(value):
    return None if value is None else float(value)


class Figures:
    """The figures of some orders and, where these are all of theirs, of some machines."""

    def __init__(self, shop, orders, machines, period):
        self.shop, self.orders, self.machines = shop, sorted(orders), machines
        self.start, self.until, self.now = period
        self.found = {}
        self.timed()
        self.done()
        self.overdue()
        if machines is not None:
            self.available()

    def inside(self, at):
        return self.start <= at < self.until

    def put(self, name, numerator, denominator, orders, value="ratio"):
        if value == "ratio":
            value = Fraction(numerator) / Fraction(denominator) if denominator else None
        self.found[name] = {
            "numerator": float(numerator),
            "denominator": float(denominator),
            "value": floats(value),
            "orders": sorted(orders),
        }

    def share(self, name, orders):
        counted = [order for order, counts in orders if counts]
        self.put(name, len(counted), len(orders), [list(pair) for pair in orders])

    def planned(self):
        """Orders of tasks with a due point: order, due, late, done, early."""
        for order in self.orders:
            if self.shop.orders[order]["task"] is None or order in self.shop.skipped:
                continue
            closing = self.shop.closed.get(order)
            if closing:
                if closing["due_then"] is None or closing["due_kind_then"] in ("unknown", "expected"):
                    continue
                opens = None if closing["covered_by"] else closing.get("opens_then")
                early = opens is not None and closing["done_at"] < opens
                yield order, closing["due_then"], closing["late_from_then"], closing["done_at"], early
            else:
                due = due_of_open(self.shop, order)
                if due:
                    yield order, due[0], due[1], None, False

    def timed(self):
        compliance, lateness, micros = [], [], 0
        for order, due, late, done, early in self.planned():
            if not self.inside(due):
                continue
            if done is not None:
                in_time = not early and (late is None or done < late)
                compliance.append((order, in_time))
                lateness.append([order, True])
                micros += done - due
            elif late is not None and self.now >= late:
                compliance.append((order, False))
        self.share("compliance", compliance)
        self.put("lateness", Fraction(micros, DAY), len(lateness), lateness)

    def overdue(self):
        at, orders, micros = min(self.until, self.now), [], 0
        for order, due, late, done, _ in self.planned():
            is_open = done is None or done >= at
            if is_open and late is not None and at >= late:
                orders.append([order, True])
                micros += at - due
        self.put("overdue", Fraction(micros, DAY), len(orders), orders)

    def done(self):
        shop = self.shop
        closed = [(o, shop.closed[o]) for o in self.orders if o in shop.closed and self.inside(shop.closed[o]["done_at"])]
        of_task = {o: shop.orders[o]["task"] is not None for o, _ in closed}
        broke = {o for o, c in closed if c["as_found"] == "broke_down"}
        planned = {o: of_task[o] and o not in broke for o, _ in closed}
        self.share("planned_share", [(o, planned[o]) for o, _ in closed])
        self.share("findings_rate", [(o, c["as_found"] != "good") for o, c in closed if of_task[o]])
        timed = [(o, c["minutes"]) for o, c in closed if c["minutes"]]
        total = Fraction(sum(m for _, m in timed), 60)
        part = Fraction(sum(m for o, m in timed if planned[o]), 60)
        self.put("planned_hours", part, total, [[o, planned[o]] for o, _ in timed])
        self.put("work_hours", total, len(timed), [[o, True] for o, _ in timed], total)
        repaired = [(o, m) for o, m in timed if o in broke]
        self.put("repair", Fraction(sum(m for _, m in repaired), 60), len(repaired), [[o, True] for o, _ in repaired])
        back = [(o, c["done_at"] - shop.orders[o]["opened"]) for o, c in closed if o in broke and not of_task[o]]
        back = [(o, micros) for o, micros in back if micros >= 0]
        self.put("restoration", Fraction(sum(m for _, m in back), HOUR), len(back), [[o, True] for o, _ in back])
        if self.machines is not None:
            hours = hours_of(shop, self.machines, self.start, min(self.until, self.now))
            self.put("between_failures", hours, len(broke), [[o, True] for o in sorted(broke)])
        using = [(o, c["used"]) for o, c in closed if c["used"]]
        cost = sum((self.cost(used) for _, said in using for used in said), Fraction(0))
        known = not using or any(self.costs(used) for _, said in using for used in said)
        self.put("consumables_cost", cost, len(using), [[o, True] for o, _ in using], cost if known else None)

    def available(self):
        """What machines did at each instant at which any of it changes, added up. Before its first record nothing is known of a
        machine; one that must not start is in a down state."""
        until, failed, worked = min(self.until, self.now), [], []
        begin = {m: min(until, max(self.start, self.shop.first[m])) for m in self.machines}
        banned = [
            (None, m, max(since, begin[m]), min(until if end is None else end, until))
            for m, since, end in self.shop.forbidden
            if m in self.machines
        ]
        for order in self.orders:
            closing, of = self.shop.closed.get(order), self.shop.orders[order]
            if closing and of["machine"] in self.machines:
                broke, done = closing["as_found"] == "broke_down", closing["done_at"]
                if of["task"] is None and broke:
                    failed.append((order, of["machine"], max(of["opened"], begin[of["machine"]]), min(done, until)))
                if of["task"] is not None and not broke:
                    since = done - closing["minutes"] * HOUR // 60
                    worked.append((order, of["machine"], max(since, begin[of["machine"]]), min(done, until)))

        def stood(spans):
            edges = sorted({edge for _, _, start, end in spans for edge in (start, end)})
            micros = 0
            for one, next in zip(edges, edges[1:]):
                micros += (next - one) * len({m for _, m, start, end in spans if start <= one and next <= end})
            told = [[order, False] for order, _, start, end in spans if start < end and order is not None]
            return Fraction(micros, HOUR), told

        whole = Fraction(sum(until - since for since in begin.values()), HOUR)
        off, orders = stood(failed + banned)
        self.put("availability", whole - off, whole, orders)
        off, orders = stood(failed)
        ran = hours_of(self.shop, self.machines, self.start, until)
        self.put("intrinsic_availability", ran, ran + off, orders)
        off, orders = stood(failed + worked + banned)
        self.put("operational_availability", whole - off, whole, orders)

    def costs(self, used):
        item = self.shop.items.get(used["item"])
        return item and item.get("unit_cost") is not None and used["unit"] in ("", item["unit"])

    def cost(self, used):
        if not self.costs(used):
            return Fraction(0)
        item = self.shop.items[used["item"]]
        return Fraction(used["quantity"]) * Fraction(item["unit_cost"], 1000)


def hours_of(shop, machines, start, until):
    """Hours that machines ran between two instants: of each report the floor of its share by each, in milliseconds."""
    millis = 0
    for report in shop.runs:
        machine = next((n for n, m in shop.machines.items() if m["tag"] == report["machine"]), None)
        if machine not in machines:
            continue
        counted = [counted_by(report, at) for at in (start, until)]
        millis += counted[1] - counted[0]
    return Fraction(millis, 3_600_000)


def counted_by(report, at):
    if at >= report["end"]:
        return report["amount"]
    if at <= report["start"]:
        return 0
    return report["amount"] * (at - report["start"]) // (report["end"] - report["start"])


def main():
    asked = json.load(sys.stdin)
    shop = Shop()
    shop.now = asked["now"]
    for line in asked["export"].splitlines()[1:]:
        shop.take(json.loads(line.split(" ", 1)[1]))
    period = (asked["from"], asked["until"], asked["now"])
    tag = lambda order: shop.machines[shop.orders[order]["machine"]]["tag"]
    family = lambda order: shop.machines[shop.orders[order]["machine"]]["family"]
    task = lambda order: shop.tasks[shop.orders[order]["task"]]["key"] if shop.orders[order]["task"] else ""
    answer = {}
    for name, key, of in [
        ("whole", lambda _: "", lambda _: ""),
        ("machine", tag, lambda machine: machine["tag"]),
        ("family", family, lambda machine: machine["family"]),
        ("task", task, None),
    ]:
        groups = {}
        for order in shop.orders:
            groups.setdefault(key(order), []).append(order)
        answer[name] = {}
        for group, orders in groups.items():
            machines = None
            if of is not None:
                machines = {n for n, machine in shop.machines.items() if of(machine) == group}
            answer[name][group] = Figures(shop, orders, machines, period).found
    print(json.dumps(answer))


if __name__ == "__main__":
    main()
