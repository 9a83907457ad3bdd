"""Starts the page: for this computer only, unless people have to sign in or that is waived by name."""

from __future__ import annotations

import ipaddress
import signal
import socket
import subprocess
import sys
import time
import urllib.error
import urllib.request
import webbrowser
from dataclasses import dataclass
from pathlib import Path

from strokecurve.app.access.sign_in import SignIn, is_loopback, load
from strokecurve.app.page.sample import load_sample
from strokecurve.app.store.store import Store
from strokecurve.app.words.errors import InputError

ADDRESS = "127.0.0.1"
USUAL_PORT = 8501
LARGEST_TABLE_MB = 2
"""What Streamlit itself takes: set-up files and tables. Clips and bundles go to an address of our own."""
READY_WITHIN_S = 60.0

UNSAFE_SWITCH = "--unsafe-no-sign-in"
UNSAFE = (
    f"Warning: nobody has to sign in ({UNSAFE_SWITCH}). Everyone who reaches this address can see and change "
    "every job."
)

OPTIONS = {
    "server.headless": "true",
    # These are Streamlit's usual values; a settings file found by chance must not change them.
    "server.enableCORS": "true",
    "server.enableXsrfProtection": "true",
    "server.enableStaticServing": "false",
    "server.scriptHealthCheckEnabled": "false",
    "server.trustedUserHeaders": "{}",
    "server.baseUrlPath": "",
    "global.developmentMode": "false",
    "server.maxUploadSize": str(LARGEST_TABLE_MB),
    "server.fileWatcherType": "none",
    # Looking through all objects after every run takes longer than most runs, and holds up everybody.
    "runner.postScriptGC": "false",
    "browser.gatherUsageStats": "false",
    "client.toolbarMode": "viewer",
    "client.showErrorDetails": "none",
    "logger.level": "warning",
    "theme.base": "light",
    "theme.primaryColor": "#0b5cad",
    "theme.textColor": "#111111",
}


@dataclass(frozen=True, slots=True)
class Listening:
    """Where the page listens and who may come in.

    Attributes
    ----------
    address : str
        IP address or ``localhost``.
    sign_in : Path or None
        Sign-in file.
    unsafe : bool
        Whether nobody has to sign in although others can reach the page.
    """

    address: str = ADDRESS
    sign_in: Path | None = None
    unsafe: bool = False

    @property
    def reached_at(self) -> str:
        """Host that this computer itself reaches the page at, as it stands in a web address.

        Raises
        ------
        InputError
            If the page cannot listen there.
        """
        if self.address == "localhost":
            return self.address
        try:
            found = ipaddress.ip_address(self.address)
        except ValueError as error:
            raise InputError(
                f"The page cannot listen on {self.address[:80]!r}.",
                "Give an IP address of this computer, or 0.0.0.0 for all of them.",
            ) from error
        if found.is_unspecified:
            return ADDRESS if found.version == 4 else "[::1]"
        return str(found) if found.version == 4 else f"[{found}]"


def checked(listening: Listening) -> SignIn | None:
    """Refuse to let strangers in; gives what the sign-in file says, if there is one.

    Raises
    ------
    InputError
        If others could reach the page without signing in, or the sign-in file cannot be used.
    """
    if listening.sign_in is not None:
        if listening.unsafe:
            raise InputError(
                f"--sign-in and {UNSAFE_SWITCH} contradict each other.", "Leave one of them out."
            )
        return load(listening.sign_in)
    if not is_loopback(listening.address) and not listening.unsafe:
        raise InputError(
            f"On {listening.address} others could reach the page without signing in.",
            f"Give a sign-in file with --sign-in (docs/serving.md), or {UNSAFE_SWITCH} to let everyone in.",
        )
    return None


def free_port(wanted: int | None, address: str = ADDRESS) -> int:
    """The port to serve on: the one wanted, or the usual one, or any that is free.

    Raises
    ------
    InputError
        If the one wanted is taken.
    """
    for port in (USUAL_PORT, 0) if wanted is None else (wanted,):
        with socket.socket(socket.AF_INET6 if ":" in address else socket.AF_INET) as probe:
            probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            try:
                probe.bind((address, port))
            except (OSError, OverflowError):
                continue
            return int(probe.getsockname()[1])
    if wanted is None:
        raise InputError(f"The page cannot listen on {address}.", "Give an address that this computer has.")
    raise InputError(f"Port {wanted} cannot be used.", "Choose another with --port, or leave it out.")


def command(store: Path, port: int, listening: Listening | None = None) -> list[str]:
    """Command line of the page's server; it names files, never what is secret in them."""
    listening = listening or Listening()
    options = [f"--{name}={value}" for name, value in OPTIONS.items()]
    options.append(f"--server.address={listening.address}")
    # Not told, Streamlit would ask a server on the internet for this computer's address.
    options.append(f"--browser.serverAddress={listening.reached_at}")
    ours = ["--address", listening.address]
    if listening.sign_in is not None:
        ours += ["--sign-in", str(listening.sign_in.resolve())]
    if listening.unsafe:
        ours.append(UNSAFE_SWITCH)
    ours += ["--store", str(store)]
    home = Path(__file__).with_name("server.py")
    return [
        sys.executable, "-m", "streamlit", "run", str(home), f"--server.port={port}", *options,
        "--", *ours,
    ]  # fmt: skip


def wait_until_ready(server: subprocess.Popen[bytes], port: int, host: str = ADDRESS) -> bool:
    """Wait for the page to answer; False if its server ended or does not answer in time."""
    deadline = time.monotonic() + READY_WITHIN_S
    while time.monotonic() < deadline and server.poll() is None:
        try:
            with urllib.request.urlopen(f"http://{host}:{port}/_stcore/health", timeout=2) as answer:
                return bool(answer.status == 200)
        except (urllib.error.URLError, OSError):
            time.sleep(0.1)
    return False


def serve(
    store: Path, port: int | None, browser: bool, sample: bool = False, listening: Listening | None = None
) -> int:
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
        Whether to put the sample's job into the store and open it.
    listening : Listening, optional
        Where and for whom; by default for this computer only.

    Returns
    -------
    int
        Exit status: 0, or 1 if the server failed.

    Raises
    ------
    InputError
        If the store, the port or the sample cannot be used, or strangers could come in.
    """
    listening = listening or Listening()
    host, sign_in = listening.reached_at, checked(listening)
    jobs = Store(store)
    shown = load_sample(jobs) if sample else None
    chosen = free_port(port, listening.address)
    origin = sign_in.origin if sign_in else f"http://{host}:{chosen}"
    address = f"{origin}/" + (f"?job={shown.job_id}&film={shown.film_id}" if shown else "")
    # A plain termination must take the server along, as Ctrl-C does.
    before = signal.signal(signal.SIGTERM, signal.default_int_handler)
    server = subprocess.Popen(
        command(jobs.folder, chosen, listening), stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL
    )
    try:
        if wait_until_ready(server, chosen, host):
            if listening.unsafe:
                print(UNSAFE, file=sys.stderr, flush=True)
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
