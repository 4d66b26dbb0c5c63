"""The store: one laboratory's ledger in a database. Everything above this floor calls only these verbs."""

from labkit.ledger.chain import Head, head
from labkit.ledger.checking import ChainReport, check
from labkit.ledger.drafts import DraftLine, list_drafts, load_draft, save_draft, take_over
from labkit.ledger.files import new_id, utc_now
from labkit.ledger.people import ROLES, Actor
from labkit.ledger.register import Bench, NotInUse, Person, Procedure, RegisteredRig
from labkit.ledger.registering import (
    history_of,
    load_bench,
    load_register,
    put_back,
    register,
    save_bench,
    set_aside,
    withdraw,
)
from labkit.ledger.search import Found, ResultLine, Wanted, search
from labkit.ledger.signed import Entry, Place, find, in_force, record_sha256, sign_and_keep
from labkit.ledger.versions import Version

__all__ = [
    "ROLES",
    "Actor",
    "Bench",
    "ChainReport",
    "DraftLine",
    "Entry",
    "Found",
    "Head",
    "NotInUse",
    "Person",
    "Place",
    "Procedure",
    "RegisteredRig",
    "ResultLine",
    "Version",
    "Wanted",
    "check",
    "find",
    "head",
    "history_of",
    "in_force",
    "list_drafts",
    "load_bench",
    "load_draft",
    "load_register",
    "new_id",
    "put_back",
    "record_sha256",
    "register",
    "save_bench",
    "save_draft",
    "search",
    "set_aside",
    "sign_and_keep",
    "take_over",
    "utc_now",
    "withdraw",
]
