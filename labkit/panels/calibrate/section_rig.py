"""Section 1: the rig, the conditions, the warm-up, and what is ticked before the first reading."""

from __future__ import annotations

from collections.abc import Callable
from typing import Final

import ipywidgets as W

from labkit.bench.shims import ShimSet
from labkit.ledger import RegisteredRig
from labkit.messages import sentence
from labkit.panels import shell
from labkit.panels.calibrate.gauge_part import GaugePart
from labkit.panels.fields import Form
from labkit.panels.pages import address, pages
from labkit.panels.visitor import base_url, in_dashboard
from labkit.panels.warm_up import WarmUp
from labkit.workflow.calibrate import CalibratePage
from labkit.workflow.particulars import TICKS
from labkit.workflow.shims_out import SHIMS_REASON, shims_out
from labkit.workflow.taking_up import still_serves

ARRIVALS: Final = (("I type what it shows", "typed"), ("Its key types for me", "keyed"), ("It streams", "streamed"))


class RigSection:
    """
    Parameters
    ----------
    page : CalibratePage
    guard : callable
        Stands around every callback.
    """

    def __init__(self, page: CalibratePage, guard: Callable[..., Callable[..., None]]) -> None:
        self._page = page
        self.form = Form(guard(self._typed))
        form = self.form
        self.warm_up = WarmUp()
        self._ticks = {tick: W.Checkbox(description=sentence(f"tick.{tick}"), indent=False) for tick in TICKS}
        for tick, box in self._ticks.items():
            box.observe(guard(self._ticked(tick)), "value")
        self._facts, self._again = shell.html(), shell.html()
        self._gauge = GaugePart(page, guard)
        self._out_says = shell.html()
        reason = form.text(SHIMS_REASON, width="wide", label="Why these shims are used all the same")
        named = form.field("Used all the same", reason, names=[SHIMS_REASON], long=True)
        self._out = shell.rows([self._out_says, named])
        self._showing = False

        fields = [
            form.field("Rig", form.choice("rig", label="Rig"), names=["rig"], long=True),
            form.field("Shim set", form.choice("shim_set", label="Shim set"), names=["shim_set"], long=True),
            form.field(
                "Working range",
                form.text("low", label="Working range, from"),
                "to",
                form.text("high", label="Working range, to"),
                "mm",
                names=["low", "high"],
            ),
            form.field("Tolerance", "±", form.text("tolerance", label="Tolerance"), "mm", names=["tolerance"]),
            form.field(
                "Temperature", form.text("temperature", label="Temperature at the start"), "°C", names=["temperature"]
            ),
            form.field("Target U", form.text("target", label="Target U"), "µm at k = 2", names=["target"]),
            form.field("Readings", form.choice("arrival", ARRIVALS, label="How readings arrive"), names=["arrival"]),
            form.field("Repeats", form.text("repeats", label="Repeats"), names=["repeats"]),
        ]
        warm_up = shell.rows(
            [
                shell.html("<h3>Warm-up</h3>"),
                form.field(
                    "Switched on at",
                    form.text("switched_on", label="Switched on at"),
                    "needs",
                    form.text("needs_min", label="Minutes of warm-up"),
                    "min",
                    names=["switched_on", "needs_min"],
                ),
                self.warm_up,
                shell.html('<p class="lk-help">At least 5 min is common practice. It warns, it does not block.</p>'),
            ]
        )
        ticks = shell.rows([shell.html("<h3>Before the first reading</h3>"), *self._ticks.values()], "lk-ticks")
        fold = W.Accordion([shell.rows([self._particulars(), self._facts])], titles=("Particulars",))
        fold.add_class("lk-fold")
        self.section = shell.section(
            1,
            "Rig and conditions",
            notes=[shell.html(shell.MAGNET), shell.html(shell.SMALL_TARGET), shell.html(_inert())],
            body=[
                self._again,
                self._gauge.root,
                shell.with_classes(W.GridBox(fields), "lk-form"),
                self._out,
                shell.with_classes(W.GridBox([warm_up, ticks]), "lk-split"),
                fold,
            ],
        )

    def _particulars(self) -> W.GridBox:
        form = self.form
        rows = [
            form.field("Customer", form.choice("customer"), names=["customer"]),
            form.field("Order", form.text("order", width="wide", label="Order"), names=["order"]),
            form.field("On receipt", form.text("received", width="wide", label="On receipt"), names=["received"]),
            form.field("Check set", form.choice("check_set", label="Check set"), names=["check_set"]),
            form.field("Procedure", form.text("procedure", width="wide", label="Procedure"), names=["procedure"]),
            form.field("Revision", form.text("revision", width="wide", label="Revision"), names=["revision"]),
            form.field("Place", form.text("place", width="wide", label="Place"), names=["place"]),
            form.field("Humidity", form.text("humidity", label="Humidity"), "% RH", names=["humidity"]),
            form.field("Thermometer", form.choice("thermometer"), names=["thermometer"]),
            form.field("Hygrometer", form.choice("hygrometer"), names=["hygrometer"]),
            form.field(
                "At the end",
                form.text("temperature_end", label="Temperature at the end"),
                "°C",
                names=["temperature_end"],
            ),
        ]
        return shell.with_classes(W.GridBox(rows), "lk-form")

    def show(self) -> None:
        """What the model holds now."""
        page, bench, form = self._page, self._page.bench, self.form
        form.offer("rig", [("Choose a rig", ""), *((rig_words(rig), rig.name) for rig in bench.rigs)])
        sets = [(_set_words(each), each.name) for each in bench.shim_sets]
        form.offer("shim_set", [("Choose a shim set", ""), *sets])
        form.offer("check_set", [("None", ""), *sets])
        form.offer("customer", [("–", ""), *((party.name, party.name) for party in bench.customers)])
        parts = [("–", ""), *((part.name, part.name) for part in bench.instruments)]
        for name in ("thermometer", "hygrometer"):
            form.offer(name, parts)
        p = page.particulars
        form.show(page.fields, p.faults if p else {}, p.doubts if p else {})
        form.disable(page.read_only)
        self._showing = True
        for tick, box in self._ticks.items():
            box.value, box.disabled = tick in page.ticks, page.read_only
        self._showing = False
        if p is not None:
            self.warm_up.since = p.about.switched_on
            self.warm_up.needs_min = max(int(p.about.rig.warm_up_min or 1), 1)
            self.warm_up.zone = bench.zone
        shell.say(self._facts, _facts(page))
        self._gauge.show()
        out = shims_out(page)
        self._out.layout.display = "" if out or page.fields.get(SHIMS_REASON) else "none"
        words = " ".join(str(each.says) for each in out)
        shell.say(self._out_says, shell.message("watch", shell.escape(words)) if words else "")
        shell.say(self._again, _take_up_again(page))

    def _typed(self, name: str, text: str) -> None:
        if name == "rig":
            if text and text != self._page.fields.get("rig"):
                self._page.choose_rig(text)
        else:
            self._page.set_field(name, text)

    def _ticked(self, tick: str) -> Callable[[dict[str, object]], None]:
        def changed(change: dict[str, object]) -> None:
            if not self._showing:
                self._page.set_tick(tick, bool(change["new"]))

        return changed


def _inert() -> str:
    return shell.note("Measure only inert, empty parts: nothing live, pressurised or charged.")


def _take_up_again(page: CalibratePage) -> str:
    """A way to the page Check, as long as the last sheet of the rig serves and nothing is read here."""
    rig, calibration = page.rig, page.in_force
    check = next((each for each in pages() if each.key == "check"), None)
    if rig is None or calibration is None or check is None or page.begun_work or page.read_only:
        return ""
    if not still_serves(rig, calibration, page.bench.zone, page.begun):
        return ""
    words = shell.escape(sentence("take_up.offer", {"number": calibration.number}))
    name = shell.escape(sentence("take_up.offer_link"))
    where = shell.escape(address(check, base_url(), rig=rig.name))
    link = f'<a class="lk-btn" href="{where}">{name}</a>' if in_dashboard() else f"<b>{name}</b>"
    return shell.message("ok", f"{words} {link}")


def rig_words(rig: RegisteredRig) -> str:
    parts = rig.rig
    said = [parts.gauge.name, f"probe {parts.probe.name}", parts.tip.kind, parts.target.kind]
    return f"{parts.name}: {', '.join(each for each in said if each)}"


def _set_words(shims: ShimSet) -> str:
    dues = sorted(shim.due for shim in shims if shim.due)
    due = f", due {dues[0].day} {dues[0]:%b %Y}" if dues else ""
    return f"{shims.name}, {len(shims)} shims{due}"


def _facts(page: CalibratePage) -> str:
    """What the register says of the parts, for looking up only."""
    if page.rig is None:
        return ""
    rig = page.rig.rig
    facts = [("Gauge", str(rig.gauge)), ("Probe", str(rig.probe)), ("Tip", str(rig.tip)), ("Target", str(rig.target))]
    lines = "".join(
        f"<div><dt>{shell.escape(what)}</dt><dd>{shell.escape(says) or '–'}</dd></div>" for what, says in facts
    )
    return f'<dl class="lk-facts3">{lines}</dl>'
