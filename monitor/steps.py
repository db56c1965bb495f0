"""The states of something that is edited, with the way back and forth between them."""

from __future__ import annotations

from typing import Generic, TypeVar

__all__ = ["Steps"]

T = TypeVar("T")


class Steps(Generic[T]):
    """States in the order in which they came about; a new one takes the place of those that were undone.

    Parameters
    ----------
    first : T
        The state to begin with.
    most : int
        How many steps back are kept.
    """

    def __init__(self, first: T, most: int = 200) -> None:
        self._states, self._at, self._most = [first], 0, most

    @property
    def now(self) -> T:
        """The state that holds."""
        return self._states[self._at]

    @property
    def can_undo(self) -> bool:
        """Whether there is a step to take back."""
        return self._at > 0

    @property
    def can_redo(self) -> bool:
        """Whether a step was taken back."""
        return self._at < len(self._states) - 1

    def push(self, state: T) -> None:
        """Take a step."""
        self._states[self._at + 1:] = [state]
        self._states = self._states[-self._most - 1:]
        self._at = len(self._states) - 1

    @property
    def before(self) -> T:
        """The state that `undo` leads to."""
        return self._states[max(0, self._at - 1)]

    @property
    def after(self) -> T:
        """The state that `redo` leads to."""
        return self._states[min(len(self._states) - 1, self._at + 1)]

    def undo(self) -> None:
        """Take the last step back, if there is one."""
        self._at = max(0, self._at - 1)

    def redo(self) -> None:
        """Take the step again that was taken back last, if there is one."""
        self._at = min(len(self._states) - 1, self._at + 1)
