"""Tables of a store as they are now, for queries; ``app.store.migrations`` makes them.

Rows are only ever added, except: the state of a run, a clip or its checksum that arrives later, and a
reviewer link that is withdrawn.
Times are seconds since 1970, UTC. Ids are hexadecimal, so they fit addresses and file names anywhere.
"""

from __future__ import annotations

from sqlalchemy import BigInteger, Column, Double, ForeignKey, Integer, MetaData, Table, Text

metadata = MetaData()

migration = Table(
    "migration",
    metadata,
    Column("number", Integer, primary_key=True),
    Column("name", Text, nullable=False),
    Column("applied_s", Double, nullable=False),
)

job = Table(
    "job",
    metadata,
    Column("id", Text, primary_key=True),
    Column("made_s", Double, nullable=False),
)

clip = Table(
    "clip",
    metadata,
    Column("id", Text, primary_key=True),
    Column("made_s", Double, nullable=False),
    Column("file", Text, nullable=False, unique=True),  # its name in the folder of clips
    Column("size_bytes", BigInteger, nullable=False),
    Column("sha256", Text, nullable=False),
    Column("here", Integer, nullable=False),  # 0 while only known from a bundle without clips
)

film = Table(
    "film",
    metadata,
    Column("id", Text, primary_key=True),
    Column("job_id", Text, ForeignKey("job.id"), nullable=False),
    Column("clip_id", Text, ForeignKey("clip.id"), nullable=False),
    Column("made_s", Double, nullable=False),
)

entry = Table(
    "entry",
    metadata,
    Column("id", Text, primary_key=True),
    Column("job_id", Text, ForeignKey("job.id"), nullable=False),
    Column("film_id", Text, ForeignKey("film.id")),
    Column("kind", Text, nullable=False),
    Column("made_s", Double, nullable=False),
    Column("author", Text),
    Column("content_json", Text, nullable=False),
)

provenance = Table(
    "provenance",
    metadata,
    Column("entry_id", Text, ForeignKey("entry.id"), primary_key=True),
    Column("job_id", Text, ForeignKey("job.id"), nullable=False),
    Column("made_s", Double, nullable=False),
    Column("made_by", Text),
)
"""Entries that came in a bundle; their authors are as the sender wrote them."""

run = Table(
    "run",
    metadata,
    Column("id", Text, primary_key=True),
    Column("film_id", Text, ForeignKey("film.id"), nullable=False),
    Column("rig_id", Text, ForeignKey("entry.id")),
    Column("made_s", Double, nullable=False),
    Column("state", Text, nullable=False),
    Column("tries", Integer, nullable=False),
    Column("done", BigInteger, nullable=False),
    Column("total", BigInteger, nullable=False),
    Column("stage", Text, nullable=False),
    Column("heartbeat_s", Double, nullable=False),
    Column("cancel_requested", Integer, nullable=False),
    Column("error", Text),
    Column("cause", Text),
    Column("finished_s", Double),
)

run_file = Table(
    "run_file",
    metadata,
    Column("run_id", Text, ForeignKey("run.id"), primary_key=True),
    Column("name", Text, primary_key=True),  # inside the run's result folder, parts joined by /
    Column("size_bytes", BigInteger, nullable=False),
    Column("sha256", Text, nullable=False),
)

share = Table(
    "share",
    metadata,
    Column("id", Text, primary_key=True),
    Column("job_id", Text, ForeignKey("job.id"), nullable=False),
    Column("mail", Text, nullable=False),  # in lower case
    Column("level", Text, nullable=False),  # the newest row of a job and an address counts
    Column("made_s", Double, nullable=False),
    Column("made_by", Text),
)

reviewer_link = Table(
    "reviewer_link",
    metadata,
    Column("id", Text, primary_key=True),
    Column("job_id", Text, ForeignKey("job.id"), nullable=False),
    Column("label", Text, nullable=False),  # whom it was made for
    Column("made_s", Double, nullable=False),
    Column("made_by", Text),
    Column("expires_s", Double, nullable=False),
    Column("withdrawn_s", Double),
)
