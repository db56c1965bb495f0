"""Which test files belong to a file of the code, by what imports what; and whose compiled code a fault may lie in."""

from __future__ import annotations

import ast
from collections import deque
from collections.abc import Iterable
from functools import cache
from pathlib import Path

__all__ = ["Imports", "is_in_compiled", "reaches_compiled"]

_COMPILES = ("njit", "jitable", "compiled")


class Imports:
    """Who imports whom among the project's files.

    Parameters
    ----------
    root : Path
        The checkout.
    """

    def __init__(self, root: Path) -> None:
        self.root = root
        files = [p for top in ("vision", "monitor", "tests") for p in sorted((root / top).rglob("*.py"))]
        self._file_of = {_module(p.relative_to(root)): p.relative_to(root) for p in files}
        self._users: dict[Path, set[Path]] = {p: set() for p in self._file_of.values()}
        for path in self._file_of.values():
            for used in self._used_by(path):
                self._users[used].add(path)

    def users(self, path: Path) -> dict[Path, int]:
        """Every file that uses this one, and over how many imports; itself at 0."""
        far, waiting = {path: 0}, deque([path])
        while waiting:
            now = waiting.popleft()
            for user in self._users[now] - far.keys():
                far[user] = far[now] + 1
                waiting.append(user)
        return far

    def tests(self, path: Path) -> list[tuple[int, Path]]:
        """Test files that use this file, nearest first; of equals those of its own room."""
        found = [(far, p) for p, far in self.users(path).items() if p.parts[0] == "tests"
                 and p.name.startswith("test_")]
        same, rooms = path.stem, set(path.parts)

        def order(item: tuple[int, Path]) -> tuple[int, int, str]:
            far, test = item
            return far - 2 * (same in test.stem), -len(rooms & set(test.parts)), str(test)
        return sorted(found, key=order)

    @cache
    def _used_by(self, path: Path) -> set[Path]:
        tree = ast.parse((self.root / path).read_text(encoding="utf-8"))
        return {self._file_of[name] for name in _names(tree) if name in self._file_of}


def reaches_compiled(source: str, line: int) -> bool:
    """Whether other files' compiled code may hold what stands in a line: a compiled function, or what the file's
    constants are made of; what runs as plain Python is never in it."""
    body = ast.parse(source).body
    within = next((node for node in body if isinstance(node, ast.FunctionDef | ast.ClassDef)
                   and node.lineno <= line <= (node.end_lineno or 0)), None)
    if within is None:
        return True
    if _is_compiled(within):
        return True
    constants = (node for node in body if not isinstance(node, ast.FunctionDef | ast.ClassDef | ast.ImportFrom))
    return any(isinstance(n, ast.Name) and n.id == within.name for node in constants for n in ast.walk(node))


def is_in_compiled(source: str, line: int) -> bool:
    """Whether a line stands in a function that is compiled."""
    return any(_is_compiled(node) and node.lineno <= line <= (node.end_lineno or 0) for node in ast.parse(source).body)


def _is_compiled(node: ast.stmt) -> bool:
    return isinstance(node, ast.FunctionDef) and any(word in ast.unparse(d) for d in node.decorator_list
                                                     for word in _COMPILES)


def _module(path: Path) -> str:
    parts = path.with_suffix("").parts
    return ".".join(parts[:-1] if parts[-1] == "__init__" else parts)


def _names(tree: ast.AST) -> Iterable[str]:
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom) and node.module and not node.level:
            yield node.module
            yield from (f"{node.module}.{alias.name}" for alias in node.names)
        elif isinstance(node, ast.Constant) and isinstance(node.value, str) and node.value.startswith("monitor."):
            yield node.value.partition(":")[0]  # commands name their work as text
