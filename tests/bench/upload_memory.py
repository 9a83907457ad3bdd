"""Does the page's memory stay flat over many uploads?

`PYTHONPATH=tests/app:. python tests/bench/upload_memory.py [UPLOADS] [MEGABYTES]`
"""

from __future__ import annotations

import re
import sys
import tempfile
from pathlib import Path

import psutil
from browsing import CLIP_INPUT, looked_at, opened_browser, served_page, settled
from needs import need_program

from strokecurve.app.store.store import Store
from strokecurve.app.words.files import remove


def server_of(address: str) -> psutil.Process:
    """The process that serves an address."""
    port = int(address.rstrip("/").rpartition(":")[2])
    for process in psutil.Process().children(recursive=True):
        if any(one.laddr.port == port and one.status == "LISTEN" for one in process.net_connections()):
            return process
    raise LookupError(address)


def main() -> None:
    """Print the memory of the page's process as it goes on."""
    uploads = int(sys.argv[1]) if len(sys.argv) > 1 else 50
    size_mb = int(sys.argv[2]) if len(sys.argv) > 2 else 100
    chromium = need_program("chromium", "chromium-browser", "google-chrome", "google-chrome-stable")
    with tempfile.TemporaryDirectory() as name, opened_browser(chromium) as browser:
        folder = Path(name)
        store = Store(folder / "store")
        clip = folder / "clip.mp4"
        with clip.open("wb") as file:
            for _ in range(size_mb):
                file.write(bytes(range(256)) * 4096)
        with served_page(store.folder, folder / "log") as address:
            server = server_of(address)
            seen = []
            for number in range(uploads):
                with looked_at(browser, "phone", []) as page:
                    page.goto(address)
                    settled(page)
                    page.locator(CLIP_INPUT).set_input_files(clip)
                    page.wait_for_url(re.compile(r"/film\?job="), timeout=120_000)
                for kept in (store.folder / "clips").iterdir():
                    remove(kept)  # the disk of whoever runs this need not hold all of them
                seen.append(server.memory_info().rss / 1e6)
                if number % 5 == 0 or number == uploads - 1:
                    print(f"after {number + 1:3d} uploads of {size_mb} MB: {seen[-1]:.0f} MB")
            half = len(seen) // 2
            print(
                f"most in the first half {max(seen[:half]):.0f} MB, in the second {max(seen[half:]):.0f} MB"
            )


if __name__ == "__main__":
    main()
