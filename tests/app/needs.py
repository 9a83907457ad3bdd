"""What of the system some tests need: where it is missing they are skipped, but in CI they fail."""

from __future__ import annotations

import os
import shutil
from typing import NoReturn

import pytest


def find_program(*names: str) -> str | None:
    """Path of the first program found, or None."""
    return next((found for found in map(shutil.which, names) if found), None)


def lack(message: str) -> NoReturn:
    """Skip the test, or fail it where CI=true, as something is not installed."""
    if os.environ.get("CI") == "true":
        pytest.fail(message)
    pytest.skip(message)


def need_program(*names: str) -> str:
    """Path of the first program found; skips the test, or fails it where CI=true."""
    return find_program(*names) or lack(f"needs one of: {', '.join(names)}")
