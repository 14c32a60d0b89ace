"""Finds the real recordings that are not part of the project; a test that needs them skips where they are absent."""

from __future__ import annotations

from pathlib import Path

import pytest

_ROOTS = tuple(parent / "shared" / "datasets" for parent in Path(__file__).resolve().parents[1:4])


def dataset(relative: str) -> Path:
    """Path of a real recording; skips the calling test, saying so, where it is not there."""
    for root in _ROOTS:
        if (root / relative).exists():
            return root / relative
    pytest.skip(f"real recording {relative} is not here (looked beside the checkout in shared/datasets)")
