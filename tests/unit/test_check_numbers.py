"""Checks in the ledger: numbered after their certificate without gaps, leaning on it, refused when it is not in force."""

from __future__ import annotations

import multiprocessing
from pathlib import Path
from typing import Any

import pytest

from labkit.ledger import Actor, Wanted, back_up, check, find, in_force, new_id, search, sign_and_keep
from labkit.ledger.leans import leans_of
from labkit.ledger.numbering import missing_numbers
from labkit.ledger.restore import Asked, restore
from labkit.problems import BadInput
from tests.faults.test_chain import outside

WHO = Actor("M. Okonjo", "technician", proven=True)


def about(rig: str) -> dict[str, Any]:
    return {"about": {"rig": {"name": rig}}}


def calibrated(data: Path, rig: str = "Rig 2", **more: str) -> Any:
    record = {"schema": "labkit.calibration/1", "id": new_id(), "inputs": about(rig)}
    who = Actor("R. Halloran", "engineer", proven=True)
    return sign_and_keep(data, record, lambda place: str(place).encode(), who, **more)


def of(certificate: Any, rig: str = "Rig 2", verdict: str | None = "fit to measure") -> dict[str, Any]:
    held = {"number": certificate.number, "record": certificate.record}
    return {
        "schema": "labkit.check/1",
        "id": new_id(),
        "inputs": about(rig) | {"calibration": held},
        "results": {"verdict": verdict},
    }


def checked(data: Path, certificate: Any, **more: Any) -> Any:
    return sign_and_keep(data, of(certificate, **more), lambda place: f"{place}".encode(), WHO)


def test_checks_are_counted_for_each_certificate_and_certificates_go_on_without_a_gap(ledger_folder):
    one, two = calibrated(ledger_folder), calibrated(ledger_folder, "Rig 5")
    numbers = [checked(ledger_folder, one).number, checked(ledger_folder, two, rig="Rig 5").number]
    numbers += [checked(ledger_folder, one).number, calibrated(ledger_folder, "Rig 3").number]
    assert numbers == ["0001-01", "0002-01", "0001-02", "0003"]
    assert [line.number for line in search(ledger_folder).lines] == [
        "0003",
        "0001-02",
        "0002-01",
        "0001-01",
        "0002",
        "0001",
    ]
    assert check(ledger_folder).whole


def test_a_check_is_found_by_its_number_and_as_its_kind(ledger_folder):
    certificate = calibrated(ledger_folder)
    made = checked(ledger_folder, certificate, verdict="check again")
    assert find(ledger_folder, "1-1").id == find(ledger_folder, "0001-01").id == made.id
    (line,) = search(ledger_folder, Wanted(kind="check")).lines
    assert (line.number, line.rig, line.decision) == ("0001-01", "Rig 2", "check again")
    assert in_force(ledger_folder, "Rig 2").number == "0001", "a check is no calibration"
    (lean,) = [each for each in leans_of(made.record) if each.kind == "result"]
    assert (lean.subject, lean.detail) == (certificate.id, '{"number":"0001"}')


def test_a_tenth_check_and_a_hundredth_go_on_counting(ledger_folder):
    certificate = calibrated(ledger_folder)
    numbers = [checked(ledger_folder, certificate).number for _ in range(101)]
    assert numbers == [f"0001-{n:02d}" for n in range(1, 102)]
    assert check(ledger_folder).whole


def test_a_certificate_that_was_replaced_since_carries_no_check(ledger_folder):
    old = calibrated(ledger_folder)
    calibrated(ledger_folder, replaces="0001", reason="another customer")
    with pytest.raises(BadInput, match=r"0001 is no longer in force for Rig 2: 0002 is\."):
        checked(ledger_folder, old)
    assert search(ledger_folder, Wanted(kind="check")).total == 0


def test_a_certificate_that_is_not_the_one_in_the_ledger_carries_no_check(ledger_folder):
    certificate = calibrated(ledger_folder)
    for number, record in (("0001", certificate.record | {"more": 1}), ("0007", certificate.record)):
        wrong = of(certificate)
        wrong["inputs"]["calibration"] = {"number": number, "record": record}
        with pytest.raises(BadInput) as caught:
            sign_and_keep(ledger_folder, wrong, lambda place: b"", WHO)
        assert caught.value.code == "ledger.no_certificate"


def test_a_check_without_an_outcome_is_not_kept(ledger_folder):
    certificate = calibrated(ledger_folder)
    with pytest.raises(BadInput) as caught:
        checked(ledger_folder, certificate, verdict=None)
    assert caught.value.code == "ledger.no_outcome"


def test_a_number_that_no_pdf_was_made_for_is_given_again(ledger_folder):
    certificate = calibrated(ledger_folder)

    def refuses(_place: object) -> bytes:
        raise BadInput("sign.wrong_passphrase")

    with pytest.raises(BadInput):
        sign_and_keep(ledger_folder, of(certificate), refuses, WHO)
    assert checked(ledger_folder, certificate).number == "0001-01"


def _sign(data: Path, certificate: Any) -> None:
    for _ in range(5):
        checked(data, certificate)


def test_two_stations_that_sign_at_once_give_no_number_twice(tmp_path):
    certificate = calibrated(tmp_path)
    context = multiprocessing.get_context("spawn")
    stations = [context.Process(target=_sign, args=(tmp_path, certificate)) for _ in range(2)]
    for station in stations:
        station.start()
    for station in stations:
        station.join()
    numbers = sorted(line.number for line in search(tmp_path, Wanted(kind="check")).lines)
    assert numbers == [f"0001-{n:02d}" for n in range(1, 11)]


def test_a_removed_check_leaves_a_hole(tmp_path):
    certificate = calibrated(tmp_path)
    for _ in range(3):
        checked(tmp_path, certificate)
    outside(
        tmp_path,
        "DELETE FROM lean WHERE result = (SELECT id FROM result WHERE number = '0001-02')",
        "DELETE FROM result WHERE number = '0001-02'",
    )
    faults = check(tmp_path).faults
    assert [fault.code for fault in faults] == ["chain.row_removed", "chain.number_missing"]
    assert faults[1].params["number"] == "0001-02"


def test_missing_numbers_are_those_that_were_given():
    kinds = {"0001": "calibration", "0003": "parts", "0001-01": "check", "0001-03": "check"}
    assert missing_numbers(3, kinds) == ["0002", "0001-02"]
    assert missing_numbers(1, {"0001x": "calibration", "0001-0x": "check", "0001": "check"}) == ["0001"]


def test_the_number_of_a_check_that_a_restore_lost_is_not_given_again(ledger_folder, tmp_path):
    """It was handed out; the next one has the number after it, and nothing counts as missing."""
    certificate = calibrated(ledger_folder)
    checked(ledger_folder, certificate)
    backup = back_up(ledger_folder, tmp_path / "backup.zip", WHO)
    assert checked(ledger_folder, certificate).number == "0001-02"
    found = restore(ledger_folder, backup.file, WHO, Asked(replace=True, why="the disk was lost"))
    assert found.skipped == ("0001-02",)
    assert [checked(ledger_folder, certificate).number for _ in range(2)] == ["0001-03", "0001-04"]
    assert check(ledger_folder).whole
