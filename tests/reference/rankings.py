"""Published rank sets.

TRAVEL: mean travel time to work 2011, American Community Survey, minutes and 90 % margin, with
the joint 90 % rank set: Klein, Wright and Wieczorek, J. R. Statist. Soc. C 69 (2020) 589 (the set
sizes equal those printed in its figure 1).
PISA: mathematics 2018, OECD, score and standard error, in falling order; used in Mogstad, Romano,
Shaikh and Wilhelm, Review of Economic Studies, 2023.
"""

from __future__ import annotations

JOINT_Z, MARGIN_Z = 3.08090, 1.64485  # joint 90 % over 51 by independence; the margins' own 90 %

# Name, minutes, margin, lowest and highest rank.
TRAVEL = (
    ("SD", 16.9, 0.5, 1, 6), ("ND", 16.9, 0.6, 1, 6), ("WY", 18.1, 0.8, 1, 9),
    ("NE", 18.1, 0.3, 1, 8), ("MT", 18.2, 0.5, 1, 9), ("AK", 18.4, 0.5, 1, 9),
    ("IA", 18.8, 0.2, 3, 9), ("KS", 18.9, 0.3, 3, 9), ("ID", 19.7, 0.4, 4, 9),
    ("OK", 21.1, 0.2, 10, 14), ("AR", 21.3, 0.4, 10, 16), ("NM", 21.4, 0.4, 10, 16),
    ("UT", 21.6, 0.3, 10, 16), ("WI", 21.9, 0.2, 11, 16), ("VT", 21.9, 0.5, 10, 21),
    ("OR", 22.5, 0.3, 11, 24), ("KY", 22.9, 0.2, 15, 26), ("MN", 23.0, 0.2, 15, 26),
    ("OH", 23.1, 0.1, 16, 26), ("MO", 23.1, 0.2, 15, 27), ("RI", 23.4, 0.5, 15, 33),
    ("NC", 23.4, 0.2, 16, 29), ("ME", 23.4, 0.4, 15, 31), ("IN", 23.5, 0.2, 17, 30),
    ("SC", 23.6, 0.3, 16, 32), ("MS", 23.9, 0.4, 17, 35), ("AL", 23.9, 0.2, 21, 33),
    ("NV", 24.1, 0.4, 20, 37), ("MI", 24.1, 0.2, 21, 35), ("TN", 24.2, 0.2, 22, 35),
    ("LA", 24.5, 0.2, 24, 37), ("CO", 24.5, 0.3, 23, 38), ("TX", 24.8, 0.1, 30, 37),
    ("AZ", 24.8, 0.2, 27, 39), ("CT", 25.0, 0.3, 27, 40), ("DE", 25.3, 0.6, 25, 42),
    ("WA", 25.5, 0.2, 34, 41), ("WV", 25.6, 0.5, 30, 42), ("HI", 25.7, 0.4, 33, 42),
    ("FL", 25.8, 0.2, 35, 42), ("PA", 25.9, 0.1, 36, 42), ("NH", 26.9, 0.5, 37, 46),
    ("GA", 27.1, 0.3, 42, 46), ("CA", 27.1, 0.1, 42, 44), ("VA", 27.7, 0.2, 43, 47),
    ("MA", 28.0, 0.2, 43, 47), ("IL", 28.2, 0.2, 45, 47), ("DC", 30.1, 0.5, 48, 49),
    ("NJ", 30.5, 0.2, 48, 49), ("NY", 31.5, 0.2, 50, 51), ("MD", 32.2, 0.2, 50, 51),
)  # fmt: skip

# Country, score, standard error.
PISA = (
    ("Japan", 526.973, 2.471), ("Korea", 525.933, 3.121),
    ("Estonia", 523.415, 1.744), ("Netherlands", 519.231, 2.632),
    ("Poland", 515.648, 2.602), ("Switzerland", 515.315, 2.908),
    ("Canada", 512.017, 2.357), ("Denmark", 509.398, 1.735),
    ("Slovenia", 508.898, 1.364), ("Belgium", 508.07, 2.263),
    ("Finland", 507.301, 1.968), ("Sweden", 502.388, 2.654),
    ("United Kingdom", 501.77, 2.564), ("Norway", 500.964, 2.219),
    ("Germany", 500.044, 2.647), ("Ireland", 499.633, 2.199),
    ("Czech Republic", 499.468, 2.461), ("Austria", 498.942, 2.971),
    ("Latvia", 496.126, 1.963), ("France", 495.408, 2.32),
    ("Iceland", 495.187, 1.953), ("New Zealand", 494.49, 1.706),
    ("Portugal", 492.487, 2.685), ("Australia", 491.36, 1.94),
    ("Italy", 486.59, 2.78), ("Slovak Republic", 486.165, 2.556),
    ("Luxembourg", 483.421, 1.098), ("Spain", 481.393, 1.462),
    ("Lithuania", 481.191, 1.953), ("Hungary", 481.083, 2.32),
    ("United States", 478.245, 3.235), ("Israel", 463.035, 3.499),
    ("Türkiye", 453.508, 2.26), ("Greece", 451.37, 3.091),
    ("Chile", 417.407, 2.416), ("Mexico", 408.801, 2.493),
    ("Costa Rica", 402.331, 3.289), ("Colombia", 390.932, 2.99),
)  # fmt: skip
