# mypy: ignore-errors
"""
A JupyterHub in front of the dashboards: people sign in as themselves, and read and sign in one laboratory's ledger.

Start it with ``jupyterhub -f THIS_FILE``. Three places are the laboratory's own: the address, the data folder, and who
may come in. Each person's account at the hub is written beside their name on the page Bench.
"""

import os
import sys

from jupyterhub.spawner import LocalProcessSpawner

DATA = os.environ.get("LABKIT_DATA", "/srv/laboratory")
ADDRESS = os.environ.get("LABKIT_ADDRESS", "http://127.0.0.1:8000")


class OneAccount(LocalProcessSpawner):
    """
    Everybody's dashboards run under the account that runs the hub: the data folder is open to that one alone.

    A hub keeps its users apart because they run code of their own. Nobody does in the dashboards.
    """

    def make_preexec_fn(self, name):
        return None

    def user_env(self, env):
        return env | {"HOME": os.path.expanduser("~")}

    def move_certs(self, paths):
        return paths


c = get_config()  # noqa: F821

# as browsers address the hub; behind a proxy that speaks TLS it begins with https
c.JupyterHub.public_url = ADDRESS
c.JupyterHub.bind_url = "http://127.0.0.1:" + ADDRESS.rpartition(":")[2].strip("/")
c.JupyterHub.spawner_class = OneAccount
c.Spawner.cmd = [sys.executable, "-m", "labkit", "serve", "--hub", "--data", DATA]
c.Spawner.start_timeout = 120
c.Spawner.http_timeout = 120

# the accounts of this machine; JupyterHub knows other ways: LDAP, the organisation's single sign-on
c.JupyterHub.authenticator_class = "pam"
c.Authenticator.allowed_users = set(filter(None, os.environ.get("LABKIT_PEOPLE", "").split(",")))
# an administrator of the hub comes in nowhere in another person's name: labkit refuses it
c.Authenticator.admin_users = set()
