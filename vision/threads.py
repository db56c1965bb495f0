"""Which threads go first when there is more to do than cores."""

from __future__ import annotations

import os
import sys
import threading

__all__ = ["lower_priority"]

_NICE = 10  # steps behind the rest of the process [convention]


def lower_priority() -> None:
    """Let other threads go before the calling one, where the system ranks threads: for work that may end later.

    The main thread never does: it could not come back.
    """
    if sys.platform == "linux" and threading.current_thread() is not threading.main_thread():
        here = os.getpriority(os.PRIO_PROCESS, os.getpid())
        os.setpriority(os.PRIO_PROCESS, threading.get_native_id(), here + _NICE)  # 19 where that is more
