"""The covariance of the reference values, part by part: what each line of the budget about shims leans on."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from labkit.bench.conditions import Conditions
from labkit.bench.shims import ShimSet
from labkit.curves.family import Array


def shim_parts(shims: ShimSet, stacks: Sequence[Sequence[str]], conditions: Conditions) -> dict[str, Array]:
    """
    The parts of `labkit.calibration.points.covariance_mm2`, by the code of their line in the budget.

    Parameters
    ----------
    shims : ShimSet
    stacks : sequence of m sequences of str
        The names of the shims of each point; none for contact zero.
    conditions : Conditions

    Returns
    -------
    dict of str to ndarray, shape (m, m)
        [mm²]: certificates that stand for themselves, what shims share through one master, flatness and wear, the
        joints of stacks, and the seating at contact zero. Their sum is the covariance.
    """
    table = shims.incidence(stacks)
    shared = np.array([shim.shared_u_mm for shim in shims])
    sets = np.array([shim.set_name for shim in shims])
    form = np.array([shim.flatness_u_mm**2 + shim.wear_u_mm**2 for shim in shims])
    own = np.array([shim.own_u_mm**2 for shim in shims]) - form
    joints = [max(len(stack) - 1, 0) * conditions.joint_u_mm**2 for stack in stacks]
    seating = [0.0 if stack else conditions.zero_u_mm**2 for stack in stacks]
    return {
        "budget.shims": np.asarray(table @ np.diag(np.maximum(own, 0.0)) @ table.T),
        "budget.shims_shared": np.asarray(
            table @ (np.outer(shared, shared) * (sets[:, None] == sets[None, :])) @ table.T
        ),
        "budget.shims_form": np.asarray(table @ np.diag(form) @ table.T),
        "budget.joints": np.diag(joints),
        "budget.seating": np.diag(seating),
    }
