"""What holds for every test: the same cases on every run, nothing in the user's own folders."""

from __future__ import annotations

import os

import pytest
from hypothesis import HealthCheck, settings

from support.checked import check_samples
from support.once import once

UNTIMED = settings(deadline=None, suppress_health_check=[HealthCheck.too_slow])
settings.register_profile("house", UNTIMED, derandomize=True)
settings.register_profile("fresh", UNTIMED, derandomize=False, max_examples=2000)
settings.load_profile("house")


@pytest.fixture(autouse=True, scope="session")
def data_folder(tmp_path_factory):
    """Keep ledgers and notes of watches out of the user's own data folder."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("XDG_DATA_HOME", str(tmp_path_factory.mktemp("data")))
        yield


@pytest.fixture(autouse=True, scope="session")
def kept_renders():
    """Let the light model keep what it rendered, so that no process renders it again."""
    from lightmodel.frames import Darkroom
    from support.kept_renders import KeptRenders

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(Darkroom, "kept", KeptRenders())
        yield


@pytest.fixture(scope="session")
def run_folder(tmp_path_factory):
    """Return a folder that all processes of this run share, and no other run."""
    base = tmp_path_factory.getbasetemp()
    return base.parent if "PYTEST_XDIST_WORKER" in os.environ else base


@pytest.fixture(scope="session")
def checked_samples(run_folder):
    """Return what `check --json` says of the sample frames under their plan, asked once in a run.

    Those who get it leave it as it is.
    """
    return once(run_folder, "checked_samples", check_samples)


@pytest.fixture(scope="session")
def sample_records(checked_samples):
    """Return the record that `check --json` prints of each sample frame, by the file's name."""
    return checked_samples["records"]


def pytest_sessionfinish(session):
    """Keep the folder of renders small; once, by the process that starts the others."""
    if not hasattr(session.config, "workerinput"):
        from support.kept_renders import KeptRenders

        KeptRenders().tidy()
