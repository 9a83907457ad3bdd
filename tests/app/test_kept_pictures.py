"""Pictures of three positions that travel in a bundle without its clips."""

from __future__ import annotations

import base64
import shutil
import struct
import sys
from pathlib import Path

import cv2
import numpy as np
import pytest
from patience import PATIENCE_S
from pypdf import PdfReader
from recorded import one_film, words
from stored import add_film, measured
from streamlit.testing.v1 import AppTest

import strokecurve.app.page
from strokecurve.app.commands.cli import main
from strokecurve.app.page import keys
from strokecurve.app.page.scrubber import moment_key
from strokecurve.app.report.keep_pictures import keep_pictures
from strokecurve.app.report.photographs import moments
from strokecurve.app.report.record import record_pdf
from strokecurve.app.result import kept_pictures
from strokecurve.app.result.kept_pictures import check_picture
from strokecurve.app.result.reading import read_result
from strokecurve.app.store.bundle import export_job
from strokecurve.app.store.bundle_import import import_bundle
from strokecurve.app.store.jobs import Film, RunState
from strokecurve.app.store.maintenance import check
from strokecurve.app.store.store import Store
from strokecurve.app.tasks import exports
from strokecurve.app.words.errors import StoreError
from strokecurve.app.words.files import measure_file
from strokecurve.app.words.statements import JobFacts

HOME = Path(strokecurve.app.page.__file__).with_name("home.py")


@pytest.fixture(scope="module")
def filmed(small_film: Path) -> tuple[Path, Path]:
    """A clip and its result."""
    return small_film / "good.mp4", small_film / "result"


def with_film(place: Path, clip: bytes, result: Path) -> tuple[Store, Film]:
    """A store with one measured film."""
    store = Store(place)
    job = store.new_job(JobFacts("boiler 2"))
    film = add_film(store, job, "a.mp4", clip)
    measured(store, film, lambda folder: shutil.copytree(result, folder))
    return store, store.film(film.film_id)


@pytest.fixture
def sender(tmp_path: Path, filmed: tuple[Path, Path]) -> tuple[Store, Film]:
    return with_film(tmp_path / "sender", filmed[0].read_bytes(), filmed[1])


@pytest.fixture(scope="module")
def sent(tmp_path_factory: pytest.TempPathFactory, filmed: tuple[Path, Path]) -> Path:
    """A folder with a store, a bundle of its job without the clip, and a store that took it in."""
    place = tmp_path_factory.mktemp("sent")
    store, film = with_film(place / "out", filmed[0].read_bytes(), filmed[1])
    bundle = place / "job.zip"
    assert main(["export", film.job_id, "--store", str(store.folder), "--out", str(bundle)]) == 0
    assert main(["import", str(bundle), "--store", str(place / "in")]) == 0
    return place


def loaded(folder: Path) -> tuple[Store, Film]:
    """A store and its one film."""
    store = Store(folder)
    return store, store.jobs()[0].films[0]


@pytest.fixture
def exchanged(tmp_path: Path, sent: Path) -> Path:
    """A copy of ``sent`` to change."""
    return Path(shutil.copytree(sent, tmp_path / "sent"))


@pytest.fixture
def receiver(exchanged: Path) -> tuple[Store, Film]:
    return loaded(exchanged / "in")


def result_of(film: Film) -> Path:
    assert film.measured is not None
    return film.measured.result


def pictures_of(film: Film) -> dict[str, bytes]:
    """Files in ``frames/`` by name."""
    return {path.name: path.read_bytes() for path in (result_of(film) / "frames").iterdir()}


def test_pictures_are_added_to_the_result_once(sender: tuple[Store, Film]) -> None:
    store, film = sender
    assert keep_pictures(store, film.job_id) == ()
    kept, result = kept_pictures.kept_pictures(result_of(film)), read_result(result_of(film))
    assert [one.words for one in kept] == ["low fire", "middle of the opening pass", "high fire"]
    for one, (_, at_s) in zip(kept, moments(result), strict=True):
        assert abs(one.time_s - at_s) <= 0.0005  # names hold milliseconds
        assert cv2.imread(str(one.path)) is not None
    first = pictures_of(film)
    assert len(set(first.values())) == 3, "each shows another position"
    assert check(store).problems == ()
    assert keep_pictures(store, film.job_id) == ()
    assert pictures_of(film) == first


def test_the_clip_is_opened_by_another_process(
    sender: tuple[Store, Film], monkeypatch: pytest.MonkeyPatch
) -> None:
    def loaded(*_: object) -> None:
        raise AssertionError("the clip was opened here")

    store, film = sender
    monkeypatch.setattr("strokecurve.app.report.photographs.picture_at", loaded)
    monkeypatch.setattr("strokecurve.app.result.overlay.ClipReader", loaded)
    assert keep_pictures(store, film.job_id) == ()
    assert len(pictures_of(film)) == 3


def test_they_travel_bit_for_bit_and_back(exchanged: Path) -> None:
    (store, film), (other, there) = loaded(exchanged / "out"), loaded(exchanged / "in")
    assert not there.clip.here
    assert pictures_of(there) == pictures_of(film)
    assert len(pictures_of(there)) == 3
    assert check(other).problems == check(store).problems == ()
    back = export_job(other, film.job_id, exchanged / "back.zip")
    assert back.read_bytes() == (exchanged / "job.zip").read_bytes()
    assert import_bundle(store, back).told().endswith("New: nothing.")
    assert keep_pictures(other, film.job_id) == (), "without the clip there is nothing to draw"


def test_a_bundle_made_on_the_page_holds_them(
    sender: tuple[Store, Film], monkeypatch: pytest.MonkeyPatch
) -> None:
    store, film = sender
    monkeypatch.setattr(exports, "start_process", lambda store, command, log: None)
    asked = exports.ask(store, film.job_id, "bundle", clips=False)
    assert exports.work_on(store, film.job_id, asked.export_id) is RunState.DONE
    assert len(pictures_of(film)) == 3


def test_the_record_of_the_job_taken_in_has_photographs(receiver: tuple[Store, Film], tmp_path: Path) -> None:
    folder = result_of(receiver[1])
    record_pdf(one_film(read_result(folder)), tmp_path / "r.pdf")
    images = [image.image for page in PdfReader(tmp_path / "r.pdf").pages for image in page.images]
    said = words(tmp_path / "r.pdf")
    assert "Not available: the clip" not in said
    kept = kept_pictures.kept_pictures(folder)
    differences = np.zeros((3, 3))
    for row, one in enumerate(kept):
        assert f"{one.words[0].upper()}{one.words[1:]}, {one.time_s:.2f} s into the clip" in said
        sent = cv2.cvtColor(cv2.imread(str(one.path)), cv2.COLOR_BGR2RGB).astype(float)
        differences[row] = [np.mean(np.abs(np.asarray(image) - sent)) for image in images]
    # Coded once more: a grey level or two. Another position differs by far more.
    assert (differences.min(axis=1) < 1.5).all()
    assert ((differences < 1.5).sum(axis=0) == 1).all(), "each is one of them"


def read_page(store: Store, film: Film, monkeypatch: pytest.MonkeyPatch) -> AppTest:
    """The page to read a film."""
    monkeypatch.setattr(exports, "start_process", lambda store, command, log: None)
    monkeypatch.setattr(sys, "argv", ["home.py", "--store", str(store.folder)])
    page = AppTest.from_file(str(HOME), default_timeout=PATIENCE_S)
    page.query_params[keys.JOB] = film.job_id
    page.run()
    page.switch_page("read.py")
    page.query_params[keys.JOB] = film.job_id
    return page.run()


def test_the_page_shows_them_where_the_clip_is_not(
    receiver: tuple[Store, Film], monkeypatch: pytest.MonkeyPatch
) -> None:
    store, film = receiver
    page = read_page(store, film, monkeypatch)
    assert not page.exception
    html = "\n".join(str(element.proto.body) for element in page.get("html"))
    for content in pictures_of(film).values():
        assert base64.b64encode(content).decode() in html
    kept = kept_pictures.kept_pictures(result_of(film))
    assert any("a bundle with clips has every frame" in info.value for info in page.info)
    page.button(key=f"{keys.TO_KEPT}_2").click().run()
    assert not page.exception
    assert page.slider(key=moment_key(film.film_id)).value == pytest.approx(kept[2].time_s, abs=0.02)


def test_without_pictures_the_page_says_so(
    receiver: tuple[Store, Film], monkeypatch: pytest.MonkeyPatch
) -> None:
    store, film = receiver
    for path in (result_of(film) / "frames").iterdir():
        path.write_bytes(b"no picture")
    page = read_page(store, film, monkeypatch)
    assert not page.exception
    assert any("Ask for a bundle with clips" in info.value for info in page.info)


def test_a_film_that_cannot_be_drawn_is_named_and_the_bundle_made(
    tmp_path: Path, filmed: tuple[Path, Path], capsys: pytest.CaptureFixture[str]
) -> None:
    store, film = with_film(tmp_path / "store", b"no clip at all", filmed[1])
    bundle = tmp_path / "job.zip"
    assert main(["export", film.job_id, "--store", str(store.folder), "--out", str(bundle)]) == 0
    assert "no pictures of a.mp4" in capsys.readouterr().out
    assert not (result_of(film) / "frames").exists()
    assert bundle.is_file()
    assert check(store).problems == ()


def jpeg(width: int, height: int) -> bytes:
    """A JPEG file whose head names these sides, whatever follows it."""
    _, small = cv2.imencode(".jpg", np.zeros((8, 8, 3), np.uint8))
    content = bytearray(small.tobytes())
    at = content.index(b"\xff\xc0")
    struct.pack_into(">HH", content, at + 5, height, width)
    return bytes(content)


@pytest.mark.parametrize(
    ("content", "said"),
    [
        (b"no picture", "no JPEG picture"),
        (b"\x89PNG\r\n\x1a\n" + b"\0" * 50, "no JPEG picture"),
        (jpeg(65_000, 65_000), "no JPEG picture, or far too large"),
        (jpeg(5_000, 100), "more than 4000 pixels a side"),
        (b"\xff\xd8" + b"\0" * 10_000_000, "larger than 10 MB"),
    ],
    ids=["text", "png", "huge", "wide", "large"],
)
def test_pictures_that_would_burst_are_refused(
    tmp_path: Path, receiver: tuple[Store, Film], content: bytes, said: str
) -> None:
    store, film = receiver
    path = sorted((result_of(film) / "frames").iterdir())[0]
    path.write_bytes(content)
    with pytest.raises(ValueError, match=said):
        check_picture(path)
    assert len(kept_pictures.kept_pictures(result_of(film))) == 2
    reseal(store, film, path)
    bundle = export_job(store, film.job_id, tmp_path / "bad.zip")
    with pytest.raises(
        StoreError, match=rf"frames/{path.name} in a result in the bundle cannot be used: .*{said}"
    ):
        import_bundle(Store(tmp_path / "third"), bundle)


def reseal(store: Store, film: Film, path: Path) -> None:
    """Make the checksum on record that of a file as it is now."""
    from sqlalchemy import update

    from strokecurve.app.store import schema

    size, sha256 = measure_file(path)
    assert film.measured is not None
    table = schema.run_file
    with store.database.writing() as connection:
        connection.execute(
            update(table)
            .where(table.c.run_id == film.measured.run_id, table.c.name == f"frames/{path.name}")
            .values(size_bytes=size, sha256=sha256)
        )


def test_a_head_that_says_a_few_pixels_is_believed(tmp_path: Path) -> None:
    path = tmp_path / "a.jpg"
    path.write_bytes(jpeg(8, 8))
    check_picture(path)
