"""Formulas of surface meteorology as general-purpose libraries compute them.

Prints the table that the test `references` compares with:

    python3 -m venv venv && venv/bin/pip install -r requirements.txt
    venv/bin/python references.py > references.tsv

Columns: formula, inputs apart by blanks, expected value, library. The libraries differ by
convention (water or ice below freezing, which saturation formula, which mean), so each
formula is asked for in one convention, named in the comment beside it.
"""

import math
import warnings
from importlib.metadata import version
from itertools import product

import metpy.calc
import numpy
import pandas
import psychrolib
import pvlib
import pyet
import refet
from metpy.units import units

warnings.simplefilter("ignore")
psychrolib.SetUnitSystem(psychrolib.SI)


def row(formula, inputs, expected, library):
    expected = numpy.asarray(expected).item()
    if numpy.isfinite(expected):
        given = " ".join(repr(float(i)) for i in inputs)
        print(formula, given, repr(float(expected)), f"{library} {version(library)}", sep="\t")


def humidity():
    # Hyland and Wexler; psychrolib goes over to ice at the triple point.
    for t in [-80, -60.5, -40, -25.3, -10, -0.5]:
        row("saturation-ice", [t], psychrolib.GetSatVapPres(t) / 100, "psychrolib")
    for t in [0.5, 5, 12.3, 20, 25, 31.7, 40, 60, 90]:
        row("saturation-water", [t], psychrolib.GetSatVapPres(t) / 100, "psychrolib")
    # Over water only; psychrolib iterates to 0.001 K.
    for t, u in product([5, 12, 20, 28, 41], [45, 70, 93]):
        if psychrolib.GetTDewPointFromRelHum(t, u / 100) > 0.1:
            row("dew-point", [t, u], psychrolib.GetTDewPointFromRelHum(t, u / 100), "psychrolib")
    for t, depression, p in product([8, 20, 35], [0, 2.5, 6], [850, 1013.25]):
        w = psychrolib.GetHumRatioFromTWetBulb(t, t - depression, p * 100)
        row("mixing-ratio-from-wet-bulb", [t, t - depression, p], w, "psychrolib")
    # Bolton's inverse.
    for e in [1.5, 4.0, 6.112, 9.7, 15.8, 23.4, 40.0]:
        row("dew-point-bolton", [e], metpy.calc.dewpoint(e * units.hPa).m_as("degC"), "metpy")
    # The ratio of molar masses differs in its fourth digit.
    for e, p in product([2, 10, 25, 45], [700, 850, 1013.25]):
        w = metpy.calc.mixing_ratio(e * units.hPa, p * units.hPa).m_as("")
        row("mixing-ratio", [e, p], w, "metpy")
        q = metpy.calc.specific_humidity_from_mixing_ratio(w * units("")).m_as("")
        row("specific-humidity", [w], q, "metpy")
    for t, w in product([-20, 0, 15, 35], [0.0005, 0.004, 0.012, 0.025]):
        tv = metpy.calc.virtual_temperature(t * units.degC, w * units("")).m_as("degC")
        row("virtual-temperature", [t, w], tv, "metpy")
    # The gas constants differ in their fifth digit.
    for t, u, p in product([0.5, 15, 33], [20, 60, 95], [800, 1013.25]):
        w = psychrolib.GetHumRatioFromRelHum(t, u / 100, p * 100)
        rho = psychrolib.GetMoistAirDensity(t, w, p * 100)
        row("air-density", [t, psychrolib.GetVapPresFromHumRatio(w, p * 100) / 100, p], rho, "psychrolib")


def pressure():
    # psychrolib rounds the constants of the standard atmosphere to five digits.
    for h in [-400, 0, 250, 1000, 3000, 8000]:
        row("standard-pressure", [h], psychrolib.GetStandardAtmPressure(h) / 100, "psychrolib")
    # Dry air, mean of the column by half the standard lapse.
    for p, h, t in product([940, 985, 1013], [20, 150, 420], [-12, 9, 28]):
        p0 = psychrolib.GetSeaLevelPressure(p * 100, h, t) / 100
        row("sea-level-dry", [p, t, h], p0, "psychrolib")


def comfort():
    # Both use the nine terms only well above 80 degF; below, metpy does not average.
    for f, u in product([86, 90, 95, 101, 108], [8, 12.5, 30, 55, 75]):
        t = (f - 32) / 1.8
        hi = metpy.calc.heat_index(f * units.degF, u * units.percent, mask_undefined=False)
        row("heat-index", [t, u], hi.m_as("degC"), "metpy")
    for t, v in product([-42, -25, -10, -1, 5, 9.5], [1.5, 3, 8, 15, 28]):
        wc = metpy.calc.windchill(t * units.degC, v * units("m/s"), mask_undefined=False)
        row("wind-chill", [t, v], wc.m_as("degC"), "metpy")


def wind():
    for speed, direction in product([0.7, 5, 31.4], [7, 90, 133.3, 200, 271, 359]):
        u, v = metpy.calc.wind_components(speed * units("m/s"), direction * units.deg)
        row("east", [speed, direction], u.m_as("m/s"), "metpy")
        row("north", [speed, direction], v.m_as("m/s"), "metpy")
        d = metpy.calc.wind_direction(u, v).m_as("deg")
        row("direction", [u.m_as("m/s"), v.m_as("m/s")], d, "metpy")


PLACES = [(54.07, -2.28, 212), (39.742476, -105.1786, 1830.14), (-33.9, 151.2, 20), (69.6, 18.9, 10), (0.5, 36.8, 1600)]
TIMES = ["2003-10-17T19:30:30Z", "2013-01-05T09:00:00Z", "2020-03-20T12:00:00Z", "2024-06-21T03:15:00Z", "2026-09-02T17:45:00Z"]


def sun():
    for (latitude, longitude, elevation), text in product(PLACES, TIMES):
        time = pandas.DatetimeIndex([text])
        seconds = time[0].timestamp()
        # One difference of terrestrial and universal time for both, 67 s.
        p = pvlib.solarposition.spa_python(
            time, latitude, longitude, elevation, pressure=101325, temperature=12, delta_t=67.0
        ).iloc[0]
        place = [seconds, latitude, longitude, elevation]
        row("zenith", place, p["zenith"], "pvlib")
        row("apparent-zenith", place, p["apparent_zenith"], "pvlib")
        row("azimuth", place, p["azimuth"], "pvlib")
        row("equation-of-time", [seconds], p["equation_of_time"], "pvlib")
        day = time.normalize()
        s = pvlib.solarposition.sun_rise_set_transit_spa(day, latitude, longitude, delta_t=67.0).iloc[0]
        midnight = day[0].timestamp()
        # pvlib folds an event of a neighbouring date into this one: only dates that hold
        # all three are compared.
        if s[["sunrise", "sunset"]].isna().any():
            continue
        events = [s[name].timestamp() - midnight for name in ["sunrise", "transit", "sunset"]]
        if 0 <= events[0] < events[1] < events[2] < 86400:
            for name in ["sunrise", "transit", "sunset"]:
                row(name, [midnight, latitude, longitude], s[name].timestamp() - midnight, "pvlib")
    for zenith in [0, 20, 45.5, 70, 85, 95]:
        ghi = pvlib.clearsky.haurwitz(pandas.Series([float(zenith)]))["ghi"].iloc[0]
        row("clear-sky", [zenith], ghi, "pvlib")
    # A surface of 30 deg turned 10 deg east of south.
    row("incidence", [50.111622, 194.340241], pvlib.irradiance.aoi(30, 170, 50.111622, 194.340241), "pvlib")


def crops():
    # FAO-56 throughout, vapour pressure and radiation given.
    days = [(21.5, 12.3, 1.409, 2.078, 22.07, 50.8, 100, 187), (34.8, 25.6, 2.85, 2.0, 22.65, 13.73, 2, 105), (8.1, -2.4, 0.52, 3.7, 5.2, 47.1, 640, 40), (40.2, 22.9, 0.95, 4.4, 27.8, -31.4, 310, 12)]
    for highest, lowest, vapour, wind_, radiation, latitude, elevation, day in days:
        at = pandas.DatetimeIndex(["2025-01-01"]) + pandas.Timedelta(days=day - 1)
        series = lambda value: pandas.Series([float(value)], index=at)
        et = pyet.pm_fao56(
            series((highest + lowest) / 2), series(wind_), rs=series(radiation), tmax=series(highest),
            tmin=series(lowest), ea=series(vapour), elevation=elevation, lat=math.radians(latitude),
        ).iloc[0]
        row("evapotranspiration-day", [highest, lowest, vapour, wind_, radiation, latitude, elevation, day], et, "pyet")
        ra = pyet.extraterrestrial_r(at, math.radians(latitude))
        row("extraterrestrial", [latitude, day], numpy.asarray(ra).ravel()[0], "pyet")
        h = pyet.hargreaves(
            series((highest + lowest) / 2), series(highest), series(lowest), lat=math.radians(latitude), method=0
        ).iloc[0]
        # Its latent heat follows the temperature, the paper's is 2.45 MJ/kg.
        h *= pyet.calc_lambda((highest + lowest) / 2) / 2.45
        row("hargreaves", [highest, lowest, latitude, day], h, "pyet")
    # The standardized hourly equation of ASCE has another resistance by day (0.24 for 0.34)
    # and 2.042e-10 for 2.043e-10.
    for t, u, v, r, hour in [(38.0, 52, 3.3, 2.45, 15), (22.0, 70, 1.2, 1.4, 11), (29.5, 35, 5.0, 2.9, 13)]:
        vapour = 0.6108 * math.exp(17.27 * t / (t + 237.3)) * u / 100
        hourly = refet.Hourly(
            tmean=t, rs=r, uz=v, zw=2, elev=8, lat=16.217, lon=-16.25, doy=274, time=hour, ea=vapour, method="asce",
        )
        row("extraterrestrial-hour", [16.217, -16.25, 274, hour + 0.5], hourly.ra[0], "refet")
        # The library's parts in the paper's equation 53.
        wet = hourly.psy[0] * hourly.u2[0]
        slope = hourly.es_slope[0]
        et = (0.408 * slope * 0.9 * hourly.rn[0] + 37 / (t + 273) * wet * hourly.vpd[0]) / (
            slope + hourly.psy[0] + 0.34 * wet
        )
        row("evapotranspiration-hour", [t, u, v, r, hourly.ra[0], 8], et, "refet")


def reports():
    # metpy adds 0.3 hPa for the height of the barometer above the runway; not here.
    for setting, elevation in [(1011.51, 2), (1018.29, 160), (1015.92, 267), (1016.93, 546)]:
        p = metpy.calc.altimeter_to_station_pressure(setting * units.hPa, elevation * units.m)
        row("station-pressure", [setting, elevation], p.m_as("hPa") - 0.3, "metpy")


for part in [humidity, pressure, comfort, wind, sun, crops, reports]:
    part()
