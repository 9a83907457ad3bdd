"""Bundles: what goes out comes in, both sides' words unite, and the same job gives the same bytes."""

from __future__ import annotations

import json
import zipfile
from pathlib import Path

import pytest
from fake_result import write_fake_result, write_named_result
from stored import Clock, add_film, measured

from strokecurve.app.result.reading import read_result
from strokecurve.app.store import bundle
from strokecurve.app.store.bundle import export_job
from strokecurve.app.store.bundle_import import Merged, import_bundle
from strokecurve.app.store.jobs import Job
from strokecurve.app.store.maintenance import check
from strokecurve.app.store.store import Store
from strokecurve.app.words.errors import StoreError
from strokecurve.app.words.statements import (
    Choice,
    Comment,
    Done,
    FilmFacts,
    IntendedChoice,
    JobFacts,
    Proposals,
    Readings,
    RigText,
    Verdict,
)

LINKAGE = "motor:shaft1"


@pytest.fixture
def clock() -> Clock:
    return Clock()


@pytest.fixture
def technician(tmp_path: Path, clock: Clock) -> Store:
    return Store(tmp_path / "technician", clock)


@pytest.fixture
def reviewer(tmp_path: Path, clock: Clock) -> Store:
    return Store(tmp_path / "reviewer", clock)


@pytest.fixture
def job(technician: Store, clock: Clock, tmp_path: Path) -> Job:
    """A job with two measured films and one of everything on record."""
    store = technician
    made = store.new_job(JobFacts("boiler 2", "plant north", "gas"), "# rig ü\n", "technician")
    for role in ("as found", "as left"):
        clock.now += 60
        film = add_film(store, made, f"{role}.mov", role.encode() * 50, role)
        run = measured(store, film, write_fake_result)
        picture = tmp_path / "picture.jpg"
        picture.write_bytes(b"picture of " + role.encode())
        store.runs.add_file(run.run_id, "frames/low_fire.jpg", picture)
    store.add(
        made.job_id, Readings("driver_deg,=o2\n0,3.5\n", ("driver_deg", "=o2"), ((0.0, 3.5), (9.0, None)))
    )
    store.add(made.job_id, IntendedChoice(LINKAGE, "table", ((0.0, 0.0, None), (45.0, 30.5, 1.0))))
    proposals = store.add(made.job_id, Proposals(LINKAGE, '[{"touches": 1}]'), "technician")
    store.add(made.job_id, Choice(proposals.entry_id, 0), "technician")
    store.add(made.job_id, Comment("look here", 2.5), "technician", film.film_id)
    store.add(made.job_id, Verdict("adjust", "see comment"), "expert")
    return store.job(made.job_id)


def words(store: Store, job_id: str) -> list[str]:
    return [entry.content.text for entry in store.entries(job_id, Comment)]


def test_export_then_import_then_export_is_the_same_bit_for_bit(
    technician: Store, reviewer: Store, job: Job, clock: Clock, tmp_path: Path
) -> None:
    for clips in (False, True):
        first = export_job(technician, job.job_id, tmp_path / f"first-{clips}.zip", clips)
        clock.now += 1e6
        import_bundle(reviewer, first)
        second = export_job(reviewer, job.job_id, tmp_path / f"second-{clips}.zip", clips)
        assert first.read_bytes() == second.read_bytes()
        assert check(reviewer).problems == check(reviewer).notes == ()


def test_names_of_earlier_versions_go_out_marked_as_text_and_come_back(
    technician: Store, reviewer: Store, tmp_path: Path
) -> None:
    made = technician.new_job(rig_toml='[[shaft]]\nname = "-1"\nmarker = 10\n')
    run = measured(technician, add_film(technician, made), lambda folder: write_named_result(folder, "-1"))
    technician.add(made.job_id, IntendedChoice("-1:shaft1", "equal", ()))
    before = {path.name: path.read_bytes() for path in run.result.iterdir()}
    first = export_job(technician, made.job_id, tmp_path / "first.zip")
    with zipfile.ZipFile(first) as bundle:
        angles = bundle.read(f"results/{run.run_id}/angles.csv")
        travel = bundle.read(f"results/{run.run_id}/travel.csv")
    assert angles.startswith(b"time_s,'-1_deg,'-1_sd_deg,shaft1_deg")
    assert travel.splitlines()[1].startswith(b"'-1:shaft1,opening,0.0,")
    import_bundle(reviewer, first)
    second = export_job(reviewer, made.job_id, tmp_path / "second.zip")
    assert first.read_bytes() == second.read_bytes()
    there = reviewer.job(made.job_id).films[0].measured
    assert there is not None
    assert set(read_result(there.result).travel["linkage"]) == {"-1:shaft1"}
    reviewer.add(made.job_id, Comment("seen"))
    merged = import_bundle(technician, export_job(reviewer, made.job_id, tmp_path / "back.zip"))
    assert (merged.entries, merged.runs) == (1, 0)
    assert {path.name: path.read_bytes() for path in run.result.iterdir()} == before
    assert check(technician).problems == check(reviewer).problems == ()


def test_everything_arrives(technician: Store, reviewer: Store, job: Job, tmp_path: Path) -> None:
    bundle = export_job(technician, job.job_id, tmp_path / "job.zip", clips=True)
    merged = import_bundle(reviewer, bundle)
    entries = 3 + 2 + 6 - 1  # facts and rig of the job, facts of the films, and what else is on record
    assert merged == Merged(job.job_id, True, 2, 2, entries, 2)
    there = reviewer.job(job.job_id)
    assert (there.facts, there.made_s) == (job.facts, job.made_s)
    for film, original in zip(there.films, job.films, strict=True):
        assert (film.film_id, film.facts, film.made_s) == (original.film_id, original.facts, original.made_s)
        assert film.clip.path.read_bytes() == original.clip.path.read_bytes()
        assert film.measured is not None
        assert original.measured is not None
        files = sorted(p.relative_to(film.measured.result) for p in film.measured.result.rglob("*.*"))
        assert [str(name) for name in files] == [
            "angles.csv",
            "frames/low_fire.jpg",
            "result.json",
            "travel.csv",
        ]
        for name in files:
            assert (film.measured.result / name).read_bytes() == (
                original.measured.result / name
            ).read_bytes()
    for kind in (JobFacts, RigText, FilmFacts, Readings, IntendedChoice, Proposals, Choice, Comment, Verdict):
        assert reviewer.entries(job.job_id, kind) == technician.entries(job.job_id, kind)


def test_without_clips_a_film_can_be_read_but_not_analysed_and_the_clip_may_follow(
    technician: Store, reviewer: Store, job: Job, tmp_path: Path
) -> None:
    import_bundle(reviewer, export_job(technician, job.job_id, tmp_path / "job.zip"))
    film = reviewer.job(job.job_id).films[0]
    assert film.measured is not None
    assert (film.clip.here, film.clip.sha256) == (False, job.films[0].clip.sha256)
    with pytest.raises(StoreError, match="came without its clip"):
        reviewer.analyse_again(film.film_id)
    bundle = export_job(technician, job.job_id, tmp_path / "clips.zip", clips=True)
    assert import_bundle(reviewer, bundle) == Merged(job.job_id, False, 0, 0, 0, 2)
    assert reviewer.film(film.film_id).clip.path.read_bytes() == job.films[0].clip.path.read_bytes()


def test_words_of_both_sides_unite_and_nothing_doubles(
    technician: Store, reviewer: Store, job: Job, clock: Clock, tmp_path: Path
) -> None:
    import_bundle(reviewer, export_job(technician, job.job_id, tmp_path / "out.zip"))
    clock.now += 10
    film_id = job.films[0].film_id
    reviewer.add(job.job_id, Comment("from the reviewer", 1.5), "expert", film_id)
    reviewer.add(job.job_id, Verdict("film again"), "expert")
    clock.now += 10
    technician.add(job.job_id, Comment("meanwhile"), "technician")
    back = export_job(reviewer, job.job_id, tmp_path / "back.zip")
    assert import_bundle(technician, back) == Merged(job.job_id, False, 0, 0, 2, 0)
    assert words(technician, job.job_id) == ["look here", "from the reviewer", "meanwhile"]
    latest = technician.latest(job.job_id, Verdict)
    assert latest is not None
    assert latest.content.verdict == "film again"
    assert import_bundle(technician, back) == Merged(job.job_id, False, 0, 0, 0, 0)
    import_bundle(reviewer, export_job(technician, job.job_id, tmp_path / "again.zip"))
    one = export_job(technician, job.job_id, tmp_path / "one.zip")
    other = export_job(reviewer, job.job_id, tmp_path / "other.zip")
    assert one.read_bytes() == other.read_bytes()


def test_an_answer_comes_after_what_it_answers_though_a_clock_is_slow(
    technician: Store, reviewer: Store, job: Job, clock: Clock, tmp_path: Path
) -> None:
    import_bundle(reviewer, export_job(technician, job.job_id, tmp_path / "out.zip"))
    clock.now += 3600
    reviewer.add(job.job_id, Comment("question, from a fast clock"), "expert")
    import_bundle(technician, export_job(reviewer, job.job_id, tmp_path / "back.zip"))
    clock.now -= 3600
    technician.add(job.job_id, Comment("answer"), "technician")
    assert words(technician, job.job_id)[-2:] == ["question, from a fast clock", "answer"]


def test_a_new_film_of_either_side_joins(
    technician: Store, reviewer: Store, job: Job, clock: Clock, tmp_path: Path
) -> None:
    import_bundle(reviewer, export_job(technician, job.job_id, tmp_path / "out.zip"))
    clock.now += 10
    film = add_film(technician, job, "trial.mov", b"trial", "trial")
    bundle = export_job(technician, job.job_id, tmp_path / "waiting.zip", clips=True)
    import_bundle(reviewer, bundle)
    waiting = reviewer.film(film.film_id)
    assert (waiting.runs, waiting.clip.here) == ((), True), "an analysis that waits is nobody else's"
    measured(technician, film, write_fake_result)
    merged = import_bundle(reviewer, export_job(technician, job.job_id, tmp_path / "measured.zip"))
    assert (merged.films, merged.runs) == (0, 1)
    assert reviewer.film(film.film_id).measured is not None


def test_pictures_drawn_on_both_sides_do_not_quarrel(
    technician: Store, reviewer: Store, job: Job, tmp_path: Path
) -> None:
    import_bundle(reviewer, export_job(technician, job.job_id, tmp_path / "out.zip"))
    run = job.films[0].measured
    assert run is not None
    for store, content in ((technician, b"one"), (reviewer, b"two")):
        path = tmp_path / "overlay.mp4"
        path.write_bytes(content)
        store.runs.add_file(run.run_id, "overlay.mp4", path)
    import_bundle(technician, export_job(reviewer, job.job_id, tmp_path / "back.zip"))
    assert (run.result / "overlay.mp4").read_bytes() == b"one"
    assert check(technician).problems == ()


def test_what_counts_lies_beside_for_people(technician: Store, job: Job, tmp_path: Path) -> None:
    technician.add(job.job_id, IntendedChoice("a:b", "equal", ()))
    with zipfile.ZipFile(export_job(technician, job.job_id, tmp_path / "job.zip")) as bundle:
        latest = {name.split("/")[1]: bundle.read(name) for name in bundle.namelist() if "latest/" in name}
        manifest = json.loads(bundle.read("manifest.json"))
        assert {info.date_time for info in bundle.infolist()} == {(1980, 1, 1, 0, 0, 0)}
        names = bundle.namelist()
    assert names == ["manifest.json", *sorted(names[1:])]
    assert [one["name"] for one in manifest["files"]] == names[1:]
    assert latest["rig.toml"].decode() == "# rig ü\n"
    assert latest["readings.csv"] == b"driver_deg,'=o2\n0.0,3.5\n9.0,\n", "no formula for an office program"
    intended = next(content for name, content in latest.items() if name.startswith("intended-"))
    assert intended == b"driver_deg,driven_deg,tolerance_deg\n0.0,0.0,\n45.0,30.5,1.0\n"
    assert any(name.startswith("proposals-") for name in latest)
    remarks = latest["comments.txt"].decode()
    assert "technician: look here" in remarks
    assert "expert: [verdict: adjust] see comment" in remarks
    assert f"technician: [chosen: proposal 1 of {LINKAGE}]" in remarks


def latest_remarks(store: Store, job_id: str, path: Path) -> str:
    with zipfile.ZipFile(export_job(store, job_id, path)) as bundle:
        return bundle.read("latest/comments.txt").decode()


def test_people_read_what_was_reviewed_chosen_and_carried_out(
    technician: Store, job: Job, tmp_path: Path
) -> None:
    film = job.films[1]
    assert film.measured is not None
    steps = '[{}, {"work_order": ["Loosen.", "Tighten."]}]'
    proposals = technician.add(job.job_id, Proposals(LINKAGE, steps), "technician")
    choice = technician.add(job.job_id, Choice(proposals.entry_id, 1), "technician")
    done = Done(choice.entry_id, ("done", "not done"), "B. Other", "2026-02-03", "rod stuck")
    technician.add(job.job_id, done, "technician")
    technician.add(job.job_id, Verdict("accept", None, ((film.film_id, film.measured.run_id),)), "expert")
    said = latest_remarks(technician, job.job_id, tmp_path / "job.zip")
    assert (
        f"technician: [carried out by B. Other on 2026-02-03: proposal 2 of {LINKAGE}; step 1 done, "
        "step 2 not done] rod stuck\n" in said
    )
    assert f"expert: [verdict: accept, on as left, as left.mov (analysis {film.measured.run_id})]" in said
    technician.add(job.job_id, Proposals(LINKAGE, "[{}]"), "technician")
    said = latest_remarks(technician, job.job_id, tmp_path / "later.zip")
    assert f"[chosen: proposal 2 of {LINKAGE} (of an earlier list, which job.json holds)]" in said


def test_its_size_is_told_before_it_is_made_and_a_limit_kept(
    technician: Store, job: Job, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    for clips in (False, True):
        told = bundle.bundle_bytes(technician, job, clips)
        made = bundle.export_job(technician, job.job_id, tmp_path / f"{clips}.zip", clips).stat().st_size
        # On top come the names and the record of the job.
        assert told <= made < told + 20_000
    kept = sum(film.clip.path.stat().st_size for film in job.films)
    assert told == bundle.bundle_bytes(technician, job, False) + kept
    monkeypatch.setattr(bundle, "LARGEST_BUNDLE_BYTES", told - 1)
    with pytest.raises(StoreError, match=r"The bundle, with \d+ MB, is larger than .*Leave the clips out"):
        bundle.export_job(technician, job.job_id, tmp_path / "large.zip", clips=True)
    assert not (tmp_path / "large.zip").exists()


def test_a_damaged_store_sends_nothing(technician: Store, job: Job, tmp_path: Path) -> None:
    run = job.films[0].measured
    assert run is not None
    original = (run.result / "travel.csv").read_bytes()
    (run.result / "travel.csv").write_bytes(original[:-1] + b"0")
    with pytest.raises(StoreError, match=r"damaged: results/.*/travel.csv"):
        export_job(technician, job.job_id, tmp_path / "job.zip")
    (run.result / "travel.csv").unlink()
    with pytest.raises(StoreError, match="missing"):
        export_job(technician, job.job_id, tmp_path / "job.zip")
    assert [path for path in tmp_path.iterdir() if path.is_file()] == [tmp_path / "picture.jpg"]
