"""What tests share: the measured samples, a small film; and a store, a server and a browser, one a module."""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest
from browsing import opened_browser, served_page
from clip_fuzzing import base_clips
from needs import need_program
from playwright.sync_api import Browser

from strokecurve.app.commands.cli import main
from strokecurve.app.store.store import Store
from tests.once import made_once

ROOT = Path(__file__).resolve().parents[2]


def _measure_samples(place: Path) -> None:
    """Measure both by the command, at the same time, each in a process of its own as people start it."""
    started = {}
    for name in ("as_found", "as_left"):
        clip, out = str(ROOT / "sample_media" / f"{name}.mp4"), str(place / name)
        words = [sys.executable, "-m", "strokecurve.app.commands.cli", "measure", clip, "--out", out]
        started[name] = subprocess.Popen(
            words, cwd=ROOT, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
        )
    for name, running in started.items():
        (place / f"{name}.txt").write_text((said := running.communicate())[0], encoding="utf-8")
        assert running.returncode == 0, said[1]


@pytest.fixture(scope="session")
def samples(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Folder with the results ``as_found`` and ``as_left`` and what the command said in ``<name>.txt``.

    To be looked at only: other tests read them, too.
    """
    return made_once(tmp_path_factory, "samples", _measure_samples)


def _measure_small_film(place: Path) -> None:
    base_clips(place)
    assert main(["measure", str(place / "good.mp4"), "--out", str(place / "result")]) == 0


@pytest.fixture(scope="session")
def small_film(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Folder with a film of a stroke, ``good.mp4`` and ``good.mkv``, and its ``result``; only to look at."""
    return made_once(tmp_path_factory, "small_film", _measure_small_film)


@pytest.fixture(scope="module")
def store(tmp_path_factory: pytest.TempPathFactory) -> Store:
    return Store(tmp_path_factory.mktemp("page") / "store")


@pytest.fixture(scope="module")
def address(store: Store) -> Iterator[str]:
    with served_page(store.folder, store.folder.parent / "server.log") as url:
        yield url


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    executable = need_program("chromium", "chromium-browser", "google-chrome", "google-chrome-stable")
    with opened_browser(executable) as opened:
        yield opened


@pytest.fixture
def complaints() -> Iterator[list[str]]:
    """Errors in the browser's console; none may be left at the end."""
    found: list[str] = []
    yield found
    assert found == []
