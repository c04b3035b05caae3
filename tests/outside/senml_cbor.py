"""SenML packs in CBOR as an independent encoder (cbor2) writes them.

Prints a table for a test of the payload decoder to compare with:

    python3 -m venv venv && venv/bin/pip install -r requirements.txt
    venv/bin/python senml_cbor.py > senml_cbor.tsv

Columns: how the numbers are written, the pack in JSON, the same pack in CBOR as hex.
Labels: RFC 8428 (2018), table 4; forms of numbers: its section 6. Values are invented.
"""

import json
from decimal import Decimal
from importlib.metadata import version
from io import BytesIO

import cbor2

LABELS = {
    "bver": -1, "bn": -2, "bt": -3, "bu": -4, "bv": -5, "bs": -6,
    "n": 0, "u": 1, "v": 2, "vs": 3, "vb": 4, "s": 5, "t": 6, "ut": 7,
}

PACKS = [
    [{"n": "orchard/t", "u": "Cel", "v": 17.3}],
    [
        {"bn": "orchard/", "bt": 1772344800, "bver": 10, "n": "t", "v": 17.25},
        {"n": "h", "u": "%RH", "v": 81},
        {"n": "p", "u": "Pa", "v": 101325},
        {"n": "t", "t": -60, "u": "[degF]", "v": 32},
        {"n": "point", "vs": "NE"},
        {"n": "tips", "vb": True},
        {"n": "boot", "vs": "b7"},
        {"n": "sequence", "v": 41},
    ],
    [{"bn": "orchard/", "bv": -20, "n": "t", "v": 1.5, "ut": 60}, {"n": "t", "t": -30.5, "v": -2}],
    [{"bn": "orchard/", "bt": 1772344800.25, "bu": "Cel"}, {"n": "t", "v": -0.00390625}],
    [{"n": "orchard/sequence", "v": 18446744073709551615}, {"n": "orchard/h", "v": 1e-7}],
    [{"n": "orchard/t", "v": 1, "place": {"row": [3, None], "é": "ß"}}],
]


def decimal(number):
    """A decimal fraction (tag 4) of the number as JSON prints it."""
    sign, digits, exponent = Decimal(repr(number)).as_tuple()
    mantissa = int("".join(map(str, digits)))
    return cbor2.CBORTag(4, [exponent, -mantissa if sign else mantissa])


def records(pack, number):
    for record in pack:
        yield {
            LABELS.get(label, label): number(value)
            if isinstance(value, (int, float)) and not isinstance(value, bool) and label != "bver"
            else value
            for label, value in record.items()
        }


def indefinite(pack):
    """Pack and records without their counts."""
    out = BytesIO(b"\x9f")
    out.seek(1)
    for record in pack:
        out.write(b"\xbf")
        for label, value in record.items():
            out.write(cbor2.dumps(label) + cbor2.dumps(value))
        out.write(b"\xff")
    out.write(b"\xff")
    return out.getvalue()


FORMS = {
    "as it stands": lambda pack: cbor2.dumps(list(records(pack, lambda v: v))),
    "shortest": lambda pack: cbor2.dumps(list(records(pack, lambda v: v)), canonical=True),
    "decimal": lambda pack: cbor2.dumps(
        list(records(pack, lambda v: decimal(v) if isinstance(v, float) else v))
    ),
    "no counts": lambda pack: indefinite(records(pack, lambda v: v)),
    "told to be CBOR": lambda pack: cbor2.dumps(
        cbor2.CBORTag(55799, list(records(pack, lambda v: v)))
    ),
}


def main():
    print(f"# cbor2 {version('cbor2')}")
    for form, write in FORMS.items():
        for pack in PACKS:
            print(form, json.dumps(pack, ensure_ascii=False), write(pack).hex(), sep="\t")


if __name__ == "__main__":
    main()
