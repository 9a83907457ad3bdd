"""What tests of the page in a browser share: a store, a server on it, and a browser, one of each a module."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from browsing import opened_browser, served_page
from needs import need_program
from playwright.sync_api import Browser
from strokecurve.app.store.store import Store


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
