"""The demo laboratory: everything in it is invented, and plainly so."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from datetime import date
from pathlib import Path
from typing import Final

from labkit.bench.about import Party
from labkit.bench.conditions import Conditions
from labkit.bench.rig import Part, Rig
from labkit.bench.shims import Shim, ShimSet
from labkit.ledger.register import Bench, Person, Procedure, RegisteredRig
from labkit.ledger.registering import load_bench, save_bench

BRASS_EXPANSION_PER_K: Final = 1.9e-5

# name, certified thickness [mm], expanded uncertainty [mm] at k = 2
_SET_A: Final = (
    ("A-1", 0.1003, 0.0008),
    ("A-2", 0.2498, 0.0008),
    ("A-3", 0.5011, 0.0008),
    ("A-4", 0.9995, 0.0010),
    ("A-5", 0.7498, 0.0010),
    ("A-6", 1.5008, 0.0012),
    ("A-7", 1.9992, 0.0014),
    ("A-8", 2.4995, 0.0016),
    ("A-9", 3.0014, 0.0018),
    ("A-10", 4.0021, 0.0020),
)
_SET_B: Final = (
    ("B-1", 0.2004, 0.0008),
    ("B-2", 0.3997, 0.0008),
    ("B-3", 0.8012, 0.0010),
    ("B-4", 1.6003, 0.0012),
    ("B-5", 3.1990, 0.0018),
)
_SET_C: Final = (("C-1", 0.3502, 0.0008), ("C-2", 1.2498, 0.0010), ("C-3", 2.2010, 0.0014))


def demo_bench() -> Bench:
    """Larkfield Closures, Moulding Laboratory, which makes flip-top closures."""
    g_07 = Part("G-07", "Demo Instruments", "Demo 1", "31874", "2.18")
    ball_15 = Part("Ball 1.5", kind="ball 1.5 mm")
    ball_30 = Part("Ball 3.0", kind="ball 3.0 mm")
    thickness = Conditions(
        resolution=0.001, background_limit=0.05, closing_limit_mm=0.001, u_temperature_degC=0.3, zero_u_mm=0.0005
    )
    return Bench(
        laboratory=Party("Larkfield Closures", "Moulding Laboratory", "1 Example Lane, Larkfield"),
        zone="Europe/London",
        place="Laboratory, table 2",
        people=(
            Person("M. Okonjo", "technician", "m-okonjo.p12"),
            Person("D. Abara", "technician", "d-abara.p12"),
            Person("S. Whitby", "technician", "s-whitby.p12"),
            Person("R. Halloran", "engineer", "r-halloran.p12"),
            Person("E. Marsh", "manager", "e-marsh.p12"),
        ),
        rigs=_for_closures(
            RegisteredRig(
                Rig("Rig 2", g_07, Part("P2"), Part("T2", kind="narrow tip"), ball_15, 30.0),
                conditions=thickness,
                tolerance_mm=0.005,
                target_u_mm=0.0012,
                arrival="keyed",
            ),
            RegisteredRig(
                Rig(
                    "Rig 3",
                    Part("G-11", "Demo Instruments", "Demo 2", "20416", "1.04"),
                    Part("P3"),
                    Part("T3", kind="flat tip"),
                    ball_30,
                    20.0,
                ),
                signal="raw",
                unit="counts",
                conditions=Conditions(
                    resolution=1.0,
                    background="subtract",
                    closing_limit_mm=0.001,
                    u_temperature_degC=0.3,
                    zero_u_mm=0.0005,
                ),
                tolerance_mm=0.010,
                target_u_mm=0.0025,
            ),
            RegisteredRig(
                Rig(
                    "Rig 4",
                    Part("G-12", "Demo Instruments", "Demo 1", "31902", "2.18"),
                    Part("P4"),
                    Part("T4", kind="flat tip"),
                    Part("Disc 5", kind="disc 5 mm by 1 mm"),
                    15.0,
                ),
                unit="in",
                conditions=Conditions(
                    resolution=0.00254,
                    background_limit=0.127,
                    closing_limit_mm=0.003,
                    u_temperature_degC=0.3,
                    zero_u_mm=0.0005,
                ),
                tolerance_mm=0.010,
                target_u_mm=0.004,
            ),
            RegisteredRig(
                Rig("Rig 5", g_07, Part("P5"), Part("T5", kind="wide tip"), ball_30, 30.0),
                conditions=thickness,
                tolerance_mm=0.010,
                target_u_mm=0.0025,
                arrival="keyed",
            ),
        ),
        shim_sets=(
            _brass("Brass set A", _SET_A, "DC-2026", date(2026, 3, 14), date(2027, 3, 14)),
            _brass("Brass set B", _SET_B, "DC-2025", date(2025, 3, 14), date(2026, 3, 14)),
            _brass("Check set C", _SET_C, "DC-2026", date(2026, 3, 14), date(2027, 3, 14)),
        ),
        instruments=(
            Part("T-3", "Demo Instruments", "Demo T", "5107", kind="thermometer", due="2027-02-06"),
            Part("H-1", "Demo Instruments", "Demo H", "5233", kind="hygrometer", due="2027-02-06"),
        ),
        procedures=(Procedure("LP-12", "4"),),
        customers=(Party("Larkfield Closures", "Moulding, in-house"),),
    )


def fill_if_empty(data: Path) -> None:
    """Register the demo laboratory in the data folder `data`, unless something is registered there already."""
    if load_bench(data) == Bench():
        save_bench(data, demo_bench())


def _for_closures(*rigs: RegisteredRig) -> tuple[RegisteredRig, ...]:
    """Living hinge to wall, read on set A and checked on set C, every six months."""
    return tuple(
        replace(
            rig,
            working_range_mm=(0.25, 2.5),
            shim_set="Brass set A",
            check_set="Check set C",
            interval_months=6,
        )
        for rig in rigs
    )


def _brass(
    name: str, rows: Iterable[tuple[str, float, float]], certificates: str, certified_on: date, due: date
) -> ShimSet:
    return ShimSet(
        tuple(
            Shim(
                shim,
                thickness_mm,
                u_mm=expanded_mm / 2,
                k=2.0,
                shared_u_mm=0.0002,
                expansion_per_K=BRASS_EXPANSION_PER_K,
                material="brass",
                certificate=f"{certificates}-{shim}",
                certified_on=certified_on,
                due=due,
                set_name=name,
                issued_by="Demo Calibration Service",
            )
            for shim, thickness_mm, expanded_mm in rows
        ),
        name,
    )
