"""Output folders, made once and copied by those who change them."""

from __future__ import annotations

from pathlib import Path

import pytest
from made_up import make_folder


@pytest.fixture(scope="session")
def full_folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Every part is there; the tests do not change it."""
    return make_folder(tmp_path_factory.mktemp("full") / "survey")


@pytest.fixture(scope="session")
def bare_folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A mosaic and a scale only: no layout, blocks or die."""
    return make_folder(tmp_path_factory.mktemp("bare") / "survey", bare=True)
