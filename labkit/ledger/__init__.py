"""The store: one laboratory's ledger in a database. Everything above this floor calls only these verbs."""

from labkit.ledger.approvals import Approval, approval_of, approve, waits_for_signature
from labkit.ledger.away import Away, away_drafts, put_away, take_out
from labkit.ledger.backup import BackedUp, back_up
from labkit.ledger.backups import Backup, last_backup
from labkit.ledger.chain import Head, head
from labkit.ledger.checking import ChainReport, check
from labkit.ledger.drafts import DraftLine, draft_bodies, list_drafts, load_draft, save_draft, take_over
from labkit.ledger.due import LastCalibration, LastCheck, last_calibrations, last_checks
from labkit.ledger.export import Exported, export
from labkit.ledger.files import new_id, utc_now
from labkit.ledger.instrument_certificates import InstrumentCertificate, certify, instrument_certificates
from labkit.ledger.live import Live, claim, let_go, live_gauges, release
from labkit.ledger.notes import Note, notes, strike_out, write_note
from labkit.ledger.people import ROLES, Actor
from labkit.ledger.register import Bench, NotInUse, Person, Procedure, RegisteredRig
from labkit.ledger.registering import (
    history_of,
    load_bench,
    load_register,
    put_back,
    reasons_of,
    register,
    save_bench,
    set_aside,
    withdraw,
)
from labkit.ledger.requests import (
    Request,
    ask,
    request_about,
    requests,
    seen,
    send_back,
    withdraw_request,
)
from labkit.ledger.search import Found, ResultLine, Wanted, replaced_by, search
from labkit.ledger.shim_certificates import ShimCertificate, kept_pdf, register_shims, shim_certificates
from labkit.ledger.signed import Entry, Place, find, in_force, record_sha256, sign_and_keep
from labkit.ledger.versions import Version

__all__ = [
    "ROLES",
    "Actor",
    "Approval",
    "Away",
    "BackedUp",
    "Backup",
    "Bench",
    "ChainReport",
    "DraftLine",
    "Entry",
    "Exported",
    "Found",
    "Head",
    "InstrumentCertificate",
    "LastCalibration",
    "LastCheck",
    "Live",
    "NotInUse",
    "Note",
    "Person",
    "Place",
    "Procedure",
    "RegisteredRig",
    "Request",
    "ResultLine",
    "ShimCertificate",
    "Version",
    "Wanted",
    "approval_of",
    "approve",
    "ask",
    "away_drafts",
    "back_up",
    "certify",
    "check",
    "claim",
    "draft_bodies",
    "export",
    "find",
    "head",
    "history_of",
    "in_force",
    "instrument_certificates",
    "kept_pdf",
    "last_backup",
    "last_calibrations",
    "last_checks",
    "let_go",
    "list_drafts",
    "live_gauges",
    "load_bench",
    "load_draft",
    "load_register",
    "new_id",
    "notes",
    "put_away",
    "put_back",
    "reasons_of",
    "record_sha256",
    "register",
    "register_shims",
    "release",
    "replaced_by",
    "request_about",
    "requests",
    "save_bench",
    "save_draft",
    "search",
    "seen",
    "send_back",
    "set_aside",
    "shim_certificates",
    "sign_and_keep",
    "strike_out",
    "take_out",
    "take_over",
    "utc_now",
    "waits_for_signature",
    "withdraw",
    "withdraw_request",
    "write_note",
]
