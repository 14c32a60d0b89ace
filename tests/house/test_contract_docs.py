"""The documents name what the code knows: columns, JSON keys, reasons for skipping, settings."""

from __future__ import annotations

import json
import re
from pathlib import Path

import pytest

from livemon.core.events import INPUTS, SIGNALS, Signal
from livemon.core.outcome import Action, Level, Outcome, Status
from livemon.outputs.json_lines import outcome_line, summary_line
from livemon.outputs.summary import Tally
from livemon.wire.log_text import COLUMNS

DOCS = Path(__file__).resolve().parents[2] / "docs"
NAMES, LOG_FORM, OUTPUT = ((DOCS / f"{name}.md").read_text() for name in ("names", "log-form", "output"))


@pytest.mark.parametrize("signal", SIGNALS.values(), ids=lambda s: s.name)
def test_every_signal_stands_in_names_with_its_range_and_decimals(signal: Signal) -> None:
    row = next(line for line in NAMES.splitlines() if line.startswith(f"| `{signal.name}` |"))
    cells = [cell.strip() for cell in row.split("|")[1:-1]]
    assert cells[2] in (f"{signal.low:.10g} to {signal.high:.10g}", "")
    assert cells[3] == str(signal.decimals)


def test_every_column_stands_in_names() -> None:
    assert [name for name in (*COLUMNS, *INPUTS) if f"| `{name}` |" not in NAMES] == []


def test_every_reason_for_skipping_stands_in_log_form() -> None:
    code = "".join(
        (DOCS.parent / "livemon" / name).read_text()
        for name in ("wire/log_text.py", "wire/log_rows.py", "readers/log_file.py")
    )
    found = re.findall(r'(?:_skip\(f?|skipped\[)"([^"]+)"', code)
    reasons = {reason.replace("{name}", "NAME") for reason in found}
    assert len(reasons) >= 14
    assert [reason for reason in sorted(reasons) if f"`{reason}`" not in LOG_FORM] == []


def test_every_key_and_word_stands_in_output() -> None:
    keys = json.loads(outcome_line(Outcome(0, Status.STARTING, Level.UNKNOWN)))
    keys |= json.loads(summary_line(Tally().summary(0, {})))["summary"]
    words = [w.value for w in (*Status, *Action)] + [level.word for level in Level]
    assert [name for name in (*keys, *words) if f"`{name}`" not in OUTPUT] == []
