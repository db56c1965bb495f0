"""Records drawn frames in real time until it is killed; tells each acknowledged frame on stdout.

usage: recording_child.py FOLDER dark|busy WIDTH HEIGHT
"""

import sys
import threading
import time
from pathlib import Path

from monitor.engine.analyse import Inputs
from monitor.engine.engine import Engine
from monitor.engine.feedback import Coach
from monitor.engine.session import Keep, Session
from monitor.job import parse_job
from tests.engine.make import DrawnCamera, PathTracker
from tests.monitor.make import JOB_TEXT


def main():
    folder, kind, width, height = Path(sys.argv[1]), sys.argv[2], int(sys.argv[3]), int(sys.argv[4])
    job = parse_job(JOB_TEXT)
    inputs = Inputs(Path(), job, JOB_TEXT, None, "# camera\n", Path("none.toml"), "# nozzle\n")
    engine = Engine(DrawnCamera(30.0, kind=kind, size=(width, height)))
    engine.begin_session(lambda: Session(inputs, PathTracker(lambda t: (0, 0, 15)), Coach(job.limits), Keep(folder)))
    engine.start()
    threading.Thread(target=tell, args=(engine,), daemon=True).start()
    while True:
        time.sleep(60)


def tell(engine):
    """Session time of the newest frame captured and analysed, every few milliseconds."""
    before = -1.0
    while True:
        session = engine.session
        if session is not None and session._last is not None and session.now_s != before:
            before = session.now_s
            sys.stdout.write(f"{before:.4f}\n")
            sys.stdout.flush()
        time.sleep(0.005)


if __name__ == "__main__":
    main()
