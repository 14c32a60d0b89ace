"""An ELM-style adapter that does not exist: characters in, characters out at their time, made-up control units behind.

Strategy: written from the public data sheet's behaviour, not from our own client, and as literal as the real thing: it
echoes, forgets its settings at a reset, repeats the last command on a bare CR, stops when it is interrupted and
swallows that character.  Time is an argument, so the same class runs behind a pseudo-terminal and in made-up time.
Everything that would have reached the vehicle is kept in `to_vehicle`, so that tests can look.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from random import Random
from typing import Final

from livemon.sim.ecu import GEARBOX, Unit, Values, answer, refusal
from livemon.sim.link_faults import JUMP_C, SLOW_FACTOR, LinkFault, spoil
from livemon.wire.elm_replies import CAN_PROTOCOLS, checksum_kline, crc_j1850

PWM, VPW, ISO9141, KWP_SLOW, KWP_FAST, CAN11_500, CAN29_500, CAN11_250, CAN29_250 = range(1, 10)

ECU_MS: Final[dict[int, float]] = {1: 30.0, 2: 45.0, 3: 63.0, 4: 63.0, 5: 63.0, 6: 8.0, 7: 8.0, 8: 10.0, 9: 10.0}
"""Request, reply delay and reply on the bus [ms].  K-line: 31 + 25 + 7 ms from the minima of P1 to P4; CAN and J1850
are orders of magnitude, from memory."""

GAP_MS: Final[dict[int, float]] = {3: 55.0, 4: 55.0, 5: 55.0}
"""K-line P3: least time from the end of a reply to the next request [ms]."""

LEGACY_ADDRESSES: Final = (0x10, 0x18, 0x28, 0x40)
CHAR_BITS: Final = 10


@dataclass(frozen=True, slots=True)
class Habits:
    """What this adapter is like; the defaults are a well-behaved one at 38400 baud."""

    protocol: int = CAN11_500
    banner: str = "ELM327 v1.5"
    baud: int = 38400
    latency_ms: float = 2.0
    """Delay of each answer on the way to us: 2 ms USB, 50 to 150 ms Bluetooth serial."""
    reset_ms: float = 600.0
    search_ms: float = 1500.0
    adaptive: bool = True
    """Shortens its wait for further replies (ATAT1); otherwise it waits the whole reply timeout."""
    refuses: frozenset[str] = frozenset()
    late_prompt_ms: float = 0.0
    two_bytes_only: bool = False
    blanks_garble: bool = False
    """Does not understand a request with blanks before it, as no data sheet allows."""
    three_line_protocol: bool = False
    voltage_without_v: bool = False
    time_scale: float = 1.0
    """Multiplies every delay; below 1 for tests over a real pseudo-terminal."""


CLONE: Final = Habits(
    banner="ELM327 v2.1",
    latency_ms=60.0,
    adaptive=False,
    refuses=frozenset({"ATAT1", "ATAT2", "AT@1", "ATST19"}),
    late_prompt_ms=200.0,
    two_bytes_only=True,
    three_line_protocol=True,
    voltage_without_v=True,
)
"""Quirks that public surveys of cheap adapters tell of, all at once."""


class Adapter:
    """`values` gives the vehicle's readings whenever one is asked for; `units` answer in the given order."""

    def __init__(
        self,
        values: Callable[[], Values],
        units: Sequence[Unit],
        habits: Habits | None = None,
        seed: int = 1,
    ) -> None:
        self.faults: frozenset[LinkFault] = frozenset()
        self.lines: deque[str] = deque(maxlen=20_000)
        self.to_vehicle: deque[bytes] = deque(maxlen=20_000)
        self._values = values
        self._units = tuple(units)
        self._sound_habits = habits or Habits()
        self._random = Random(seed)
        self._out: deque[tuple[float, bytes]] = deque()
        self._line = bytearray()
        self._last = ""
        self._held = b""
        self._busy_until_ms = 0.0
        self._bus_free_ms = 0.0
        self._frozen: dict[str, float] | None = None
        self._saved_protocol = 0
        self._forget()

    def _forget(self) -> None:
        """A reset: everything but the saved protocol goes back to the factory's settings."""
        self._echo, self._spaces, self._headers, self._line_feeds = True, True, False, False
        self._timeout_ms = 200.0
        self._open = False

    @property
    def _habits(self) -> Habits:
        sound = self._sound_habits
        if LinkFault.CLONE not in self.faults:
            return sound
        return replace(CLONE, protocol=sound.protocol, baud=sound.baud, time_scale=sound.time_scale)

    # -- time ---------------------------------------------------------------------------------------------------------

    def set_faults(self, faults: frozenset[LinkFault], now_ms: float) -> None:
        """The faults active from now on; those that are moments happen at once."""
        begun = faults - self.faults
        self.faults = faults
        if LinkFault.UNABLE_TO_CONNECT in begun:
            self._open = False
        if LinkFault.STUCK_SENSOR in begun:
            self._frozen = dict(self._values())
        if LinkFault.REBOOT in begun or LinkFault.LV_RESET in begun:
            words = f"\r\r{self._habits.banner}\r\r>" if LinkFault.REBOOT in begun else "\rLV RESET\r\r>"
            self._out.clear()
            self._forget()
            self._busy_until_ms = now_ms + self._ms(self._habits.reset_ms)
            self._print(words.encode(), self._busy_until_ms)

    def output(self, now_ms: float) -> bytes:
        """Characters that have come out by now."""
        ready = bytearray()
        while self._out and self._out[0][0] <= now_ms:
            ready += self._out.popleft()[1]
        return bytes(ready)

    def next_ms(self) -> float | None:
        """When the next character comes out, if one is due."""
        return self._out[0][0] if self._out else None

    def _ms(self, delay_ms: float) -> float:
        slow = SLOW_FACTOR if LinkFault.SLOW in self.faults else 1.0
        return delay_ms * slow * self._habits.time_scale

    def _print(self, text: bytes, at_ms: float) -> None:
        """Queue `text` as it leaves the chip, character by character at the line's speed."""
        if LinkFault.HANG in self.faults:
            return
        text = spoil(text, self.faults, self._random)
        each_ms = CHAR_BITS * 1000.0 / self._habits.baud
        pieces = [text[i : i + 1] for i in range(len(text))] if LinkFault.BYTE_BY_BYTE in self.faults else [text]
        if len(pieces) > 1:
            each_ms = 4.0
        at_ms += self._ms(self._habits.latency_ms)
        for piece in pieces:
            at_ms += self._ms(each_ms * len(piece))
            self._out.append((at_ms, piece))
        self._busy_until_ms = max(self._busy_until_ms, at_ms)

    # -- characters in ------------------------------------------------------------------------------------------------

    def feed(self, data: bytes, now_ms: float) -> None:
        """Characters come from the client."""
        for byte in data:
            char = bytes((byte,))
            if now_ms < self._busy_until_ms:
                # Interrupted: what was under way ends here, and the interrupting character is gone.
                self._out.clear()
                self._busy_until_ms = now_ms
                self._print(b"STOPPED\r\r>", now_ms)
                self._busy_until_ms = now_ms
                continue
            if (self._echo or LinkFault.STUCK_ECHO in self.faults) and LinkFault.HANG not in self.faults:
                self._out.append((now_ms, char))
            if char == b"\r":
                line = self._line.replace(b" ", b"").replace(b"\x00", b"").decode("ascii", "replace").upper()
                self._line.clear()
                self._obey(line or self._last, now_ms)
            elif len(self._line) < 64 and byte >= 0x20:
                blank = self._habits.blanks_garble and char == b" " and not self._line
                self._line += b"." if blank else char

    def _obey(self, line: str, now_ms: float) -> None:
        self._last = line
        self.lines.append(line)
        if line.startswith("AT"):
            self._obey_at(line, now_ms)
            return
        hexadecimal = bool(line) and all(c in "0123456789ABCDEF" for c in line)
        payload = bytes.fromhex(line[: len(line) // 2 * 2]) if hexadecimal else b""
        if not payload:
            self._say(["?"], now_ms)
            return
        if self._habits.two_bytes_only:
            payload = payload[:2]
        self._ask_vehicle(payload, int(line[-1], 16) if len(line) % 2 else 0, now_ms)

    def _say(self, lines: Sequence[str], at_ms: float) -> None:
        end = "\r\n" if self._line_feeds else "\r"
        body = end.join(lines) + end
        text = body.encode("latin-1") + end.encode() + b">"
        if LinkFault.LATE_REPLY in self.faults:
            self._held, text = text[:-1], self._held + b"\r>"
        elif self._held:
            self._held, text = b"", self._held + text
        late = self._habits.late_prompt_ms
        if late:
            self._print(text[:-1], at_ms)
            self._print(text[-1:], at_ms + self._ms(late))
        else:
            self._print(text, at_ms)

    # -- adapter commands ---------------------------------------------------------------------------------------------

    def _obey_at(self, line: str, now_ms: float) -> None:
        habits = self._habits
        at_ms = now_ms + self._ms(1.0)
        if line in habits.refuses:
            self._say(["?"], at_ms)
        elif line in ("ATZ", "ATWS"):
            self._forget()
            delay = habits.reset_ms if line == "ATZ" else habits.reset_ms / 3
            self._busy_until_ms = now_ms + self._ms(delay)
            self._say(["", "", habits.banner], self._busy_until_ms)
        elif line == "ATI":
            self._say([habits.banner], at_ms)
        elif line == "AT@1":
            self._say(["OBD interpreter"], at_ms)
        elif line == "ATRV":
            volts = self._values().get("voltage_v", 12.6)
            self._say([f"{volts:.1f}" + (">" if habits.voltage_without_v else "V")], at_ms)
        elif line == "ATDPN":
            digit = f"{habits.protocol:X}" if self._open else f"{self._saved_protocol:X}"
            found = f"A{digit}" if self._saved_protocol == 0 else digit
            self._say(["AUTO", "ISO", found] if habits.three_line_protocol else [found], at_ms)
        elif line.startswith("ATSP") and line[4:] in "0123456789" and len(line) == 5:
            self._saved_protocol, self._open = int(line[4]), False
            self._say(["OK"], at_ms)
        elif line.startswith("ATST") and len(line) == 6:
            self._timeout_ms = (int(line[4:], 16) or 0x32) * 4.0
            self._say(["OK"], at_ms)
        elif line in ("ATE0", "ATE1", "ATS0", "ATS1", "ATH0", "ATH1", "ATL0", "ATL1"):
            name = {"E": "_echo", "S": "_spaces", "H": "_headers", "L": "_line_feeds"}[line[2]]
            setattr(self, name, line[3] == "1")
            self._say(["OK"], at_ms)
        elif line in ("ATAT0", "ATAT1", "ATAT2", "ATPC", "ATD"):
            if line == "ATPC":
                self._open = False
            if line == "ATD":
                self._forget()
            self._say(["OK"], at_ms)
        else:
            self._say(["?"], at_ms)

    # -- the vehicle --------------------------------------------------------------------------------------------------

    def _present(self) -> Values:
        values = dict(self._values())
        if LinkFault.STUCK_SENSOR in self.faults and self._frozen is not None:
            values["coolant_c"] = self._frozen["coolant_c"]
        if LinkFault.JUMPING_SENSOR in self.faults and self._random.random() < 0.3:
            values["coolant_c"] = values.get("coolant_c", 90.0) + self._random.choice((-JUMP_C, JUMP_C))
        return values

    def _connect(self, now_ms: float) -> tuple[list[str], float] | None:
        """Open the protocol if it is not: words to print and the time it took; None if the vehicle is not there."""
        if self._open:
            return [], 0.0
        habits = self._habits
        fixed = self._saved_protocol
        if LinkFault.UNABLE_TO_CONNECT in self.faults or fixed not in (0, habits.protocol):
            return None
        self._open = True
        if fixed == 0:
            return ["SEARCHING..."], self._ms(habits.search_ms)
        if fixed in (ISO9141, KWP_SLOW):
            return ["BUS INIT: ...OK"], self._ms(2500.0)
        return (["BUS INIT: OK"], self._ms(400.0)) if fixed == KWP_FAST else ([], 0.0)

    def _ask_vehicle(self, payload: bytes, count: int, now_ms: float) -> None:
        habits, protocol = self._habits, self._habits.protocol
        at_ms = max(now_ms, self._bus_free_ms)
        opening = self._connect(at_ms)
        if opening is None:
            fixed = self._saved_protocol
            kline = fixed in GAP_MS
            words = "BUS INIT: ...ERROR" if kline else "NO DATA" if fixed in CAN_PROTOCOLS else "UNABLE TO CONNECT"
            if fixed == 0 or (LinkFault.UNABLE_TO_CONNECT in self.faults and not kline):
                words = "SEARCHING...\rUNABLE TO CONNECT"
            took = self._ms(habits.search_ms * (3 if fixed == 0 else 1))
            self._busy_until_ms = at_ms + took
            self._say([words], at_ms + took)
            return
        words_first, took = opening
        at_ms += took
        if LinkFault.CAN_ERROR in self.faults:
            self._open = False
            self._say([*words_first, "CAN ERROR" if protocol in CAN_PROTOCOLS else "BUS ERROR"], at_ms + self._ms(20.0))
            return
        self.to_vehicle.append(payload)
        lines: list[str] = []
        if LinkFault.NO_DATA not in self.faults:
            values = self._present()
            for number, unit in enumerate(self._answering()):
                lines += self._shown(number, self._unit_answers(unit, payload, values))
        wait_ms = self._timeout_ms
        if lines and habits.adaptive:
            wait_ms = min(wait_ms, max(24.0, ECU_MS[protocol] * 0.8))
        if count and len(lines) >= count:
            lines, wait_ms = lines[:count], 0.0
        took = ECU_MS[protocol] * max(1, len(lines)) if lines else 0.0
        done_ms = at_ms + self._ms(took + wait_ms)
        self._busy_until_ms = done_ms
        self._bus_free_ms = at_ms + self._ms(took + GAP_MS.get(protocol, 0.0))
        if LinkFault.BUFFER_FULL in self.faults and lines:
            lines = [lines[0][: len(lines[0]) // 2], "BUFFER FULL"]
        self._say([*words_first, *(lines or ["NO DATA"])], done_ms)

    def _answering(self) -> tuple[Unit, ...]:
        if LinkFault.DISAGREEING_ECUS in self.faults and len(self._units) == 1:
            return (*self._units, replace(GEARBOX, offsets={"coolant_c": -12.0}))
        return self._units

    def _unit_answers(self, unit: Unit, payload: bytes, values: Values) -> list[bytes]:
        """Payloads of one unit's frames or messages, in the form of the protocol in use."""
        can = self._habits.protocol in CAN_PROTOCOLS
        if LinkFault.NEGATIVE in self.faults:
            return [refusal(payload[0], 0x22)]
        reply = answer(unit if can else replace(unit, several=False), payload, values)
        if reply is None or can:
            return [] if reply is None else [reply]
        if payload[0] == 0x0A:
            return []
        if payload[0] in (0x03, 0x07):
            pairs = reply[2:] or bytes(6)
            return [reply[:1] + pairs[i : i + 6].ljust(6, b"\x00") for i in range(0, len(pairs), 6)]
        if payload[0] == 0x09 and len(reply) > 7:
            text = reply[3:].rjust(20, b"\x00")
            return [reply[:2] + bytes((i // 4 + 1,)) + text[i : i + 4] for i in range(0, 20, 4)]
        return [reply]

    def _shown(self, number: int, payloads: Sequence[bytes]) -> list[str]:
        """Lines an adapter prints for the payloads of unit `number`."""
        protocol = self._habits.protocol
        lines: list[str] = []
        for payload in payloads:
            if protocol in CAN_PROTOCOLS:
                lines += self._shown_can(number, payload)
                continue
            address = LEGACY_ADDRESSES[number % len(LEGACY_ADDRESSES)]
            head = {PWM: (0x41, 0x6B), VPW: (0x48, 0x6B), ISO9141: (0x48, 0x6B)}.get(protocol)
            frame = bytes((*(head or (0x80 | len(payload), 0xF1)), address)) + payload
            check = crc_j1850(frame) if protocol in (PWM, VPW) else checksum_kline(frame)
            lines.append(self._digits(frame + bytes((check,)) if self._headers else payload))
        return lines

    def _digits(self, data: bytes) -> str:
        return (data.hex(" ") if self._spaces else data.hex()).upper()

    def _shown_can(self, number: int, payload: bytes) -> list[str]:
        long_ids = self._habits.protocol in (CAN29_500, CAN29_250)
        name = f"18DAF1{LEGACY_ADDRESSES[number % 4]:02X}" if long_ids else f"7E{8 + number % 8:X}"
        if self._spaces and long_ids:
            name = " ".join(name[i : i + 2] for i in range(0, 8, 2))
        name = name + (" " if self._spaces else "") if self._headers else ""
        if len(payload) <= 7:
            data = bytes((len(payload),)) + payload if self._headers else payload
            return [name + self._digits(data)]
        if not self._headers:
            rest = payload[6:]
            lines = [f"{len(payload):03X}", "0:" + self._digits(payload[:6])]
            numbered = (f"{(i // 7 + 1) & 15:X}:" + self._digits(_seven(rest, i)) for i in range(0, len(rest), 7))
            return [*lines, *numbered]
        frames = [bytes((0x10 | len(payload) >> 8, len(payload) & 0xFF)) + payload[:6]]
        rest = payload[6:]
        frames += [bytes((0x20 | (i // 7 + 1) & 15,)) + _seven(rest, i) for i in range(0, len(rest), 7)]
        return [name + self._digits(frame) for frame in frames]


def _seven(data: bytes, start: int) -> bytes:
    """Seven bytes of a consecutive frame, padded."""
    return data[start : start + 7].ljust(7, b"\x00")
