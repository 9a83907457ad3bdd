"""Bundles put together by hand, so that one thing in them can be wrong and all the rest right."""

from __future__ import annotations

import hashlib
import io
import json
import zipfile
from pathlib import Path
from typing import Any

import pytest
from fake_result import write_fake_result
from stored import Clock, add_film, measured

from strokecurve.app.store.bundle import export_job
from strokecurve.app.store.bundle_import import import_bundle
from strokecurve.app.store.store import Store
from strokecurve.app.words.errors import StoreError
from strokecurve.app.words.statements import Comment, JobFacts, Proposals

Files = dict[str, bytes]


def good_files(folder: Path) -> Files:
    """Files of a good bundle by name, without its manifest."""
    store = Store(folder / "store", Clock())
    job = store.new_job(JobFacts("boiler 2"), "# rig\n")
    film = add_film(store, job, "a.mov", b"clip " * 20, "as found")
    measured(store, film, write_fake_result)
    store.add(job.job_id, Comment("look", 1.0), "technician", film.film_id)
    store.add(job.job_id, Proposals("motor:shaft1", '[{"touches": 1}]'))
    with zipfile.ZipFile(export_job(store, job.job_id, folder / "job.zip", clips=True)) as bundle:
        return {name: bundle.read(name) for name in bundle.namelist() if name != "manifest.json"}


def store_in_use(folder: Path) -> Store:
    """A store that holds a job already, which nothing that is refused may change."""
    made = Store(folder / "store", Clock())
    made.new_job(JobFacts("earlier"))
    return made


def manifest_of(files: Files, /, **changes: Any) -> bytes:
    """A manifest that fits the files, so that a test gets past it to what it is about."""
    listed = [
        {"name": name, "size_bytes": len(content), "sha256": hashlib.sha256(content).hexdigest()}
        for name, content in files.items()
    ]
    try:
        job_id = json.loads(files["job.json"])["job"]["id"]
    except (KeyError, TypeError, ValueError, RecursionError):
        job_id = "0" * 32
    content = {"format": "strokecurve job", "format_version": 1, "job_id": job_id, "files": listed}
    return json.dumps(content | {"versions": {}} | changes).encode()


def packed(files: Files, how: int = zipfile.ZIP_STORED) -> bytes:
    """A zip file of these files."""
    target = io.BytesIO()
    with zipfile.ZipFile(target, "w", how) as bundle:
        for name, content in files.items():
            bundle.writestr(zipfile.ZipInfo(name), content, how)
    return target.getvalue()


def complete(files: Files, /, **changes: Any) -> bytes:
    """A zip file of these files with a manifest that fits."""
    return packed({"manifest.json": manifest_of(files, **changes)} | files)


def refused(store: Store, content: bytes, words: str) -> None:
    """Check that a bundle is refused in one sentence, and that nothing has changed."""
    before = {path: path.stat().st_size for path in store.folder.rglob("*") if "sqlite" not in path.name}
    jobs = store.jobs()
    with pytest.raises(StoreError, match=words) as caught:
        import_bundle(store, io.BytesIO(content))
    assert "\n" not in str(caught.value)
    assert len(caught.value.message) < 250
    assert store.jobs() == jobs
    after = {path: path.stat().st_size for path in store.folder.rglob("*") if "sqlite" not in path.name}
    assert after == before
