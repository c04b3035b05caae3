"""Wind sentences of NMEA 0183 as an independent parser reads them.

Prints a table for a test of the payload decoders to compare with:

    python3 -m venv venv && venv/bin/pip install -r requirements.txt
    venv/bin/python nmea.py > nmea.tsv

Columns: sentence, angle in degrees, speed in m/s; a dash where the parser says the
field is empty or the status is V. Sentences are built and their checksums made by
pynmea2, the speeds converted by pint. Field meanings: IEC 61162-1, sentence MWV.
"""

from importlib.metadata import version

import pint
import pynmea2

UNITS = {"K": "km/hour", "M": "m/s", "N": "knot", "S": "mile/hour"}


def sentences():
    for talker in ("WI", "II"):
        for reference in ("R", "T"):
            for unit in UNITS:
                for angle, speed in (("0.0", "0.0"), ("045.5", "12.3"), ("359.9", "07"), ("180", "")):
                    yield talker, (angle, reference, speed, unit, "A")
    yield "WI", ("", "T", "5.5", "M", "A")
    yield "WI", ("090", "T", "5.5", "M", "V")


def main():
    registry = pint.UnitRegistry()
    print(f"# pynmea2 {version('pynmea2')}, pint {version('pint')}")
    for talker, fields in sentences():
        text = str(pynmea2.MWV(talker, "MWV", fields))
        read = pynmea2.parse(text, check=True)
        valid = read.status == "A"
        angle = f"{float(read.wind_angle)!r}" if valid and read.wind_angle not in ("", None) else "-"
        speed = "-"
        if valid and read.wind_speed not in ("", None):
            measured = registry.Quantity(float(read.wind_speed), UNITS[read.wind_speed_units])
            speed = f"{measured.to('m/s').magnitude!r}"
        print(text, angle, speed, sep="\t")


if __name__ == "__main__":
    main()
