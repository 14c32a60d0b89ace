"""Keys of the passenger turned into marks: s silence, a A/C, h heater, f fan, n a note.

Takes the bytes as the terminal gives them, in any pieces, and touches no terminal itself.  Cursor and function keys are
swallowed; a note is at most 80 characters and is sent with Enter, dropped with Escape.
"""

from __future__ import annotations

import codecs
from collections.abc import Mapping
from typing import Final

MOST_NOTE: Final = 80
TOGGLES: Final[Mapping[str, str]] = {"a": "ac_on", "h": "heater_on", "f": "fan_on"}

Declared = tuple[tuple[tuple[str, bool], ...], str | None]
"""Inputs as (name, on) pairs, and a note."""


class Keys:
    """What has been typed so far; `note` is the text being entered, None when none is."""

    def __init__(self, only_silence: bool = False) -> None:
        """`only_silence`: the driver's view, where nothing else can be pressed."""
        self.note: str | None = None
        self._only_silence = only_silence
        self._escape = ""
        self._decoder = codecs.getincrementaldecoder("utf-8")("ignore")

    def feed(self, data: bytes, declared: Mapping[str, bool], silenced: bool) -> list[Declared]:
        """What these bytes declare.  A quantity never declared is first declared on."""
        out: list[Declared] = []
        now = {**declared, "silenced": silenced}
        for character in self._decoder.decode(data):
            for said in self._key(character, now):
                out.append(said)
                now.update(dict(said[0]))
        return out

    def _key(self, character: str, now: Mapping[str, bool]) -> list[Declared]:
        if self._escape:
            return self._in_escape(character, now)
        if character == "\x1b":
            self._escape = character
            return []
        if self.note is not None:
            return self._in_note(character)
        key = character.lower()
        if key == "s":
            return [((("silenced", not now["silenced"]),), None)]
        if self._only_silence:
            return []
        if key == "n":
            self.note = ""
        elif key in TOGGLES:
            name = TOGGLES[key]
            return [(((name, not now.get(name, False)),), None)]
        return []

    def _in_escape(self, character: str, now: Mapping[str, bool]) -> list[Declared]:
        """Swallow a cursor or function key; a lone Escape drops the note, and the next key counts."""
        first = self._escape == "\x1b"
        if first and character in "[O":
            self._escape += character
            return []
        if not first and not ("@" <= character <= "~") and len(self._escape) < 16:
            self._escape += character
            return []
        self._escape = ""
        if not first:
            return []
        self.note = None
        return self._key(character, now) if character != "\x1b" else []

    def _in_note(self, character: str) -> list[Declared]:
        note = self.note or ""
        if character in "\r\n":
            self.note = None
            return [((), note.strip())] if note.strip() else []
        if character in "\x7f\b":
            self.note = note[:-1]
        elif character.isprintable() and len(note) < MOST_NOTE:
            self.note = note + character
        return []
