"""Windows are tested without a screen unless one is asked for."""

import os

import pytest

os.environ.setdefault("QT_QPA_PLATFORM", "offscreen")


@pytest.fixture(scope="session")
def qapp():
    """The program's own application, in place of pytest-qt's."""
    from monitor.ui.app import application

    return application(theme="light", language="en")
