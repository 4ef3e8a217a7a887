"""A club's challenge: classes, factors, standings, fairness, from rules, laps and refits.

Read in this order: `basis` (who took part before the freeze, and the fit of those laps),
`classing`, `counting`, `events`, `solving`, `factors`, `scoring`, `standings`, `fairness`.
"""
