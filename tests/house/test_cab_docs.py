"""The documents for the cab say what the program has: settings, links between pages, bounds, waiting times."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from livemon import cli
from livemon.core.ignition import CREEP_V_PER_S, FRESH_MS
from livemon.outputs import feed, page, page_app, page_server
from livemon.outputs.lamp import LAMP
from livemon.outputs.service import POWER_OFF_REQUEST
from livemon.setting_keys import KEYS, SECTIONS

DOCS = Path(__file__).resolve().parents[2] / "docs"
PAGES = ("install", "hardware", "wiring", "phone-page", "troubleshooting", "first-drive", "power", "service")
TEXT = {name: (DOCS / f"{name}.md").read_text(encoding="utf-8") for name in PAGES}
NAMES = "|".join(section.name for section in SECTIONS)


@pytest.mark.parametrize("name", PAGES)
def test_settings_named_exist(name: str) -> None:
    named = re.findall(rf"`((?:{NAMES})\.[a-z_]+)\b", TEXT[name])
    assert [path for path in named if path not in KEYS and not path.endswith((".conf", ".md"))] == []


@pytest.mark.parametrize("name", PAGES)
def test_links_lead_somewhere(name: str) -> None:
    for target in re.findall(r"\]\(([^)]+)\)", TEXT[name]):
        assert (DOCS / target.partition("#")[0]).exists(), target


@pytest.mark.parametrize("name", PAGES)
def test_verbs_named_exist(name: str) -> None:
    named = set(re.findall(r"(?:`|/bin/)livemon ([a-z]+)\b", TEXT[name]))
    assert named <= set(cli.VERBS)


def test_power_tells_the_defaults() -> None:
    text = TEXT["power"]
    for path, written in (
        ("ignition.off_after", "5 s"),
        ("ignition.silent_after", "20 s"),
        ("ignition.charging", "13.2 V"),
        ("ignition.ask_after_off", "60 s"),
        ("ignition.wake_rise", "0.6 V"),
        ("ignition.wake_try", "30 s"),
        ("ignition.low", "12 V"),
        ("ignition.low_for", "60 s"),
        ("ignition.empty", "11.5 V"),
        ("ignition.empty_for", "5 s"),
    ):
        key = KEYS[path]
        assert key.write(key.default) == written
        said = written.replace("12 V", "12.0 V") if path == "ignition.low" else written
        assert f"`{key.name}` ({said}" in text, path
    assert KEYS["ignition.give_up_after"].default == 300
    assert "`give_up_after` (5 min)" in text
    assert KEYS["advice.keep_idling"].default == 180
    assert FRESH_MS == 15_000
    assert round(CREEP_V_PER_S * 60, 3) == 0.12
    assert f"`{POWER_OFF_REQUEST}`" in text


def test_phone_page_tells_the_bounds() -> None:
    text = TEXT["phone-page"]
    assert (
        f"| connections | {page_server.MAX_CONNECTIONS}, of these {page_server.MAX_PER_ADDRESS} from one address |"
        in text
    )
    assert f"| watching at once | {page_app.MAX_STREAMS} |" in text
    assert f"{page_server.REQUEST_S:.0f} s; its size {page_server.MAX_HEAD_BYTES // 1000} kB" in text
    assert f"cut off after {page_server.STALL_S:.0f} s" in text
    assert f"{page.MAX_RESTARTS} in a row" in text
    assert page_app.STREAM_LIFE_S == 3600
    assert "10.42.0.1:8465" in text
    assert page.PageSettings().port == 8465
    assert not page.PageSettings().enabled


def test_service_tells_the_bounds() -> None:
    text = TEXT["service"]
    assert f"| viewers at once | {feed.MAX_VIEWERS} |" in text
    assert f"{feed.MAX_MISSED} lines behind" in text
    assert f"{feed.MAX_REQUESTS_PER_S} a second, all viewers together {feed.MAX_MARKS_PER_S}" in text
    assert f"at most {feed.MAX_REQUEST_BYTES} bytes" in text


def test_wiring_tells_the_rhythms() -> None:
    rates = sorted(sum(pattern) for pattern in LAMP.values() if isinstance(pattern, tuple))
    assert rates == [0.5, 1.6]
    assert "twice a second at warning and every 1.6 s at caution" in TEXT["wiring"]
