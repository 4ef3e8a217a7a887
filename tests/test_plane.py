from __future__ import annotations

import numpy as np
import pytest
from geographiclib.geodesic import Geodesic

from benchmark.intake.plane import Plane, radii_of_curvature
from tests.reference.geodesy import AZIMUTH, DEGREE_M, DISTANCES

MILLIMETRE = 1e-3


@pytest.mark.parametrize(("lat", "lon", "to_lat", "to_lon", "metres", "haversine"), DISTANCES)
def test_a_plane_gives_the_published_distance(lat, lon, to_lat, to_lon, metres, haversine):
    east, north = Plane(lat, lon).metres(to_lat, to_lon)
    assert np.hypot(east, north) == pytest.approx(metres, abs=MILLIMETRE / 10)


@pytest.mark.parametrize(("lat", "lon", "to_lat", "to_lon", "metres", "haversine"), DISTANCES)
def test_one_radius_for_the_globe_errs_as_published(lat, lon, to_lat, to_lon, metres, haversine):
    """The trap that the two radii avoid: up to 0.56 %."""
    a, b, c, d = np.radians([lat, lon, to_lat, to_lon])
    chord = np.sin((c - a) / 2) ** 2 + np.cos(a) * np.cos(c) * np.sin((d - b) / 2) ** 2
    sphere = 2 * 6_371_008.8 * np.arcsin(np.sqrt(chord))
    east, north = Plane(lat, lon).metres(to_lat, to_lon)
    assert sphere / np.hypot(east, north) - 1 == pytest.approx(haversine, abs=1e-5)


def test_a_plane_gives_the_published_azimuth():
    lat, lon, to_lat, to_lon, azimuth = AZIMUTH
    east, north = Plane(lat, lon).metres(to_lat, to_lon)
    assert np.degrees(np.arctan2(east, north)) == pytest.approx(azimuth, abs=2e-4)


@pytest.mark.parametrize(("latitude", "degree_north", "degree_east"), DEGREE_M)
def test_radii_of_curvature_give_the_published_degrees(latitude, degree_north, degree_east):
    meridian, across = radii_of_curvature(latitude)
    assert np.radians(meridian) == pytest.approx(degree_north, abs=0.2)
    east = np.radians(across) * np.cos(np.radians(latitude))
    assert east == pytest.approx(degree_east, abs=0.2)


@pytest.mark.parametrize("latitude", [-75.0, -33.8, 0.0, 45.0, 52.0, 75.0])
def test_a_plane_agrees_with_geographiclib_to_a_millimetre_within_5_km(latitude):
    rng = np.random.default_rng(1)
    plane = Plane(latitude, 179.99)  # so that half of the points lie across the date line
    for _ in range(50):
        ends = [
            Geodesic.WGS84.Direct(latitude, 179.99, rng.uniform(0, 360), rng.uniform(0, 5000))
            for _ in range(2)
        ]
        east, north = plane.metres([p["lat2"] for p in ends], [p["lon2"] for p in ends])
        geodesic = Geodesic.WGS84.Inverse(
            ends[0]["lat2"], ends[0]["lon2"], ends[1]["lat2"], ends[1]["lon2"]
        )
        plain = np.hypot(np.diff(east), np.diff(north))[0]
        assert plain == pytest.approx(geodesic["s12"], abs=MILLIMETRE)


@pytest.mark.parametrize("east", [-4000.0, 0.0, 12.5, 5000.0])
@pytest.mark.parametrize("north", [-5000.0, 0.25, 3000.0])
@pytest.mark.parametrize("latitude", [-60.0, 0.0, 52.0])
def test_degrees_undo_metres(latitude, east, north):
    plane = Plane(latitude, -179.999)
    assert plane.metres(*plane.degrees(east, north)) == pytest.approx((east, north), abs=1e-6)
