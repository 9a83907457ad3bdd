"""Starts the page on this computer, for this computer only."""

from __future__ import annotations

import signal
import socket
import subprocess
import sys
import time
import urllib.error
import urllib.request
import webbrowser
from pathlib import Path

import app
from app import worker
from app.errors import InputError
from app.files import LARGEST_CLIP_BYTES, pieces
from app.jobs import Job, RunState
from app.record import FilmFacts
from app.store import Store

ADDRESS = "127.0.0.1"
USUAL_PORT = 8501
LARGEST_UPLOAD_MB = LARGEST_CLIP_BYTES >> 20
READY_WITHIN_S = 60.0
SAMPLE = Path("sample_media") / "as_found.mp4"
SAMPLE_LABEL = "Sample (invented): as found"

OPTIONS = {
    "server.address": ADDRESS,
    "server.headless": "true",
    "server.maxUploadSize": str(LARGEST_UPLOAD_MB),
    "server.fileWatcherType": "none",
    "browser.gatherUsageStats": "false",
    "client.toolbarMode": "viewer",
    "client.showErrorDetails": "none",
    "logger.level": "warning",
    "theme.base": "light",
    "theme.primaryColor": "#0b5cad",
    "theme.textColor": "#111111",
}


def free_port(wanted: int | None) -> int:
    """The port to serve on: the one wanted, or the usual one, or any that is free.

    Raises
    ------
    InputError
        If the one wanted is taken.
    """
    for port in (USUAL_PORT, 0) if wanted is None else (wanted,):
        with socket.socket() as probe:
            probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            try:
                probe.bind((ADDRESS, port))
            except (OSError, OverflowError):
                continue
            return int(probe.getsockname()[1])
    raise InputError(f"Port {wanted} cannot be used.", "Choose another with --port, or leave it out.")


def command(store: Path, port: int) -> list[str]:
    """Command line of the page's server."""
    options = [f"--{name}={value}" for name, value in OPTIONS.items()]
    home = Path(__file__).with_name("server.py")
    return [
        sys.executable, "-m", "streamlit", "run", str(home), f"--server.port={port}", *options,
        "--", "--store", str(store),
    ]  # fmt: skip


def sample_clip() -> Path:
    """The sample clip of the source folder.

    Raises
    ------
    InputError
        If it is not there.
    """
    for folder in (Path(app.__file__).resolve().parent.parent, Path.cwd()):
        if (folder / SAMPLE).is_file():
            return folder / SAMPLE
    raise InputError(
        f"The sample clip {SAMPLE} is not here.", "Run the demo in the folder strokecurve was cloned into."
    )


def load_sample(store: Store) -> Job:
    """The sample's job: the one already measured or on its way, else a new one whose analysis is started."""
    path = sample_clip()
    worker.tend(store)
    for job in store.jobs():
        for film in job.films:
            lost = film.run is None or film.run.state in (RunState.FAILED, RunState.CANCELLED)
            if film.facts.label == SAMPLE_LABEL and not lost:
                return job
    with path.open("rb") as stream:
        clip = store.receive(pieces(stream), path.name, path.stat().st_size)
    job = store.new_job()
    run = store.add_film(job.job_id, clip, FilmFacts("as found", SAMPLE_LABEL)).run
    if run is not None:
        worker.start(store, run)
    return store.job(job.job_id)


def wait_until_ready(server: subprocess.Popen[bytes], port: int) -> bool:
    """Wait for the page to answer; False if its server ended or does not answer in time."""
    deadline = time.monotonic() + READY_WITHIN_S
    while time.monotonic() < deadline and server.poll() is None:
        try:
            with urllib.request.urlopen(f"http://{ADDRESS}:{port}/_stcore/health", timeout=2) as answer:
                return bool(answer.status == 200)
        except (urllib.error.URLError, OSError):
            time.sleep(0.1)
    return False


def serve(store: Path, port: int | None, browser: bool, sample: bool = False) -> int:
    """Serve the page until it is stopped with Ctrl-C.

    Parameters
    ----------
    store : Path
        Folder of the jobs.
    port : int or None
        Port to serve on; None chooses a free one.
    browser : bool
        Whether to open the person's browser.
    sample : bool
        Whether to put the sample film into the store and open it.

    Returns
    -------
    int
        Exit status: 0, or 1 if the server failed.

    Raises
    ------
    InputError
        If the store, the port or the sample cannot be used.
    """
    jobs = Store(store)
    job = load_sample(jobs) if sample else None
    chosen = free_port(port)
    address = f"http://{ADDRESS}:{chosen}/" + (f"?job={job.job_id}" if job else "")
    # A plain termination must take the server along, as Ctrl-C does.
    before = signal.signal(signal.SIGTERM, signal.default_int_handler)
    server = subprocess.Popen(
        command(jobs.folder, chosen), stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL
    )
    try:
        if wait_until_ready(server, chosen):
            print(f"strokecurve is open at {address}  (stop with Ctrl-C)", flush=True)
            if browser:
                webbrowser.open(address)
        return 0 if server.wait() == 0 else 1
    except KeyboardInterrupt:
        return 0
    finally:
        signal.signal(signal.SIGTERM, before)
        server.terminate()
        try:
            server.wait(timeout=10)
        except subprocess.TimeoutExpired:
            server.kill()
            server.wait()
