"""First tables: people, receivers, jobs with their ledgers, tasks, releases."""

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None
branch_labels = None
depends_on = None

_ROLES = "role in ('reader', 'technician', 'reviewer', 'administrator')"


def upgrade() -> None:
    """Make the tables."""
    _people()
    _jobs()


def _people() -> None:
    op.create_table(
        "crews",
        sa.Column("id", sa.Integer, nullable=False),
        sa.Column("name", sa.Text, nullable=False),
        sa.PrimaryKeyConstraint("id", name="pk_crews"),
        sa.UniqueConstraint("name", name="uq_crews_name"),
    )
    op.create_table(
        "users",
        sa.Column("id", sa.Integer, nullable=False),
        sa.Column("name", sa.Text, nullable=False),
        sa.Column("name_key", sa.Text, nullable=False),
        sa.Column("password_hash", sa.Text, nullable=False),
        sa.Column("role", sa.Text, nullable=False),
        sa.Column("crew_id", sa.Integer),
        sa.Column("active", sa.Boolean, nullable=False),
        sa.Column("metric", sa.Boolean, nullable=False),
        sa.Column("created", sa.String(27), nullable=False),
        sa.CheckConstraint(_ROLES, name="ck_users_role"),
        sa.ForeignKeyConstraint(["crew_id"], ["crews.id"], name="fk_users_crew_id"),
        sa.PrimaryKeyConstraint("id", name="pk_users"),
        sa.UniqueConstraint("name_key", name="uq_users_name_key"),
    )
    op.create_table(
        "web_sessions",
        sa.Column("token_hash", sa.String(64), nullable=False),
        sa.Column("user_id", sa.Integer, nullable=False),
        sa.Column("csrf", sa.String(64), nullable=False),
        sa.Column("created", sa.String(27), nullable=False),
        sa.Column("seen", sa.String(27), nullable=False),
        sa.Column("expires", sa.String(27), nullable=False),
        sa.ForeignKeyConstraint(["user_id"], ["users.id"], name="fk_web_sessions_user_id"),
        sa.PrimaryKeyConstraint("token_hash", name="pk_web_sessions"),
    )
    op.create_index("ix_web_sessions_user_id", "web_sessions", ["user_id"])
    op.create_table(
        "login_failures",
        sa.Column("id", sa.Integer, nullable=False),
        sa.Column("name_key", sa.Text, nullable=False),
        sa.Column("address", sa.Text, nullable=False),
        sa.Column("time", sa.String(27), nullable=False),
        sa.PrimaryKeyConstraint("id", name="pk_login_failures"),
    )
    op.create_index("ix_login_failures_time", "login_failures", ["time"])
    op.create_table(
        "receivers",
        sa.Column("serial", sa.Text, nullable=False),
        sa.Column("note", sa.Text, nullable=False),
        sa.Column("verified", sa.Date),
        sa.Column("last_contact", sa.String(27)),
        sa.Column("crew_id", sa.Integer),
        sa.ForeignKeyConstraint(["crew_id"], ["crews.id"], name="fk_receivers_crew_id"),
        sa.PrimaryKeyConstraint("serial", name="pk_receivers"),
    )
    op.create_table(
        "tokens",
        sa.Column("id", sa.Integer, nullable=False),
        sa.Column("token_hash", sa.String(64), nullable=False),
        sa.Column("label", sa.Text, nullable=False),
        sa.Column("user_id", sa.Integer),
        sa.Column("receiver", sa.Text),
        sa.Column("role", sa.Text, nullable=False),
        sa.Column("created", sa.String(27), nullable=False),
        sa.Column("last_used", sa.String(27)),
        sa.Column("revoked", sa.String(27)),
        sa.CheckConstraint(_ROLES, name="ck_tokens_role"),
        sa.ForeignKeyConstraint(["user_id"], ["users.id"], name="fk_tokens_user_id"),
        sa.ForeignKeyConstraint(["receiver"], ["receivers.serial"], name="fk_tokens_receiver"),
        sa.PrimaryKeyConstraint("id", name="pk_tokens"),
        sa.UniqueConstraint("token_hash", name="uq_tokens_token_hash"),
    )


def _jobs() -> None:
    op.create_table(
        "jobs",
        sa.Column("id", sa.String(64), nullable=False),
        sa.Column("title", sa.Text, nullable=False),
        sa.Column("created", sa.String(27), nullable=False),
        sa.Column("state", sa.Text, nullable=False),
        sa.Column("head", sa.Integer, nullable=False),
        sa.Column("root", sa.String(64), nullable=False),
        sa.Column("peaks", sa.Text, nullable=False),
        sa.Column("last_hash", sa.String(64), nullable=False),
        sa.Column("head_signature", sa.Text),
        sa.Column("head_key", sa.Text),
        sa.CheckConstraint("state in ('open', 'archived')", name="ck_jobs_state"),
        sa.PrimaryKeyConstraint("id", name="pk_jobs"),
    )
    op.create_table(
        "ledger",
        sa.Column("job", sa.String(64), nullable=False),
        sa.Column("sequence", sa.Integer, nullable=False, autoincrement=False),
        sa.Column("time", sa.String(27), nullable=False),
        sa.Column("who", sa.Text, nullable=False),
        sa.Column("action", sa.Text, nullable=False),
        sa.Column("payload", sa.Text, nullable=False),
        sa.Column("previous", sa.String(64), nullable=False),
        sa.Column("hash", sa.String(64), nullable=False),
        sa.Column("key", sa.Text),
        sa.ForeignKeyConstraint(["job"], ["jobs.id"], name="fk_ledger_job"),
        sa.PrimaryKeyConstraint("job", "sequence", name="pk_ledger"),
        sa.UniqueConstraint("job", "who", "key", name="uq_ledger_job_who_key"),
    )
    op.create_table(
        "tasks",
        sa.Column("id", sa.Integer, nullable=False),
        sa.Column("job", sa.String(64), nullable=False),
        sa.Column("kind", sa.Text, nullable=False),
        sa.Column("state", sa.Text, nullable=False),
        sa.Column("step", sa.Text, nullable=False),
        sa.Column("progress", sa.Float, nullable=False),
        sa.Column("head", sa.Integer, nullable=False),
        sa.Column("attempts", sa.Integer, nullable=False),
        sa.Column("created", sa.String(27), nullable=False),
        sa.Column("started", sa.String(27)),
        sa.Column("heartbeat", sa.String(27)),
        sa.Column("finished", sa.String(27)),
        sa.Column("message", sa.Text, nullable=False),
        sa.CheckConstraint(
            "state in ('waiting', 'running', 'done', 'failed')", name="ck_tasks_state"
        ),
        sa.ForeignKeyConstraint(["job"], ["jobs.id"], name="fk_tasks_job"),
        sa.PrimaryKeyConstraint("id", name="pk_tasks"),
    )
    op.create_index("ix_tasks_job_state", "tasks", ["job", "state"])
    op.create_index("ix_tasks_state_id", "tasks", ["state", "id"])
    op.create_table(
        "releases",
        sa.Column("id", sa.String(64), nullable=False),
        sa.Column("job", sa.String(64), nullable=False),
        sa.Column("head", sa.Integer, nullable=False),
        sa.Column("root", sa.String(64), nullable=False),
        sa.Column("name", sa.Text, nullable=False),
        sa.Column("manifest_sha256", sa.String(64), nullable=False),
        sa.Column("path", sa.Text, nullable=False),
        sa.Column("created", sa.String(27), nullable=False),
        sa.ForeignKeyConstraint(["job"], ["jobs.id"], name="fk_releases_job"),
        sa.PrimaryKeyConstraint("id", name="pk_releases"),
        sa.UniqueConstraint("job", "name", name="uq_releases_job_name"),
    )
    op.create_index("ix_releases_job", "releases", ["job"])
