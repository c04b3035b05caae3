"""Conversions of units as two general-purpose libraries see them.

Prints a table for a test of the observation room to compare with:

    python3 -m venv venv && venv/bin/pip install -r requirements.txt
    venv/bin/python units.py > units.tsv

Columns: value, unit, unit to convert to, expected value, library. The units stand
by their UCUM codes; the spellings of the libraries are below. Where both know a
conversion, both have a row.
"""

from importlib.metadata import version

import cf_units
import pint

# UCUM code: spelling for pint, spelling for UDUNITS (through cf-units). Each unit is
# converted to the first of its kind and back.
KINDS = {
    "temperature": {
        "Cel": ("degC", "degC"),
        "K": ("kelvin", "K"),
        "[degF]": ("degF", "degF"),
    },
    "pressure": {
        "hPa": ("hPa", "hPa"),
        "Pa": ("pascal", "Pa"),
        "kPa": ("kilopascal", "kPa"),
        "bar": ("bar", "bar"),
        "mbar": ("millibar", "mbar"),
        "atm": ("standard_atmosphere", "standard_atmosphere"),
        "mm[Hg]": ("mmHg", "mm_Hg"),
        "[in_i'Hg]": ("inHg", "in_Hg"),
    },
    "length": {
        "m": ("meter", "m"),
        "km": ("kilometer", "km"),
        "cm": ("centimeter", "cm"),
        "mm": ("millimeter", "mm"),
        "um": ("micrometer", "um"),
        "[in_i]": ("inch", "international_inch"),
        "[ft_i]": ("foot", "international_foot"),
        "[mi_i]": ("mile", "international_mile"),
        "[nmi_i]": ("nautical_mile", "nautical_mile"),
    },
    "speed": {
        "m/s": ("meter / second", "m s-1"),
        "km/h": ("kilometer / hour", "km hour-1"),
        "[kn_i]": ("knot", "international_knot"),
        "[mi_i]/h": ("mile / hour", "international_mile hour-1"),
        "[ft_i]/min": ("foot / minute", "international_foot minute-1"),
        "mm/h": ("millimeter / hour", "mm hour-1"),
        "[in_i]/h": ("inch / hour", "international_inch hour-1"),
    },
    "time": {
        "s": ("second", "s"),
        "ms": ("millisecond", "ms"),
        "us": ("microsecond", "us"),
        "min": ("minute", "minute"),
        "h": ("hour", "hour"),
        "d": ("day", "day"),
    },
    "frequency": {
        "Hz": ("1 / second", "s-1"),
        "kHz": ("1 / millisecond", "ms-1"),
        "/min": ("1 / minute", "minute-1"),
    },
    "share": {
        "1": ("dimensionless", "1"),
        "%": ("percent", "percent"),
        "[ppm]": ("ppm", "ppm"),
        "g/kg": ("gram / kilogram", "g kg-1"),
    },
    "volume": {
        "L": ("liter", "liter"),
        "mL": ("milliliter", "milliliter"),
        "cm3": ("centimeter ** 3", "cm3"),
        "m3": ("meter ** 3", "m3"),
    },
    "irradiance": {
        "W/m2": ("watt / meter ** 2", "W m-2"),
        "kJ/m2/h": ("kilojoule / meter ** 2 / hour", "kJ m-2 hour-1"),
        "MJ/m2/d": ("megajoule / meter ** 2 / day", "MJ m-2 day-1"),
    },
    "energy": {
        "J": ("joule", "J"),
        "kJ": ("kilojoule", "kJ"),
        "MJ": ("megajoule", "MJ"),
    },
    "density": {
        "kg/m3": ("kilogram / meter ** 3", "kg m-3"),
        "g/m3": ("gram / meter ** 3", "g m-3"),
    },
    "voltage": {"V": ("volt", "V"), "mV": ("millivolt", "mV")},
    "current": {"A": ("ampere", "A"), "mA": ("milliampere", "mA")},
    "resistance": {"Ohm": ("ohm", "ohm"), "kOhm": ("kiloohm", "kiloohm")},
    "angle": {"deg": ("degree", "degree"), "rad": ("radian", "radian")},
    "cup": {
        "m/s/Hz": ("meter / second / hertz", "m"),
        "km/h/Hz": ("kilometer / hour / hertz", "km hour-1 s"),
        "[mi_i]/h/Hz": ("mile / hour / hertz", "international_mile hour-1 s"),
    },
}

VALUES = (1.0, -17.25, 1013.25)


def main():
    registry = pint.UnitRegistry(autoconvert_offset_to_baseunit=True)
    libraries = (
        (
            f"pint {version('pint')}",
            0,
            lambda value, source, target: registry.Quantity(value, source).to(target).magnitude,
        ),
        (
            f"cf-units {version('cf-units')}",
            1,
            lambda value, source, target: cf_units.Unit(source).convert(value, target),
        ),
    )
    print("value", "from", "to", "expected", "library", sep="\t")
    for units in KINDS.values():
        first, *others = units
        pairs = [pair for other in others for pair in ((other, first), (first, other))]
        for source, target in pairs:
            for library, place, convert in libraries:
                for value in VALUES:
                    expected = float(convert(value, units[source][place], units[target][place]))
                    print(repr(value), source, target, repr(expected), library, sep="\t")


if __name__ == "__main__":
    main()
