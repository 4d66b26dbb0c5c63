"""Asking for an approval from the page of a draft, and what became of it."""

from __future__ import annotations

from labkit import ledger
from labkit.ledger import Approval, Request
from labkit.ledger.people import MAY
from labkit.problems import BadInput, Problem
from labkit.workflow.draft_page import UNREACHED, DraftPage


class Asking:
    """
    Parameters
    ----------
    page : DraftPage

    Attributes
    ----------
    request : Request or None
        What was asked last about this draft.
    approval : Approval or None
        Of the certificate that was made of it.
    """

    def __init__(self, page: DraftPage) -> None:
        self._page = page
        self.request: Request | None = None
        self.approval: Approval | None = None

    def look(self) -> bool:
        """Read again what became of it; whether something did. What cannot be reached is left as it was."""
        page, before = self._page, (self.request, self.approval)
        if not page.revision:
            self.request = self.approval = None
        else:
            try:
                self.request = ledger.request_about(page.data, page.id)
                self.approval = ledger.approval_of(page.data, page.id)
            except Problem as problem:
                if problem.code not in UNREACHED:
                    raise
        return before != (self.request, self.approval)

    @property
    def whom(self) -> list[str]:
        """Who may be asked: everybody who approves, but for whoever asks."""
        page = self._page
        return [each.name for each in page.bench.people if each.role in MAY["approve"] and each.name != page.person]

    @property
    def open(self) -> bool:
        """Whether somebody was asked and has not answered."""
        return self.request is not None and self.request.open

    def ask(self, to: str, says: str) -> None:
        """
        Ask for an approval; `to` is empty for anybody who may.

        Raises
        ------
        BadInput
            ``request.nobody``, ``request.nothing_yet``; see `labkit.ledger.ask`.
        """
        page = self._page
        if not page.person:
            raise BadInput("request.nobody")
        if not page.revision or not (page.begun_work or page.number):
            raise BadInput("request.nothing_yet")
        self.request = ledger.ask(page.data, page.id, page.who, to=to, says=says)

    def take_back(self) -> None:
        """Withdraw the request; see `labkit.ledger.withdraw_request`."""
        if self.request is not None:
            ledger.withdraw_request(self._page.data, self.request.id, self._page.who)
            self.look()
