"""
One simulated calibration, end to end: text in, intervals out, held against the truth; and the sums over many.

Text is read by `labkit.read_readings`, calibrated by `labkit.calibrate`, and asked at 41 thicknesses of the working
range, as far as the points reach:

- a reading: one fresh reading, rounded by the display, corrected by the recommended curve. Its U is what a sheet claims.
- the curve alone: the exact mean indication, and U without the reading's own part.
- every family of the comparison, the curve alone, with its own claim U = 2·u(F)/|F′|.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from labkit import Calibration, Conditions, calibrate, read_readings
from labkit.problems import Problem
from tests.benchmarks.benches import Bench

PLACES = 41
"""Thicknesses at which a calibration is asked, equally spaced from end to end."""

COARSE = 10
"""Of the families, the distribution of the errors is kept at every tenth of them: result files stay small."""

FINEST_MM, STEPS_AN_OCTAVE, OCTAVES = 1e-6, 3, 20
"""Bins of |error|: from a nanometre to a millimetre, three to a doubling."""
BINS = STEPS_AN_OCTAVE * OCTAVES

IDEAL = 0.95
"""Of the errors, what the ideal half-width holds."""


@dataclass(frozen=True)
class Claim:
    """
    Errors at the places, and the U that was claimed for each.

    Attributes
    ----------
    error_mm : ndarray, shape (PLACES,)
    U_mm : ndarray, shape (PLACES,), or None
        None for a curve that states no uncertainty.
    answered : ndarray of bool, shape (PLACES,)
        False where a reading was refused, as it lay outside the calibrated range.
    """

    error_mm: np.ndarray
    U_mm: np.ndarray | None
    answered: np.ndarray

    @property
    def held(self) -> np.ndarray:
        """Where U holds the error, shape (PLACES,)."""
        return self.answered & (np.abs(self.error_mm) <= (0.0 if self.U_mm is None else self.U_mm))


@dataclass(frozen=True)
class FamilyTrial:
    """A family of the comparison: its verdict, whether χ² accepts it, and its claim where it has a curve to use."""

    verdict: str
    accepted: bool
    claim: Claim | None


@dataclass(frozen=True)
class Trial:
    """
    One calibration.

    Attributes
    ----------
    outcome : str
        The recommended family, or the code of the reason why there is none, or of the problem that refused the
        readings.
    reading, curve : Claim or None
        Of the recommended curve; None where there is none.
    families : mapping of str to FamilyTrial
    """

    outcome: str
    reading: Claim | None = None
    curve: Claim | None = None
    families: Mapping[str, FamilyTrial] = field(default_factory=dict)


def run(bench: Bench) -> Trial:
    """Calibrate on a bench, and hold the result against the truth."""
    conditions = Conditions(resolution=bench.step, temperature_start_degC=20.0, temperature_end_degC=20.0)
    try:
        readings = read_readings(bench.readings_csv(), shims=bench.shims_csv())
        result = calibrate(readings, working_range=bench.working_mm, conditions=conditions)
    except Problem as problem:
        return Trial(problem.code)
    low, high = result.curve.range
    x = np.linspace(max(low, bench.working_mm[0]), min(high, bench.working_mm[1]), PLACES)
    families = _families(result, bench, x)
    if result.comparison.recommended is None:
        return Trial(result.reason.code, families=families)
    return Trial(
        result.curve.family,
        _claim(result, x, bench.read(x), 1),
        _claim(result, x, bench.true_indication(x), None),
        families,
    )


def _claim(result: Calibration, x: np.ndarray, indications: np.ndarray, repeats: int | None) -> Claim:
    found, _ = result.correct(indications, outside="mask")
    thickness = np.ma.getdata(found)
    U, _ = result.uncertainty.expanded(result.curve, thickness, repeats)
    return Claim(thickness - x, U, ~np.ma.getmaskarray(found))


def _families(result: Calibration, bench: Bench, x: np.ndarray) -> dict[str, FamilyTrial]:
    """The error of a formula is read in thickness by the true slope: its own would flatter or damn it where it turns."""
    true = result.table.signal_of(bench.true_indication(x))
    slope = result.table.sign * bench.true_slope(x)
    found = {}
    for row in result.comparison.rows:
        claim = None
        if row.curve is not None and row.monotonic:
            u = row.curve.standard_uncertainty(x)
            U = None if u is None else 2 * u / np.abs(row.curve.slope(x))
            claim = Claim((true - row.curve.value(x)) / slope, U, np.ones(PLACES, dtype=bool))
        accepted = claim is not None and row.chi2_limit is not None and row.fits
        found[row.family] = FamilyTrial(row.verdict, accepted, claim)
    return found


@dataclass
class Tally:
    """
    Sums over calibrations.

    Attributes
    ----------
    every : int
        At every so many places, what happened there is kept apart; 0 for nowhere.
    count : int
        Calibrations.
    coverage, coverage2 : float
        Sums of the share of answered places that U holds, one share a calibration, and of its square.
    answered : int
        Answered places of all calibrations.
    squares, U : float
        Sums over them of error² [mm²] and U [mm].
    held : ndarray of int, shape (p,)
        How often U held the error, at each of the places that are kept apart.
    bins : ndarray of int, shape (p, BINS)
        How often |error| lay in each bin there.
    """

    every: int = 1
    count: int = 0
    coverage: float = 0.0
    coverage2: float = 0.0
    answered: int = 0
    squares: float = 0.0
    U: float = 0.0
    held: np.ndarray = field(init=False)
    bins: np.ndarray = field(init=False)

    def __post_init__(self) -> None:
        apart = len(range(0, PLACES, self.every)) if self.every else 0
        self.held = np.zeros(apart, dtype=int)
        self.bins = np.zeros((apart, BINS), dtype=int)

    def add(self, claim: Claim) -> None:
        answered = claim.answered
        share = float(claim.held.sum() / max(answered.sum(), 1))
        self.count += 1
        self.coverage += share
        self.coverage2 += share**2
        self.answered += int(answered.sum())
        self.squares += float(np.sum(np.square(claim.error_mm[answered])))
        if claim.U_mm is not None:
            self.U += float(np.sum(claim.U_mm[answered]))
        if self.every:
            self.held += claim.held[:: self.every]
            places = np.flatnonzero(answered[:: self.every])
            octaves = np.log2(np.maximum(np.abs(claim.error_mm[:: self.every]), FINEST_MM) / FINEST_MM)
            place = np.minimum(np.floor(octaves * STEPS_AN_OCTAVE).astype(int), BINS - 1)
            self.bins[places, place[places]] += 1

    @property
    def mean_coverage(self) -> float:
        return self.coverage / self.count

    @property
    def standard_error(self) -> float | None:
        """Of the mean coverage, from calibration to calibration: places of one calibration are not independent."""
        if self.count < 2:
            return None
        variance = (self.coverage2 - self.coverage**2 / self.count) / (self.count - 1)
        return float(np.sqrt(max(variance, 0.0) / self.count))

    @property
    def coverage_by_place(self) -> np.ndarray:
        return self.held / np.maximum(self.bins.sum(axis=1), 1)

    @property
    def rms_mm(self) -> float:
        return float(np.sqrt(self.squares / self.answered))

    @property
    def mean_U_mm(self) -> float:
        return self.U / self.answered

    @property
    def ideal_mm(self) -> float:
        """Mean over the places of the half-width that would have held 95 % of the errors there."""
        below = np.cumsum(self.bins, axis=1)
        wanted = IDEAL * below[:, -1:]
        last = np.argmax(below >= wanted, axis=1)
        rows = np.arange(len(last))
        inside = self.bins[rows, last]
        share = (wanted[:, 0] - (below[rows, last] - inside)) / np.maximum(inside, 1)
        return float(np.mean(FINEST_MM * 2 ** ((last + share) / STEPS_AN_OCTAVE)))

    def to_dict(self) -> dict[str, Any]:
        return {
            "every": self.every,
            "count": self.count,
            "coverage": round(self.coverage, 6),
            "coverage2": round(self.coverage2, 6),
            "answered": self.answered,
            "squares": float(f"{self.squares:.9g}"),
            "U": float(f"{self.U:.9g}"),
            "held": self.held.tolist(),
            "bins": [_packed(row) for row in self.bins],
        }

    @classmethod
    def from_dict(cls, found: Mapping[str, Any]) -> Tally:
        tally = cls(**{name: value for name, value in found.items() if name not in ("held", "bins")})
        tally.held[:] = found["held"]
        for row, packed in zip(tally.bins, found["bins"], strict=True):
            row[packed[0] : packed[0] + len(packed) - 1] = packed[1:]
        return tally


def _packed(row: np.ndarray) -> list[int]:
    """The first bin that is not empty, and the counts from there to the last one."""
    used = np.flatnonzero(row)
    return [int(used[0]), *row[used[0] : used[-1] + 1].tolist()] if len(used) else [0]


@dataclass
class FamilyTally:
    """One family over many calibrations: verdicts, and its claim wherever it has a curve or where χ² accepts it."""

    verdicts: Counter[str] = field(default_factory=Counter)
    states_u: bool = False
    usable: Tally = field(default_factory=lambda: Tally(COARSE))
    accepted: Tally = field(default_factory=lambda: Tally(0))

    def add(self, trial: FamilyTrial) -> None:
        self.verdicts[trial.verdict] += 1
        if trial.claim is not None:
            self.states_u |= trial.claim.U_mm is not None
            self.usable.add(trial.claim)
            if trial.accepted:
                self.accepted.add(trial.claim)

    def to_dict(self) -> dict[str, Any]:
        return {
            "verdicts": dict(self.verdicts),
            "states_u": self.states_u,
            "usable": self.usable.to_dict(),
            "accepted": self.accepted.to_dict(),
        }

    @classmethod
    def from_dict(cls, found: Mapping[str, Any]) -> FamilyTally:
        usable, accepted = (Tally.from_dict(found[name]) for name in ("usable", "accepted"))
        return cls(Counter(found["verdicts"]), found["states_u"], usable, accepted)


@dataclass
class CellTally:
    """
    One cell.

    Attributes
    ----------
    outcomes : Counter
        Of `Trial.outcome`.
    unanswered : Counter
        Those of calibrations without a recommended curve.
    reading, curve : Tally
    families : dict of str to FamilyTally
    missed_reading, missed_curve : str
        One character a calibration: how many of the places U did not hold, as chr(48 + misses); "-" where there is
        no recommended curve. So that a bench that went wrong can be drawn again and looked at.
    """

    outcomes: Counter[str] = field(default_factory=Counter)
    unanswered: Counter[str] = field(default_factory=Counter)
    reading: Tally = field(default_factory=Tally)
    curve: Tally = field(default_factory=Tally)
    families: dict[str, FamilyTally] = field(default_factory=dict)
    missed_reading: str = ""
    missed_curve: str = ""

    @property
    def count(self) -> int:
        return self.outcomes.total()

    def add(self, trial: Trial) -> None:
        self.outcomes[trial.outcome] += 1
        for name, of_family in trial.families.items():
            self.families.setdefault(name, FamilyTally()).add(of_family)
        if trial.reading is None or trial.curve is None:
            self.unanswered[trial.outcome] += 1
        else:
            self.reading.add(trial.reading)
            self.curve.add(trial.curve)
        self.missed_reading += _misses(trial.reading)
        self.missed_curve += _misses(trial.curve)

    def to_dict(self) -> dict[str, Any]:
        return {
            "outcomes": dict(self.outcomes),
            "unanswered": dict(self.unanswered),
            "reading": self.reading.to_dict(),
            "curve": self.curve.to_dict(),
            "families": {name: each.to_dict() for name, each in self.families.items()},
            "missed_reading": self.missed_reading,
            "missed_curve": self.missed_curve,
        }

    @classmethod
    def from_dict(cls, found: Mapping[str, Any]) -> CellTally:
        return cls(
            Counter(found["outcomes"]),
            Counter(found["unanswered"]),
            Tally.from_dict(found["reading"]),
            Tally.from_dict(found["curve"]),
            {name: FamilyTally.from_dict(each) for name, each in found["families"].items()},
            found["missed_reading"],
            found["missed_curve"],
        )


def _misses(claim: Claim | None) -> str:
    return "-" if claim is None else chr(48 + int(np.sum(claim.answered & ~claim.held)))
