"""A table of shims becomes a shim set."""

from __future__ import annotations

import math
from datetime import date
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from labkit.bench.read_shims import read_shims
from labkit.bench.shims import ShimSet

SAMPLES = Path(__file__).parents[2] / "sample_data"


def test_every_column() -> None:
    found = read_shims(
        "SHIM;thickness [mm];u [µm];K;shared u [µm];material;expansion [ppm/K];flatness_u [µm];wear u (um);"
        "certificate;certified on;due;set;issued by\n"
        "A-1;0,2498;0,6;2;0,1;brass;18,5;0,2;0,1;PD-1;2025-03-14;14.03.2027;Brass set A;Somebody\n"
    )
    shim = found["A-1"]
    assert found.name == "Brass set A"
    assert (shim.thickness_mm, shim.k, shim.tolerance_mm) == (0.2498, 2.0, None)
    assert shim.u_mm == pytest.approx(0.0003)
    assert shim.shared_u_mm == pytest.approx(0.0001)
    assert (shim.flatness_u_mm, shim.wear_u_mm) == pytest.approx((0.0002, 0.0001))
    assert shim.expansion_per_K == pytest.approx(18.5e-6)
    assert (shim.certified_on, shim.due) == (date(2025, 3, 14), date(2027, 3, 14))
    assert (shim.material, shim.certificate, shim.issued_by) == ("brass", "PD-1", "Somebody")
    assert shim.as_typed["thickness [mm]"] == "0,2498"


def test_a_tolerance_is_a_rectangle() -> None:
    shim = read_shims("shim,thickness [mm],tolerance [mm]\nA-1,0.5,0.003\n")["A-1"]
    assert shim.u_mm == pytest.approx(0.003 / math.sqrt(3))
    assert (shim.tolerance_mm, shim.k) == (0.003, None)


def test_rows_may_state_u_or_a_tolerance() -> None:
    found = read_shims("shim,thickness [mm],U [mm],k,tolerance [mm]\nA-1,0.5,0.002,2,\nA-2,0.6,,,0.003\nA-3,0.7,,,\n")
    assert [shim.u_mm is None for shim in found] == [False, False, True]


@pytest.mark.parametrize(
    ("material", "expansion"),
    [("Brass", 19e-6), ("aluminium", 23e-6), ("steel", 11.5e-6), ("polyester film", 17e-6), ("slate", 0.0), ("", 0.0)],
)
def test_expansion_by_material(material: str, expansion: float) -> None:
    shim = read_shims(f"shim,thickness [mm],material\nA-1,0.5,{material}\n")["A-1"]
    assert shim.expansion_per_K == expansion


@pytest.mark.parametrize(
    ("unit", "value"), [("mm", 0.254), ("um", 254.0), ("µm", 254.0), ("in", 0.01), ("mil", 10.0), ("inch", 0.01)]
)
def test_units(unit: str, value: float) -> None:
    by_heading = read_shims(f"shim,thickness [{unit}]\nA-1,{value}\n")["A-1"]
    by_option = read_shims(f"shim,thickness\nA-1,{value}\n", unit=unit)["A-1"]
    assert by_heading.thickness_mm == by_option.thickness_mm == pytest.approx(0.254, rel=1e-15)


def test_the_heading_goes_before_the_option() -> None:
    assert read_shims("shim,thickness [mm]\nA-1,0.5\n", unit="in")["A-1"].thickness_mm == 0.5


def test_without_a_heading() -> None:
    found = read_shims("A-1,0.25,0.001,2\nA-2,0.5,0.001,2\n", unit="mm")
    assert [(shim.name, shim.thickness_mm, shim.u_mm) for shim in found] == [("A-1", 0.25, 5e-4), ("A-2", 0.5, 5e-4)]


def test_a_data_frame() -> None:
    frame = pd.DataFrame({"shim": ["A-1"], "thickness [mm]": [0.1 + 0.2], "due": [pd.Timestamp("2027-03-14")]})
    shim = read_shims(frame)["A-1"]
    assert (shim.thickness_mm, shim.due) == (0.1 + 0.2, date(2027, 3, 14))


def test_sets_that_differ_give_no_common_name() -> None:
    found = read_shims(
        "shim,thickness [mm],shared u [mm],U [mm],k,set\nA,1,.001,.004,2,P\nB,2,.001,.004,2,P\nC,3,.001,.004,2,Q\n"
    )
    assert found.name == ""
    covariance = found.covariance([("A",), ("B",), ("C",)])
    assert np.allclose(covariance * 1e6, [[4, 1, 0], [1, 4, 0], [0, 0, 4]])


def test_a_round_trip_through_the_record() -> None:
    found = read_shims("shim,thickness [mm],due\nA-1,0.5,2027-03-14\n", today=date(2028, 1, 1))
    assert ShimSet.from_dict(found.to_dict()) == found


@pytest.mark.parametrize("path", sorted(SAMPLES.glob("*/shims.csv")), ids=lambda path: path.parent.name)
def test_the_samples_are_in_order(path: Path) -> None:
    found = read_shims(path)
    assert len(found) >= 8
    assert found.cautions == ()
