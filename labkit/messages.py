"""
Sentences: every code that a problem, caution, reason or blocker carries, as a person reads it.

A sentence is a template. Its fields take the parameters of the finding; what stands after the colon says how
`labkit.format` writes the number: ``{x_mm:mm}`` a length (also ``µm``, ``in``, ``mil``), ``{u_mm:U}`` an expanded
uncertainty, ``{d_mm:+µm}`` a signed length, ``{share:%}`` a percentage, ``{n:.3}`` so many decimals, ``{n:~3}`` so
many significant digits. A code ending in ``.hint`` holds the remedy that goes with the code before it.
"""

from __future__ import annotations

import string
from collections.abc import Mapping, Sequence
from typing import Any, Final

from labkit import format as _format
from labkit.units import LENGTH_UNITS

SENTENCES: Final[dict[str, str]] = {
    # ---- shims ----
    "shims.unknown": "Shim {shim} is not in {set}.",
    "shims.unknown.hint": "Add it to the shims with its certified value, or correct the name.",
    # ---- sheet ----
    "sheet.typesetting": "The sheet could not be set: {why}",
    "sheet.character": "The sheet cannot print the character {character} in {place}.",
    "sheet.character.hint": "Write it another way.",
    # ---- identity, signing, verifying ----
    "identity.no_name": "Whose signing file is it? The name is empty.",
    "identity.long_name": "A name in a certificate holds {limit} characters; this one has {length}.",
    "identity.no_passphrase": "The passphrase is empty.",
    "identity.no_passphrase.hint": "Choose one that nobody guesses: whoever has it can sign.",
    "identity.exists": "{file} exists already and was left as it is.",
    "identity.exists.hint": "Choose another name, or move the old file away.",
    "identity.no_folder": "There is no folder {folder}.",
    "identity.cannot_write": "{file} cannot be written: {why}.",
    "identity.half_authority": "In {folder} only one of {certificate} and {key} is there.",
    "identity.half_authority.hint": "Put the other one back, or move this one away to begin a new authority.",
    "identity.authority": "The authority's certificate and key do not belong together, or one of them is damaged.",
    "passphrase.file": "The passphrase file {file} cannot be read.",
    "passphrase.none": "The signing file needs its passphrase.",
    "passphrase.none.hint": "Name a file with --passphrase-file, set {variable}, or run this at a terminal.",
    "passphrase.differ": "The two passphrases are not the same.",
    "sign.not_a_signing_file": "This is not a signing file (PKCS#12, .p12) with a key and a certificate.",
    "sign.wrong_passphrase": "That passphrase does not open your signing file.",
    "sign.expired": "The certificate in your signing file ended on {until}.",
    "sign.expired.hint": "Ask for a new signing file.",
    "sign.not_yet_valid": "The certificate in your signing file holds from {start} on.",
    "sign.not_yet_valid.hint": "Check the clock of this computer.",
    "sign.not_for_signing": "The certificate in your signing file is not meant for signing documents.",
    "sign.not_a_sheet": "This PDF is not a sheet of ours, so it cannot be signed.",
    "sign.already_signed": "This sheet is signed already.",
    "verify.not_a_pdf": "This is not a PDF, or it is damaged.",
    "verify.no_file": "{file} cannot be read.",
    "verify.large_file": "{file} is larger than {limit_mb} MB: it is no sheet of ours.",
    "verify.encrypted": "This PDF is encrypted and cannot be verified.",
    "verify.trust": "{file} is not a certificate (PEM or DER) that could be trusted.",
    "verify.genuine": "Genuine: signed by {signer}, and unchanged since.",
    "verify.unknown_signer": "Intact, but its signer is not known here: {signer}.",
    "verify.unknown_signer.hint": "Compare the fingerprint by telephone with the laboratory's before you trust it.",
    "verify.changed": "Changed after signing. Do not use it.",
    "verify.added": "Something was added after signing. Do not use it.",
    "verify.signature": "The signature does not belong to this file as it is. Do not use it.",
    "verify.fields": "It does not carry exactly the one signature of a sheet of ours. Do not use it.",
    "verify.unsigned": "Not one of our certificates: nobody signed it.",
    "verify.no_record": "Not one of our certificates: no readable record is attached.",
    "verify.too_large": "Not one of our certificates: what is attached is larger than {limit_mb} MB.",
    "verify.newer": "Intact, but made by a newer labkit ({schema}). Verify it with that one.",
    # ---- curves ----
    "curve.lengths": "{name} has {got} values where {expected} are needed.",
    "curve.not_finite": "{name}, value {index}, is not a number.",
    "curve.not_positive": "{name}, value {index}, must be above 0; it is {value:~4}.",
    "curve.ux_without_uy": "There are uncertainties in x and none in y.",
    "curve.ux_without_uy.hint": "Give uy (or cov_y) as well: the repeatability of the indications.",
    "curve.covariance": "{name} is not a covariance matrix: it must be symmetric and must not be negative.",
    "curve.dependent": "The {columns} columns of the regression depend on one another.",
    "curve.dependent.hint": "Leave one out, or give more observations.",
    "curve.too_few_points": "{family} needs {needed} different thicknesses; there are {got}.",
    "curve.one_thickness": "All readings are at one thickness, {x_mm:mm}: no curve goes through them.",
    "curve.not_for_signal": "{family} does not fit this kind of indication ({signal}).",
    "curve.not_for_negative": "{family} needs indications above 0; value {index} is {value:~4}.",
    "curve.unknown_family": "There is no curve family {name}.",
    "curve.unknown_family.hint": "Known: {known}.",
    "curve.name_taken": "A curve family {name} exists already.",
    "curve.name_taken.hint": "Give it another name, or register(…, replace=True).",
    "curve.no_convergence": "{family} found no solution from these points.",
    "curve.scale": "scale must be 'known' or 'estimated'; it is {got}.",
    "curve.method": "{method} limits are not to be had for {family}.",
    "curve.method.hint": "Use 'wald' or 'monte-carlo'; 'fieller' is for the line.",
    "curve.uy_needed": "The uncertainty of the indication is not known.",
    "curve.uy_needed.hint": "Give uy: the standard uncertainty of the mean of the readings.",
    "curve.fieller_open": "The slope is not known well enough: its limits hold no finite interval.",
    "curve.fieller_open.hint": "Read more points, or points that lie further apart.",
    "curve.outside_range": "{count} of {total} values lie outside what the curve reaches ({low:~6} to {high:~6}).",
    "curve.outside_range.hint": "First at {places}. Calibrate a wider range, or leave them out.",
    "curve.not_monotonic": "{family} turns inside the range: it cannot be used backwards.",
    # ---- ledger ----
    "ledger.bad_id": "“{id}” names no draft and no signed result.",
    "ledger.unreadable": "{file} cannot be read: {why}.",
    "ledger.unreadable.hint": "It was left as it is. Put back a copy from the backup, or tell the engineer.",
    "ledger.not_found": "No signed result {wanted} is in the ledger.",
    "ledger.kept_already": "This calibration is in the ledger already, as certificate {number}.",
    "ledger.changed": "Entry {number} is not what was signed. Nothing can be concluded from it.",
    "ledger.changed.hint": "Tell the engineer, and compare it with the backup.",
    "bench.unknown": "No {kind} {name} is registered.",
    "draft.unknown": "There is no draft {id} here.",
    "draft.unknown.hint": "Go back to the first page: it lists the drafts that are not finished.",
    "draft.newer_elsewhere": "This draft was changed in another tab. This page can only be looked at now.",
    "draft.newer_elsewhere.hint": "Open it again to go on with the newer one.",
    # ---- serve and pages ----
    "serve.port_taken": "Port {port} is taken by another program.",
    "serve.port_taken.hint": "Choose another one: labkit serve --port {other}",
    "serve.not_ready": "The dashboards did not start within {seconds} seconds.",
    "serve.not_ready.hint": "What happened is in {log}.",
    "serve.port": "{port} is no port: it must be from 0 to 65535.",
    "serve.not_a_folder": "{path} is not a folder that can be written to.",
    "pages.fault": "Something went wrong here that is not your doing. Your readings are kept. "
    "Tell the engineer: fault {fault}.",
    "lost.text": "The workbook has lost its connection. What you typed up to {saved} is kept. "
    "Open it again to go on.",
    "lost.nothing_saved": "The workbook has lost its connection. Open it again to go on.",
    "lost.no_server": "The server does not answer. What was saved is kept. Start it again, and use the address "
    "that it prints.",
    "lost.again": "Open again",
}


class _Writer(string.Formatter):
    """Fills a template, writing every number through `labkit.format`."""

    def format_field(self, value: Any, format_spec: str) -> str:
        if isinstance(value, Sequence) and not isinstance(value, str):
            return ", ".join(self.format_field(each, format_spec) for each in value)
        match format_spec:
            case "":
                return str(value)
            case "U":
                return _format.expanded_length(value)
            case "%":
                return _format.percent(value)
            case unit if unit in LENGTH_UNITS:
                return _format.length(value, unit)
            case signed if signed[:1] == "+" and signed[1:] in LENGTH_UNITS:
                return _format.length(value, signed[1:], signed=True)
            case places if places[:1] == "." and places[1:].isdigit():
                return _format.number(value, int(places[1:]))
            case digits if digits[:1] == "~" and digits[1:].isdigit():
                return _format.significant(value, int(digits[1:]))
        raise ValueError(f"no way to write a number is called {format_spec!r}")


_writer = _Writer()


def sentence(code: str, params: Mapping[str, Any] | None = None) -> str:
    """
    The sentence for a code.

    Parameters
    ----------
    code : str
        A key of `SENTENCES`.
    params : mapping
        The parameters that the template names. Text in them is inserted as it is; whoever shows the sentence
        escapes it for the place where it is shown.

    Returns
    -------
    str

    Raises
    ------
    KeyError
        No such code, or a parameter of the template is missing: a fault of the program.
    """
    return _writer.vformat(SENTENCES[code], (), dict(params or {}))


def remedy(code: str, params: Mapping[str, Any] | None = None) -> str | None:
    """
    What to do about `code`, or None where the sentence says it all.
    """
    hint = f"{code}.hint"
    return sentence(hint, params) if hint in SENTENCES else None
