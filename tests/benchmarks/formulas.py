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


def stull(t, u):
    return (
        t * np.arctan(0.151977 * np.sqrt(u + 8.313659)) + np.arctan(t + u) - np.arctan(u - 1.676331)
        + 0.00391838 * u**1.5 * np.arctan(0.023101 * u) - 4.686035
    )


def hyland_wexler(t):
    t = t + 273.15
    return np.exp(
        -5.8002206e3 / t + 1.3914993 - 4.8640239e-2 * t + 4.1764768e-5 * t**2 - 1.4452093e-8 * t**3
        + 6.5459673 * np.log(t)
    ) / 100


def ratio_from_wet_bulb(t, tw, p):
    e = hyland_wexler(tw)
    return ((2501 - 2.326 * tw) * 0.621945 * e / (p - e) - 1.006 * (t - tw)) / (2501 + 1.86 * t - 4.186 * tw)


def frost_point(t, u):
    x = np.log(u / 100 * saturation(t) / 6.112)
    return 272.62 * x / (22.46 - x)


LIMITS = np.array([0.3, 1.6, 3.4, 5.5, 8.0, 10.8, 13.9, 17.2, 20.8, 24.5, 28.5, 32.7])


def beaufort(v):
    return np.digitize(np.round(v * 10), np.round(LIMITS * 10))


def groups(d, result):
    # 600 directions each; the rest is a group of its own.
    out = np.zeros(len(d))
    whole = len(d) // 600 * 600
    r = np.radians(d)
    s, c = np.sin(r), np.cos(r)
    for part in (slice(0, whole), slice(whole, None)):
        width = 600 if part.start == 0 else len(d) - whole
        if width:
            out[part][::width] = result(s[part].reshape(-1, width).mean(1), c[part].reshape(-1, width).mean(1))
    return out


def yamartino(s, c):
    e = np.sqrt(np.maximum(1 - s * s - c * c, 0))
    return np.degrees(np.arcsin(e) * (1 + (2 / np.sqrt(3) - 1) * e**3))


def mean_direction(s, c):
    mean = np.degrees(np.arctan2(s, c)) % 360
    return np.where(np.hypot(s, c) < 0.01, np.nan, np.where(mean == 0, 360.0, mean))


def chill_units(t):
    return np.array([0, 0.5, 1, 0.5, 0, -0.5, -1])[np.digitize(t, [1.4, 2.4, 9.1, 12.4, 15.9, 18.0], right=True)]


def outside_the_air(latitude, day):
    phi = np.radians(latitude)
    delta = 0.409 * np.sin(2 * np.pi / 365 * day - 1.39)
    omega = np.arccos(np.clip(-np.tan(phi) * np.tan(delta), -1, 1))
    near = 1 + 0.033 * np.cos(2 * np.pi / 365 * day)
    return 24 * 60 / np.pi * 0.082 * near * (omega * np.sin(phi) * np.sin(delta) + np.cos(phi) * np.cos(delta) * np.sin(omega))


def fao(t):
    return 0.6108 * np.exp(17.27 * t / (237.3 + t))


def penman(t, wind, deficit, net, factor):
    slope = 4098 * fao(t) / (t + 237.3) ** 2
    gamma = 0.665e-3 * 101.3 * ((293 - 0.0065 * 100) / 293) ** 5.26
    water = (0.408 * slope * net + gamma * factor / (t + 273) * wind * deficit) / (slope + gamma * (1 + 0.34 * wind))
    return np.maximum(water, 0)


def evapotranspiration_day(highest, lowest, e, wind, radiation, latitude, day):
    clear = (0.75 + 2e-5 * 100) * outside_the_air(latitude, day)
    warmth = ((highest + 273.16) ** 4 + (lowest + 273.16) ** 4) / 2
    share = np.clip(radiation / clear, 0.25, 1)
    net = 0.77 * radiation - 4.903e-9 * warmth * (0.34 - 0.14 * np.sqrt(e)) * (1.35 * share - 0.35)
    saturated = (fao(highest) + fao(lowest)) / 2
    return penman((highest + lowest) / 2, wind, saturated - e, net, 900)


def evapotranspiration_hour(t, u, wind, radiation):
    e = fao(t) * u / 100
    net = 0.77 * radiation - 2.043e-10 * (t + 273.16) ** 4 * (0.34 - 0.14 * np.sqrt(e)) * (1.35 * 0.7 - 0.35)
    soil = np.where(net > 0, 0.1, 0.5) * net
    return penman(t, wind, fao(t) - e, net - soil, 37)


def hargreaves(highest, lowest, outside):
    return np.maximum(0.0023 * ((highest + lowest) / 2 + 17.8) * np.sqrt(highest - lowest) * outside * 0.408, 0)


def clear_sky(z):
    c = np.cos(np.radians(z))
    return 1098 * c * np.exp(-0.059 / c)


def rise(midnight, latitude, longitude):
    at = pandas.to_datetime(midnight, unit="s", utc=True)
    found = pvlib.solarposition.sun_rise_set_transit_spa(at, latitude[0], longitude[0], delta_t=67.0)
    return pandas.DatetimeIndex(found["sunrise"]).as_unit("ns").asi8 / 1e9


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
    "saturation vapour pressure over ice": lambda t: 6.112 * np.exp(22.46 * t / (272.62 + t)),
    "vapour pressure": lambda t, u: u / 100 * saturation(t),
    "frost point": frost_point,
    "wet bulb, closed form": stull,
    "vapour pressure from a wet bulb": lambda t, tw, p: enhancement(p) * saturation(tw) - 6.53e-4 * (1 + 0.000944 * tw) * p * (t - tw),
    "mixing ratio from a wet bulb": ratio_from_wet_bulb,
    "specific humidity": lambda w: w / (1 + w),
    "absolute humidity": lambda e, t: 216.68 * e / (t + 273.15),
    "sea-level pressure of dry air": lambda p, t, h: p * np.exp(h / (287.055 * (t + 273.15 + 0.0065 * h / 2) / 9.807)),
    "pressure at another height": lambda p, t, h: p * np.exp(-9.80665 * h / (287.05287 * (t + 273.15))),
    "pressure of the standard atmosphere": lambda h: 1013.25 * (1 - 0.0065 * h / 288.15) ** N,
    "pressure altitude": lambda p: 288.15 / 0.0065 * (1 - (p / 1013.25) ** (1 / N)),
    "pressure from an altimeter setting": lambda q, h: 1013.25 * ((q / 1013.25) ** (1 / N) - 0.0065 * h / 288.15) ** N,
    "humidex": lambda t, td: t + 0.5555 * (6.11 * np.exp(5417.753 * (1 / 273.16 - 1 / (273.15 + td))) - 10),
    "wind at another height": lambda v, z: v * np.log(10 / 0.03) / np.log(z / 0.03),
    "Beaufort force": beaufort,
    "following of a cup": lambda v, t: 1 - np.exp(-v * t / 3),
    "mean direction": lambda d: groups(d, mean_direction),
    "spread of directions": lambda d: groups(d, yamartino),
    "rain rate, dead time out": lambda d, s: d * 3600 / s / (1 - 0.4 / s),
    "growing degrees": lambda x, n: np.maximum((x + n) / 2 - 10, 0),
    "chill units": chill_units,
    "radiation outside the air, a day": outside_the_air,
    "evapotranspiration of a day": evapotranspiration_day,
    "evapotranspiration of an hour": evapotranspiration_hour,
    "evapotranspiration by temperatures": hargreaves,
    "clear-sky irradiance": clear_sky,
    "shadow": lambda h: 1 / np.tan(np.radians(h)),
    "rise of the sun": rise,
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
    "pressure from an altimeter setting": lambda q, h: mp.altimeter_to_station_pressure(q * HPA, h * units.m),
    "saturation vapour pressure over ice": lambda t: mp.saturation_vapor_pressure(t * C, phase="solid"),
    "vapour pressure": lambda t, u: mp.saturation_vapor_pressure(t * C) * (u * PC),
    "vapour pressure from a wet bulb": lambda t, tw, p: mp.psychrometric_vapor_pressure_wet(p * HPA, t * C, tw * C),
    "specific humidity": lambda w: mp.specific_humidity_from_mixing_ratio(w * units("")),
    "pressure of the standard atmosphere": lambda h: mp.height_to_pressure_std(h * units.m),
    "pressure altitude": lambda p: mp.pressure_to_height_std(p * HPA),
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
