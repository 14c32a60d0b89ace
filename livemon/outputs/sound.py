"""Sounds by level: synthesised here, played without waiting, silent when silenced.

What sounds when is decided by one small function (`due`) from the level alone; docs/alerts.md has the levels and says
when silence ends.  The more urgent, the more pulses, the faster and the higher, after the idea (not the figures) of the
alarm priorities of IEC 60601-1-8; an advisory makes no sound unless asked for.  Knows nothing of why a level stands.
"""

from __future__ import annotations

import os
import select
import shutil
import subprocess
import sys
import tempfile
import wave
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from livemon.core.outcome import Level
from livemon.errors import SetupError

RATE_HZ: Final = 22_050
HARMONICS: Final = (1.0, 0.55, 0.35, 0.22, 0.14)
"""Fundamental and four harmonics: a sound of several partials is found by ear where one pure tone is masked."""
RAMP_S: Final = 0.012
PLAYER_PATIENCE_MS: Final = 8_000
MAX_FAILURES: Final = 3
MAX_SPOKEN_CHARS: Final = 80
WAYS: Final = ("auto", "aplay", "bell", "none")


@dataclass(frozen=True, slots=True)
class SoundSettings:
    """How it sounds; `device` is a name of `aplay -L`, "" = the default one."""

    way: str = "auto"
    device: str = ""
    volume_pct: float = 80.0
    advisory: bool = False
    speak: bool = False
    caution_every_s: float = 20.0
    warning_every_s: float = 6.0


@dataclass(frozen=True, slots=True)
class Pattern:
    """Pulses as (fundamental [Hz], start [s], length [s])."""

    name: str
    pulses: tuple[tuple[float, float, float], ...]


def _row(
    hz: float, count: int, from_s: float, step_s: float, length_s: float
) -> tuple[tuple[float, float, float], ...]:
    return tuple((hz, from_s + k * step_s, length_s) for k in range(count))


# Fundamentals within 150 to 1000 Hz and lengths within 75 to 250 ms, as the standard is quoted; the tunes are our own.
PATTERNS: Final[dict[str, Pattern]] = {
    "warning": Pattern("warning", (*_row(880, 5, 0.0, 0.20, 0.13), *_row(880, 5, 1.35, 0.20, 0.13))),
    "caution": Pattern("caution", ((587, 0.0, 0.20), (587, 0.36, 0.20), (494, 0.72, 0.24))),
    "advisory": Pattern("advisory", ((392, 0.0, 0.22),)),
    "over": Pattern("over", ((392, 0.0, 0.20), (523, 0.26, 0.24))),
}
"""`over` tells that caution or warning has ended: the only tune that rises."""


@dataclass(frozen=True, slots=True)
class Heard:
    """What has sounded: the level then, and when the last tune was due [ms]."""

    level: Level = Level.UNKNOWN
    at_ms: int = 0


def due(heard: Heard, level: Level, silenced: bool, now_ms: int, settings: SoundSettings) -> tuple[Heard, str]:
    """The tune due now ("" = none): at once when the level worsens, again at its interval, `over` when it has passed.

    Silence keeps everything quiet but does not shift the interval: when it ends the sound is back at once.
    """
    if level > heard.level:
        if level is Level.NORMAL or (level is Level.ADVISORY and not settings.advisory):
            return Heard(level, now_ms), ""
        if silenced:
            return Heard(level, heard.at_ms), ""
        return Heard(level, now_ms), level.word
    if level < heard.level:
        passed = heard.level >= Level.CAUTION and Level.UNKNOWN < level < Level.CAUTION
        if level >= Level.CAUTION:  # from warning to caution: the caution's own interval goes on
            return Heard(level, heard.at_ms), ""
        return Heard(level, now_ms), "over" if passed and not silenced else ""
    every_s = {Level.CAUTION: settings.caution_every_s, Level.WARNING: settings.warning_every_s}.get(level)
    if every_s is None or silenced or now_ms - heard.at_ms < every_s * 1000:
        return heard, ""
    return Heard(level, now_ms), level.word


def samples(pattern: Pattern, volume_pct: float) -> bytes:
    """The tune as mono 16-bit little-endian samples at `RATE_HZ`."""
    import numpy as np  # here, so that settings can be read without it

    end_s = max(start + length for _, start, length in pattern.pulses)
    sound = np.zeros(int((end_s + 0.05) * RATE_HZ))
    for hz, start_s, length_s in pattern.pulses:
        t = np.arange(int(length_s * RATE_HZ)) / RATE_HZ
        tone = sum(share * np.sin(2 * np.pi * hz * (k + 1) * t) for k, share in enumerate(HARMONICS))
        edge = np.minimum(np.minimum(t, length_s - t) / RAMP_S, 1.0)
        first = int(start_s * RATE_HZ)
        sound[first : first + len(t)] += tone * 0.5 * (1 - np.cos(np.pi * edge))  # no click at either end
    peak = float(np.max(np.abs(sound)))
    return bytes((sound / peak * 32_000 * volume_pct / 100).astype("<i2").tobytes())


def write_tunes(folder: Path, volume_pct: float) -> dict[str, Path]:
    """One WAV file a tune."""
    paths = {}
    for name, pattern in PATTERNS.items():
        paths[name] = folder / f"{name}.wav"
        with wave.open(str(paths[name]), "wb") as out:
            out.setnchannels(1)
            out.setsampwidth(2)
            out.setframerate(RATE_HZ)
            out.writeframes(samples(pattern, volume_pct))
    return paths


def terminal_bell() -> None:
    """Ring the terminal's bell if there is one that takes it at once."""
    out = sys.__stdout__
    if out is None or not out.isatty():
        return
    if select.select([], [out.fileno()], [], 0)[1]:
        os.write(out.fileno(), b"\a")


class Sound:
    """Plays tunes and words in processes of their own; every call returns at once."""

    def __init__(self, settings: SoundSettings, *, bell: Callable[[], None] = terminal_bell) -> None:
        """Find the players; write the tunes to a folder of our own if they will be played."""
        if settings.way not in WAYS:
            raise SetupError("sound.way", f"one of {', '.join(WAYS)}", repr(settings.way))
        self._settings = settings
        self._bell = bell
        self._aplay = shutil.which("aplay") if settings.way in ("auto", "aplay") else None
        self._speaker = shutil.which("espeak-ng") if settings.speak else None
        self._folder = tempfile.TemporaryDirectory(prefix="livemon-") if self._aplay else None
        self._tunes = {} if self._folder is None else write_tunes(Path(self._folder.name), settings.volume_pct)
        self._heard = Heard()
        self._child: subprocess.Popen[bytes] | None = None
        self._since_ms = 0
        self._playing = ""
        self._words = ""
        self._failures = 0
        self.note = ""
        if settings.way == "aplay" and self._aplay is None:
            self.note = "sound: aplay is not installed (alsa-utils); ringing the terminal's bell"
        elif settings.speak and self._speaker is None:
            self.note = "sound: espeak-ng is not installed; tones only"

    def play(self, level: Level, silenced: bool, now_ms: int, words: str = "") -> None:
        """Once a second: sound what is due.  `words`: what to say after the tune when the level has worsened."""
        worsened = level > self._heard.level
        self._heard, tune = due(self._heard, level, silenced, now_ms, self._settings)
        if silenced:
            self._words = ""
        busy = self._look_after(now_ms)
        if tune and self._settings.way != "none":
            if worsened and words and self._speaker:
                self._words = words[:MAX_SPOKEN_CHARS]
            if busy and worsened:  # the worse news goes first
                self._end()
                busy = False
            if not busy:
                self._sound(tune, now_ms)
        elif self._words and not busy and self._speaker:
            self._start([self._speaker, "-s", "150", "--", self._words], "speech", now_ms)
            self._words = ""

    def close(self) -> None:
        """End what is sounding, remove the tunes."""
        self._end()
        if self._folder is not None:
            self._folder.cleanup()
            self._folder = None

    def _sound(self, tune: str, now_ms: int) -> None:
        if self._aplay is None:
            self._bell()
            return
        device = ["-D", self._settings.device] if self._settings.device else []
        self._start([self._aplay, "-q", *device, str(self._tunes[tune])], tune, now_ms)

    def _start(self, command: list[str], what: str, now_ms: int) -> None:
        try:
            self._child = subprocess.Popen(
                command, stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
            )
            self._since_ms, self._playing = now_ms, what
        except OSError as error:
            self._failed(f"{command[0]}: {error.strerror}")

    def _look_after(self, now_ms: int) -> bool:
        """Reap the player; True while it still plays.  Without a sound card it fails: then the bell takes over."""
        if self._child is None:
            return False
        code = self._child.poll()
        if code is None and now_ms - self._since_ms <= PLAYER_PATIENCE_MS:
            return True
        if code is None:
            self._end()
            self._failed(f"the {self._playing} did not end")
            return False
        self._child = None
        if code != 0 and self._playing != "speech":
            self._failed("aplay could not play: is there a sound card (aplay -l)?")
        elif code == 0:
            self._failures = 0
        return False

    def _failed(self, why: str) -> None:
        self._failures += 1
        self.note = f"sound: {why}"
        self._bell()  # the tune was due and did not sound
        if self._failures >= MAX_FAILURES:
            self._aplay = None
            self.note += "; ringing the terminal's bell from now on"

    def _end(self) -> None:
        if self._child is not None:
            self._child.kill()
            try:
                self._child.wait(0.2)  # killed: ends at once unless the sound driver hangs
            except subprocess.TimeoutExpired:
                self.note = "sound: the player cannot be ended: sound driver"
            self._child = None
