"""What stands in the README.txt of an export."""

from typing import Final

README: Final = """\
Everything in the ledger of {laboratory}
{at} (UTC), labkit {labkit}, laboratory {id}

{results} signed results with {readings} readings, {drafts} drafts, {registered} registered things, {entries} entries
of the audit chain. The chain was checked for this export. {whole}

Nothing here needs labkit to be read. There is no key and no password in it. It holds what your customers and your
people would not want to find elsewhere: keep it as you keep the certificates.

tables/             what a spreadsheet opens. UTF-8, commas, a decimal point.
  results.csv       a line each signed result
  readings.csv      every reading of every signed result, as typed and as a number; those left out too, with the reason
  leans.csv         which result leans on which shim, gauge, instrument, procedure and person, as they were then
  drafts.csv        work that is or was under way
  entries.csv       the audit chain: who did what, when and why
  files.csv         every file that the ledger keeps
  attempts.csv      wrong passphrases in a row
  laboratory.csv    where the chain ends, and the last number that was given
register/           a table each kind of registered thing, as it stands now, and in a folder of that name a JSON file
                    each thing with every state of it: people, rigs, gauges, shims, procedures, notes, requests, ...
results/            NUMBER.pdf the certificate, NUMBER.json its record, both byte for byte as they were signed;
                    NUMBER.approved.pdf the certificate with the second signature, where there is one;
                    NUMBER.history.json what the ledger says of it
drafts/             ID.json each draft as it was saved last, and when it was saved by whom
files/              what else was kept, by its SHA-256, such as the certificates of shims
trust/, families/   certificates that are trusted here, and the laboratory's own curve families
chain.jsonl         the audit chain, a line each entry
check.json          what the check of the chain found
SHA256SUMS          a digest of each file:  sha256sum --check SHA256SUMS

Lengths are in millimetres unless a column or a key names another unit (u_mm, temperature_degC). Times are UTC. A text
in a table that a spreadsheet could take for a formula has an apostrophe before it; the JSON files have it as it was
typed. A file has the name of what is in it where that fits every disk, otherwise a similar one with part of a digest;
its own name stands inside, and the tables say which file is which.

Who signed a certificate, and whether it is as it was signed, any PDF reader that checks signatures says; labkit does
with

    labkit verify results/NUMBER.pdf --trust trust/authority.pem

To take the chain's hashes again without labkit: of each line of chain.jsonl take out "hash", write the rest as JSON
with sorted keys, no blanks and characters as they are (RFC 8785) in UTF-8; its SHA-256 is "hash", and the next line has
it as "before". "digest" is taken the same way of the row that was written: for a registered thing of kind, subject,
revision, at, who and body, where the body is the text of its JSON in that same form.
"""
