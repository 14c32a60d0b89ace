"""The review page: everything in one file, no text of a log can become markup, and a phone can read it."""

from __future__ import annotations

import builtins
import json
import re
import sys
from collections.abc import Sequence
from html.parser import HTMLParser
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from livemon.cli import main
from livemon.core.units import METRIC, US
from livemon.core.vehicle import VehicleProfile
from livemon.outputs.review_page import MOST_ROWS, Units, long_words, page
from livemon.verbs import review_short
from livemon.verbs.review import _tell_together
from tests.outputs.browser import Browser
from tests.replays import FOLDER
from tests.study.made_drive import drive

PASS = FOLDER / "pass-crosses-limit" / "log.csv"
EVIL = '</td></table><script>document.title="owned"</script><img src=x onerror=alert(1)>&amp;\'"$x^2$\u2028\x07'


@pytest.fixture(scope="module")
def log(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A made-up climb with notes that try to break out, in a file and a folder whose names do too."""
    folder = tmp_path_factory.mktemp("logs")
    lines = PASS.read_text(encoding="utf-8").splitlines(keepends=True)
    head = next(at for at, line in enumerate(lines) if line.startswith("time_s"))
    width = lines[head].count(",")
    evil = EVIL.replace('"', '""')
    kept = lines[: head + 1] + lines[head + 1 : head + 640]
    last = kept[-1].partition(",")[0]
    kept.append(f'{last},{"," * (width - 1)}"{evil}"\n')
    path = folder / "a<b>&\"'$.csv"
    path.write_text("".join(kept), encoding="utf-8")
    return path


@pytest.fixture(scope="module")
def written(log: Path, tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, dict[str, Any]]:
    pytest.importorskip("matplotlib", reason="the plots extra is not installed")
    out = tmp_path_factory.mktemp("out")
    import contextlib
    import io

    said = io.StringIO()
    with contextlib.redirect_stdout(said):
        assert main(["review", str(log), "--out", str(out), "--json", "--quiet"]) == 0
    (html,) = out.glob("*.html")
    return html, json.loads(said.getvalue())


class Tags(HTMLParser):
    """Every tag and attribute of a page, and its text."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.text = ""
        self.feed(text)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))

    def handle_data(self, data: str) -> None:
        self.text += data


def test_no_text_of_a_log_becomes_markup(written: tuple[Path, dict[str, Any]]) -> None:
    html, tree = written
    found = Tags(html.read_text(encoding="utf-8"))
    assert {tag for tag, _ in found.tags} <= {
        "html", "head", "meta", "title", "style", "body", "h1", "h2", "p", "div", "b", "figure", "img", "figcaption",
        "table", "thead", "tbody", "tr", "th", "td",
    }  # fmt: skip
    assert not [name for _, attributes in found.tags for name in attributes if name.startswith("on")]
    assert '<script>document.title="owned"</script>' in found.text, "it stands there as text"
    assert tree["notes"][0]["text"] == EVIL, "the JSON has it as it was"
    assert "\x07" not in html.read_text(encoding="utf-8")


def test_everything_is_inside(written: tuple[Path, dict[str, Any]]) -> None:
    html, _ = written
    found = Tags(html.read_text(encoding="utf-8"))
    sources = [attributes["src"] for tag, attributes in found.tags if tag == "img"]
    assert len(sources) >= 2
    assert all(source is not None and source.startswith("data:image/png;base64,") for source in sources)
    assert all(attributes.get("alt") for tag, attributes in found.tags if tag == "img")
    pictures = sorted(html.parent.glob("*.png"))
    assert len(pictures) == len(sources)
    assert all(picture.read_bytes().startswith(b"\x89PNG") for picture in pictures)
    assert not re.search(r"(href|src)=.?(https?:)?//", html.read_text(encoding="utf-8"))


def test_figures_are_those_of_a_replay(written: tuple[Path, dict[str, Any]], log: Path, capsys: Any) -> None:
    _, tree = written
    assert main(["replay", str(log), "--json", "--quiet"]) == 0
    summary = json.loads(capsys.readouterr().out.splitlines()[-1])["summary"]
    for name in ("peak_c", "peak_at_s", "crossings", "cautions", "warnings", "leads_s", "seconds"):
        assert tree[name] == summary[name], name
    assert tree["data"]["rows"] == summary["rows"]
    assert tree["data"]["skipped"] == summary["skipped"]


def test_readings_alone_tell_the_same_of_road_and_peak(
    written: tuple[Path, dict[str, Any]], log: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """No sensor is doubted on this drive, so whatever needs no estimate is the same; the rest is unknown, not calm."""
    _, whole = written
    assert main(["review", str(log), "--readings-only", "--json", "--quiet", "--out", str(tmp_path)]) == 0
    quick = json.loads(capsys.readouterr().out)
    for name in ("peak_c", "peak_at_s", "crossings", "climbs", "jams", "needle", "over_limit_s", "notes", "stop_c"):
        assert quick[name] == whole[name], name
    for name in ("levels", "cautions", "warnings", "leads_s", "acted", "forecast"):
        assert quick[name] is None, f"{name} was not asked: null, not empty"
    assert quick["least_margin_c"] is None
    (html,) = tmp_path.glob("*.html")
    text = Tags(html.read_text(encoding="utf-8")).text
    assert "no levels, no forecasts" in text
    assert "No level above normal" not in text
    assert main(["review", str(log), "--readings-only", "--quiet"]) == 0
    told = capsys.readouterr().out
    assert "limit crossed at 7:33" in told
    assert "caution" not in told


def test_phone_reads_it_without_a_request(written: tuple[Path, dict[str, Any]], tmp_path: Path) -> None:
    html, _ = written
    browser = Browser(tmp_path / "profile", width=375)
    try:
        address = html.as_uri()
        browser.go(address)
        assert {url for url in browser.requested() if not url.startswith("data:")} == {address}
        assert browser.value("document.documentElement.scrollWidth") <= 375
        assert browser.value("[...document.images].every((i) => i.complete && i.naturalWidth > 500)")
        assert browser.value("[...document.images].every((i) => i.clientWidth <= 375)")
        assert browser.value("document.title").startswith("Review of ")
        assert browser.value("document.scripts.length") == 0
        assert not browser.complaints()
    finally:
        browser.close()


def test_long_tables_are_cut_and_say_so(written: tuple[Path, dict[str, Any]]) -> None:
    _, tree = written
    many = {**tree, "notes": [{"at_s": float(t), "text": f"note {t}."} for t in range(MOST_ROWS + 5)]}
    text = Tags(page(many, [], METRIC)).text
    assert "5 further rows are left out" in text
    assert f"note {MOST_ROWS - 1}." in text
    assert f"note {MOST_ROWS}." not in text


def test_a_peak_under_readings_nobody_believed_says_so(
    written: tuple[Path, dict[str, Any]], capsys: pytest.CaptureFixture[str]
) -> None:
    """First of all, in words and on the page: a sensor that stuck at 102 C has seen no peak."""
    _, tree = written
    assert tree["data"]["untrusted_s"] == 0.0
    assert "may be higher" not in Tags(page(tree, [], METRIC)).text
    sticks = FOLDER / "sensor-sticks" / "log.csv"
    assert main(["review", str(sticks), "--json", "--quiet"]) == 0
    stuck = json.loads(capsys.readouterr().out)
    minutes = long_words(stuck["data"]["untrusted_s"])
    assert stuck["data"]["untrusted_s"] > 60.0
    assert (
        f"The coolant reading was not believed for {minutes}: the true peak may be"
        in Tags(page(stuck, [], METRIC)).text
    )
    assert main(["review", str(sticks), "--quiet"]) == 0
    assert f"the coolant reading was not believed for {minutes}" in " ".join(capsys.readouterr().out.split()[:60])


def test_readings_nobody_believed_are_in_no_figure(capsys: pytest.CaptureFixture[str]) -> None:
    """A loose plug reads 130 C now and then: no time over the limit beside a peak under it."""
    jumps = FOLDER / "sensor-jumps" / "log.csv"
    assert main(["review", str(jumps), "--json", "--quiet"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert told["peak_c"] < told["limit_c"]
    assert told["over_limit_s"] == 0.0
    assert all(climb["peak_c"] <= told["peak_c"] for climb in told["climbs"])
    assert told["needle"]["crossed_at_s"] is None
    assert main(["review", str(jumps), "--json", "--quiet", "--readings-only"]) == 0
    assert json.loads(capsys.readouterr().out)["over_limit_s"] > 0.0, "readings alone doubt nothing"


def test_units_and_unknown() -> None:
    us = Units(US)
    assert us.temp(100.0, unit=True) == "212 F"
    assert us.step(-5.0, sign=True, unit=True) == "-9.0 F"
    assert us.length(100.0) == "328"
    assert us.distance(1.609344) == "1.0"
    assert {us.temp(None), us.step(None), us.speed(None), us.length(None)} == {"--"}
    assert [long_words(s) for s in (45.0, 150.0, 3900.0, 7260.0)] == ["45 s", "2 min", "65 min", "2:01 h"]


def test_without_matplotlib_it_says_what_to_install(
    log: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    real = builtins.__import__

    def without(name: str, *rest: Any) -> Any:
        if name.partition(".")[0] == "matplotlib":
            raise ImportError(name)
        return real(name, *rest)

    for name in [name for name in sys.modules if name.partition(".")[0] == "matplotlib"]:
        monkeypatch.delitem(sys.modules, name)
    monkeypatch.setattr(builtins, "__import__", without)
    assert main(["review", str(log), "--out", str(tmp_path / "out")]) == 2
    assert "[plots]" in capsys.readouterr().err
    assert not (tmp_path / "out").exists()


def test_a_log_without_coolant_and_one_that_is_none(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Several logs: the bad ones are told of, the good one is still reviewed."""
    empty, other, good = tmp_path / "empty.csv", tmp_path / "other.csv", tmp_path / "good.csv"
    empty.write_text("time_s,coolant_c,rpm\n1,,800\n2,,800\n")
    other.write_text("something else\n")
    good.write_text("time_s,coolant_c\n" + "".join(f"{t},{80 + t // 20}\n" for t in range(100)))
    assert main(["review", str(empty), str(other), str(good), "--json", "--quiet"]) == 0
    told = capsys.readouterr()
    (tree,) = (json.loads(line) for line in told.out.splitlines())
    assert tree["peak_c"] == 84.0
    assert "expected coolant readings" in told.err
    assert "other.csv" in told.err
    assert main(["review", str(empty)]) == 1
    assert main(["review"]) == 2


def test_sensor_check_and_scrub_by_command(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    pairs = tmp_path / "pairs.csv"
    pairs.write_text("sensor_c,thermometer_c\n94,91\n95,92.1\n90,87\n97,93.9\n")
    assert main(["review", "--sensor-check", str(pairs)]) == 0
    told = capsys.readouterr().out
    assert "sensor_offset: 3.0 K" in told
    assert "does not agree" in told
    log, copy = tmp_path / "log.csv", tmp_path / "copy.csv"
    log.write_text("time_s,coolant_c,latitude_deg\n0,80,46.1\n1,80,46.2\n")
    assert main(["review", str(log), "--scrub", str(copy)]) == 0
    assert "46" not in copy.read_text().split("time_s")[1]
    assert main(["review", str(log), "--scrub", str(copy)]) == 2


class Study:
    """Stands for the study of short parts: says what it is told to."""

    @staticmethod
    def diagnose(drives: list[Any], profile: VehicleProfile, healthy: Sequence[Any]) -> SimpleNamespace:
        assert all(len(drive.t_s) for drive in [*drives, *healthy])
        evidence = SimpleNamespace(
            regime="idle and crawl", ac_on=True, minutes=12.3, drives=1, shed_pct=-31.0, low_pct=-40.0, high_pct=-22.0
        )
        odds = SimpleNamespace(state="weak_fan", words=f"weak fan {EVIL}", probability=0.83)
        return SimpleNamespace(
            state="weak_fan", words="the electric fan is weak", strength="fair", odds=(odds,), evidence=(evidence,),
            next_test="hold 2,000 rpm at standstill for three minutes, A/C off", missing=("grade",),
        )  # fmt: skip


def test_what_is_short_is_told_with_evidence_and_next_test(
    written: tuple[Path, dict[str, Any]], monkeypatch: pytest.MonkeyPatch
) -> None:
    _, tree = written
    monkeypatch.setattr(review_short, "find_spec", lambda _: object())
    monkeypatch.setattr(review_short, "import_module", lambda _: Study)
    short = review_short.short_tree([drive(10.0)], VehicleProfile())
    assert short is not None
    lines = review_short.short_lines(short)
    text = Tags(page({**tree, "short": short}, [], METRIC, [("What is short", "\n".join(lines))])).text
    for words in (
        "the electric fan is weak (evidence of this drive alone: fair)",
        "idle and crawl, A/C on, 12 min: heat shed per degree -31 %",
        "90 % interval -40 to -22 %",
        "Next test: hold 2,000 rpm at standstill for three minutes, A/C off.",
        "Not seen: grade.",
        "<script>",
        "qualified mechanic",
    ):
        assert words in text


def test_without_that_study_nothing_is_said_of_it(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(review_short, "find_spec", lambda _: None)
    assert review_short.short_tree([drive(10.0)], VehicleProfile()) is None


def test_several_drives_of_one_vehicle_are_looked_at_together(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(review_short, "find_spec", lambda _: object())
    monkeypatch.setattr(review_short, "import_module", lambda _: Study)
    mine, other = VehicleProfile("mine"), VehicleProfile("other")
    _tell_together([(drive(10.0), mine), (drive(20.0), mine)], True)
    assert json.loads(capsys.readouterr().out)["together"]["short"]["drives"] == 2
    _tell_together([(drive(10.0), mine), (drive(20.0), mine)], False)
    assert "(evidence of 2 drives: fair)" in capsys.readouterr().out
    _tell_together([(drive(10.0), mine), (drive(20.0), other)], False)
    _tell_together([(drive(10.0), mine)], False)
    assert capsys.readouterr().out == "", "not of different vehicles, and one drive was told of already"
    _tell_together([(drive(10.0), mine)], False, [drive(20.0), drive(30.0)])
    assert "(evidence of this drive alone against 2 when it was sound: fair)" in capsys.readouterr().out
    _tell_together([(drive(10.0), mine), (drive(20.0), other)], False, [drive(30.0)])
    told = capsys.readouterr()
    assert told.out == ""
    assert "--sound was not used: the logs carry different vehicles" in told.err


def test_sound_drives_are_read_and_those_of_no_use_are_named(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(review_short, "find_spec", lambda _: object())
    monkeypatch.setattr(review_short, "import_module", lambda _: Study)
    log, may, empty = tmp_path / "log.csv", tmp_path / "may.csv", tmp_path / "empty.csv"
    for path in (log, may):
        path.write_text("time_s,coolant_c\n" + "".join(f"{t},{90 + t % 2}\n" for t in range(60)))
    empty.write_text("time_s,rpm\n0,800\n1,800\n")
    assert main(["review", str(log), str(log), "--json", "--sound", str(may), str(may), str(empty)]) == 0
    told = capsys.readouterr()
    together = json.loads(told.out.splitlines()[-1])["together"]["short"]
    assert (together["drives"], together["sound_drives"]) == (1, 1)
    assert "left out: empty.csv: expected a column coolant_c" in told.err
    for wrong, status, words in (
        ([empty], 1, "at least one drive with coolant readings"),
        ([log], 2, "other logs than"),
        ([may, "--readings-only"], 2, "expected a whole review"),
    ):
        assert main(["review", str(log), "--sound", *map(str, wrong)]) == status
        assert words in capsys.readouterr().err
