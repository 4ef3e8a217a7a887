"""A quantity: a number or an array of numbers, and the range in which it can be believed."""

from __future__ import annotations

from typing import TypeAlias

import numpy as np
import numpy.typing as npt

from benchmark.errors import BadValue

FloatArray: TypeAlias = npt.NDArray[np.float64]
Floats: TypeAlias = float | FloatArray


def within(name: str, value: Floats, low: float, high: float, unit: str) -> FloatArray:
    """Give the quantity as a float64 array, refusing what lies outside its range.

    NaN stands for "not recorded" and passes through, so that a column with gaps can be
    computed in one go.

    Parameters
    ----------
    name : what the quantity is called in the message.
    value : the quantity; a number, an array or a column. [unit]
    low, high : the bounds, both allowed. [unit]
    unit : the unit as it is written in the message.

    Raises
    ------
    BadValue
        A value outside the bounds, infinite ones included; the first is named.
    """
    values = np.asarray(value, dtype=np.float64)
    bad = values[(values < low) | (values > high)]
    if bad.size:
        raise BadValue(f"{name} {bad[0]:g} {unit} is outside {low:g} to {high:g} {unit}")
    return values
