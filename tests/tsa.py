"""A timestamp authority on loopback: openssl answers, as a witness from outside."""

from __future__ import annotations

import subprocess
import threading
from datetime import UTC, datetime, timedelta
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path

from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.x509.oid import ExtendedKeyUsageOID, NameOID

_CONFIG = """
[tsa]
default_tsa = here
[here]
serial = serial
crypto_device = builtin
signer_cert = tsa.pem
signer_key = tsa.key
signer_digest = sha256
default_policy = 1.2.3.4.1
digests = sha256, sha384, sha512
ess_cert_id_alg = sha256
"""


class Tsa:
    """
    Parameters
    ----------
    folder : Path
        An empty one.
    name : str
        Of the authority.
    """

    def __init__(self, folder: Path, name: str = "Larkfield Time") -> None:
        self.folder = folder
        self.root = _issue(folder, name)
        self.answer: bytes | None = None
        self.asked = 0
        (folder / "tsa.cnf").write_text(_CONFIG)
        (folder / "serial").write_text("01\n")
        self._server = ThreadingHTTPServer(("127.0.0.1", 0), self._handler())
        threading.Thread(target=self._server.serve_forever, daemon=True).start()
        self.url = f"http://127.0.0.1:{self._server.server_port}/tsa"

    def close(self) -> None:
        self._server.shutdown()
        self._server.server_close()

    def _handler(tsa) -> type[BaseHTTPRequestHandler]:
        class Handler(BaseHTTPRequestHandler):
            def do_POST(self) -> None:
                body = self.rfile.read(int(self.headers["Content-Length"]))
                tsa.asked += 1
                answer = tsa.reply(body) if tsa.answer is None else tsa.answer
                self.send_response(200)
                self.send_header("Content-Type", "application/timestamp-reply")
                self.end_headers()
                self.wfile.write(answer)

            def log_message(self, *_: object) -> None:
                pass

        return Handler

    def reply(self, query: bytes) -> bytes:
        """What openssl answers to a query."""
        (self.folder / "query").write_bytes(query)
        command = ["openssl", "ts", "-reply", "-queryfile", "query", "-config", "tsa.cnf", "-section", "here"]
        subprocess.run([*command, "-out", "reply"], cwd=self.folder, check=True, capture_output=True)
        return (self.folder / "reply").read_bytes()


def _issue(folder: Path, name: str) -> bytes:
    """A root, and under it what stamps; the root as PEM."""
    now = datetime.now(UTC)
    root_key, key = (ec.generate_private_key(ec.SECP256R1()) for _ in range(2))
    root_name, tsa_name = (
        x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, each)]) for each in (f"{name}, root", name)
    )

    def begun(subject: x509.Name, public: ec.EllipticCurvePublicKey) -> x509.CertificateBuilder:
        return (
            x509.CertificateBuilder()
            .subject_name(subject)
            .issuer_name(root_name)
            .public_key(public)
            .serial_number(x509.random_serial_number())
            .not_valid_before(now - timedelta(days=1))
            .not_valid_after(now + timedelta(days=400))
        )

    def usage(signs: bool) -> x509.KeyUsage:
        return x509.KeyUsage(
            digital_signature=signs, content_commitment=False, key_encipherment=False, data_encipherment=False,
            key_agreement=False, key_cert_sign=not signs, crl_sign=not signs, encipher_only=False, decipher_only=False,
        )  # fmt: skip

    root = (
        begun(root_name, root_key.public_key())
        .add_extension(x509.BasicConstraints(True, 0), critical=True)
        .add_extension(usage(signs=False), critical=True)
        .sign(root_key, hashes.SHA256())
    )
    stamps = (
        begun(tsa_name, key.public_key())
        .add_extension(x509.BasicConstraints(False, None), critical=True)
        .add_extension(usage(signs=True), critical=True)
        .add_extension(x509.ExtendedKeyUsage([ExtendedKeyUsageOID.TIME_STAMPING]), critical=True)
        .sign(root_key, hashes.SHA256())
    )
    (folder / "tsa.pem").write_bytes(stamps.public_bytes(serialization.Encoding.PEM))
    (folder / "tsa.key").write_bytes(
        key.private_bytes(serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8, serialization.NoEncryption())
    )
    return root.public_bytes(serialization.Encoding.PEM)
