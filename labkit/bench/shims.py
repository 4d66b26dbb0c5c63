"""Shims: thickness standards with a certified value, and the set they belong to."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass, field
from datetime import date
from typing import Any, Final, Self

import numpy as np
from numpy.typing import NDArray

from labkit.problems import BadInput, Caution

THICKEST_MM: Final = 100.0
"""No gauge of this kind reads through more; a larger length is a length in another unit."""

THINNEST_MM: Final = 1e-6
"""A shim of a few atoms is a length in another unit, too."""


@dataclass(frozen=True)
class Shim:
    """
    One thickness standard, as its certificate states it.

    Attributes
    ----------
    name : str
        What is written on the shim.
    thickness_mm : float
        The certified thickness [mm] at 20 °C.
    u_mm : float or None
        Its standard uncertainty [mm]: U/k, or tolerance/√3. None where the certificate states none.
    k : float or None
        The coverage factor of the stated U.
    tolerance_mm : float or None
        The tolerance [mm] from which `u_mm` was taken, where no U is stated.
    shared_u_mm : float
        Standard uncertainty [mm] that the shims of a set share through one master; part of `u_mm`.
    expansion_per_K : float
        Coefficient of thermal expansion [1/K].
    flatness_u_mm, wear_u_mm : float
        Standard uncertainties [mm] of flatness and bow, and of wear since the certificate.
    due : date or None
        The date to which the certificate is relied upon.
    as_typed : mapping
        Every cell as it was typed, by column.
    """

    name: str
    thickness_mm: float
    u_mm: float | None = None
    k: float | None = None
    tolerance_mm: float | None = None
    shared_u_mm: float = 0.0
    expansion_per_K: float = 0.0
    flatness_u_mm: float = 0.0
    wear_u_mm: float = 0.0
    material: str = ""
    certificate: str = ""
    certified_on: date | None = None
    due: date | None = None
    set_name: str = ""
    issued_by: str = ""
    as_typed: Mapping[str, str] = field(default_factory=dict)

    @property
    def own_u_mm(self) -> float:
        """Standard uncertainty [mm] without the part that is shared with the other shims."""
        certified = (self.u_mm or 0.0) ** 2 - self.shared_u_mm**2
        return float(np.sqrt(max(certified, 0.0) + self.flatness_u_mm**2 + self.wear_u_mm**2))

    @property
    def plausible(self) -> bool:
        """Whether thickness and uncertainties are lengths that shims can have."""
        stated = (self.u_mm or 0.0, self.shared_u_mm, self.flatness_u_mm, self.wear_u_mm)
        return THINNEST_MM <= self.thickness_mm <= THICKEST_MM and all(u <= THICKEST_MM for u in stated)

    def at(self, temperature_degC: float) -> float:
        """The thickness [mm] at a temperature [°C]: x = X·(1 + α·(t − 20 °C))."""
        return self.thickness_mm * (1.0 + self.expansion_per_K * (temperature_degC - 20.0))

    def __str__(self) -> str:
        return f"shim {self.name}, {self.thickness_mm:.4f} mm"

    def to_dict(self) -> dict[str, Any]:
        found = asdict(self)
        for key in ("certified_on", "due"):
            found[key] = found[key].isoformat() if found[key] else None
        return found

    @classmethod
    def from_dict(cls, found: Mapping[str, Any]) -> Self:
        values = dict(found)
        for key in ("certified_on", "due"):
            values[key] = date.fromisoformat(values[key]) if values.get(key) else None
        return cls(**values)


@dataclass(frozen=True)
class ShimSet:
    """
    The shims at hand, read or not: those that were not read are what the next point is chosen from.

    Attributes
    ----------
    shims : tuple of Shim
        Names are unique.
    name : str
        Such as "Brass set A".
    cautions : tuple of Caution
        Doubts about the table that it was read from.
    """

    shims: tuple[Shim, ...]
    name: str = ""
    cautions: tuple[Caution, ...] = ()

    def __iter__(self) -> Iterator[Shim]:
        return iter(self.shims)

    def __len__(self) -> int:
        return len(self.shims)

    def __contains__(self, name: object) -> bool:
        return any(shim.name == name for shim in self.shims)

    def __getitem__(self, name: str) -> Shim:
        for shim in self.shims:
            if shim.name == name:
                return shim
        raise BadInput("shims.unknown", shim=name, set=self.name or "the shim set")

    def incidence(self, stacks: Sequence[Sequence[str]]) -> NDArray[np.float64]:
        """
        Which shims make up which point.

        Parameters
        ----------
        stacks : sequence of m sequences of str
            The names of the shims of each point; none for contact zero.

        Returns
        -------
        ndarray, shape (m, n)
            How often shim j lies in the stack of point i.

        Raises
        ------
        BadInput
            A name is not in the set.
        """
        places = {shim.name: j for j, shim in enumerate(self.shims)}
        table = np.zeros((len(stacks), len(self.shims)))
        for i, stack in enumerate(stacks):
            for name in stack:
                self[name]
                table[i, places[name]] += 1.0
        return table

    def covariance(self, stacks: Sequence[Sequence[str]]) -> NDArray[np.float64]:
        """
        Covariance [mm²] of the reference values of the points `stacks`: A·(diag(u²) + c·cᵀ)·Aᵀ.

        Parameters
        ----------
        stacks : sequence of m sequences of str

        Returns
        -------
        ndarray, shape (m, m)
            Symmetric; 0 in the rows of contact zero. `c` is shared by the shims of one set.
        """
        table = self.incidence(stacks)
        own = np.array([shim.own_u_mm for shim in self.shims])
        shared = np.array([shim.shared_u_mm for shim in self.shims])
        sets = np.array([shim.set_name for shim in self.shims])
        among_shims = np.diag(own**2) + np.outer(shared, shared) * (sets[:, None] == sets[None, :])
        return np.asarray(table @ among_shims @ table.T, dtype=np.float64)

    def to_dict(self) -> dict[str, Any]:
        return {
            "name": self.name,
            "shims": [shim.to_dict() for shim in self.shims],
            "cautions": [caution.to_dict() for caution in self.cautions],
        }

    @classmethod
    def from_dict(cls, found: Mapping[str, Any]) -> Self:
        return cls(
            tuple(Shim.from_dict(each) for each in found["shims"]),
            found.get("name", ""),
            tuple(Caution.from_dict(each) for each in found.get("cautions", ())),
        )
