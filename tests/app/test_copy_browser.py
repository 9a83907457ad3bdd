"""Tables are copied in a real browser: over https, on a plain address, and where no page may copy."""

from __future__ import annotations

import pytest
from browsing import looked_at, press, settled
from fake_result import LINKAGE, write_fake_result
from playwright.sync_api import Browser, Page, expect
from stored import add_job
from stored import measured as measure

from strokecurve.app.page.copier import as_text
from strokecurve.app.page.loaded import load_result
from strokecurve.app.page.travel import STEPS_DEG
from strokecurve.app.result.tables import even_step_table
from strokecurve.app.store.store import Store

pytestmark = pytest.mark.slow

# What a browser is on a plain address of a local network: without the newer way to copy.
NO_CLIPBOARD = "Object.defineProperty(Navigator.prototype, 'clipboard', {get: () => undefined})"
NO_COPYING = f"{NO_CLIPBOARD}; document.execCommand = () => false"


@pytest.fixture(scope="module")
def read_url(store: Store, address: str) -> str:
    """The page that reads a film."""
    film = add_job(store)
    measure(store, film, write_fake_result)
    return f"{address}read?job={film.job_id}"


def wanted(store: Store, step_deg: float) -> str:
    run = store.jobs()[0].films[0].measured
    assert run is not None
    return as_text(even_step_table(load_result(str(run.result)).travel, LINKAGE, step_deg))


def copy(page: Page) -> None:
    settled(page)
    page.get_by_role("button", name="Copy this table").click()


def clipboard(page: Page) -> str:
    """What is in the clipboard, read in another page of the same browser."""
    page.context.grant_permissions(["clipboard-read", "clipboard-write"])
    page.bring_to_front()
    return str(page.evaluate("() => navigator.clipboard.readText()")).replace("\r\n", "\n")


@pytest.mark.parametrize(("width", "plain_address"), [("laptop", False), ("phone", True)])
def test_the_table_shown_is_copied(
    browser: Browser, read_url: str, store: Store, complaints: list[str], width: str, plain_address: bool
) -> None:
    with looked_at(browser, width, complaints) as page:
        reader = page.context.new_page()
        reader.goto(read_url)
        if plain_address:
            page.add_init_script(NO_CLIPBOARD)
        page.bring_to_front()
        page.goto(read_url)
        copy(page)
        expect(page.get_by_text("Copied. Paste it into a sheet")).to_be_visible()
        expect(page.get_by_label("The table, to copy by hand").filter(visible=True)).to_have_count(0)
        expect(page.get_by_role("button", name="Copy this table")).to_be_focused()
        assert clipboard(reader) == wanted(store, STEPS_DEG[0])

        page.bring_to_front()
        press(page, page.get_by_role("radio", name="5°"))
        expect(page.get_by_text("Copied. Paste it into a sheet")).to_have_count(0)
        copy(page)
        expect(page.get_by_text("Copied. Paste it into a sheet")).to_be_visible()
        assert clipboard(reader) == wanted(store, STEPS_DEG[1])


def test_where_no_copying_is_allowed_the_table_is_there_to_be_copied_by_hand(
    browser: Browser, read_url: str, store: Store, complaints: list[str]
) -> None:
    with looked_at(browser, "phone", complaints) as page:
        page.add_init_script(NO_COPYING)
        page.goto(read_url)
        copy(page)
        field = page.get_by_label("The table, to copy by hand").filter(visible=True)
        expect(field).to_be_focused()
        expect(page.get_by_text("copy it from the field")).to_be_visible()
        selected = field.evaluate("(f) => f.value.slice(f.selectionStart, f.selectionEnd)")
        assert selected == wanted(store, STEPS_DEG[0])
