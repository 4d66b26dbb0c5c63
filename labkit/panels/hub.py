"""
A JupyterHub in front of the dashboards: it asks who somebody is, and starts a server of their own for each person.

The hub's account reaches the pages as `labkit.workflow.door.HUB_USER`; the register says whose it is.
"""

from __future__ import annotations

import logging
import os
from typing import Any, Final
from urllib.parse import urlsplit

from jupyter_server.auth.identity import User
from tornado.web import HTTPError
from traitlets.config import Config

from labkit.panels.entrance import WayIn, WithoutToken
from labkit.panels.gate import LOCAL_HOSTS, shown
from labkit.problems import Problem
from labkit.workflow.door import HUB_USER

try:
    from jupyterhub.singleuser.extension import JupyterHubIdentityProvider
except ImportError as _missing:
    raise Problem("serve.hub_missing") from _missing

_SECRETS: Final = ("JUPYTERHUB_API_TOKEN", "JPY_API_TOKEN")
_PUBLIC: Final = "JUPYTERHUB_PUBLIC_URL"

_LOG: Final = logging.getLogger(__name__)


class HubKeeper(JupyterHubIdentityProvider):  # type: ignore[misc]
    """Lets in the one person for whom the hub has started this server: what is done here is done in their name."""

    account = ""

    async def get_user(self, handler: Any) -> User | None:
        """That person; nobody else, whatever the hub allows them."""
        user: User | None = await super().get_user(handler)
        if user is None or user.username == self.account:
            return user
        _LOG.warning("refused: the account %s at the dashboards of %s", shown(user.username), shown(self.account))
        handler._jupyterhub_user = None

        def refuse(*_: Any, **__: Any) -> None:
            raise HTTPError(403)

        # in place of the way to the hub, which would only send them back
        handler.redirect = refuse
        return None


def way_through_hub() -> WayIn:
    """
    How people come in where a hub has started this server; its secret is taken out of the environment.

    Raises
    ------
    Problem
        ``serve.no_hub``: no hub has started this. ``serve.hub_public``: it does not say how browsers address it.
    """
    secrets = [os.environ.pop(name, "") for name in _SECRETS]  # the kernels have no use for it
    account, place = os.environ.get(HUB_USER, ""), urlsplit(os.environ.get("JUPYTERHUB_SERVICE_URL", ""))
    if not (secrets[0] and account and place.port):
        raise Problem("serve.no_hub")
    public = urlsplit(os.environ.get(_PUBLIC, "")).hostname
    if not public:
        raise Problem("serve.hub_public")
    config = Config()
    config.HubOAuth.api_token = secrets[0]
    keeper = type("Keeper", (HubKeeper,), {"account": account})
    return WayIn(
        provider=keeper,
        hosts=LOCAL_HOSTS | {f"[{public}]" if ":" in public else public},
        host=place.hostname or "",
        port=place.port,
        base_url=os.environ.get("JUPYTERHUB_SERVICE_PREFIX") or "/",
        config=config,
        secrets=tuple(secrets),
        with_token=WithoutToken,
        account=account,
    )
