"""The tables of the book: a log that only grows. The same on SQLite and PostgreSQL.

    jobs      one row a job; `uid` is its name in every book it is ever imported into
    acts      what was done, numbered 1, 2, 3 … within each job; `digest` covers the act and the one before it
    versions  what each act made of each part it touched: the whole part in its plain form, or that it is hidden
    blobs     the bytes of attachments, by their SHA-256

A part is `thing` number so and so of its job; its version is the number of the act that wrote it. A job at a moment is,
for each thing, the version with the greatest act number up to then. Triggers refuse UPDATE and DELETE.
"""

from __future__ import annotations

from sqlalchemy import (
    Boolean,
    Column,
    Double,
    ForeignKey,
    ForeignKeyConstraint,
    Index,
    Integer,
    LargeBinary,
    MetaData,
    PrimaryKeyConstraint,
    String,
    Table,
    Text,
    UniqueConstraint,
)

# Names for every constraint, so that SQLite's batch migrations can find them.
metadata = MetaData(
    naming_convention={
        "ix": "ix_%(table_name)s_%(column_0_N_name)s",
        "uq": "uq_%(table_name)s_%(column_0_N_name)s",
        "fk": "fk_%(table_name)s_%(column_0_N_name)s",
        "pk": "pk_%(table_name)s",
    }
)

jobs = Table(
    "jobs",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("uid", String(32), nullable=False),
    UniqueConstraint("uid"),
)

acts = Table(
    "acts",
    metadata,
    Column("job_id", Integer, ForeignKey("jobs.id"), nullable=False),
    Column("number", Integer, nullable=False),
    Column("kind", String(16), nullable=False),
    Column("at", String(32), nullable=False),  # UTC, ISO 8601 with microseconds: sorts as text
    Column("who", Text),
    Column("undoes", Integer),
    Column("client", String(64)),
    Column("sequence", Integer),
    Column("request", String(64)),  # SHA-256 of what the client sent: the same number twice must mean the same
    Column("digest", String(64), nullable=False),
    PrimaryKeyConstraint("job_id", "number"),
    UniqueConstraint("job_id", "client", "sequence"),
    ForeignKeyConstraint(["job_id", "undoes"], ["acts.job_id", "acts.number"]),
)

versions = Table(
    "versions",
    metadata,
    Column("job_id", Integer, nullable=False),
    Column("thing", Integer, nullable=False),
    Column("number", Integer, nullable=False),
    Column("sort", String(16), nullable=False),
    Column("parent", Integer),  # the thing it belongs to: a reading's setting, what an attachment is about
    Column("position", Double, nullable=False),  # its place among those of its sort
    Column("hidden", Boolean(create_constraint=False), nullable=False),
    Column("body", Text, nullable=False),
    PrimaryKeyConstraint("job_id", "thing", "number"),
    ForeignKeyConstraint(["job_id", "number"], ["acts.job_id", "acts.number"]),
    Index(None, "job_id", "number"),
)

blobs = Table(
    "blobs",
    metadata,
    Column("digest", String(64), primary_key=True),
    Column("size", Integer, nullable=False),
    Column("data", LargeBinary, nullable=False),
)
