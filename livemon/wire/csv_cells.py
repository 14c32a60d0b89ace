"""Cells of one CSV record by RFC 4180, both ways.

Works on a text that is one record, or the start of one; knows nothing of columns.  Stricter than the csv module where
a torn row would otherwise pass for a whole one.
"""

from __future__ import annotations


def quoted(text: str) -> str:
    """`text` as one RFC 4180 cell."""
    if any(c in text for c in ',"\n\r') or text != text.strip():
        return '"' + text.replace('"', '""') + '"'
    return text


def split_cells(line: str) -> list[str] | None:
    """Cells of one record by RFC 4180; None while a quote is still open; ValueError when text follows a quote."""
    cells: list[str] = []
    at, end_of_line = 0, len(line)
    while True:
        if line.startswith('"', at):
            parts: list[str] = []
            at += 1
            while True:
                end = line.find('"', at)
                if end < 0:
                    return None
                parts.append(line[at:end])
                at = end + 1
                if not line.startswith('"', at):
                    break
                parts.append('"')
                at += 1
            cells.append("".join(parts))
            if at < end_of_line and line[at] != ",":
                raise ValueError("text after a closing quote")
        else:
            end = line.find(",", at)
            end = end_of_line if end < 0 else end
            cells.append(line[at:end])
            at = end
        if at >= end_of_line:
            return cells
        at += 1
