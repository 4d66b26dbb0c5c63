"""Where a reading was taken: on which shim or stack, or on none, and in which role."""

from __future__ import annotations

from typing import Final, TypeAlias

from labkit.bench.cells import Notes, Row
from labkit.bench.headings import COMPUTED, Layout, nearest, plain_name
from labkit.bench.read_shims import LONGEST_NAME, RESERVED
from labkit.bench.readings import ROLES
from labkit.bench.reference_shims import ReferenceShims
from labkit.bench.shims import ShimSet

Point: TypeAlias = tuple[tuple[str, ...], str]
"""The names of the shims, none for contact zero and background, and the role."""

ROLE_NAMES: Final = {plain_name(role): role for role in ROLES}

_DIFFERS: Final = 0.02


class Points:
    """
    Tells the point of each row of a table.

    Parameters
    ----------
    layout : Layout
    shims : ShimSet or None
        The shims at hand, where there is a table of them.
    references : ReferenceShims or None
        Where the table has a column ``reference``.
    names_unknown : bool
        The table of shims was refused: names cannot be looked up.
    notes : Notes
    leave_out_unknown : bool
        A row on a shim that is not at hand is left out with a caution, not refused.
    """

    def __init__(
        self,
        layout: Layout,
        shims: ShimSet | None,
        references: ReferenceShims | None,
        names_unknown: bool,
        notes: Notes,
        leave_out_unknown: bool = False,
    ) -> None:
        self._leave_out_unknown = leave_out_unknown
        self._layout = layout
        self._known = shims
        self._references = references
        self._names_unknown = names_unknown
        self._notes = notes
        self._point_column = self._find_point_column()

    def _find_point_column(self) -> str:
        """The column that says where a reading was taken; a fault where there is none that serves."""
        columns, where = self._layout.columns, self._layout.where(None)
        has_shim, has_reference = "shim" in columns, "reference" in columns
        if has_shim and has_reference and self._layout.is_blank("shim"):
            self._notes.caution("table.empty_column", self._layout.where(None, columns["shim"]))
            has_shim = False
        if not has_shim and not has_reference:
            self._notes.fault("readings.no_shim_column", where)
            self._notes.refuse_if_faulty()
        elif not has_shim and self._known is not None:
            self._notes.fault("readings.reference_beside_shims", self._layout.where(None, columns["reference"]))
        elif not has_reference and self._known is None and not self._names_unknown and self._names_shims():
            self._notes.fault("readings.no_shims", self._layout.where(None, columns["shim"]))
            self._names_unknown = True
        return "shim" if has_shim else "reference"

    def _names_shims(self) -> bool:
        texts = [self._layout.text(row, "shim") for row in self._layout.table.rows]
        return any(text and text.casefold() not in RESERVED for text in texts)

    def of(self, row: Row) -> Point | None:
        """The shims and the role of a row; None after a fault was noted."""
        role = self._role(row)
        text = self._layout.text(row, self._point_column)
        named = text.casefold()
        if role is None:
            return None
        if named in RESERVED or (not text and role.removeprefix("closing-") in RESERVED):
            return self._without_shim(row, role, named or role.removeprefix("closing-"))
        if role.removeprefix("closing-") in RESERVED and self._point_column == "shim":
            return self._refuse(row, "readings.role_against_shim", role=role, shim=text)
        if not text:
            missing = "readings.no_reference" if self._point_column == "reference" else "readings.no_shim"
            return self._refuse(row, missing)
        if len(text) > LONGEST_NAME:
            return self._refuse(row, "shims.long_name", limit=LONGEST_NAME)
        if named in COMPUTED and (self._known is None or text not in self._known):
            return self._refuse(row, "readings.computed_row", word=text)
        if self._known is None and self._references is not None:
            return self._at_reference(row, role, text)
        names = self._stack(row, text)
        self._compare_reference(row, names)
        return (names, role) if names else None

    def _role(self, row: Row) -> str | None:
        typed = self._layout.text(row, "role")
        if not typed:
            return "fit"
        role = ROLE_NAMES.get(plain_name(typed))
        if role is None:
            like = nearest(plain_name(typed), ROLE_NAMES)
            code = "readings.like_role" if like else "readings.unknown_role"
            where = self._layout.where(row, self._layout.columns["role"])
            self._notes.fault(code, where, role=typed, like=ROLE_NAMES.get(like, ""), known=list(ROLES))
        return role

    def _without_shim(self, row: Row, role: str, word: str) -> Point | None:
        if role in ("fit", word):
            return (), word
        if role in ("closing-fit", f"closing-{word}"):
            return (), f"closing-{word}"
        return self._refuse(row, "readings.role_against_shim", role=role, shim=word)

    def _refuse(self, place: Row, code: str, **params: object) -> Point | None:
        column = self._layout.columns.get(self._point_column)
        self._notes.fault(code, self._layout.where(place, column), **params)
        return None

    def _stack(self, row: Row, text: str) -> tuple[str, ...]:
        if self._names_unknown or self._known is None:
            return (text,)
        if text in self._known:
            return (text,)
        names = tuple(part.strip() for part in text.split(" + "))
        if len(names) == 1 and all(part.strip() in self._known for part in text.split("+")):
            names = tuple(part.strip() for part in text.split("+"))
        unknown = [name for name in names if name not in self._known]
        if unknown and self._leave_out_unknown:
            where = self._layout.where(row, self._layout.columns.get(self._point_column))
            self._notes.caution("readings.row_left_out", where, shims=unknown, set=self._known.name)
            return ()
        for name in unknown:
            like = nearest(name, (shim.name for shim in self._known))
            code = "readings.like_shim" if like else "readings.unknown_shim"
            self._refuse(row, code, shim=name, like=like, set=self._known.name or "the shim table")
        if not unknown and len(set(names)) < len(names):
            self._refuse(row, "readings.stack_twice", stack=text)
        return () if unknown else names

    def _at_reference(self, row: Row, role: str, text: str) -> Point | None:
        if self._references is None:
            return None
        if " + " in text:
            return self._refuse(row, "readings.stack_needs_shims", stack=text)
        found = self._references.add(row, text if self._point_column == "shim" else "")
        if found is None:
            return None
        if found == "":
            # a reference of 0 is the target on the bare tip
            return self._without_shim(row, role, "zero")
        return (found,), role

    def _compare_reference(self, row: Row, names: tuple[str, ...]) -> None:
        column = self._layout.columns.get("reference")
        if self._known is None or self._references is None or not names or column is None:
            return
        if row.cell(column.index) == "":
            return
        typed_mm = self._references.thickness(row)
        certified_mm = sum(self._known[name].thickness_mm for name in names)
        if typed_mm is not None and abs(typed_mm - certified_mm) > _DIFFERS * certified_mm:
            where = self._layout.where(row, column)
            self._notes.caution("readings.reference_differs", where, typed_mm=typed_mm, certified_mm=certified_mm)
