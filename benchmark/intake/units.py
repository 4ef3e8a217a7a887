"""Units in which foreign sheets give the quantities of a lap table, and their conversion.

Factors are exact by definition unless a source stands beside them. A converted value keeps four
decimals: more than any instrument beside a circuit has. A choice of ours.

References
----------
NIST Special Publication 811 (2008), appendix B.8, for inch and millimetre of mercury, psi and knot;
the definitions of inch, foot and mile (0.0254, 0.3048 and 1609.344 m).
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from decimal import Decimal, InvalidOperation
from types import MappingProxyType
from typing import TypeAlias

from benchmark.errors import BadValue

Convert: TypeAlias = Callable[[Decimal], Decimal]
KEPT = Decimal("0.0001")
LARGEST = Decimal("1e12")


def _times(factor: str | Decimal) -> Convert:
    return lambda value: value * Decimal(factor)


KNOT_MPS = Decimal(1852) / Decimal(3600)

# By the unit of the lap table: the units that a sheet may have instead.
UNITS: Mapping[str, Mapping[str, Convert]] = MappingProxyType(
    {
        "°C": {
            "°C": _times("1"),
            "°F": lambda value: (value - 32) * 5 / 9,
            "K": lambda value: value - Decimal("273.15"),
        },
        "hPa": {
            "hPa": _times("1"),
            "mbar": _times("1"),
            "Pa": _times("0.01"),
            "kPa": _times("10"),
            "bar": _times("1000"),
            "inHg": _times("33.86389"),  # NIST SP 811: conventional inch of mercury
            "mmHg": _times("1.333224"),  # NIST SP 811: conventional millimetre of mercury
            "psi": _times("68.94757"),  # NIST SP 811
        },
        "%": {"%": _times("1"), "fraction": _times("100")},
        "m/s": {
            "m/s": _times("1"),
            "km/h": lambda value: value / Decimal("3.6"),
            "mph": _times("0.44704"),
            "kn": _times(KNOT_MPS),
        },
        "m": {"m": _times("1"), "ft": _times("0.3048"), "km": _times("1000")},
        "s": {"s": _times("1"), "ms": _times("0.001"), "min": _times("60")},
    }
)


def converted(text: str, unit: str, ours: str) -> str:
    """Write a number in our unit.

    Parameters
    ----------
    text : the number, with a decimal point or comma, with or without its unit behind it.
    unit : the unit that it has.
    ours : the unit of the lap table, a key of `UNITS`.

    Raises
    ------
    BadValue
        It is no number.
    """
    plain = text.strip().removesuffix(unit).strip().replace(",", ".").replace("\u2212", "-")
    try:
        value = Decimal(plain)
    except InvalidOperation:
        raise BadValue(f"is not a number; write it in {unit}, or leave it empty") from None
    if not value.is_finite() or abs(value) > LARGEST:
        raise BadValue(f"is not a number; write it in {unit}, or leave it empty")
    found = UNITS[ours][unit](value).quantize(KEPT)
    return f"{found.normalize() + 0:f}"
