"""The store: verbs over JSON and PDF files in a data folder. Everything above this floor calls only these."""

from labkit.ledger.drafts import DraftLine, list_drafts, load_draft, save_draft
from labkit.ledger.files import new_id, utc_now
from labkit.ledger.register import Bench, Person, Procedure, RegisteredRig, load_bench, save_bench
from labkit.ledger.signed import Entry, find, in_force, record_sha256, sign_and_keep

__all__ = [
    "Bench",
    "DraftLine",
    "Entry",
    "Person",
    "Procedure",
    "RegisteredRig",
    "find",
    "in_force",
    "list_drafts",
    "load_bench",
    "load_draft",
    "new_id",
    "record_sha256",
    "save_bench",
    "save_draft",
    "sign_and_keep",
    "utc_now",
]
