"""The user's language: a catalogue of texts, among them sentences with values that the engine has already put in."""

from __future__ import annotations

import json
import re
from functools import lru_cache
from importlib import resources

from PyQt6.QtCore import QLocale, QObject, QTranslator

__all__ = ["Language", "catalogue", "language_for", "languages"]

FIELD = re.compile(r"\{(\w*)[^}]*\}")


class Language(QTranslator):
    """Gives the catalogue's text for a text.

    What is not found as it stands is held against the catalogue's sentences with places for values, so that "34 mm over
    U7, highest allowed 30 mm" finds "{value} mm over {region}, highest allowed {limit} mm"; words among the values are
    translated in turn.
    """

    def __init__(self, texts: dict[str, str], parent: QObject | None = None) -> None:
        super().__init__(parent)
        # apart from it: one that refers to itself would be freed some time, and in the midst of a translation Qt's
        # lock holds that up for ever
        self._catalogue = _Catalogue(texts)

    def translate(self, context: str, text: str, disambiguation: str | None = None, n: int = -1) -> str:
        return self._catalogue.found(text)

    def isEmpty(self) -> bool:
        return not self._catalogue.texts


class _Catalogue:
    """What a language says, looked up once for each text."""

    def __init__(self, texts: dict[str, str]) -> None:
        self.texts = texts
        with_values = sorted((t for t in texts if _named(t)), key=lambda t: -len(FIELD.sub("", t)))
        self._patterns = [(re.compile(_pattern(text)), text) for text in with_values]
        self.found = lru_cache(1000)(self._look_up)

    def _look_up(self, text: str) -> str:
        if text in self.texts:
            return self.texts[text]
        for pattern, known in self._patterns:
            if match := pattern.fullmatch(text):
                values = {name: self.texts.get(value, value) for name, value in match.groupdict().items()}
                return self.texts[known].format(**values)
        return ""


def catalogue(code: str) -> dict[str, str]:
    """All texts of a language such as "de"; empty when there is none."""
    file = resources.files("monitor.ui").joinpath("translations", f"{code}.json")
    return json.loads(file.read_text("utf-8")) if file.is_file() else {}


def languages() -> list[str]:
    """Codes of the languages that there are, beside English."""
    return sorted(f.name.removesuffix(".json") for f in resources.files("monitor.ui").joinpath("translations").iterdir()
                  if f.name.endswith(".json"))


def language_for(wanted: str, parent: QObject | None = None) -> Language | None:
    """The language that is asked for, or the system's for "system"; None for English."""
    code = QLocale().name().split("_")[0] if wanted == "system" else wanted
    texts = catalogue(code) if code.isalpha() else {}
    return Language(texts, parent) if texts else None


def _named(text: str) -> bool:
    return any(name for name in FIELD.findall(text))


def _pattern(text: str) -> str:
    """A regular expression for a sentence whose values are put in."""
    parts, at, seen = [], 0, set()
    for match in FIELD.finditer(text):
        name = match.group(1)
        parts.append(re.escape(text[at:match.start()]))
        parts.append(f"(?P={name})" if name in seen else f"(?P<{name}>.*?)")
        seen.add(name)
        at = match.end()
    return "".join(parts) + re.escape(text[at:])
