"""Reads an export as a long and as a wide CSV file with pandas and prints what it found,
for the test beside to compare with the log: PATH OF LONG, PATH OF WIDE."""

import json
import sys

import pandas

long = pandas.read_csv(sys.argv[1], keep_default_na=False, na_values={"value": [""]}, parse_dates=["time"], date_format="ISO8601")
assert str(long["time"].dtype).startswith("datetime64[") and long["time"].dt.tz is not None
assert long["value"].dtype == float and long["revision"].dtype == int
keys = ["station", "instrument", "quantity", "statistic", "over", "period"]
rows = [
    [time.strftime("%Y-%m-%dT%H:%M:%S.%f")[:-3], *names, None if pandas.isna(value) else value, unit, flag, revision]
    for time, *names, value, unit, flag, revision in long[
        ["time", *keys, "value", "unit", "flag", "revision"]
    ].itertuples(index=False)
]

wide = pandas.read_csv(sys.argv[2], parse_dates=["time"], date_format="ISO8601", index_col="time")
assert wide.index.tz is not None and wide.index.is_monotonic_increasing and wide.index.is_unique
cells = []
for name in wide.columns:
    if name.endswith(" flag"):
        continue
    series, unit = name.rsplit(" [", 1)
    flags = wide[series + " flag"]
    assert wide[name].dtype == float
    for time, value in wide[name].items():
        if pandas.isna(flags[time]):
            assert pandas.isna(value)
            continue
        text = time.strftime("%Y-%m-%dT%H:%M:%S.%f")[:-3]
        cells.append([text, series, None if pandas.isna(value) else value, unit.rstrip("]"), flags[time]])
json.dump({"rows": rows, "cells": cells}, sys.stdout)
