"""Programs of the system that some tests need: missing here they are skipped, missing in CI they fail."""

from __future__ import annotations

import os
import shutil

import pytest


def need_program(*names: str) -> str:
    """Path of the first program found; skips the test, or fails it where CI=true."""
    for name in names:
        found = shutil.which(name)
        if found:
            return found
    message = f"needs one of: {', '.join(names)}"
    if os.environ.get("CI") == "true":
        pytest.fail(message)
    pytest.skip(message)
