"""The error tree: ours, theirs, set-up.  Every message says what was expected, what came, where, what next.

`LivemonError.exit_status` is what the command line returns: 1 the run ended badly, 2 bad usage, settings or input.
Bad *data* inside a readable log or on a live link is never an error: it is counted and skipped.
"""

from __future__ import annotations


def printable(text: str) -> str:
    """`text` for a terminal: control characters, which it would obey, as their codes (`\\x1b`); line ends stay.

    For whatever came out of a file or off a wire; screens, page and JSON lines see to it themselves.
    """
    if text.isprintable():
        return text
    return "".join(c if c.isprintable() or c == "\n" else c.encode("unicode_escape").decode() for c in text)


class LivemonError(Exception):
    """Base of every error this program raises on purpose."""

    exit_status = 1


class SetupError(LivemonError):
    """Usage, settings, profile or input file is wrong: the start is refused."""

    exit_status = 2

    def __init__(self, where: str, expected: str, found: str, todo: str = "") -> None:
        self.where, self.expected, self.found, self.todo = where, expected, found, todo
        text = f"{where}: expected {expected}, found {found}"
        super().__init__(f"{text}. {todo}" if todo else text)

    def __reduce__(self) -> tuple[type[SetupError], tuple[str, str, str, str]]:
        """Comes back whole from a worker process; the default would call it with its text alone, and break the pool."""
        return type(self), (self.where, self.expected, self.found, self.todo)


class NoDataError(LivemonError):
    """The run ended without anything of use: no reply, no coolant reading, no J1979 frame."""

    exit_status = 1


class ForbiddenRequestError(LivemonError):
    """Our own fault: something tried to send bytes that are not on the allow-list.  Nothing was sent."""

    exit_status = 1
