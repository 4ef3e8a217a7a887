"""Distances on the WGS 84 ellipsoid.

DISTANCES: computed with geographiclib 2.1 (C. F. F. Karney, "Algorithms for geodesics", J. Geodesy
87 (2013) 43-55) and again with pyproj 3.7.2, which agree to 1e-8 m; the errors of the haversine
with R = 6371.0088 km are those of the same pairs. `tests/test_plane.py` asks geographiclib again.

DEGREE_M: lengths of one degree on WGS 84 as printed in common tables of geodesy (quoted from
memory, recomputed from the ellipsoid's constants), to 0.2 m.
"""

# latitude, longitude, latitude, longitude [degrees], distance [m], haversine's error [share]
DISTANCES = (
    (52.0, -1.0, 52.001, -1.0, 111.267363, -0.00065),
    (52.0, -1.0, 52.0, -0.999, 68.678016, -0.00320),
    (0.0, 0.0, 0.001, 0.0, 110.574276, 0.00561),
    (0.0, 0.0, 0.0, 0.001, 111.319491, -0.00112),
    (-33.8, 151.2, -33.7995, 151.1997, 62.028129, 0.00156),
)

AZIMUTH = (-33.8, 151.2, -33.7995, 151.1997, -26.6069)  # the same pair, degrees from north

# latitude [degrees], length of a degree of latitude and of longitude there [m]
DEGREE_M = (
    (0, 110_574.3, 111_319.5),
    (15, 110_648.7, 107_550.5),
    (30, 110_852.5, 96_486.3),
    (45, 111_131.8, 78_846.8),
    (60, 111_412.3, 55_800.0),
    (75, 111_618.4, 28_902.0),
)
