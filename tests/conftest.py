"""What every test may rely on: the user's own data and logs are neither read nor written. And the order of files."""

import pytest
from hypothesis import settings

# no test reads the clock: what is compiled first takes longer once
settings.register_profile("plumeline", deadline=None)
settings.load_profile("plumeline")

# Where two processes share the work each takes the next file. On a clean checkout the first of these compiles what
# follows the tool, the second the heat model, and both find on the disk what the other has compiled.
FIRST = ("vision/test_tracker.py", "heat/")


def pytest_collection_modifyitems(config, items):
    """Files that compile first, then those with slow tests, so that no long file is left at the end."""
    if not hasattr(config, "workerinput"):
        return  # one process: as asked
    slow = {item.path for item in items if item.get_closest_marker("slow")}

    def rank(item):
        name = item.path.relative_to(config.rootpath / "tests").as_posix()
        last = len(FIRST) + (item.path not in slow)
        return next((k for k, first in enumerate(FIRST) if name.startswith(first)), last)
    items.sort(key=rank)


@pytest.fixture(autouse=True)
def _own_data_folder(tmp_path_factory, monkeypatch):
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path_factory.getbasetemp() / "data"))
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path_factory.getbasetemp() / "state"))
