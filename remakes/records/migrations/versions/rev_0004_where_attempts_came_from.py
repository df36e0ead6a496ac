"""An attempt to sign in is counted by the machine it came from as well; of earlier ones that is not known."""

import sqlalchemy as sa
from alembic import op

revision = "0004"
down_revision = "0003"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.add_column("sign_in_attempts", sa.Column("address", sa.String(), nullable=True))
    op.create_index("ix_sign_in_attempts_address_at", "sign_in_attempts", ["address", "at"], unique=False)
