"""The other side of the benchmark `formulas`: plain numpy and MetPy with units.

    formulas.py FOLDER

reads arrays of float64 from FOLDER (NAME.f64) and then a request a line: `numpy FORMULA
INPUT...` or `metpy FORMULA COUNT INPUT...`. Answers with the processor seconds it took; the result
of numpy stands in FOLDER/result.f64 afterwards.
"""

import sys
import time
import warnings
from pathlib import Path

import metpy.calc as mp
import numpy as np
import pandas
import pvlib
from metpy.units import units

warnings.simplefilter("ignore")
folder = Path(sys.argv[1])


def saturation(t):
    return 6.112 * np.exp(17.62 * t / (243.12 + t))


def enhancement(p):
    return 1.0016 + 3.15e-6 * p - 0.074 / p


def dew_point(t, u):
    x = np.log(u / 100 * saturation(t) / 6.112)
    return np.minimum(243.12 * x / (17.62 - x), t)


def humidity(t, td):
    return np.minimum(100 * saturation(td) / saturation(t), 100.0)


def wet_bulb(t, u, p):
    # Newton for every value until the last has settled.
    f = enhancement(p)
    e = f * u / 100 * saturation(t)
    tw = t.copy()
    for _ in range(80):
        s = f * saturation(tw)
        a = 6.53e-4 * p
        excess = s - a * (1 + 0.000944 * tw) * (t - tw) - e
        slope = s * 17.62 * 243.12 / (243.12 + tw) ** 2 + a * (1 + 0.000944 * (2 * tw - t))
        step = excess / slope
        tw -= step
        if np.abs(step).max() < 1e-9:
            break
    return np.minimum(tw, t)


def virtual_temperature(t, w):
    return (t + 273.15) * (1 + w / 0.62198) / (1 + w) - 273.15


def density(t, e, p):
    w = 0.62198 * e / (p - e)
    return 100 * p / (287.05287 * (virtual_temperature(t, w) + 273.15))


def sea_level(p, t, e, h):
    return p * 10.0 ** (0.0148275 * h / (t + 273.15 + 0.0065 * h / 2 + 0.12 * e))


N = 9.80665 / (287.05287 * 0.0065)


def altimeter_setting(p, h):
    return 1013.25 * ((p / 1013.25) ** (1 / N) + 0.0065 * h / 288.15) ** N


def heat_index(t, r):
    t = t * 1.8 + 32
    average = (0.5 * (t + 61 + (t - 68) * 1.2 + r * 0.094) + t) / 2
    index = (
        -42.379 + 2.04901523 * t + 10.14333127 * r - 0.22475541 * t * r - 6.83783e-3 * t * t
        - 5.481717e-2 * r * r + 1.22874e-3 * t * t * r + 8.5282e-4 * t * r * r - 1.99e-6 * t * t * r * r
    )
    dry = (13 - r) / 4 * np.sqrt(np.maximum((17 - np.abs(t - 95)) / 17, 0))
    index = np.where((r < 13) & (t >= 80) & (t <= 112), index - dry, index)
    index = np.where((r > 85) & (t >= 80) & (t <= 87), index + (r - 85) / 10 * ((87 - t) / 5), index)
    return (np.where(average < 80, average, index) - 32) / 1.8


def wind_chill(t, v):
    power = (v * 3.6) ** 0.16
    return 13.12 + 0.6215 * t - 11.37 * power + 0.3965 * t * power


def apparent(t, u, v):
    return t + 0.33 * u / 100 * 6.105 * np.exp(17.27 * t / (237.7 + t)) - 0.70 * v - 4.0


def east(v, d):
    return -v * np.sin(np.radians(d))


def direction(u, v):
    d = np.degrees(np.arctan2(-u, -v)) % 360
    return np.where(d == 0, 360.0, d)


def zenith(time_, latitude, longitude):
    at = pandas.to_datetime(time_, unit="s", utc=True)
    return pvlib.solarposition.spa_python(
        at, latitude[0], longitude[0], 0, pressure=101325, temperature=15, delta_t=67.0
    )["apparent_zenith"].to_numpy()


PLAIN = {
    "saturation vapour pressure": saturation,
    "dew point": dew_point,
    "relative humidity": humidity,
    "wet bulb": wet_bulb,
    "mixing ratio": lambda e, p: 0.62198 * e / (p - e),
    "virtual temperature": virtual_temperature,
    "air density": density,
    "sea-level pressure": sea_level,
    "altimeter setting": altimeter_setting,
    "heat index": heat_index,
    "wind chill": wind_chill,
    "apparent temperature": apparent,
    "east wind": east,
    "wind direction": direction,
    "zenith of the sun": zenith,
}

C, HPA, PC, MS = units.degC, units.hPa, units.percent, units("m/s")
WITH_UNITS = {
    "saturation vapour pressure": lambda t: mp.saturation_vapor_pressure(t * C),
    "dew point": lambda t, u: mp.dewpoint_from_relative_humidity(t * C, u * PC),
    "relative humidity": lambda t, td: mp.relative_humidity_from_dewpoint(t * C, td * C),
    "wet bulb": lambda t, u, p: mp.wet_bulb_temperature(p * HPA, t * C, mp.dewpoint_from_relative_humidity(t * C, u * PC)),
    "mixing ratio": lambda e, p: mp.mixing_ratio(e * HPA, p * HPA),
    "virtual temperature": lambda t, w: mp.virtual_temperature(t * C, w * units("")),
    "air density": lambda t, e, p: mp.density(p * HPA, t * C, mp.mixing_ratio(e * HPA, p * HPA)),
    "altimeter setting": lambda p, h: mp.altimeter_to_station_pressure(p * HPA, h * units.m),
    "heat index": lambda t, u: mp.heat_index(t * C, u * PC),
    "wind chill": lambda t, v: mp.windchill(t * C, v * MS),
    "apparent temperature": lambda t, u, v: mp.apparent_temperature(t * C, u * PC, v * MS),
    "east wind": lambda v, d: mp.wind_components(v * MS, d * units.deg)[0],
    "wind direction": lambda u, v: mp.wind_direction(u * MS, v * MS),
}

for line in sys.stdin:
    library, formula, count, *names = line.rstrip("\n").split("\t")
    arrays = [np.fromfile(folder / f"{name}.f64")[: int(count)] for name in names]
    table = PLAIN if library == "numpy" else WITH_UNITS
    if formula not in table:
        print("none", flush=True)
        continue
    started = time.process_time()
    result = table[formula](*arrays)
    took = time.process_time() - started
    if library == "numpy":
        np.ascontiguousarray(result, dtype=np.float64).tofile(folder / "result.f64")
    print(took, flush=True)
