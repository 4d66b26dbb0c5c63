"""
Writes every sample file, from the physical model in `model.py`, and the truth that no laboratory would know.

    python sample_data/make.py

The same files come out each time, byte for byte: the seeds are fixed, and the workbook is written without the time
of day. Everything in them is invented. A set is made like this:

1. The certified values are the ones in the tables below. The true thickness of a shim is its certified value less an
   error drawn from the standard uncertainty of its certificate, the part shared by the set drawn once.
2. A session reads the points in the order of the protocol. The target comes to rest on a shim with a little scatter;
   the sensor adds its noise and the background; the magnet warms up while the work goes on.
3. A raw signal is rounded to the display step. A thickness indication first goes through the table of a gauge that
   was set up when its probe was newer.

`truth.json` is for tests only.
"""

from __future__ import annotations

import io
import json
import re
import zipfile
from collections.abc import Callable, Iterable, Sequence
from copy import copy
from dataclasses import asdict, dataclass, field, replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
from model import BALL, DISC, WIRE, Gauge, Noise, Probe, aged, read_counts

HERE = Path(__file__).resolve().parent
MM_PER_INCH = 25.4
EXPANSION_PER_K = {"brass": 19e-6, "polyester film": 17e-6, "aluminium": 23e-6}

Files = dict[str, bytes]


# ---- shims ----


@dataclass(frozen=True)
class ShimTable:
    """A box of shims: certified thickness by name, and what the certificate says of all of them."""

    set_name: str
    certified_mm: dict[str, float]
    U_mm: float
    material: str
    certificate: str
    certified_on: str
    due: str
    shared_u_mm: float = 0.0
    k: float = 2.0
    issued_by: str = "Penhallow Dimensional"

    def draw_truth(self, rng: np.random.Generator) -> dict[str, float]:
        """True thickness [mm] at 20 °C by name."""
        shared = self.shared_u_mm * rng.standard_normal()
        own = float(np.sqrt((self.U_mm / self.k) ** 2 - self.shared_u_mm**2))
        return {name: value - shared - own * float(rng.standard_normal()) for name, value in self.certified_mm.items()}

    def rows(self) -> list[list[str]]:
        return [
            [
                name,
                f"{value:.4f}",
                f"{self.U_mm:.4f}",
                f"{self.k:.0f}",
                f"{self.shared_u_mm:.5f}",
                self.material,
                self.certificate,
                self.certified_on,
                self.due,
                self.set_name,
                self.issued_by,
            ]
            for name, value in self.certified_mm.items()
        ]


SHIM_COLUMNS = [
    "shim",
    "thickness [mm]",
    "U [mm]",
    "k",
    "shared u [mm]",
    "material",
    "certificate",
    "certified on",
    "due",
    "set",
    "issued by",
]

BRASS_A = ShimTable(
    "Brass set A",
    {
        "A-1": 0.1003,
        "A-2": 0.2498,
        "A-3": 0.5011,
        "A-4": 0.9995,
        "A-5": 0.7498,
        "A-6": 1.5008,
        "A-7": 1.9992,
        "A-8": 2.4995,
        "A-9": 3.0014,
        "A-10": 4.0021,
    },
    U_mm=0.0006,
    material="brass",
    certificate="PD-20317",
    certified_on="2025-03-14",
    due="2027-03-14",
    shared_u_mm=0.0001,
)
BRASS_B = ShimTable(
    "Brass set B",
    {
        "B-1": 0.2501,
        "B-2": 0.3998,
        "B-3": 0.6004,
        "B-4": 0.9003,
        "B-5": 1.2497,
        "B-6": 1.6002,
        "B-7": 2.0005,
        "B-8": 2.9996,
        "B-9": 4.0010,
    },
    U_mm=0.0016,
    material="brass",
    certificate="PD-20544",
    certified_on="2025-09-02",
    due="2027-09-02",
    shared_u_mm=0.0003,
)
BRASS_C = ShimTable(
    "Brass set C",
    {"C-1": 0.3502, "C-2": 1.2498, "C-3": 2.2010},
    U_mm=0.0006,
    material="brass",
    certificate="PD-20391",
    certified_on="2025-05-20",
    due="2027-05-20",
)
ALUMINIUM_E = ShimTable(
    "Aluminium set E",
    {
        "E-1": 0.5002,
        "E-2": 0.7998,
        "E-3": 1.0005,
        "E-4": 1.4996,
        "E-5": 2.0003,
        "E-6": 2.4997,
        "E-7": 3.2004,
        "E-8": 4.0009,
    },
    U_mm=0.0012,
    material="aluminium",
    certificate="PD-20602",
    certified_on="2026-01-19",
    due="2028-01-19",
    shared_u_mm=0.0002,
)
FILM_F = ShimTable(
    "Film set F",
    {
        "F-1": 0.2500,
        "F-2": 0.3601,
        "F-3": 0.4799,
        "F-4": 0.5002,
        "F-5": 0.7503,
        "F-6": 1.0004,
        "F-7": 1.4995,
        "F-8": 2.0008,
    },
    U_mm=0.0020,
    material="polyester film",
    certificate="PD-20588",
    certified_on="2025-12-01",
    due="2026-12-01",
)


# ---- a session at the gauge ----


@dataclass(frozen=True)
class Row:
    """One line of a long file; `value` is as displayed."""

    shim: str
    role: str
    value: float
    time: str
    operator: str


@dataclass
class Session:
    """
    Readings one after another, on a bench that warms up.

    Attributes
    ----------
    probe : Probe
        As it is today; its own gauge's probe where there is one.
    gauge : Gauge or None
        None for a raw signal.
    noise : Noise
    step : float
        Display step, in the unit shown.
    per_unit : float
        Counts, or mm, in one displayed unit.
    true_mm : dict
        True thickness at 20 °C by shim.
    expansion_per_K : float
    """

    probe: Probe
    gauge: Gauge | None
    noise: Noise
    step: float
    true_mm: dict[str, float]
    expansion_per_K: float
    rng: np.random.Generator
    start: datetime
    operator: str
    per_unit: float = 1.0
    start_degC: float = 21.4
    degC_per_h: float = 0.5
    film_mm: float = 0.0
    rows: list[Row] = field(default_factory=list)

    def temperature_degC(self) -> float:
        hours = 18.0 * len(self.rows) / 3600.0
        return self.start_degC + self.degC_per_h * hours

    def take(self, point: str, repeats: int, role: str = "fit", *, lies: str | None = None) -> None:
        """
        Read `point` so many times; `lies` names the shim that really lies there, where it is another one.
        """
        temperature = self.temperature_degC()
        for _ in range(repeats):
            if point == "background":
                counts = self.probe.background_counts + self.noise.electrical_counts * self.rng.standard_normal()
            else:
                x_mm = 0.0 if point == "zero" else self.true_mm[lies or point]
                x_mm = x_mm * (1.0 + self.expansion_per_K * (temperature - 20.0)) + self.film_mm
                counts = float(read_counts(self.probe, x_mm, self.noise, self.rng, temperature))
            shown = (float(self.gauge.linearise(counts)) if self.gauge else counts) / self.per_unit
            moment = self.start + timedelta(seconds=18 * len(self.rows))
            self.rows.append(Row(point, role, round(shown / self.step) * self.step, _utc(moment), self.operator))

    def protocol(self, points: Sequence[str], repeats: int, *, lies: dict[str, str] | None = None) -> None:
        """Background, contact zero, the end shims, the rest in shuffled order."""
        lies = lies or {}
        self.take("background", 2, "background")
        self.take("zero", repeats, "zero")
        inner = list(points[1:-1])
        self.rng.shuffle(inner)
        for point in (points[0], points[-1], *inner):
            self.take(point, repeats, lies=lies.get(point))

    def close(self, first: str) -> None:
        """The closing readings: the first shim, contact zero, the background."""
        self.take(first, 3, "closing-fit")
        self.take("zero", 3, "closing-zero")
        self.take("background", 2, "closing-background")


def _utc(moment: datetime) -> str:
    return moment.astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%SZ")


# ---- files ----


def table(header: Sequence[str], rows: Iterable[Sequence[str]], separator: str = ",", decimal: str = ".") -> bytes:
    """Cells as text; where the decimal sign is a comma, cells that are numbers are written with it."""
    number = re.compile(r"-?\d+\.\d+")
    lines = [header, *rows]
    if decimal != ".":
        lines = [[cell.replace(".", decimal) if number.fullmatch(cell) else cell for cell in line] for line in lines]
    return "".join(separator.join(line) + "\n" for line in lines).encode("utf-8")


def long_form(rows: Iterable[Row], unit: str, decimals: int, separator: str = ",", decimal: str = ".") -> bytes:
    """One row a reading."""
    cells = ([row.shim, f"{row.value:.{decimals}f}", row.role, row.time, row.operator] for row in rows)
    return table(["shim", f"indication [{unit}]", "role", "time", "operator"], cells, separator, decimal)


def workbook(header: Sequence[str], rows: Iterable[Sequence[str | float]], number_format: str) -> bytes:
    """An XLSX file with one worksheet, the same bytes each time."""
    from openpyxl import Workbook

    book = Workbook()
    sheet = book.active
    assert sheet is not None
    sheet.title = "Readings"
    sheet.append(list(header))
    for row in rows:
        sheet.append(list(row))
    for cells in sheet.iter_rows(min_row=2, min_col=2):
        for cell in cells:
            cell.number_format = number_format
    made = io.BytesIO()
    book.save(made)
    return _without_time_of_day(made.getvalue())


def _without_time_of_day(xlsx: bytes) -> bytes:
    stamp = b"2026-11-20T09:00:00Z"
    out = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(xlsx)) as old, zipfile.ZipFile(out, "w", zipfile.ZIP_STORED) as new:
        for name in old.namelist():
            content = old.read(name)
            if name == "docProps/core.xml":
                content = re.sub(rb"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\dZ", stamp, content)
            new.writestr(zipfile.ZipInfo(name, (2026, 11, 20, 9, 0, 0)), content)
    return out.getvalue()


# ---- the sets ----


def raw_ball() -> tuple[Files, dict[str, Any]]:
    """A raw signal in counts, ball target, nine shims five times: all roles, closing readings, two check shims."""
    rng = np.random.default_rng(202611)
    probe = replace(BALL, background_counts=412.0)
    checks = replace(BRASS_C, U_mm=0.0012)
    true_mm = BRASS_B.draw_truth(rng) | checks.draw_truth(rng)
    noise = Noise(electrical_counts=1.2, seating_mm=0.0004)
    session = Session(
        probe,
        None,
        noise,
        1.0,
        true_mm,
        EXPANSION_PER_K["brass"],
        rng,
        datetime(2026, 11, 19, 8, 5, tzinfo=UTC),
        "D. Abara",
    )
    session.protocol(list(BRASS_B.certified_mm), 5)
    for check in ("C-1", "C-2"):
        session.take(check, 5, "check")
    session.close("B-1")
    files = {
        "raw_ball/readings.csv": long_form(session.rows, "counts", 0),
        "raw_ball/shims.csv": table(SHIM_COLUMNS, BRASS_B.rows() + checks.rows()),
    }
    return files, _truth(session, "counts")


def indication_disc_inch() -> tuple[Files, dict[str, Any]]:
    """A thickness indication in inches, disc target, wide form as a workbook and as tab-separated text."""
    rng = np.random.default_rng(202612)
    gauge = Gauge.set_up(DISC, aged(DISC))
    session = Session(
        gauge.probe,
        gauge,
        Noise(electrical_counts=0.8, seating_mm=0.0006),
        0.0001,
        ALUMINIUM_E.draw_truth(rng),
        EXPANSION_PER_K["aluminium"],
        rng,
        datetime(2026, 11, 20, 13, 20, tzinfo=UTC),
        "S. Whitby",
        per_unit=MM_PER_INCH,
    )
    repeats = 4
    session.take("zero", repeats, "zero")
    for shim in ALUMINIUM_E.certified_mm:
        session.take(shim, repeats)
    header = ["shim", *(f"indication {i} [in]" for i in range(1, repeats + 1))]
    values = {point: [row.value for row in session.rows if row.shim == point] for point in _points(session)}
    files = {
        "indication_disc_inch/readings.tsv": table(
            header, ([point, *(f"{v:.4f}" for v in found)] for point, found in values.items()), "\t"
        ),
        "indication_disc_inch/readings.xlsx": workbook(
            header, ([point, *(round(v, 4) for v in found)] for point, found in values.items()), "0.0000"
        ),
        "indication_disc_inch/shims.csv": table(SHIM_COLUMNS, ALUMINIUM_E.rows()),
    }
    return files, _truth(session, "in")


def mislabelled() -> tuple[Files, dict[str, Any]]:
    """Shims F-3 and F-4 lay in each other's place, and F-6, reading 4, caught a chip under the target."""
    rng = np.random.default_rng(202613)
    then = replace(BALL, diameter_mm=2.5).scaled_to(30_000.0)
    gauge = Gauge.set_up(then, aged(then))
    session = Session(
        gauge.probe,
        gauge,
        Noise(electrical_counts=0.3, seating_mm=0.0006),
        0.001,
        FILM_F.draw_truth(rng),
        EXPANSION_PER_K["polyester film"],
        rng,
        datetime(2026, 11, 23, 10, 40, tzinfo=UTC),
        "D. Abara",
    )
    session.take("zero", 5, "zero")
    swapped = {"F-3": "F-4", "F-4": "F-3"}
    for shim in FILM_F.certified_mm:
        session.take(shim, 5, lies=swapped.get(shim))
    fourth = [i for i, row in enumerate(session.rows) if row.shim == "F-6"][3]
    chip_mm = 0.009
    session.rows[fourth] = replace(session.rows[fourth], value=session.rows[fourth].value + chip_mm)
    files = {
        "mislabelled/readings.csv": long_form(session.rows, "mm", 3, ";", ","),
        "mislabelled/shims.csv": table(SHIM_COLUMNS, FILM_F.rows(), ";", ","),
    }
    truth = _truth(session, "mm")
    truth["swapped"] = ["F-3", "F-4"]
    truth["stands_apart"] = {"shim": "F-6", "reading": 4, "by_mm": chip_mm}
    return files, truth


def ends_only() -> tuple[Files, dict[str, Any]]:
    """A raw signal in millivolts, wire target: contact zero and the two end shims read, the others not yet."""
    rng = np.random.default_rng(202614)
    session = Session(
        replace(WIRE, background_counts=380.0),
        None,
        Noise(electrical_counts=0.8, seating_mm=0.0004),
        0.01,
        BRASS_B.draw_truth(rng),
        EXPANSION_PER_K["brass"],
        rng,
        datetime(2026, 11, 24, 7, 55, tzinfo=UTC),
        "M. Okonjo",
        per_unit=100.0,
    )
    session.protocol(["B-1", "B-7"], 5)
    files = {
        "ends_only/readings.tsv": long_form(session.rows, "mV", 2, "\t"),
        "ends_only/shims.csv": table(SHIM_COLUMNS, BRASS_B.rows()),
    }
    return files, _truth(session, "mV")


def hinge_day() -> tuple[Files, dict[str, Any]]:
    """
    A whole day's calibration of Rig 2: as found, zero, six shims, check shims, closing readings; four shims unread.
    And the check of the next morning: no target and contact zero once, two check shims.
    """
    rng = np.random.default_rng(202615)
    no_target_mm = 11.62
    left_over = float(BALL.true_response(no_target_mm))
    gauge = Gauge.set_up(BALL, replace(aged(BALL), background_counts=left_over))
    session = Session(
        gauge.probe,
        gauge,
        Noise(electrical_counts=0.01, seating_mm=0.0006),
        0.001,
        BRASS_A.draw_truth(rng) | BRASS_C.draw_truth(rng),
        EXPANSION_PER_K["brass"],
        rng,
        datetime(2026, 11, 25, 9, 48, tzinfo=UTC),
        "M. Okonjo",
    )
    session.film_mm = 0.0015  # what was wiped off the tip after the readings as found
    for check in BRASS_C.certified_mm:
        session.take(check, 5, "as-found")
    session.film_mm = 0.0
    session.protocol(["A-1", "A-2", "A-3", "A-4", "A-7", "A-9"], 5)
    for check in BRASS_C.certified_mm:
        session.take(check, 5, "check")
    session.close("A-1")
    morning = copy(session)  # the same rig, a day later
    morning.rng, morning.rows = np.random.default_rng(202616), []
    morning.start, morning.start_degC = datetime(2026, 11, 26, 7, 12, tzinfo=UTC), 20.6
    morning.take("background", 1, "background")
    morning.take("zero", 1, "zero")
    for check in ("C-1", "C-3"):
        morning.take(check, 5, "check")
    files = {
        "hinge_day/readings.csv": long_form(session.rows, "mm", 3),
        "hinge_day/check.csv": long_form(morning.rows, "mm", 3),
        "hinge_day/shims.csv": table(SHIM_COLUMNS, BRASS_A.rows() + BRASS_C.rows()),
    }
    return files, _truth(session, "mm")


SETS: dict[str, Callable[[], tuple[Files, dict[str, Any]]]] = {
    "raw_ball": raw_ball,
    "indication_disc_inch": indication_disc_inch,
    "mislabelled": mislabelled,
    "ends_only": ends_only,
    "hinge_day": hinge_day,
}


def _points(session: Session) -> list[str]:
    return list(dict.fromkeys(row.shim for row in session.rows))


def _truth(session: Session, unit: str) -> dict[str, Any]:
    """What a laboratory would not know: the shims' true thickness, the probe and the true curve without noise."""
    probe = session.probe
    places = [round(0.1 * i, 1) for i in range(41)]
    curve = session.gauge.true_indication(places) if session.gauge else probe.true_response(places)
    return {
        "unit": unit,
        "true_thickness_mm": {name: round(value, 9) for name, value in session.true_mm.items()},
        "probe": asdict(probe),
        "noise": asdict(session.noise),
        "linearised": session.gauge is not None,
        "true_curve": {
            "thickness_mm": places,
            "indication_without_background": [float(f"{v / session.per_unit:.8g}") for v in curve],
        },
        "temperature_degC": {
            "start": session.start_degC,
            "end": round(session.temperature_degC(), 4),
        },
    }


def files() -> Files:
    """
    Every file of this folder that is made, by its path within the folder.
    """
    made: Files = {}
    truth: dict[str, Any] = {"note": "For tests only: what the sample sets were made from. Lengths in mm at 20 °C."}
    for name, make in SETS.items():
        found, facts = make()
        made |= found
        truth[name] = facts
    made["truth.json"] = (json.dumps(truth, indent=1, ensure_ascii=False) + "\n").encode("utf-8")
    return made


def main() -> None:
    for name, content in files().items():
        path = HERE / name
        path.parent.mkdir(exist_ok=True)
        path.write_bytes(content)


if __name__ == "__main__":
    main()
