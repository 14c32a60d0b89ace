"""Lamp, buzzer and switches on the Pi's header, through gpiozero (an extra).

Lamp and buzzer follow the level with patterns slow enough for comfort (under three flashes a second) and told apart by
rhythm.  The silence button and the A/C, heater and fan switches come back as marks with the name of the input they
declare.  A pin that cannot be had is told of and left out; nothing here can stop the monitor.
"""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Any, Final

from livemon.core.events import Mark
from livemon.core.outcome import Level
from livemon.errors import SetupError

PINS: Final = range(2, 28)
"""GPIO numbers on the 40-pin header (not pin numbers); 0 and 1 are for board identification, so 0 can mean none."""
DEBOUNCE_S: Final = 0.05

LAMP: Final[dict[Level, tuple[float, float] | bool]] = {
    Level.UNKNOWN: False,
    Level.NORMAL: False,
    Level.ADVISORY: False,
    Level.CAUTION: (0.8, 0.8),
    Level.WARNING: (0.25, 0.25),
}
"""Seconds on and off: warning twice a second, caution 0.6 a second (IEC 60601-1-8 as quoted: 1.4-2.8 and 0.4-0.8)."""
BUZZER: Final[dict[Level, tuple[float, float, int, float]]] = {
    Level.CAUTION: (0.2, 0.2, 3, 20.0),
    Level.WARNING: (0.12, 0.10, 10, 6.0),
}
"""Seconds on and off, pulses, and the pause in seconds from one burst's begin to the next."""


@dataclass(frozen=True, slots=True)
class LampSettings:
    """GPIO numbers of what is wired; 0 = not wired.  Switches close to ground; docs/wiring.md."""

    lamp: int = 0
    buzzer: int = 0
    silence_button: int = 0
    ac_switch: int = 0
    heater_switch: int = 0
    fan_switch: int = 0


def validate(settings: LampSettings) -> None:
    """Refuse pins that are none, or wired twice."""
    used: dict[int, str] = {}
    for name in LampSettings.__dataclass_fields__:
        pin = getattr(settings, name)
        if pin == 0:
            continue
        if pin not in PINS:
            raise SetupError(f"lamp.{name}", f"a GPIO number from {PINS[0]} to {PINS[-1]}", str(pin))
        if pin in used:
            raise SetupError(f"lamp.{name}", "a GPIO number of its own", f"{pin}, which is also {used[pin]}")
        used[pin] = name


class Lamp:
    """The wired things; every call returns at once (gpiozero blinks in threads of its own)."""

    def __init__(self, settings: LampSettings, factory: Any = None) -> None:
        """Take the pins.  `factory`: gpiozero pin factory, None = the board's own."""
        validate(settings)
        self.notes: list[str] = []
        self._lamp: Any = None
        self._buzzer: Any = None
        self._switches: dict[str, Any] = {}
        self._told: dict[str, bool] = {}
        self._button: Any = None
        self._pressed = False
        self._level = Level.UNKNOWN
        self._buzzed_ms: int | None = None
        if settings == LampSettings():
            return
        try:
            import gpiozero
        except ImportError:
            raise SetupError("lamp", "the gpio extra", "no gpiozero", "Install livemon[gpio]") from None
        outputs = (("lamp", settings.lamp), ("buzzer", settings.buzzer))
        taken = {
            name: self._take(name, pin, lambda p: gpiozero.DigitalOutputDevice(p, pin_factory=factory))
            for name, pin in outputs
        }
        self._lamp, self._buzzer = taken["lamp"], taken["buzzer"]

        def button(pin: int) -> Any:
            return gpiozero.Button(pin, pull_up=True, bounce_time=DEBOUNCE_S, pin_factory=factory)

        self._button = self._take("silence_button", settings.silence_button, button)
        for name, pin in (
            ("ac_on", settings.ac_switch),
            ("heater_on", settings.heater_switch),
            ("fan_on", settings.fan_switch),
        ):
            device = self._take(name, pin, button)
            if device is not None:
                self._switches[name] = device
        if self._button is not None:
            self._button.when_pressed = self._press

    def _take(self, name: str, pin: int, make: Callable[[int], Any]) -> Any:
        if pin == 0:
            return None
        try:
            return make(pin)
        except Exception as error:  # gpiozero's tree of errors differs by pin library
            self.notes.append(f"lamp: GPIO {pin} for {name} cannot be had ({type(error).__name__}: {error})"[:160])
            return None

    def _press(self) -> None:
        self._pressed = True  # from gpiozero's thread; read and cleared by `marks`

    def show(self, level: Level, silenced: bool, now_ms: int) -> None:
        """Once a second: lamp and buzzer as the level asks; silence stops the buzzer, never the lamp."""
        with self._guard():
            if self._lamp is not None and self._level is not level:
                pattern = LAMP[level]
                if isinstance(pattern, tuple):
                    self._lamp.blink(*pattern)
                else:
                    self._lamp.value = pattern
            burst = BUZZER.get(level)
            if self._buzzer is not None:
                worse = level > self._level
                if burst is None or silenced:
                    if self._buzzed_ms is not None:
                        self._buzzer.off()
                        self._buzzed_ms = None
                elif worse or self._buzzed_ms is None or now_ms - self._buzzed_ms >= burst[3] * 1000:
                    self._buzzer.blink(*burst[:3])
                    self._buzzed_ms = now_ms
        self._level = level

    def marks(self) -> tuple[Mark, ...]:
        """What button and switches declare since the last call (time still 0); the first call tells every switch."""
        inputs: list[tuple[str, bool]] = []
        with self._guard():
            if self._pressed:
                self._pressed = False
                inputs.append(("silenced", True))
            for name, device in self._switches.items():
                on = bool(device.is_pressed)
                if self._told.get(name) is not on:
                    self._told[name] = on
                    inputs.append((name, on))
        return (Mark(0, tuple(inputs)),) if inputs else ()

    def close(self) -> None:
        """Everything off, pins given back."""
        for device in (self._lamp, self._buzzer, self._button, *self._switches.values()):
            if device is not None:
                with self._guard():
                    device.close()
        self._lamp = self._buzzer = self._button = None
        self._switches = {}

    @contextlib.contextmanager
    def _guard(self) -> Iterator[None]:
        try:
            yield
        except Exception as error:  # a pin library in trouble must not reach the monitor
            if len(self.notes) < 8:
                self.notes.append(f"lamp: {type(error).__name__}: {error}"[:160])
