"""A PostgreSQL server of our own on loopback, for tests."""

from __future__ import annotations

import os
import shutil
import signal
import subprocess
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from needs import lack
from own_ports import own_port
from patience import PATIENCE_S
from sqlalchemy import create_engine, text
from sqlalchemy.exc import OperationalError
from sqlalchemy.pool import NullPool

from strokecurve.app.words.files import new_id

ADDRESS = "postgresql+psycopg://tester@127.0.0.1"


def programs() -> Path | None:
    """Folder of PostgreSQL's programs, which distributions keep off the path."""
    found = sorted(Path("/usr/lib/postgresql").glob("*/bin/initdb"))
    on_path = shutil.which("initdb")
    return Path(on_path).resolve().parent if on_path else (found[-1].parent if found else None)


@contextmanager
def running_server() -> Iterator[str]:
    """Start a server; gives its address. Without PostgreSQL, skips the test or fails it in CI."""
    folder = programs()
    if folder is None:
        lack("needs PostgreSQL (initdb on the path or below /usr/lib/postgresql)")
    with tempfile.TemporaryDirectory() as place:
        port = own_port()
        user = None
        if os.geteuid() == 0:  # it refuses to run as the superuser
            user = "nobody"
            shutil.chown(place, user)
        data = f"{place}/data"
        words = [str(folder / "initdb"), "-D", data, "-U", "tester", "-A", "trust", "--no-sync"]
        subprocess.run(words, user=user, check=True, capture_output=True)
        options = ["-D", data, "-p", str(port), "-h", "127.0.0.1", "-k", place, "-F"]
        command = [str(folder / "postgres"), *options]
        with subprocess.Popen(command, user=user, stderr=subprocess.DEVNULL) as process:
            try:
                wait_until_ready(f"{ADDRESS}:{port}/postgres")
                yield f"{ADDRESS}:{port}"
            finally:
                process.send_signal(signal.SIGINT)  # ends connections that are still open
                process.wait(timeout=PATIENCE_S)


def wait_until_ready(address: str) -> None:
    """Wait for the server to take a connection."""
    deadline = time.monotonic() + PATIENCE_S
    engine = create_engine(address, poolclass=NullPool)
    while True:
        try:
            with engine.connect():
                return
        except OperationalError:
            assert time.monotonic() < deadline
            time.sleep(0.05)


def new_database(server: str) -> str:
    """Make a database on a server; gives its address."""
    name = f"test_{new_id()}"
    engine = create_engine(f"{server}/postgres", isolation_level="AUTOCOMMIT")
    with engine.connect() as connection:
        connection.execute(text(f"CREATE DATABASE {name}"))
    engine.dispose()
    return f"{server}/{name}"
