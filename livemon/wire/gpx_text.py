"""GPX 1.0 and 1.1 as bytes -> raw points of a road: the first track that has points, else the first route.

The bytes run through the standard library's expat piece by piece, so a file costs the memory of its points and not of
a tree, and a point costs three calls: gpxpy, the usual library, takes six times as long (tests hold the two against
each other).  A file that defines entities is refused before it can unfold them.  Knows nothing of files; cleaning is
`core/route`'s.
"""

from __future__ import annotations

from array import array
from collections.abc import Iterable
from typing import Final
from xml.parsers import expat

import numpy as np

from livemon.errors import SetupError
from livemon.wire.route_text import MAX_POINTS, RoutePoints, height_or_nan

AGAIN: Final = "Export the route again as GPX."
ELEVATION: Final = "Use an export that includes elevation."
NAN: Final = float("nan")
_CUT: Final = frozenset(
    expat.errors.codes[words]
    for words in (
        expat.errors.XML_ERROR_NO_ELEMENTS,
        expat.errors.XML_ERROR_UNCLOSED_TOKEN,
        expat.errors.XML_ERROR_UNCLOSED_CDATA_SECTION,
        expat.errors.XML_ERROR_PARTIAL_CHAR,
    )
)
"""What expat says of a file that ends too early."""


def parse_gpx(pieces: Iterable[bytes], where: str) -> RoutePoints:
    """Points of the first track that has any, else of the first route; `pieces` are the file's bytes in order.

    SetupError names the point that cannot be read, or what is missing: points, heights, the end of the file.
    """
    parser = expat.ParserCreate(namespace_separator=" ")
    document = _Document(parser, where)
    parser.buffer_text = True
    parser.StartElementHandler = document.element
    parser.StartDoctypeDeclHandler = document.refuse_doctype
    first = True
    try:
        for piece in pieces:
            # Some programs write a blank line before the XML declaration, which XML does not allow.
            clean = piece.lstrip() if first else piece
            first = first and not clean
            if clean:
                parser.Parse(clean, False)
            if document.done:
                break
        else:
            parser.Parse(b"", True)
    except expat.ExpatError as broken:
        line = f"line {broken.lineno}"
        what = f"a file cut off in {line}" if broken.code in _CUT else f"{expat.ErrorString(broken.code)}, {line}"
        raise SetupError(where, "a whole GPX 1.0 or 1.1 file", what, AGAIN) from broken
    except (LookupError, UnicodeError) as broken:
        raise SetupError(where, "a GPX file in a known encoding", str(broken)[:80], AGAIN) from broken
    return document.points()


class _Line:
    """The points of one track or route."""

    def __init__(self) -> None:
        self.name = ""
        self.latitude, self.longitude, self.height = array("d"), array("d"), array("d")


class _Document:
    """Follows the elements of one file; keeps the points of the first track and of the first route that have any.

    Text is collected from the start of an element that matters to the start of the next one, whichever it is: that
    saves the call at its end.
    """

    def __init__(self, parser: expat.XMLParserType, where: str) -> None:
        self.done = False
        """The track is whole: the rest of the file need not be read."""
        self._parser, self._where = parser, where
        self._space: str | None = None
        self._track, self._route = _Line(), _Line()
        self._now = self._track
        self._inside = False
        self._words: list[str] = []
        self._hear = self._words.append
        self._naming = False
        self._track_point = self._route_point = self._height = self._name = ""

    def refuse_doctype(self, *_: object) -> None:
        """GPX has no document type; one can only bring entities that unfold to more than memory holds."""
        raise SetupError(self._where, "a GPX file without document type", "<!DOCTYPE", AGAIN)

    def element(self, tag: str, attributes: dict[str, str]) -> None:
        """One element begins; everything but points, heights and names is passed over at the cost of this call."""
        if self._words:
            self._take()
        if tag == self._track_point:
            self._point(self._track, attributes)
        elif tag == self._height:
            self._parser.CharacterDataHandler = self._hear
        elif tag == self._route_point:
            self._point(self._route, attributes)
        elif self._space is None:
            self._begin(tag)
        elif tag == f"{self._space}trk":
            self._now, self._inside = self._track, True
            if len(self._track.height):
                self.done = True
                self._track_point = self._height = ""  # the rest of this piece is passed over
        elif tag == f"{self._space}rte":
            if len(self._route.height):
                self._route_point = ""  # a second route is passed over
            self._now, self._inside = self._route, True
        elif tag == self._name and self._inside and not len(self._now.height):
            self._naming, self._parser.CharacterDataHandler = True, self._hear

    def points(self) -> RoutePoints:
        """What was found, or SetupError saying what is missing."""
        if self._words:
            self._take()
        line = self._track if len(self._track.height) else self._route
        if not len(line.height):
            raise SetupError(
                self._where, "a track or route with points", "none", "Waypoints alone are not a road: export a track."
            )
        heights = np.array(line.height)
        known = int(np.count_nonzero(np.isfinite(heights)))
        if known < 2:
            wanted, found = "heights (<ele>) at two points or more", f"{known} in {len(heights)} points"
            raise SetupError(self._where, wanted, found, ELEVATION)
        if len(heights) > 2 and known == len(heights) and not np.ptp(heights):
            found = f"{heights[0]:g} m at each of {len(heights)} points"
            raise SetupError(self._where, "heights (<ele>) that differ", found, ELEVATION)
        return RoutePoints(line.name or self._where, heights, np.array(line.latitude), np.array(line.longitude))

    def _begin(self, tag: str) -> None:
        space, _, local = tag.rpartition(" ")
        if local != "gpx":
            raise SetupError(self._where, "a GPX 1.0 or 1.1 file", f"an XML file of <{local[:40]}>", AGAIN)
        before = self._space = f"{space} " if space else ""
        self._track_point, self._route_point = f"{before}trkpt", f"{before}rtept"
        self._height, self._name = f"{before}ele", f"{before}name"

    def _point(self, line: _Line, attributes: dict[str, str]) -> None:
        heights = line.height
        try:
            latitude, longitude = float(attributes["lat"]), float(attributes["lon"])
        except (KeyError, ValueError):
            found = " ".join(f'{name}="{value}"' for name, value in attributes.items())[:80] or "none"
            raise SetupError(self._at(len(heights) + 1), "numbers in lat and lon", found) from None
        if not (-90.0 <= latitude <= 90.0 and -180.0 <= longitude <= 180.0):
            raise SetupError(self._at(len(heights) + 1), "a place on Earth", f"{latitude:g}, {longitude:g}")
        if len(heights) >= MAX_POINTS:
            raise SetupError(self._where, f"at most {MAX_POINTS} points", "more", "Thin the route.")
        line.latitude.append(latitude)
        line.longitude.append(longitude)
        heights.append(NAN)
        self._now = line

    def _at(self, point: int) -> str:
        return f"{self._where}, point {point}"

    def _take(self) -> None:
        """The text is whole: a height of the point before, or the name of the track or route."""
        text, line = "".join(self._words), self._now
        self._words.clear()
        self._parser.CharacterDataHandler = None
        if self._naming:
            self._naming = False
            line.name = line.name or " ".join(text.split())[:120]
        elif len(line.height):
            try:
                line.height[-1] = height_or_nan(text)
            except ValueError:
                raise SetupError(self._at(len(line.height)), "a number in ele", repr(text.strip()[:40])) from None
