"""What holds for every test: no property is timed, nothing lies in the user's own folders."""

from __future__ import annotations

import pytest
from hypothesis import HealthCheck, settings

settings.register_profile("house", deadline=None, suppress_health_check=[HealthCheck.too_slow])
settings.load_profile("house")


@pytest.fixture(autouse=True, scope="session")
def data_folder(tmp_path_factory):
    """Keep ledgers and notes of watches out of the user's own data folder."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("XDG_DATA_HOME", str(tmp_path_factory.mktemp("data")))
        yield
