"""Route files: GPX as its standard writes it, CSV, and every way a file can be of no use."""

from __future__ import annotations

from pathlib import Path

import gpxpy
import pytest

from livemon.errors import SetupError
from livemon.readers.route_file import read_route
from livemon.wire.route_text import parse_gpx

# Shape of a track in the GPX 1.1 schema documentation (topografix.com/GPX/1/1): trk > trkseg > trkpt lat lon > ele.
GPX = """<?xml version="1.0" encoding="UTF-8"?>
<gpx version="1.1" creator="hand" xmlns="http://www.topografix.com/GPX/1/1">
<trk><name>Made-up pass</name><trkseg>%s</trkseg></trk></gpx>"""


def points(*heights: float | None) -> str:
    return "".join(
        f'<trkpt lat="{45.0 + 0.002 * k}" lon="7.0">{"" if h is None else f"<ele>{h}</ele>"}</trkpt>'
        for k, h in enumerate(heights)
    )


def written(tmp_path: Path, text: str, name: str = "route.gpx") -> Path:
    path = tmp_path / name
    path.write_text(text, encoding="utf-8")
    return path


def test_a_gpx_track(tmp_path: Path) -> None:
    route = read_route(written(tmp_path, GPX % points(*(400.0 + 10.0 * k for k in range(40)))))
    assert route.name == "Made-up pass"
    assert route.length_m == pytest.approx(39 * 222.26, rel=1e-3)
    assert route.grade_pct[20] == pytest.approx(100 * 10.0 / 222.26, abs=0.05)
    assert route.latitude_deg is not None


def test_the_points_are_those_that_gpxpy_reads(tmp_path: Path) -> None:
    """Reference: gpxpy, an independent GPX reader."""
    text = GPX % points(400.0, None, 417.25, 390.5)
    theirs = gpxpy.parse(text).tracks[0].segments[0].points
    ours = parse_gpx(text, "x")
    assert ours.positions_deg == tuple((p.latitude, p.longitude) for p in theirs)
    assert ours.heights_m == tuple(p.elevation for p in theirs)


def test_a_csv_in_miles_and_feet(tmp_path: Path) -> None:
    route = read_route(written(tmp_path, "distance_mi,height_ft\n0,1000\n10,3640\n", "hill.csv"))
    assert route.length_m == pytest.approx(16_093.44)
    assert route.grade_pct[100] == pytest.approx(5.0, abs=0.01)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("<gpx><trk>", "GPX 1.0 or 1.1"),
        ("<kml></kml>", "GPX 1.0 or 1.1"),
        ('<gpx><trk><trkseg><trkpt lat="x" lon="7"/></trkseg></trk></gpx>', "point 1"),
        ('<gpx><trk><trkseg><trkpt lat="97" lon="7"/></trkseg></trk></gpx>', "a place on Earth"),
        (GPX % points(None, None, None), "heights"),
        (GPX % "", "a track or route with points"),
        (GPX % points(100.0), "heights"),
        ("", "columns"),
        ("a,b\n1,2\n", "columns"),
        ("distance_m,height_m\n0,1\nx,2\n", "row 3"),
        ("distance_m,height_m\n100,1\n50,2\n", "grows"),
        ("distance_m,height_m\n0,1\n10,2\n", "50 m between"),
        ("\x00\x01\x02", "columns"),
    ],
)
def test_a_useless_file_is_refused_with_words(tmp_path: Path, text: str, words: str) -> None:
    with pytest.raises(SetupError, match=words):
        read_route(written(tmp_path, text))


def test_a_missing_file_is_refused_with_words(tmp_path: Path) -> None:
    with pytest.raises(SetupError, match="readable route file"):
        read_route(tmp_path / "none.gpx")


def test_a_jump_to_the_other_side_of_the_world_is_not_a_climb(tmp_path: Path) -> None:
    heights = [400.0] * 40
    heights[20] = 4000.0
    route = read_route(written(tmp_path, GPX % points(*heights)))
    assert route.spikes == 1
    assert abs(route.grade_pct).max() < 0.5
