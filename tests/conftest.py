"""Fixtures for all tests, and guards that apply by themselves: no connection or file may leak, no ERROR be logged."""

from __future__ import annotations

import logging
from collections.abc import Iterator
from pathlib import Path

import pytest
from hypothesis import settings

from lastlook.archive import Archive
from tests import archives, lightship

# How long one example takes depends on what else the machine does; the suite's own bound is on the whole.
settings.register_profile("lastlook", deadline=None)
settings.load_profile("lastlook")


@pytest.fixture(scope="session")
def lightship_archive(tmp_path_factory: pytest.TempPathFactory, worker_id: str) -> Archive:
    """The demonstration archive; look, do not change."""
    return lightship.make(tmp_path_factory, worker_id)


@pytest.fixture(scope="session")
def bench(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder of real files with everything that is awkward about taking files in (see `archives`); do not change."""
    return archives.write_bench(tmp_path_factory.mktemp("bench"))


@pytest.fixture(autouse=True)
def nothing_logged_as_error(caplog: pytest.LogCaptureFixture) -> Iterator[None]:
    yield
    errors = [record.getMessage() for record in caplog.records if record.levelno >= logging.ERROR]
    assert not errors, f"logged as ERROR: {errors}"
