"""Programs of the system that some tests need: missing here they are skipped, missing in CI they fail."""

from __future__ import annotations

import os
import shutil

import pytest


def find_program(*names: str) -> str | None:
    """Path of the first program found, or None."""
    return next((found for found in map(shutil.which, names) if found), None)


def need_program(*names: str) -> str:
    """Path of the first program found; skips the test, or fails it where CI=true."""
    found = find_program(*names)
    if found is not None:
        return found
    message = f"needs one of: {', '.join(names)}"
    if os.environ.get("CI") == "true":
        pytest.fail(message)
    pytest.skip(message)
