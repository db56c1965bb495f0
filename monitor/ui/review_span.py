"""The span of the review: a stretch of time set from the cursor, drawn on the timeline."""

from __future__ import annotations

from monitor.ui.review_cursor import Cursor
from monitor.ui.review_timeline import Timeline

__all__ = ["SpanAtCursor"]


class SpanAtCursor:
    """Sets the timeline's span where the cursor is; its methods are commands of the window."""

    def __init__(self, cursor: Cursor, timeline: Timeline) -> None:
        self._cursor, self._timeline = cursor, timeline

    def span_from(self) -> None:
        """The span begins at the cursor."""
        end = self._timeline.span[1] if self._timeline.span else self._cursor.end_s
        self._timeline.set_span((self._cursor.t_s, max(end, self._cursor.t_s)))

    def span_to(self) -> None:
        """The span ends at the cursor."""
        start = self._timeline.span[0] if self._timeline.span else self._cursor.start_s
        self._timeline.set_span((min(start, self._cursor.t_s), self._cursor.t_s))

    def span_none(self) -> None:
        """No span."""
        self._timeline.set_span(None)
