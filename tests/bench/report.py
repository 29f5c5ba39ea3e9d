"""What a plain script would do with the data file of report.rs: doses of
every container with pandas, day summaries of every place, and the containers
compared with statsmodels.

Two processes read half of the time each, some days at a time, so that memory
stays small. It knows one board a place, holes only as steps over 15 minutes,
no calibrations, no filling, no pictures and no page.
"""

import json
import multiprocessing
import sqlite3
import sys

import numpy as np
import pandas as pd

FILE = sys.argv[1]
HOUR = 3_600_000.0
DAY = 86_400_000
BASES = (0.0, 3.0, 5.0)
DAYS_AT_ONCE = 6
ROW = [("at", "i8"), ("series", "i4"), ("value", "i8")]


def names():
    data = sqlite3.connect(f"file:{FILE}?mode=ro", uri=True)
    return data, pd.read_sql("SELECT id, board, quantity FROM series", data)


def half(span):
    """Degree-hours, chill hours, means and extremes, by series and day."""
    data, series = names()
    quantity = dict(zip(series["id"], series["quantity"]))
    tables = []
    for first in range(span[0], span[1], DAYS_AT_ONCE):
        after = min(first + DAYS_AT_ONCE, span[1])
        # One reading beyond the last day closes its last step.
        cursor = data.execute(
            "SELECT at_ms, series, value FROM reading "
            "WHERE at_ms >= ? AND at_ms < ?",
            (first * DAY, after * DAY + 900_000),
        )
        block = np.fromiter(cursor, dtype=ROW)
        order = np.argsort(block["series"], kind="stable")
        block = block[order]
        edges = np.flatnonzero(np.diff(block["series"])) + 1
        for own in np.split(block, edges):
            at, v = own["at"], own["value"] / 1000.0
            end = np.searchsorted(at, after * DAY)
            at, v = at[: end + 1], v[: end + 1]
            if len(at) < 2:
                continue
            hours = np.diff(at) / HOUR
            step = np.where(hours > 0.25, 0.0, hours)
            middle = (v[1:] + v[:-1]) / 2
            day = at[:-1] // DAY - first
            starts = np.flatnonzero(np.diff(day, prepend=-1))
            table = {
                "day": day[starts] + first,
                "covered": np.add.reduceat(step, starts),
                "sum": np.add.reduceat(middle * step, starts),
                "low": np.minimum.reduceat(v[:-1], starts),
                "high": np.maximum.reduceat(v[:-1], starts),
            }
            number = int(own["series"][0])
            if quantity[number] == "temperature":
                for base in BASES:
                    above = np.maximum(v - base, 0.0)
                    mean = (above[1:] + above[:-1]) / 2
                    sums = np.add.reduceat(mean * step, starts)
                    table[f"above_{base:.0f}"] = sums
                inside = (middle >= 0.0) & (middle <= 7.0)
                table["chill"] = np.add.reduceat(step * inside, starts)
            tables.append(pd.DataFrame(table).assign(series=number))
    return pd.concat(tables)


def main():
    data, series = names()
    first, last = data.execute(
        "SELECT min(first_ms), max(newest_ms) FROM series"
    ).fetchone()
    first, last = first // DAY, last // DAY + 1
    middle = (first + last) // 2
    with multiprocessing.Pool(2) as pool:
        halves = pool.map(half, [(first, middle), (middle, last)])
    days = pd.concat(halves).merge(series, left_on="series", right_on="id")

    import statsmodels.api as sm

    counts, places, begun = {}, {}, {}
    for kind, at, body in data.execute("SELECT kind, at_ms, body FROM entry"):
        said = json.loads(body)
        if kind == "container":
            begun[said["container"]] = at
        elif kind == "stay":
            places[said["unit"]] = said["place"]
        elif kind == "check":
            new = said["germinated"]["new"]
            counts[said["unit"]] = counts.get(said["unit"], 0) + new
    rows = []
    for unit, at in begun.items():
        number = places[unit].split("-")[1]
        own = days[
            (days["board"] == f"board-{number}") & (days["day"] >= at // DAY)
        ]
        warm = own[own["quantity"] == "temperature"]
        light = own[own["quantity"] == "light"]
        rows.append({
            "unit": unit,
            "place": number,
            "weeks": unit[1:].split("-")[0],
            "k": counts.get(unit, 0),
            "degree_hours": warm["above_0"].sum(),
            "lux_hours": light["sum"].sum(),
        })
    table = pd.DataFrame(rows)
    table["left"] = 30 - table["k"]
    levels = pd.get_dummies(table[["place", "weeks"]], drop_first=True)
    design = sm.add_constant(levels.astype(float))
    fit = sm.GLM(table[["k", "left"]], design, family=sm.families.Binomial())
    print(days.groupby("quantity")["covered"].sum())
    print(table["degree_hours"].describe())
    print(fit.fit(scale="X2").summary())


if __name__ == "__main__":
    main()
