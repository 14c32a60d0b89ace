"""What sounds when, how it sounds, and that no player can hold the monitor up.

The bounds of pulses are those of IEC 60601-1-8 as quoted in the project's fact sheet (from memory there, so checked as
our own choice): fundamental 150 to 1000 Hz, at least four harmonics, pulses 75 to 250 ms.
"""

from __future__ import annotations

import os
import stat
import time
import wave
from pathlib import Path

import numpy as np
import pytest

from livemon.core.outcome import Level
from livemon.errors import SetupError
from livemon.outputs.sound import (
    HARMONICS,
    MAX_FAILURES,
    PATTERNS,
    RATE_HZ,
    Heard,
    Sound,
    SoundSettings,
    due,
    samples,
    write_tunes,
)

U, N, A, C, W = Level
SETTINGS = SoundSettings()


def heard_over(levels: list[tuple[Level, bool]], settings: SoundSettings = SETTINGS) -> dict[int, str]:
    """The tunes by second."""
    heard, tunes = Heard(), {}
    for second, (level, silenced) in enumerate(levels):
        heard, tune = due(heard, level, silenced, second * 1000, settings)
        if tune:
            tunes[second] = tune
    return tunes


def test_quiet_until_it_matters() -> None:
    assert heard_over([(U, False)] * 5 + [(N, False)] * 50 + [(A, False)] * 50 + [(N, False)] * 5) == {}


def test_an_advisory_sounds_once_if_asked_for() -> None:
    assert heard_over([(N, False)] * 5 + [(A, False)] * 500, SoundSettings(advisory=True)) == {5: "advisory"}


def test_a_caution_sounds_at_once_and_each_twenty_seconds() -> None:
    assert heard_over([(N, False)] * 3 + [(C, False)] * 45) == {3: "caution", 23: "caution", 43: "caution"}


def test_a_warning_follows_a_caution_at_once_and_repeats_faster() -> None:
    told = heard_over([(C, False)] * 5 + [(W, False)] * 14)
    assert told == {0: "caution", 5: "warning", 11: "warning", 17: "warning"}


def test_silence_is_silent_and_the_sound_comes_back_when_it_ends() -> None:
    told = heard_over([(C, False)] * 2 + [(C, True)] * 180 + [(C, False)] * 3)
    assert told == {0: "caution", 182: "caution"}


def test_a_worse_level_sounds_when_the_core_lifts_the_silence() -> None:
    assert heard_over([(C, True)] * 30 + [(W, False)] * 2) == {30: "warning"}


def test_the_end_is_told_once_but_lost_data_are_no_end() -> None:
    assert heard_over([(C, False), (N, False), (N, False)]) == {0: "caution", 1: "over"}
    assert heard_over([(W, False), (C, False), (A, False), (N, False)]) == {0: "warning", 2: "over"}
    assert heard_over([(C, False), (U, False)]) == {0: "caution"}
    assert heard_over([(C, True), (N, True)]) == {}


def test_tunes_are_told_apart_and_never_overlap_their_repeat() -> None:
    counts = {name: len(p.pulses) for name, p in PATTERNS.items()}
    assert counts["warning"] > counts["caution"] > counts["advisory"]
    pace = {name: len(p.pulses) / (p.pulses[-1][1] + p.pulses[-1][2]) for name, p in PATTERNS.items()}
    assert pace["warning"] > pace["caution"]
    for pattern in PATTERNS.values():
        for (hz, start, length), following in zip(pattern.pulses, (*pattern.pulses[1:], None), strict=True):
            assert 150 <= hz <= 1000
            assert 0.075 <= length <= 0.25
            assert following is None or following[1] >= start + length
    assert PATTERNS["warning"].pulses[-1][1] + 1 < SETTINGS.warning_every_s


@pytest.mark.parametrize("name", PATTERNS)
def test_the_samples_hold_the_tune(name: str) -> None:
    pattern = PATTERNS[name]
    sound = np.frombuffer(samples(pattern, 80), dtype="<i2").astype(float)
    assert np.max(np.abs(sound)) == pytest.approx(32_000 * 0.8, abs=2), "loud as asked, no clipping"
    hz, start, length = pattern.pulses[0]
    part = sound[int(start * RATE_HZ) : int((start + length) * RATE_HZ)]
    spectrum = np.abs(np.fft.rfft(part * np.hanning(len(part)), 1 << 16))
    for k in range(len(HARMONICS)):  # each harmonic stands out from what lies between them
        at = round(hz * (k + 1) * (1 << 16) / RATE_HZ)
        between = round(hz * (k + 1.5) * (1 << 16) / RATE_HZ)
        assert spectrum[at - 20 : at + 20].max() > 5 * spectrum[between - 20 : between + 20].max()
    assert abs(sound[0]) < 100, "no click at the start"
    assert np.max(np.abs(np.diff(sound))) < 32_000 * 0.8, "no click within"


def test_the_files_are_wav(tmp_path: Path) -> None:
    for path in write_tunes(tmp_path, 50).values():
        with wave.open(str(path)) as tune:
            assert (tune.getnchannels(), tune.getsampwidth(), tune.getframerate()) == (1, 2, RATE_HZ)
            assert 0.2 < tune.getnframes() / RATE_HZ < 3


class Bench:
    """Players made of shell: they write down how they were called, then do as told."""

    def __init__(self, folder: Path, monkeypatch: pytest.MonkeyPatch, then: str = "exit 0") -> None:
        self.log = folder / "called"
        self.log.touch()
        for name in ("aplay", "espeak-ng"):
            script = folder / name
            script.write_text(f'#!/bin/sh\necho {name} "$@" >> {self.log}\n{then}\n')
            script.chmod(script.stat().st_mode | stat.S_IXUSR)
        monkeypatch.setenv("PATH", f"{folder}:{os.environ['PATH']}")
        self.rung = 0

    def ring(self) -> None:
        self.rung += 1

    def calls(self) -> list[str]:
        return [line.split()[0] + " " + line.split()[-1].split("/")[-1] for line in self.log.read_text().splitlines()]


def settle(sound: Sound) -> None:
    until = time.monotonic() + 5
    while sound._child is not None and sound._child.poll() is None and time.monotonic() < until:
        time.sleep(0.01)


def test_tune_first_then_words(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    bench = Bench(tmp_path, monkeypatch)
    sound = Sound(SoundSettings(speak=True), bell=bench.ring)
    for second in range(4):
        sound.play(Level.CAUTION, False, second * 1000, "caution. A/C off")
        settle(sound)
    assert bench.calls() == ["aplay caution.wav", "espeak-ng off"]
    assert "-- caution. A/C off" in bench.log.read_text(), "words are never taken for options"
    sound.close()
    assert bench.rung == 0


def test_a_hanging_player_holds_nothing_up_and_worse_news_goes_first(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    bench = Bench(tmp_path, monkeypatch, then="exec sleep 60")
    sound = Sound(SETTINGS, bell=bench.ring)
    began = time.monotonic()
    sound.play(Level.CAUTION, False, 0)
    sound.play(Level.CAUTION, False, 1000)
    first = sound._child
    sound.play(Level.WARNING, False, 2000)
    assert first is not None
    assert first.poll() is not None, "ended for the warning"
    sound.play(Level.WARNING, False, 20_000)
    assert time.monotonic() - began < 2
    assert "did not end" in sound.note
    sound.close()


def test_without_a_sound_card_the_bell_rings(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    bench = Bench(tmp_path, monkeypatch, then="exit 1")
    sound = Sound(SETTINGS, bell=bench.ring)
    for second in range(0, 60, 2):
        sound.play(Level.WARNING, False, second * 1000)
        settle(sound)
    assert "bell" in sound.note
    assert len(bench.calls()) == MAX_FAILURES
    assert bench.rung == 10, "each tune that was due has rung, by whichever way"
    sound.close()


def test_bell_only_and_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    bench = Bench(tmp_path, monkeypatch)
    for way, rung in (("bell", 1), ("none", 1)):
        sound = Sound(SoundSettings(way=way), bell=bench.ring)
        sound.play(Level.CAUTION, False, 0)
        sound.close()
        assert bench.rung == rung
    assert bench.calls() == []
    with pytest.raises(SetupError, match=r"sound\.way"):
        Sound(SoundSettings(way="loud"))


def test_missing_players_are_told(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("PATH", "/nowhere")
    assert "aplay is not installed" in Sound(SoundSettings(way="aplay"), bell=lambda: None).note
    assert "espeak-ng" in Sound(SoundSettings(speak=True), bell=lambda: None).note
