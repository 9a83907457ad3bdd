"""Starting the page for others: refused without sign-in, warned of with the unsafe switch."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest
from own_ports import own_port
from patience import PATIENCE_S
from stored import add_job
from visiting import SECRETS, Visitor, served_with_sign_in, sign_in_text, socket_status

from strokecurve.app.access.sign_in import SECRET_VARIABLES
from strokecurve.app.commands.cli import main
from strokecurve.app.page import authentication, launch, visitors
from strokecurve.app.page.launch import Listening, checked, command, wait_until_ready
from strokecurve.app.store.store import Store


@pytest.fixture
def file(tmp_path: Path) -> Path:
    path = tmp_path / "sign-in.toml"
    path.touch(mode=0o600)
    path.write_text(sign_in_text(1, 8501))
    return path


@pytest.mark.parametrize("address", ["0.0.0.0", "::", "192.0.2.1"])
def test_beyond_this_computer_it_takes_sign_in(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], address: str
) -> None:
    for words in (["--address", address], ["demo", "--address", address]):
        assert main([*words, "--store", str(tmp_path / "store"), "--no-browser"]) == 2
        said = capsys.readouterr()
        assert said.out == ""
        assert len(said.err.splitlines()) == 1
        assert "without signing in" in said.err
        assert "--unsafe-no-sign-in" in said.err
    assert not (tmp_path / "store").exists(), "refused before anything is made"


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["--address", "example.com"], "cannot listen on"),
        (["--address", ""], "cannot listen on"),
        (["--address", "0.0.0.0", "--sign-in", "nowhere.toml"], "cannot be read"),
        (["--sign-in", "{file}", "--unsafe-no-sign-in"], "contradict"),
        (["--sign-in", "{open}"], "chmod 600"),
        (["--sign-in", "{wrong}"], "'wrong'"),
    ],
)
def test_what_cannot_be_used_is_refused_in_words(
    tmp_path: Path, file: Path, capsys: pytest.CaptureFixture[str], words: list[str], said: str
) -> None:
    others = {"file": file, "open": tmp_path / "open.toml", "wrong": tmp_path / "wrong.toml"}
    for name in ("open", "wrong"):
        others[name].touch(mode=0o600)
        others[name].write_text(file.read_text())
    others["open"].chmod(0o644)
    others["wrong"].write_text(f"wrong = 1\n{file.read_text()}")
    given = [word.format(**others) for word in words]
    assert main([*given, "--store", str(tmp_path / "store"), "--no-browser"]) == 2
    error = capsys.readouterr().err
    assert said in error
    assert len(error.splitlines()) == 1
    assert all(secret not in error for secret in SECRETS)


def test_with_sign_in_it_may_listen_anywhere(file: Path) -> None:
    found = checked(Listening("0.0.0.0", file))
    assert found is not None
    assert found.host == "127.0.0.1"
    words = command(Path("store"), 1, Listening("0.0.0.0", file))
    assert "--server.address=0.0.0.0" in words
    assert all(secret not in word for word in words for secret in SECRETS)
    for safe in ("enableCORS=true", "enableXsrfProtection=true", "trustedUserHeaders={}"):
        assert f"--server.{safe}" in words


@pytest.mark.parametrize(
    ("address", "reached"),
    [
        ("0.0.0.0", "127.0.0.1"),
        ("::", "[::1]"),
        ("localhost", "localhost"),
        ("::1", "[::1]"),
        ("10.1.2.3", "10.1.2.3"),
    ],
)
def test_this_computer_knows_where_to_reach_the_page(address: str, reached: str) -> None:
    assert Listening(address).reached_at == reached


def test_the_unsafe_switch_warns_on_every_page_and_in_the_terminal(tmp_path: Path) -> None:
    store = Store(tmp_path / "store")
    film = add_job(store)
    port = own_port("0.0.0.0")
    words = [
        sys.executable,
        "-m",
        "strokecurve.app.commands.cli",
        "--address",
        "0.0.0.0",
        "--unsafe-no-sign-in",
        "--no-browser",
    ]
    words += ["--store", str(store.folder), "--port", str(port)]
    with subprocess.Popen(words, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True) as page:
        try:
            assert page.stdout is not None
            assert page.stderr is not None
            assert f"http://127.0.0.1:{port}/" in page.stdout.readline()
            assert "Everyone who reaches this address" in page.stderr.readline()
            guest = Visitor(f"http://127.0.0.1:{port}/")
            for name in ("", "prepare", "handover"):
                assert visitors.UNSAFE in guest.open(name, job=film.job_id).text
            assert guest.get("", headers={"Host": "evil.example"}).status_code == 421
            assert socket_status(guest, host="evil.example") == 421
            guest.web.close()
        finally:
            page.terminate()
            page.communicate(timeout=PATIENCE_S)


def test_the_usual_page_answers_only_to_its_own_name_and_asks_nobody(tmp_path: Path) -> None:
    store = Store(tmp_path / "store")
    film = add_job(store, "as found.mp4")
    port = own_port()
    server = subprocess.Popen(command(store.folder, port), stdout=subprocess.DEVNULL)
    try:
        assert wait_until_ready(server, port)
        guest = Visitor(f"http://{launch.ADDRESS}:{port}/")
        shown = guest.open("handover", job=film.job_id)
        assert "as found.mp4" in shown.text
        assert visitors.UNSAFE not in shown.text
        assert shown.labelled("Make the link") is None, "nobody could come in by it"
        assert shown.labelled("Sign out") is None
        assert guest.get("", headers={"Host": f"localhost:{port}"}).status_code == 200
        assert guest.get("", headers={"Host": "evil.example"}).status_code == 421
        assert socket_status(guest, host="evil.example") == 421
        for origin in ("https://evil.example", f"http://localhost:{port + 1}", "http://localhost", "null"):
            assert socket_status(guest, origin=origin) == 403
        assert guest.get("_stcore/metrics").status_code == 404
        guest.web.close()
    finally:
        server.terminate()
        server.wait(timeout=PATIENCE_S)


def test_secrets_of_the_environment_go_no_further(
    tmp_path: Path, file: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Neither to workers, which inherit the environment, nor anywhere else."""
    file.write_text(sign_in_text(1, 8501, secrets=False))
    for name, secret in zip(SECRET_VARIABLES, SECRETS, strict=True):
        monkeypatch.setenv(name, secret)
    monkeypatch.setattr(sys, "argv", ["server.py", "--sign-in", str(file), "--store", str(tmp_path)])
    found = authentication.authentication()
    assert found.sign_in is not None
    assert (found.sign_in.client_secret, found.sign_in.cookie_secret) == SECRETS
    assert not set(SECRET_VARIABLES) & set(os.environ)
    assert authentication.authentication() is found, "read once"
    assert all(secret not in repr(found) for secret in SECRETS)


def test_sign_in_works_with_secrets_of_the_environment(tmp_path: Path) -> None:
    store = Store(tmp_path / "store")
    with served_with_sign_in(store.folder, tmp_path, secrets_in_file=False) as served:
        keeper = Visitor(served.address).sign_in("keeper")
        assert "Signed in as Kim Keeper" in keeper.open().text
        keeper.web.close()
        text = served.log.read_text() + served.sign_in_file.read_text()
    assert all(secret not in text for secret in SECRETS)
