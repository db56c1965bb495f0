"""What every test may rely on: the user's own data and logs are neither read nor written."""

import pytest


@pytest.fixture(autouse=True)
def _own_data_folder(tmp_path_factory, monkeypatch):
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path_factory.getbasetemp() / "data"))
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path_factory.getbasetemp() / "state"))
