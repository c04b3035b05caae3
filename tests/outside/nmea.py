"""Sentences of NMEA 0183 as an independent parser reads them.

Prints a table for a test of the payload decoders to compare with:

    python3 -m venv venv && venv/bin/pip install -r requirements.txt
    venv/bin/python nmea.py > nmea.tsv

Columns: sentence, then CHANNEL=VALUE for each value, in the units of the test's
channels; a value that the parser calls empty, and MWV with status V, give none. The
sentences of MWV and the last of XDR are built and their checksums made by pynmea2, the
other examples are taken as they stand and their checksums proved by it; units are
converted by pint. Field meanings: IEC 61162-1, sentences MWV, MDA, XDR.
"""

from importlib.metadata import version

import pint
import pynmea2

WIND = {"K": "km/hour", "M": "m/s", "N": "knot", "S": "mile/hour"}
# What a unit's letter means for a type of transducer. C C, P B, H P are those of
# IEC 61162-1 (from memory), the others common practice.
TRANSDUCERS = {
    ("C", "C"): "degC",
    ("P", "B"): "bar",
    ("P", "P"): "Pa",
    ("P", "H"): "hPa",
    ("H", "P"): "percent",
}
# Examples as they go round in open references of the sentences and in firmware. The
# identifiers that the test's settings send to a channel: ours.
PUBLISHED = [
    "$WIMDA,29.4473,I,0.9972,B,17.2,C,,,,,,,,,,,,,,*3E",
    "$WIMDA,29.8578,I,1.0111,B,26.1,C,,,16.1,,-1.6,C,0.0,T,1.4,M,0.0,N,0.0,M*7C",
    "$WIMDA,30.2269,I,1.0236,B,17.7,C,,,43.3,,5.0,C,131.5,T,128.6,M,0.8,N,0.4,M*54",
    "$WIMDA,29.796,I,1.009,B,31.7,C,,,,,,,82.3,T,72.3,M,7.4,N,3.8,M*23",
    "$WIMDA,3.02,I,1.01,B,23.4,C,,,40.2,,12.1,C,19.3,T,20.1,M,13.1,N,1.1,M*62",
    "$IIXDR,C,19.52,C,TempAir*19",
    "$IIXDR,P,1.02481,B,Barometer*29",
    "$IIXDR,A,4,D,ROLL,A,-2,D,PITCH*3E",
    "$IIXDR,C,24.24,C,ENV_OUTSIDE_T,P,100700,P,ENV_ATMOS_P,H,64.356,P,ENV_OUTSIDE_H*37",
    "$IIXDR,C,18.2,C,ENV_WATER_T,C,28.69,C,ENV_OUTAIR_T,P,101400,P,ENV_ATMOS_P*7C",
    "$WIXDR,H,092,P,RH,C,014.1,C,TEMP,P,1.025,B,PRESS,C,009.9,C,DP*08",
]
# Identifiers that are only told apart by their types; invented.
NUMBERED = ("C", "23.3", "C", "0", "C", "24.0", "C", "1", "H", "50.1", "P", "0", "P", "1009.5", "H", "0")
CHANNELS = {
    "TempAir": "temperature", "Barometer": "pressure",
    "ENV_OUTSIDE_T": "temperature", "ENV_ATMOS_P": "pressure", "ENV_OUTSIDE_H": "humidity",
    "ENV_OUTAIR_T": "temperature", "ENV_WATER_T": "water_temperature",
    "RH": "humidity", "TEMP": "temperature", "PRESS": "pressure", "DP": "dew_point",
    "C/0": "temperature", "H/0": "humidity", "P/0": "pressure",
}
UNITS = {"pressure": "hPa", "speed": "m/s"}


def winds():
    for talker in ("WI", "II"):
        for reference in ("R", "T"):
            for unit in WIND:
                for angle, speed in (("0.0", "0.0"), ("045.5", "12.3"), ("359.9", "07"), ("180", "")):
                    yield talker, (angle, reference, speed, unit, "A")
    yield "WI", ("", "T", "5.5", "M", "A")
    yield "WI", ("090", "T", "5.5", "M", "V")


def main():
    registry = pint.UnitRegistry()

    def converted(value, unit, wanted):
        return registry.Quantity(float(value), unit).to(wanted).magnitude

    def wind(read):
        if read.status != "A":
            return
        if read.wind_angle not in ("", None):
            yield "wind_angle", float(read.wind_angle)
        if read.wind_speed not in ("", None):
            yield "wind_speed", converted(read.wind_speed, WIND[read.wind_speed_units], "m/s")

    def composite(read):
        # The value with the finer last digit, by the decimal places that were written.
        def finer(*pairs):
            steps = [
                (converted(10.0 ** value.as_tuple().exponent, unit, wanted), value, unit, wanted)
                for value, unit, wanted in pairs
                if value is not None
            ]
            return [converted(*min(steps)[1:])] if steps else []

        for value in finer((read.b_pressure_inch, "inHg", "hPa"), (read.b_pressure_bar, "bar", "hPa")):
            yield "pressure", value
        for name, value in (
            ("temperature", read.air_temp),
            ("water_temperature", read.water_temp),
            ("humidity", read.rel_humidity),
            ("dew_point", read.dew_point),
            ("wind_direction", read.direction_true),
        ):
            if value is not None:
                yield name, float(value)
        for value in finer((read.wind_speed_meters, "m/s", "m/s"), (read.wind_speed_knots, "knot", "m/s")):
            yield "wind_speed", value

    def transducers(read):
        for i in range(read.num_transducers):
            one = read.get_transducer(i)
            channel = CHANNELS.get(f"{one.type}/{one.id}") or CHANNELS.get(one.id)
            if channel and one.value not in ("", None):
                unit = TRANSDUCERS[one.type, one.units]
                yield channel, converted(one.value, unit, UNITS.get(channel, unit))

    print(f"# pynmea2 {version('pynmea2')}, pint {version('pint')}")
    built = [str(pynmea2.MWV(talker, "MWV", fields)) for talker, fields in winds()]
    for text in built + PUBLISHED + [str(pynmea2.XDR("WI", "XDR", NUMBERED))]:
        read = pynmea2.parse(text, check=True)
        values = {"MWV": wind, "MDA": composite, "XDR": transducers}[read.sentence_type](read)
        print(text, *(f"{name}={value!r}" for name, value in values), sep="\t")


if __name__ == "__main__":
    main()
