"""Alembic's steps from each released schema to the next; see `labkit.ledger.store`."""
