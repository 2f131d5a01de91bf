"""The first schema: jobs, acts, versions, blobs, and the triggers that let them only grow."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None

TABLES = ("jobs", "acts", "versions", "blobs")


def upgrade() -> None:
    """Make the tables."""
    op.create_table(
        "jobs",
        sa.Column("id", sa.Integer, nullable=False),
        sa.Column("uid", sa.String(32), nullable=False),
        sa.PrimaryKeyConstraint("id", name="pk_jobs"),
        sa.UniqueConstraint("uid", name="uq_jobs_uid"),
    )
    op.create_table(
        "acts",
        sa.Column("job_id", sa.Integer, nullable=False),
        sa.Column("number", sa.Integer, nullable=False),
        sa.Column("kind", sa.String(16), nullable=False),
        sa.Column("at", sa.String(32), nullable=False),
        sa.Column("who", sa.Text),
        sa.Column("undoes", sa.Integer),
        sa.Column("client", sa.String(64)),
        sa.Column("sequence", sa.Integer),
        sa.Column("request", sa.String(64)),
        sa.Column("digest", sa.String(64), nullable=False),
        sa.PrimaryKeyConstraint("job_id", "number", name="pk_acts"),
        sa.UniqueConstraint("job_id", "client", "sequence", name="uq_acts_job_id_client_sequence"),
        sa.ForeignKeyConstraint(["job_id"], ["jobs.id"], name="fk_acts_job_id"),
        sa.ForeignKeyConstraint(["job_id", "undoes"], ["acts.job_id", "acts.number"], name="fk_acts_job_id_undoes"),
    )
    op.create_table(
        "versions",
        sa.Column("job_id", sa.Integer, nullable=False),
        sa.Column("thing", sa.Integer, nullable=False),
        sa.Column("number", sa.Integer, nullable=False),
        sa.Column("sort", sa.String(16), nullable=False),
        sa.Column("parent", sa.Integer),
        sa.Column("position", sa.Double, nullable=False),
        sa.Column("hidden", sa.Boolean(create_constraint=False), nullable=False),
        sa.Column("body", sa.Text, nullable=False),
        sa.PrimaryKeyConstraint("job_id", "thing", "number", name="pk_versions"),
        sa.ForeignKeyConstraint(["job_id", "number"], ["acts.job_id", "acts.number"], name="fk_versions_job_id_number"),
    )
    op.create_index("ix_versions_job_id_number", "versions", ["job_id", "number"])
    op.create_table(
        "blobs",
        sa.Column("digest", sa.String(64), nullable=False),
        sa.Column("size", sa.Integer, nullable=False),
        sa.Column("data", sa.LargeBinary, nullable=False),
        sa.PrimaryKeyConstraint("digest", name="pk_blobs"),
    )
    _only_grow()


def _only_grow() -> None:
    """UPDATE and DELETE are refused by the database itself."""
    if op.get_bind().dialect.name == "postgresql":
        op.execute(
            "CREATE FUNCTION waywright_only_grows() RETURNS trigger LANGUAGE plpgsql AS "
            "$$ BEGIN RAISE EXCEPTION 'the book only grows'; END $$"
        )
        for table in TABLES:
            op.execute(
                f"CREATE TRIGGER {table}_only_grow BEFORE UPDATE OR DELETE OR TRUNCATE ON {table} "
                "FOR EACH STATEMENT EXECUTE FUNCTION waywright_only_grows()"
            )
        return
    for table in TABLES:
        for act in ("UPDATE", "DELETE"):
            op.execute(
                f"CREATE TRIGGER {table}_no_{act.lower()} BEFORE {act} ON {table} "
                "BEGIN SELECT RAISE(ABORT, 'the book only grows'); END"
            )
