"""The single-line faults that a file can be given: a comparison, a sign, an operator, off by one, a dropped guard."""

from __future__ import annotations

import ast
import re
from dataclasses import dataclass

__all__ = ["Fault", "faults_of"]

_COMPARED = {ast.Lt: ("<", "<="), ast.LtE: ("<=", "<"), ast.Gt: (">", ">="), ast.GtE: (">=", ">"), ast.Eq: ("==", "!="),
             ast.NotEq: ("!=", "==")}
_OPERATORS = {ast.Add: ("+", "-"), ast.Sub: ("-", "+"), ast.Mult: ("*", "/"), ast.Div: ("/", "*"), ast.Pow: ("**", "*")}
_EXTREMES = {"min": "max", "max": "min", "minimum": "maximum", "maximum": "minimum", "argmin": "argmax",
             "argmax": "argmin"}
_SPEAKING = {"log", "say", "print", "warn", "warning", "info", "debug", "error", "add_argument", "add_parser"}


@dataclass(frozen=True)
class Fault:
    """One change of one line.

    Attributes
    ----------
    kind : str
    line : int
        Counted from 1.
    start, end : int
        Characters of the file that are replaced.
    text : str
        What takes their place.
    """

    kind: str
    line: int
    start: int
    end: int
    text: str

    def planted(self, source: str) -> str:
        """The source with this fault in it; SyntaxError when it is none."""
        faulty = source[:self.start] + self.text + source[self.end:]
        compile(faulty, "planted", "exec")
        return faulty


def faults_of(source: str) -> list[Fault]:
    """All faults that this file can be given, in the order of its lines.

    Left alone: annotations, docstrings, what only words a message or a log line, `__all__`, and what runs for type
    checkers.
    """
    finder = _Finder(source)
    finder.visit(ast.parse(source))
    return sorted(set(finder.found), key=lambda f: (f.start, f.kind))


def _is_joined(node: ast.expr) -> bool:
    """Text and lists are put together with +, but not taken apart with -."""
    return isinstance(node, ast.JoinedStr | ast.List | ast.Tuple) or isinstance(getattr(node, "value", None), str)


class _Finder(ast.NodeVisitor):
    def __init__(self, source: str) -> None:
        self.source, self.found = source, []
        self._starts = [0]
        for line in source.splitlines(keepends=True):
            self._starts.append(self._starts[-1] + len(line))
        self._lines = source.splitlines(keepends=True)

    def visit_AnnAssign(self, node: ast.AnnAssign) -> None:
        if node.value is not None:
            self.visit(node.value)

    def visit_arg(self, node: ast.arg) -> None:
        """Annotations are left alone."""

    def visit_FunctionDef(self, node: ast.FunctionDef) -> None:
        for child in (*node.args.defaults, *(d for d in node.args.kw_defaults if d), *node.body):
            self.visit(child)

    def visit_JoinedStr(self, node: ast.JoinedStr) -> None:
        """Words are left alone."""

    def visit_Raise(self, node: ast.Raise) -> None:
        """So is what a message says."""

    def visit_If(self, node: ast.If) -> None:
        if isinstance(node.test, ast.Name) and node.test.id == "TYPE_CHECKING":
            return
        leaves = isinstance(node.body[-1], ast.Return | ast.Raise | ast.Continue | ast.Break)
        if leaves and len(node.body) == 1 and not node.orelse and node.test.lineno == node.test.end_lineno:
            self._add("dropped guard", node.test, *self._span(node.test), "False")
        self.generic_visit(node)

    def visit_Compare(self, node: ast.Compare) -> None:
        left = node.left
        for operator, right in zip(node.ops, node.comparators, strict=True):
            if type(operator) in _COMPARED:
                self._between("comparison", left, right, *_COMPARED[type(operator)])
            left = right
        self.generic_visit(node)

    def visit_BinOp(self, node: ast.BinOp) -> None:
        if type(node.op) in _OPERATORS and not any(map(_is_joined, (node.left, node.right))):
            self._between("operator", node.left, node.right, *_OPERATORS[type(node.op)])
        self.generic_visit(node)

    def visit_BoolOp(self, node: ast.BoolOp) -> None:
        was, becomes = ("and", "or") if isinstance(node.op, ast.And) else ("or", "and")
        self._between("and/or", node.values[0], node.values[1], was, becomes)
        self.generic_visit(node)

    def visit_UnaryOp(self, node: ast.UnaryOp) -> None:
        start, _ = self._span(node)
        if isinstance(node.op, ast.USub):
            self._add("sign", node, start, start + 1, "+")
        elif isinstance(node.op, ast.Not):
            self._add("sign", node, start, start + 3, "")
        self.generic_visit(node)

    def visit_Call(self, node: ast.Call) -> None:
        name = node.func.attr if isinstance(node.func, ast.Attribute) else getattr(node.func, "id", "")
        if name in _SPEAKING:
            return
        if name in _EXTREMES:
            end = self._span(node.func)[1]
            self._add("min/max", node, end - len(name), end, _EXTREMES[name])
        if name == "range" and node.args:
            _, end = self._span(node.args[min(1, len(node.args) - 1)])
            self._add("off by one", node, end, end, " - 1")
        self.generic_visit(node)

    def visit_Subscript(self, node: ast.Subscript) -> None:
        for part in (node.slice.elts if isinstance(node.slice, ast.Tuple) else (node.slice,)):
            for index in ((part.lower, part.upper) if isinstance(part, ast.Slice) else (part,)):
                if isinstance(index, ast.Constant) and type(index.value) is int:
                    start, end = self._span(index)
                    self._add("off by one", node, start, end, str(index.value + 1))
        self.generic_visit(node)

    def visit_AugAssign(self, node: ast.AugAssign) -> None:
        if type(node.op) in _OPERATORS and not isinstance(node.value, ast.List | ast.Tuple | ast.JoinedStr):
            was, becomes = _OPERATORS[type(node.op)]
            self._between("operator", node.target, node.value, was + "=", becomes + "=")
        self.generic_visit(node)

    def visit_Assign(self, node: ast.Assign) -> None:
        if not any(isinstance(t, ast.Name) and t.id == "__all__" for t in node.targets):
            self.visit(node.value)
            for target in node.targets:
                self.visit(target)

    def _between(self, kind: str, left: ast.expr, right: ast.expr, was: str, becomes: str) -> None:
        start, end = self._span(left)[1], self._span(right)[0]
        word = rf"\b{was}\b" if was.isalpha() else re.escape(was)
        at = re.search(word, self.source[start:end])
        if at is not None:
            self._add(kind, None, start + at.start(), start + at.end(), becomes)

    def _add(self, kind: str, node: ast.AST | None, start: int, end: int, text: str) -> None:
        self.found.append(Fault(kind, self.source.count("\n", 0, start) + 1, start, end, text))

    def _span(self, node: ast.expr) -> tuple[int, int]:
        return self._at(node.lineno, node.col_offset), self._at(node.end_lineno or 0, node.end_col_offset or 0)

    def _at(self, line: int, column: int) -> int:
        """The parser counts bytes, we count characters."""
        text = self._lines[line - 1]
        return self._starts[line - 1] + len(text.encode()[:column].decode())
