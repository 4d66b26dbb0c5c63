"""Who is let in: whoever holds the token of this start, or knows the laboratory's password."""

from __future__ import annotations

import hmac
import logging
import secrets
import time
from dataclasses import dataclass, field
from typing import Any, Final, cast

from jupyter_server.auth.decorator import allow_unauthenticated
from jupyter_server.auth.identity import PasswordIdentityProvider, User
from jupyter_server.auth.login import LoginFormHandler
from jupyter_server.auth.logout import LogoutHandler
from jupyter_server.auth.security import passwd_check
from jupyter_server.base.handlers import JupyterHandler
from tornado.escape import url_escape
from tornado.web import RequestHandler
from traitlets.config import Config

from labkit.panels.gate import LOCAL_HOSTS, shown

FREE_TRIES: Final = 3
"""Wrong answers in a row before the next one has to wait."""

LONGEST_REST_S: Final = 60
_FIRST_REST_S: Final = 2
"""The wait doubles with each further wrong answer, up to the longest [s]."""

_LOG: Final = logging.getLogger(__name__)


class Keeper(PasswordIdentityProvider):
    """
    Asks for the token, or for the password where the server was started with one; there is always one of them.

    The token is taken from the printed address (`Entrance` does that), from the form, or from a script's
    ``Authorization`` header. Who was let in holds a cookie that ends with the browser, and after a day.
    """

    def __init__(self, **kwargs: Any) -> None:
        super().__init__(**kwargs)
        if not self.auth_enabled:
            raise RuntimeError("nothing would be asked of a visitor")
        self.allow_password_change = False
        self.cookie_options = {"samesite": "Lax", "expires_days": None}
        self.get_secure_cookie_kwargs = {"max_age_days": 1}
        self._wrong = 0
        self._rests_until = 0.0

    def get_token(self, handler: RequestHandler) -> str | None:
        """What a script has sent in a header: an address that a browser shows and keeps is no place for a secret."""
        found = self.auth_header_pat.match(handler.request.headers.get("Authorization", ""))
        return found.group(2) if found else None

    def lets_in(self, given: str) -> bool:
        """Whether a text is the token, or the password."""
        if self.token and hmac.compare_digest(given.encode(), self.token.encode()):
            return True
        return bool(self.hashed_password and passwd_check(self.hashed_password, given))  # type: ignore[no-untyped-call]

    def get_handlers(self) -> list[tuple[str, object]]:
        """The addresses of this way in."""
        return [(r"/login", Login), (r"/logout", LogoutHandler)]

    def process_login_form(self, handler: RequestHandler) -> User | None:
        """The visitor whom the form lets in; None for a wrong answer, or one that came while the form rests."""
        if self.rest_s():
            return None
        if self.lets_in(handler.get_body_argument("password", "", strip=False)):
            self._wrong = 0
            return self.generate_anonymous_user(handler)
        self._wrong += 1
        if self._wrong >= FREE_TRIES:
            rest = min(_FIRST_REST_S * 2 ** min(self._wrong - FREE_TRIES, 10), LONGEST_REST_S)
            self._rests_until = time.monotonic() + rest
        return None

    def rest_s(self) -> int:
        """For how many seconds more no answer is looked at; 0 where one is."""
        return max(int(self._rests_until - time.monotonic() + 0.999), 0)

    @property
    def wrong(self) -> int:
        """Wrong answers in a row."""
        return self._wrong


@dataclass(frozen=True)
class WayIn:
    """
    How people come in.

    Attributes
    ----------
    provider : type
        The identity provider.
    token : str or None
        Of the printed address; empty where there is none, None where the provider has its own.
    hosts : frozenset of str
        The names under which browsers ask this server, without a port.
    host : str
        Where it listens; empty for everywhere.
    port : int or None
        Where something else than the command says which.
    base_url : str
        With its last slash.
    config : Config
    secrets : tuple of str
        What no log may hold.
    with_token : type
        The handler for addresses that hold a token.
    account : str
        The one account that comes in; empty where accounts are not told apart.
    """

    provider: type
    token: str | None = None
    hosts: frozenset[str] = LOCAL_HOSTS
    host: str = "127.0.0.1"
    port: int | None = None
    base_url: str = "/"
    config: Config = field(default_factory=Config)
    secrets: tuple[str, ...] = ()
    with_token: type[RequestHandler] = RequestHandler
    account: str = ""


def way_by_secret(password_hash: str = "") -> WayIn:
    """By the token of this start; or by the password whose hash is given, and then there is no token to be found."""
    token = "" if password_hash else secrets.token_urlsafe(24)
    config = Config()
    config.PasswordIdentityProvider.hashed_password = password_hash
    return WayIn(Keeper, token, config=config, secrets=(token,), with_token=Entrance)


class WithoutToken(JupyterHandler):
    """Leads to the address without the token, which is for nothing here."""

    def initialize(self, given: str) -> None:
        """The token is forgotten."""

    @allow_unauthenticated
    def get(self) -> None:
        self.redirect("/" + str(self.request.uri).lstrip("/\\"))


class Entrance(LoginFormHandler):
    """The printed address: a cookie takes the token's place, and the browser is sent to the address without it."""

    def initialize(self, given: str) -> None:
        self._given = given

    @allow_unauthenticated
    def get(self) -> None:
        provider = cast(Keeper, self.identity_provider)
        if provider.token and hmac.compare_digest(self._given.encode(), provider.token.encode()):
            provider.set_login_cookie(self, self.current_user or provider.generate_anonymous_user(self))
            self._redirect_safe(self.request.uri)  # type: ignore[no-untyped-call]
            return
        _LOG.warning("refused: a wrong token for %s from %s", shown(self.request.path), self.request.remote_ip)
        if self.current_user:
            self._redirect_safe(self.request.uri)  # type: ignore[no-untyped-call]
        else:
            self.redirect(f"{self.base_url}login?next={url_escape(self.request.uri)}")


class Login(LoginFormHandler):
    """The form for the token or the password."""

    def _render(self, message: dict[str, Any] | None = None) -> None:
        self.write(
            self.render_template(  # type: ignore[no-untyped-call]
                "login.html",
                next=url_escape(self.get_argument("next", default=self.base_url)),
                message=message,
                with_password=bool(cast(Keeper, self.identity_provider).hashed_password),
            )
        )

    @allow_unauthenticated
    def post(self) -> None:
        provider = cast(Keeper, self.identity_provider)
        rest = provider.rest_s()
        user = provider.process_login_form(self)
        if user is None:
            what = "password" if provider.hashed_password else "token"
            why = f"while the form rests, {rest} s" if rest else f"{provider.wrong} in a row"
            _LOG.warning("refused: wrong %s from %s, %s", what, self.request.remote_ip, why)
            self.set_status(429 if rest else 401)
            self._render(message={"rest": provider.rest_s(), "looked_at": not rest})
            return
        self.current_user = user
        provider.set_login_cookie(self, user)
        self._redirect_safe(self.get_argument("next", default=self.base_url))  # type: ignore[no-untyped-call]
