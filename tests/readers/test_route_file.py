"""Route files: GPX as its standard writes it, tables, and every way a file can be of no use."""

from __future__ import annotations

import re
from pathlib import Path

import gpxpy
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from livemon.errors import SetupError
from livemon.readers.route_file import read_route
from livemon.wire import gpx_text
from livemon.wire.gpx_text import parse_gpx
from livemon.wire.route_text import parse_table

# Shape of a track in the GPX 1.1 schema documentation (topografix.com/GPX/1/1): trk > trkseg > trkpt lat lon > ele.
GPX = """<?xml version="1.0" encoding="UTF-8"?>
<gpx version="1.1" creator="hand" xmlns="http://www.topografix.com/GPX/1/1">
<metadata><name>not the road's name</name></metadata>
<trk><name>Made-up pass</name><trkseg>%s</trkseg></trk></gpx>"""


def points(*heights: float | str | None, kind: str = "trkpt") -> str:
    return "".join(
        f'<{kind} lat="{45.0 + 0.002 * k}" lon="7.0">{"" if h is None else f"<ele>{h}</ele>"}</{kind}>'
        for k, h in enumerate(heights)
    )


def written(tmp_path: Path, text: str | bytes, name: str = "route.gpx") -> Path:
    path = tmp_path / name
    path.write_bytes(text if isinstance(text, bytes) else text.encode("utf-8"))
    return path


RAMP = points(*(400.0 + 10.0 * k for k in range(40)))


def test_a_gpx_track(tmp_path: Path) -> None:
    route = read_route(written(tmp_path, GPX % RAMP))
    assert route.name == "Made-up pass"
    assert route.length_m == pytest.approx(39 * 222.26, rel=1e-3)
    assert route.grade_pct[20] == pytest.approx(100 * 10.0 / 222.26, abs=0.05)
    assert route.latitude_deg is not None
    assert route.spikes == 0


GPX_FORMS = {
    "1.1": GPX % RAMP,
    "1.0": (GPX % RAMP).replace('version="1.1"', 'version="1.0"').replace("GPX/1/1", "GPX/1/0"),
    "no namespace": (GPX % RAMP).replace(' xmlns="http://www.topografix.com/GPX/1/1"', ""),
    "prefix": re.sub(r"<(/?)(gpx|metadata|name|trk|trkseg|trkpt|ele)\b", r"<\1g:\2", GPX % RAMP).replace(
        "xmlns=", "xmlns:g="
    ),
    "blank lines first": "\n \n" + GPX % RAMP,
    "byte order mark": "\ufeff" + GPX % RAMP,
    "single quotes": (GPX % RAMP).replace('"', "'"),
    "times, names and other heights at the points": (GPX % RAMP).replace(
        "</ele>", "</ele><time>2026-06-01T08:00:00Z</time><name>mark</name><geoidheight>47</geoidheight>"
    ),
    "comments inside": (GPX % RAMP).replace("<ele>4", "<ele><!-- x -->4"),
    "two segments": (GPX % RAMP).replace("</trkpt>", "</trkpt></trkseg><trkseg>", 1),
    "a second track": (GPX % RAMP).replace("</gpx>", f"<trk><trkseg>{points(1.0, 2000.0)}</trkseg></trk></gpx>"),
    "an empty track first": (GPX % RAMP).replace("<trk>", "<trk><name>empty</name></trk><trk>", 1),
    "a route, no track": (GPX % RAMP)
    .replace("trkpt", "rtept")
    .replace("<trkseg>", "")
    .replace("</trkseg>", "")
    .replace("<trk>", "<rte>")
    .replace("</trk>", "</rte>"),
    "a route before the track": (GPX % RAMP).replace(
        "<trk>", f"<rte><name>other</name>{points(1.0, 900.0, kind='rtept')}</rte><trk>"
    ),
    "UTF-16": (GPX % RAMP).replace("UTF-8", "UTF-16").encode("utf-16"),
    "Latin-1": (GPX % RAMP).replace("UTF-8", "ISO-8859-1").encode("latin-1"),
}


@pytest.mark.parametrize("form", GPX_FORMS)
def test_the_same_road_in_every_form_a_gpx_may_have(tmp_path: Path, form: str) -> None:
    route = read_route(written(tmp_path, GPX_FORMS[form]))
    assert route.length_m == pytest.approx(39 * 222.26, rel=1e-3)
    assert route.height_m[-1] - route.height_m[0] == pytest.approx(390.0, abs=0.5)
    assert form == "an empty track first" or route.name == "Made-up pass"


@given(
    st.lists(
        st.tuples(
            st.floats(-89.0, 89.0),
            st.floats(-180.0, 180.0),
            st.one_of(st.none(), st.floats(-400.0, 8_000.0).map(lambda v: round(v, 2))),
        ),
        min_size=3,
        max_size=12,
    ),
    st.integers(1, 400),
)
def test_the_points_are_those_that_gpxpy_reads(places: list[tuple[float, float, float | None]], piece: int) -> None:
    """Reference: gpxpy, an independent GPX reader; the file in pieces of any size."""
    body = "".join(
        f'<trkpt lat="{lat!r}" lon="{lon!r}">{"" if h is None else f"<ele>{h!r}</ele>"}</trkpt>'
        for lat, lon, h in places
    )
    text = GPX % (body + '<trkpt lat="1" lon="1"><ele>1</ele></trkpt><trkpt lat="1" lon="1"><ele>2</ele></trkpt>')
    theirs = gpxpy.parse(text).tracks[0].segments[0].points
    data = text.encode()
    ours = parse_gpx((data[k : k + piece] for k in range(0, len(data), piece)), "x")
    assert ours.latitude_deg is not None
    assert ours.longitude_deg is not None
    assert ours.latitude_deg.tolist() == [p.latitude for p in theirs]
    assert ours.longitude_deg.tolist() == [p.longitude for p in theirs]
    heights = [np.nan if p.elevation is None else p.elevation for p in theirs]
    assert np.array_equal(ours.heights_m, heights, equal_nan=True)


TABLES = {
    "miles and feet": "distance_mi,height_ft\n0,1000\n10,3640\n",
    "semicolons and decimal commas": "distance_km;height_m\n0,0;304,8\n16,09344;1109,472\n",
    "tabs": "distance_m\theight_m\n0\t304.8\n16093.44\t1109.472\n",
    "carriage returns, byte order mark, comment, blank line": (
        "\ufeff# typed by hand\r\ndistance_m,height_m\r\n0,304.8\r\n\r\n16093.44,1109.472\r\n"
    ),
    "quotes, capitals, other columns": '"Name","Height_m","Distance_m"\n"foot",304.8,0\n"a, b",1109.472,16093.44\n',
    "a height left out": "distance_m,height_m\n0,304.8\n8000,\n16093.44,1109.472\n",
    "a row that ends early": "distance_m,height_m\n0,304.8\n8000\n16093.44,1109.472\n",
    "not a number": "distance_m,height_m\n0,304.8\n8000,nan\n16093.44,1109.472\n",
    "a distance from another start": "distance_km,altitude_ft\n40,1000\n56.09344,3640\n",
}


@pytest.mark.parametrize("form", TABLES)
def test_the_same_hill_in_every_form_of_a_table(tmp_path: Path, form: str) -> None:
    route = read_route(written(tmp_path, TABLES[form], "hill.csv"))
    assert route.length_m == pytest.approx(16_093.44)
    assert route.grade_pct[100] == pytest.approx(5.0, abs=0.01)
    assert route.latitude_deg is None


BOMB = '<!DOCTYPE gpx [<!ENTITY a "aaaa"><!ENTITY b "&a;&a;&a;&a;">]>'


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("<gpx><trk>", "a file cut off in line 1"),
        ((GPX % RAMP)[:-400], "a file cut off in line 4"),
        ((GPX % RAMP).replace("</trkpt>", "</trkseg>", 1), "mismatched tag, line 4"),
        ("<kml></kml>", "an XML file of <kml>"),
        ("<gpx></gpx>", "a track or route with points, found none"),
        ('<gpx><wpt lat="1" lon="2"><ele>3</ele></wpt></gpx>', "Waypoints alone"),
        ('<gpx><trk><trkseg><trkpt lat="x" lon="7"/></trkseg></trk></gpx>', "point 1: expected numbers in lat and lon"),
        ('<gpx><trk><trkseg><trkpt lon="7"/></trkseg></trk></gpx>', "point 1: expected numbers in lat and lon"),
        ('<gpx><trk><trkseg><trkpt lat="97" lon="7"/></trkseg></trk></gpx>', "a place on Earth, found 97, 7"),
        ('<gpx><trk><trkseg><trkpt lat="nan" lon="7"/></trkseg></trk></gpx>', "a place on Earth"),
        (GPX % points(1.0, "high", 3.0), "point 2: expected a number in ele, found 'high'"),
        (GPX % points(None, None, None), "found 0 in 3 points. Use an export that includes elevation"),
        (GPX % points("nan", "inf", 3.0, 99999), "found 1 in 4 points"),
        (GPX % points(*[0] * 30), "found 0 m at each of 30 points"),
        (GPX % "", "a track or route with points"),
        (GPX % points(100.0), "found 1 in 1 points"),
        (GPX % (points(100.0, 101.0).replace("45.002", "45.0")), "50 m between them, found 2 points over 0 m"),
        ((GPX % RAMP).replace("<gpx", BOMB + "<gpx"), "a GPX file without document type"),
        ((GPX % RAMP).replace('encoding="UTF-8"', 'encoding="klingon"'), "GPX"),
        ("", "columns none"),
        ("a,b\n1,2\n", "columns a, b"),
        ("distance_m,height_m,height_m\n0,1,2\n", "expected one column height_m, found 2 of them"),
        ("distance_m,height_m\n0,1\nx,2\n", "row 3: expected two numbers, found 'x,2'"),
        ("distance_m,height_m\n0,1\ninf,2\n", "row 3: expected a distance"),
        ("distance_m,height_m\n100,1\n50,2\n", "row 3: expected a distance that grows"),
        ("distance_m,height_m\n0,\n500,\n", "at least two rows with a height of -500 to 9000 m, found 0 in 2 rows"),
        ("distance_m,height_m\n0,300\n9,12000\n", "found 1 in 2 rows"),
        (f"distance_m,height_m\n0,{'9' * 200_000}\n", "line 2: expected a row of a table"),
        (f"distance_m{'m' * 200_000}", "line 1: expected a row of a table"),
        ("distance_m,height_m\n", "found 0 in 0 rows"),
        ("distance_m,height_m\n0,1\n10,2\n", "Is the distance in the unit its column says"),
        ("distance_m,height_m\n0,100\n120,400\n", "under 35 %, found half of it steeper than"),
        ("\x00\x01\x02", "columns"),
        (b"\xff\xfe\x00", "GPX"),
    ],
)
def test_a_useless_file_is_refused_with_words(tmp_path: Path, text: str | bytes, words: str) -> None:
    with pytest.raises(SetupError, match=re.escape(words)):
        read_route(written(tmp_path, text))


@given(st.binary(max_size=300))
def test_no_bytes_bring_anything_but_a_route_or_a_refusal(data: bytes) -> None:
    for text in (data, b"<gpx><trk><trkseg>" + data, b"<?xml version='1.0'?>" + data):
        with pytest.raises(SetupError):
            parse_gpx([text], "x")
    with pytest.raises(SetupError):
        parse_table(data.decode("utf-8", "replace"), "x")


def test_a_missing_file_and_a_folder_are_refused_with_words(tmp_path: Path) -> None:
    for path in (tmp_path / "none.gpx", tmp_path):
        with pytest.raises(SetupError, match="readable route file"):
            read_route(path)


def test_a_huge_file_is_refused_before_it_is_read(tmp_path: Path) -> None:
    path = tmp_path / "huge.gpx"
    with path.open("wb") as file:
        file.truncate(400_000_000)  # a hole: takes no room on the disk
    with pytest.raises(SetupError, match="at most 300 MB"):
        read_route(path)


def test_more_points_than_a_drive_can_have_are_refused_as_they_come(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(gpx_text, "MAX_POINTS", 20_000)
    point = b'<trkpt lat="45" lon="7"/>' * 5_000
    given_out = 0

    def pieces() -> object:
        nonlocal given_out
        yield b"<gpx><trk><trkseg>"
        while True:
            given_out += 1
            yield point

    with pytest.raises(SetupError, match="at most 20000 points"):
        parse_gpx(pieces(), "x")  # type: ignore[arg-type]  # a generator whose type does not matter here
    assert given_out <= 5


def test_a_height_spike_is_not_a_climb(tmp_path: Path) -> None:
    heights = [400.0 + 0.1 * k for k in range(40)]
    heights[20] = 4000.0
    route = read_route(written(tmp_path, GPX % points(*heights)))
    assert route.spikes == 1
    assert abs(route.grade_pct).max() < 0.5


def test_a_position_that_jumps_away_and_back_adds_no_road(tmp_path: Path) -> None:
    text = (GPX % RAMP).replace('lat="45.04"', 'lat="-12.0"')
    route = read_route(written(tmp_path, text))
    assert route.spikes == 1
    assert route.length_m == pytest.approx(39 * 222.26, rel=1e-3)


def test_standing_still_and_points_twice_add_no_road_and_no_grade(tmp_path: Path) -> None:
    once = points(*(400.0 + 10.0 * k for k in range(40))).split("</trkpt>")
    text = "".join(point + "</trkpt>" for point in once if point for _ in range(5))
    route = read_route(written(tmp_path, GPX % text))
    assert route.length_m == pytest.approx(39 * 222.26, rel=1e-3)
    assert route.grade_pct[20] == pytest.approx(100 * 10.0 / 222.26, abs=0.05)


def test_a_turn_at_the_end_of_a_dead_end_is_road(tmp_path: Path) -> None:
    """Out and back: the middle point is far from its neighbours, yet each step is short."""
    out = [f'<trkpt lat="{45 + 0.002 * k}" lon="7"><ele>{400 + k}</ele></trkpt>' for k in range(20)]
    route = read_route(written(tmp_path, GPX % "".join(out + out[-2::-1])))
    assert route.spikes == 0
    assert route.length_m == pytest.approx(38 * 222.26, rel=1e-3)
