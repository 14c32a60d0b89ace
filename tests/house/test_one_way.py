"""The rooms keep to one way: who may import whom, and which rooms stay pure (docs/architecture.md)."""

from __future__ import annotations

import ast
from pathlib import Path

import pytest

HOUSE = Path(__file__).resolve().parents[2] / "livemon"
ORDER = (HOUSE.parent / "docs/architecture.md").read_text(encoding="utf-8").split("Order inside `core/`")[1]
CORE = next(line for line in ORDER.splitlines() if line.startswith("    ")).split()
IMPURE = {
    "time",
    "datetime",
    "random",
    "os",
    "io",
    "logging",
    "threading",
    "asyncio",
    "socket",
    "serial",
    "can",
    "rich",
}
OUTCOMES = {"livemon.core.events", "livemon.core.outcome", "livemon.core.units", "livemon.core.needle"}
MAY = {
    "wire": ("livemon.core.events", "livemon.wire"),
    "readers": ("livemon.core.events", "livemon.wire", "livemon.readers"),
    "outputs": (*OUTCOMES, "livemon.outputs"),
    "study": ("livemon.core", "livemon.wire.log_text", "livemon.study"),
    "sim": ("livemon.core", "livemon.wire", "livemon.sim"),
    "files": ("livemon.core", "livemon.files"),
}
FILES = sorted(HOUSE.rglob("*.py"))


def imports(path: Path) -> list[str]:
    """Every module named by an import statement, `from x import y` as both x and x.y when y is a module."""
    found = []
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            found += [alias.name for alias in node.names]
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path}: relative import"
            base = node.module or ""
            inner = [f"{base}.{a.name}" for a in node.names if _is_module(f"{base}.{a.name}")]
            found += inner or [base]
    return found


def _is_module(name: str) -> bool:
    where = HOUSE.parent / Path(*name.split("."))
    return name.startswith("livemon") and (where.with_suffix(".py").exists() or where.is_dir())


def within(module: str, allowed: tuple[str, ...]) -> bool:
    return any(module == name or module.startswith(name + ".") for name in allowed)


@pytest.mark.parametrize("path", FILES, ids=lambda p: str(p.relative_to(HOUSE)))
def test_imports_go_one_way(path: Path) -> None:
    room = path.relative_to(HOUSE).parts[0]
    for module in imports(path):
        if not module.startswith("livemon") or module in ("livemon.errors", "livemon"):
            continue
        where = f"{path.relative_to(HOUSE)} imports {module}"
        assert module != "livemon.cli" or path.name == "__main__.py", where
        assert not module.startswith(("livemon.run", "livemon.verbs")) or room in ("cli.py", "run.py", "verbs"), where
        if room == "core":
            assert module.startswith("livemon.core."), where
            mine, theirs = path.stem, module.split(".")[2]
            assert theirs in CORE, f"{where}: {theirs} has no place in the order of docs/architecture.md"
            assert CORE.index(theirs) < CORE.index(mine), f"{where}: against the order"
        elif room in MAY:
            extra = {"recorder": ("livemon.wire.log_text",), "route_file": ("livemon.core.route",)}.get(path.stem, ())
            assert within(module, (*MAY[room], *extra)), where
        elif room in ("settings.py", "setting_keys.py"):
            assert not module.startswith(("livemon.run", "livemon.verbs", "livemon.sim")), where
        elif room == "errors.py":
            raise AssertionError(where)


def pure(path: Path) -> bool:
    parts = path.relative_to(HOUSE).parts
    return parts[0] in ("core", "wire", "study") or (
        parts[0] == "outputs" and path.stem.startswith(("view", "figures"))
    )


@pytest.mark.parametrize("path", [p for p in FILES if pure(p)], ids=lambda p: str(p.relative_to(HOUSE)))
def test_quiet_rooms_have_no_clock_and_no_io(path: Path) -> None:
    assert not {m.split(".")[0] for m in imports(path)} & IMPURE, path
    tree = ast.parse(path.read_text(encoding="utf-8"))
    called = {n.func.id for n in ast.walk(tree) if isinstance(n, ast.Call) and isinstance(n.func, ast.Name)}
    assert not called & {"open", "print"}, path


def test_every_core_file_has_its_place() -> None:
    files = {p.stem for p in (HOUSE / "core").glob("*.py")} - {"__init__"}
    assert files <= set(CORE), f"without a place in the order: {files - set(CORE)}"
