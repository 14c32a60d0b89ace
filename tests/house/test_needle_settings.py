"""The dash needle in a settings file: every way to write a place, and what is refused."""

from __future__ import annotations

import pytest

from livemon import settings
from livemon.core.needle import Needle
from livemon.errors import SetupError
from livemon.files import yaml_lines
from livemon.files.forms import Dial


def in_force(text: str) -> Needle:
    return settings.settle(settings.from_block(yaml_lines.parse(text, "my.yaml"))).of(Needle)


def test_every_way_to_write_a_place() -> None:
    found = in_force("needle:\n  points: 122 F at cold, 99 C at Centre, 113 C at 5/8, 119 C at 75 %, 121 C at hot\n")
    assert [place for _, place in found.points] == pytest.approx([0.0, 0.5, 0.625, 0.75, 1.0])
    assert [t for t, _ in found.points] == pytest.approx([50.0, 99.0, 113.0, 119.0, 121.0])


def test_reads_back_what_it_writes() -> None:
    assert Dial().read(Dial().write(Needle().points)) == Needle().points


@pytest.mark.parametrize(
    "points",
    [
        "99 C",
        "99 at centre",
        "99 C at middle",
        "99 C at 3/0",
        "99 C at 5/4",
        "50 C at cold",
        "99 C at hot, 50 C at cold",
    ],
)
def test_refused_with_what_was_expected(points: str) -> None:
    with pytest.raises(SetupError, match="expected"):
        in_force(f"needle:\n  points: {points}\n")
