"""How well a lap is measured, and what that allows to be said of a margin.

Standard uncertainties of independent sources, by the GUM (JCGM 100:2008); the probability that a
value conforms to a limit, by JCGM 106:2012; guard bands, by ILAC-G8:09/2019.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

from scipy.special import ndtr, ndtri, stdtrit

from benchmark.errors import BadValue

COVERAGE_FACTOR = 2.0  # of the expanded uncertainty U = 2 u that ILAC-G8 takes for its guard bands


def rectangular_u(half_width: float) -> float:
    """Give the standard uncertainty of a value that lies anywhere within bounds, in their unit.

    Parameters
    ----------
    half_width : half the distance between the bounds. [any]

    Raises
    ------
    BadValue
        A half-width that is negative, NaN or infinite.

    References
    ----------
    JCGM 100:2008, 4.3.7, equation 7.
    """
    _check_not_negative("half-width", half_width)
    return half_width / math.sqrt(3)


def reading_u(resolution: float) -> float:
    """Give the standard uncertainty of one rounded reading: resolution over root 12.

    Parameters
    ----------
    resolution : the step between two readings, 0.001 where three decimals are shown. [any]

    Raises
    ------
    BadValue
        A resolution that is negative, NaN or infinite.

    References
    ----------
    JCGM 100:2008, F.2.2.1.
    """
    return rectangular_u(resolution / 2)


def crossings_u(resolution: float) -> float:
    """Give the standard uncertainty of a lap between two rounded crossings: r over root 6.

    For a clock that stamps whole milliseconds or a video that shows whole frames; a lap time that
    was rounded once, when it was printed, takes `reading_u`.

    Parameters
    ----------
    resolution : the step between two time stamps. [any]

    Raises
    ------
    BadValue
        A resolution that is negative, NaN or infinite.
    """
    return combined_u(reading_u(resolution), reading_u(resolution))


def combined_u(*uncertainties: float) -> float:
    """Combine the standard uncertainties of independent sources: the root of the sum of squares.

    Parameters
    ----------
    uncertainties : contributions to the result, all in its unit.

    Raises
    ------
    BadValue
        A contribution that is negative, NaN or infinite.

    References
    ----------
    JCGM 100:2008, 5.1.2, equation 10.
    """
    for uncertainty in uncertainties:
        _check_not_negative("standard uncertainty", uncertainty)
    return math.hypot(*uncertainties)


def effective_degrees_of_freedom(
    uncertainties: Sequence[float], degrees_of_freedom: Sequence[float]
) -> float:
    """Give the degrees of freedom of a combined uncertainty, by Welch and Satterthwaite.

    Parameters
    ----------
    uncertainties : contributions to the result, all in its unit.
    degrees_of_freedom : of each of them; infinite where the uncertainty is known exactly.

    Returns
    -------
    float
        Infinite where every contribution is known exactly.

    Raises
    ------
    BadValue
        A contribution that is negative, or degrees of freedom that are not above zero.

    References
    ----------
    JCGM 100:2008, G.4.1, equation G.2b.
    """
    total = combined_u(*uncertainties)
    if not all(nu > 0 for nu in degrees_of_freedom):
        raise BadValue("degrees of freedom are above 0")
    pairs = zip(uncertainties, degrees_of_freedom, strict=True)
    doubt = sum(u**4 / nu for u, nu in pairs)
    return total**4 / doubt if doubt > 0 else math.inf


def coverage_factor(level: float, degrees_of_freedom: float = math.inf) -> float:
    """Give k, by which a standard uncertainty is multiplied to hold the value at this level.

    Parameters
    ----------
    level : coverage, between 0 and 1, both sides together.
    degrees_of_freedom : cut to the next lower whole number, as G.6.4 has it.

    Raises
    ------
    BadValue
        A level outside 0 to 1, or less than one degree of freedom.

    References
    ----------
    JCGM 100:2008, G.3 and G.6.4.
    """
    _check_probability("level", level)
    if not degrees_of_freedom >= 1:
        raise BadValue(f"{degrees_of_freedom} degrees of freedom are fewer than one")
    upper = (1 + level) / 2
    if math.isinf(degrees_of_freedom):
        return float(ndtri(upper))
    return float(stdtrit(math.floor(degrees_of_freedom), upper))


def expanded_u(u: float, level: float = 0.95, degrees_of_freedom: float = math.inf) -> float:
    """Give the half-width of the interval that holds the value at this level, in the unit of u.

    Parameters
    ----------
    u : combined standard uncertainty. [any]
    level : coverage, between 0 and 1.
    degrees_of_freedom : of u.

    Raises
    ------
    BadValue
        As `coverage_factor`, or a negative u.
    """
    _check_not_negative("standard uncertainty", u)
    return coverage_factor(level, degrees_of_freedom) * u


def p_conforms(value: float, u: float, low: float = -math.inf, high: float = math.inf) -> float:
    """Probability that the true value lies between two limits, the measurement being normal.

    Parameters
    ----------
    value : what was measured. [any]
    u : its standard uncertainty, in the same unit; with 0 the answer is 0, 1, or 0.5 on a limit.
    low, high : the limits; leave one out where there is none.

    Raises
    ------
    BadValue
        A negative u, or limits the wrong way round.

    References
    ----------
    JCGM 106:2012, 7.3 and 7.4, equations 6 and 8.
    """
    _check_not_negative("standard uncertainty", u)
    if low > high:
        raise BadValue(f"the lower limit {low} is above the upper limit {high}")
    return _p_below(high - value, u) - _p_below(low - value, u)


def p_quicker(margin_s: float, *uncertainties_s: float) -> float:
    """Probability, from timing alone, that a lap was really quicker than another.

    Parameters
    ----------
    margin_s : the lap less the other one; negative where it was quicker. [s]
    uncertainties_s : standard uncertainties of both laps, and of whatever else separates them. [s]

    Raises
    ------
    BadValue
        A standard uncertainty that is negative, NaN or infinite.

    References
    ----------
    JCGM 106:2012, 7.3, with a margin of 0 for the limit.
    """
    return p_conforms(margin_s, combined_u(*uncertainties_s), high=0.0)


def false_accept_p(guard_ratio: float, k: float = COVERAGE_FACTOR) -> float:
    """Largest chance of accepting what does not conform, behind a guard band of w = r U.

    Parameters
    ----------
    guard_ratio : r, the guard band over the expanded uncertainty; 0 is simple acceptance.
    k : coverage factor of the expanded uncertainty U = k u.

    References
    ----------
    ILAC-G8:09/2019, table 1.
    """
    return float(ndtr(-guard_ratio * k))


def guard_ratio(p_false_accept: float, k: float = COVERAGE_FACTOR) -> float:
    """Give the guard band over the expanded uncertainty that keeps false acceptance this rare.

    Parameters
    ----------
    p_false_accept : the largest chance that is allowed, between 0 and 1.
    k : coverage factor of the expanded uncertainty U = k u.

    Raises
    ------
    BadValue
        A chance outside 0 to 1.

    References
    ----------
    ILAC-G8:09/2019, table 1, solved for the ratio.
    """
    _check_probability("chance of false acceptance", p_false_accept)
    return float(-ndtri(p_false_accept) / k)


def _p_below(distance: float, u: float) -> float:
    """Probability that a normal error of this spread stays below a distance."""
    if u > 0:
        return float(ndtr(distance / u))
    return 0.5 if distance == 0 else float(distance > 0)


def _check_not_negative(name: str, value: float) -> None:
    if not 0 <= value < math.inf:
        raise BadValue(f"a {name} of {value} is not possible; it is 0 or above")


def _check_probability(name: str, value: float) -> None:
    if not 0 < value < 1:
        raise BadValue(f"a {name} of {value} is not between 0 and 1")
